"""Whether all that the models declare holds for all rows, asked of the database itself, row by row."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from django.apps import apps
from django.conf import settings
from django.db import connection
from django.db.models import CheckConstraint, Count, F, Model, Q, UniqueConstraint

from schedules.models import MaintenanceTask, Visit, VisitTask
from servicedesk.calls.models import Call, Finding, PhoneRecord, Photo
from servicedesk.calls.photo_files import photo_path
from servicedesk.core.models import IdempotencyKey
from servicedesk.core.rules.constraints import NEW_COLUMN, RowRule
from tests.faults.audit import Losses


def check_rules() -> Losses:
    """Check the file or the keys, every declared rule, and what no operation may leave half done."""
    losses = Losses()
    losses.broken += _storage()
    for model in apps.get_models():
        for rule in model._meta.constraints:
            if count := _violations(model, rule):
                losses.broken.append(f"{count} rows break {rule.name}")
    losses.half += _half()
    losses.doubled += _promised_twice()
    return losses


def _storage() -> Iterator[str]:
    """Ask SQLite about its file, and either database about keys that lead nowhere."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA integrity_check")
            if (rows := cursor.fetchall()) != [("ok",)]:
                yield f"integrity_check: {rows[:3]}"
            cursor.execute("PRAGMA foreign_key_check")
            if rows := cursor.fetchall():
                yield f"foreign_key_check: {rows[:3]}"
            return
    for model in apps.get_models():
        for field in model._meta.concrete_fields:
            if field.is_relation and field.related_model is not None:
                other = field.related_model._base_manager.values("pk")
                lost = model._base_manager.filter(**{f"{field.attname}__isnull": False})
                if count := lost.exclude(**{f"{field.attname}__in": other}).count():
                    yield f"{count} rows of {model.__name__} with a {field.name} that is not there"


def _violations(model: type[Model], rule: object) -> int:
    """Count the rows that break a rule; 0 for what is no rule about rows."""
    if isinstance(rule, CheckConstraint):
        with connection.schema_editor(collect_sql=True) as editor:
            condition = rule._get_check_sql(model, editor)
        return _count(model, "", f"NOT ({condition})")
    if isinstance(rule, RowRule):
        violated = NEW_COLUMN.sub(lambda match: f"n.{match[1]}", rule.violated)
        violated = violated.replace("{table}", _table(model))
        return _count(model, "n", violated)
    if isinstance(rule, UniqueConstraint) and rule.fields:
        rows = model._base_manager.filter(rule.condition or Q())
        if not rule.nulls_distinct:
            rows = rows.filter(**{f"{name}__isnull": False for name in rule.fields})
        return rows.values(*rule.fields).annotate(times=Count("pk")).filter(times__gt=1).order_by().count()
    return 0


def _table(model: type[Model]) -> str:
    return connection.ops.quote_name(model._meta.db_table)


def _count(model: type[Model], name: str, condition: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM {_table(model)} {name} WHERE {condition}")  # noqa: S608 - ours
        return int(cursor.fetchone()[0])


def _half() -> Iterator[str]:
    """Look for the halves of operations, whoever did them."""
    halves = {
        "idempotency keys that lead nowhere": IdempotencyKey.objects.filter(location=""),
        "calls logged here without a task": Call.objects.filter(logged_by__isnull=False, task__isnull=True),
        "findings recorded here without a look": Finding.objects.filter(
            recorded_by__isnull=False, inspection__isnull=True
        ),
        "findings of phones without the finding": PhoneRecord.objects.filter(
            kind="finding", finding__isnull=True
        ),
        "tasks of finished visits that nobody told of": VisitTask.objects.filter(
            visit__finished_at__isnull=False, outcome=""
        ),
        "tasks on a visit that is none": MaintenanceTask.objects.filter(state="in-process").exclude(
            pk__in=VisitTask.objects.filter(visit__in=Visit.objects.open()).values("task")
        ),
        "tasks of open visits that are to be planned": MaintenanceTask.objects.filter(
            state="needs-action", visit_tasks__visit__in=Visit.objects.open(), visit_tasks__outcome=""
        ),
        "calls left open by a finished visit": Call.objects.open().filter(
            task__state="completed", safety_answers__answer="no"
        ),
    }
    for words, rows in halves.items():
        if count := rows.count():
            yield f"{count} {words}"
    for photo in Photo.objects.all():
        if not photo_path(photo.name).is_file():
            yield f"photo {photo.pk} without its file"


def _promised_twice() -> Iterator[str]:
    """Look for technicians who are promised to two places at a time, and tasks on two open visits."""
    pairs = Visit.technicians.through.objects.filter(
        visit__in=Visit.objects.open(),
        user__visits__in=Visit.objects.open(),
        visit__starts_at__lt=F("user__visits__ends_at"),
        visit__ends_at__gt=F("user__visits__starts_at"),
        visit_id__lt=F("user__visits"),
    )
    if count := pairs.count():
        yield f"{count} times somebody is promised to two places"
    twice = (
        VisitTask.objects.filter(visit__in=Visit.objects.open(), outcome="")
        .values("task")
        .annotate(times=Count("pk"))
        .filter(times__gt=1)
    )
    if count := twice.count():
        yield f"{count} tasks on two open visits"


def stray_photo_files() -> list[Path]:
    """List files of photos, or halves of them, that no record knows."""
    known = {photo_path(name) for name in Photo.objects.values_list("name", flat=True)}
    known |= {path.with_suffix(".small.jpg") for path in known}
    return [path for path in Path(settings.PHOTO_DIR).rglob("*") if path.is_file() and path not in known]
