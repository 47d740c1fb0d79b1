"""Which migrations would break the version that is still running while they are made.

An upgrade migrates first and restarts then, so for a while the old code works with the new tables. It breaks
where it names a table or a column that is gone, where it writes a row that leaves out what the database now
insists on, or where it writes what the database no longer takes. (Common practice of upgrades without a stop,
called "expand and contract"; the list of operations is ours.) What a migration's own SQL or Python does can't
be seen here: it needs a line in the list of exceptions that says why it does no harm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from django.db import models
from django.db.migrations import Migration
from django.db.migrations.operations import (
    AddConstraint,
    AddField,
    AlterField,
    AlterModelTable,
    AlterOrderWithRespectTo,
    AlterUniqueTogether,
    CreateModel,
    DeleteModel,
    RemoveField,
    RenameField,
    RenameModel,
    RunPython,
    RunSQL,
    SeparateDatabaseAndState,
)
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState

NOT_SEEN = (RunPython, RunSQL, SeparateDatabaseAndState)
GONE = (RemoveField, DeleteModel, RenameField, RenameModel, AlterModelTable, AlterOrderWithRespectTo)
STRICTER = (AddConstraint, AlterUniqueTogether)


def faults(migration: Migration, state: ProjectState) -> list[str]:
    """Say what a migration does to the tables of a state that breaks the code of before."""
    made: set[str] = set()
    problems: list[str] = []
    for operation in migration.operations:
        if isinstance(operation, CreateModel):
            made.add(operation.name_lower)
        elif getattr(operation, "model_name_lower", None) not in made:  # the old code knows no new table
            problems += [f"{operation.describe()}: {why}" for why in _faults_of(operation, migration, state)]
        operation.state_forwards(migration.app_label, state)
    return problems


def faults_since(
    baseline: Iterable[tuple[str, str]], plan: Iterable[Migration], state: ProjectState
) -> Iterator[tuple[str, str]]:
    """Go through migrations in order and tell of those not in the baseline, as (migration, fault)."""
    known = set(baseline)
    for migration in plan:
        if (migration.app_label, migration.name) in known:
            migration.mutate_state(state, preserve=False)
            continue
        name = f"{migration.app_label}.{migration.name}"
        yield from ((name, fault) for fault in faults(migration, state))


def _faults_of(operation: Operation, migration: Migration, state: ProjectState) -> Iterator[str]:
    if isinstance(operation, NOT_SEEN):
        yield "what it does can't be seen"
    elif isinstance(operation, GONE):
        yield "the running version still asks for it"
    elif isinstance(operation, STRICTER):
        yield "the running version may write what it forbids"
    elif isinstance(operation, AddField):
        yield from _faults_of_new(operation.field)
    elif isinstance(operation, AlterField):
        before = state.models[migration.app_label, operation.model_name_lower].fields[operation.name]
        yield from _faults_of_change(before, operation.field)


def _faults_of_new(field: models.Field) -> Iterator[str]:
    """A new column must fill itself where the running version leaves it out."""
    if not field.many_to_many and not (field.null or field.has_db_default() or field.generated):
        yield "the running version leaves it out: give it db_default or null=True"
    if field.unique and field.has_db_default():
        yield "two rows of the running version would get the same"


def _faults_of_change(before: models.Field, after: models.Field) -> Iterator[str]:
    if type(before) is not type(after):
        yield f"it was a {type(before).__name__} and becomes a {type(after).__name__}"
    if before.null and not after.null:
        yield "the running version may leave it empty"
    if before.has_db_default() and not after.has_db_default():
        yield "the running version may leave it to the database"
    if after.unique and not before.unique:
        yield "the running version may write the same twice"
    for size in ("max_length", "max_digits", "decimal_places"):
        old, new = getattr(before, size, None), getattr(after, size, None)
        if new is not None and (old is None or new < old):
            yield f"{size} shrinks from {old} to {new}"
    if before.db_column != after.db_column:
        yield "the running version asks for the column by its old name"
    if before.remote_field and after.remote_field and before.remote_field.model != after.remote_field.model:
        yield "it points to another table"
