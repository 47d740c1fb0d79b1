"""Have SQLite refuse what would take the place of a row of the history; PostgreSQL does so already."""

from django.db import migrations

MODELS = ("Change", "ChangedField", "Erasure")


def refuse_replacing(apps, schema_editor):
    """Make the triggers of the three tables anew: those of before did not look at new rows."""
    for model, rule in _rules(apps, schema_editor):
        _drop(rule, ("insert", "update", "delete"), schema_editor)
        for statement in rule.statements(model, schema_editor):
            schema_editor.execute(statement)


def allow_replacing(apps, schema_editor):
    """Take the new triggers away."""
    for _, rule in _rules(apps, schema_editor):
        _drop(rule, ("insert",), schema_editor)


def _rules(apps, schema_editor):
    if schema_editor.connection.vendor != "sqlite":
        return
    for name in MODELS:
        model = apps.get_model("people", name)
        yield from ((model, rule) for rule in model._meta.constraints if hasattr(rule, "erasable"))


def _drop(rule, events, schema_editor):
    for event in events:
        schema_editor.execute(f"DROP TRIGGER IF EXISTS {rule.name}_{event}")


class Migration(migrations.Migration):

    dependencies = [
        ("people", "0005_where_people_are_signed_in"),
    ]

    operations = [
        migrations.RunPython(refuse_replacing, allow_replacing),
    ]
