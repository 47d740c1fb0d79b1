from django.db import migrations

# Common practice, no source: what nobody who lives there would notice and call about.
CODES = ["FAS-01", "SEA-01", "DRN-02"]


def _modes(apps, schema_editor):
    """Take the modes of the database that is migrated, which need not be the desk's own."""
    modes = apps.get_model("units", "FailureMode").objects
    return modes.using(schema_editor.connection.alias).filter(code__in=CODES)


def mark(apps, schema_editor):
    """Say of the catalogue's modes which show only when somebody looks."""
    _modes(apps, schema_editor).update(only_at_look=True)


def unmark(apps, schema_editor):
    """Take it back."""
    _modes(apps, schema_editor).update(only_at_look=False)


class Migration(migrations.Migration):

    dependencies = [
        ('units', '0005_modes_seen_only_at_a_look'),
    ]

    operations = [migrations.RunPython(mark, unmark)]
