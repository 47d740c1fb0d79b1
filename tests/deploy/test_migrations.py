"""Migrations to come leave the running version at work; the judge of that is tried on examples."""

from __future__ import annotations

import pytest
from django.db import models
from django.db.migrations import Migration, operations
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ModelState, ProjectState

from tests.deploy.migration_judge import faults, faults_since

OURS = ("core", "accounts", "imports", "units", "schedules", "calls", "reports")
FIRST = ("0001_initial", "0002_initial")
"""The migrations that make an empty database: one an app, two where two apps point at each other."""

EXCEPTIONS: dict[str, str] = {}
"""Migrations that the judge finds fault with and that do no harm all the same: "app.name", and why."""


def test_every_migration_since_leaves_the_running_version_at_work() -> None:
    loader = MigrationLoader(None, ignore_no_migrations=True)
    keys = list(loader.graph._generate_plan(loader.graph.leaf_nodes(), at_end=True))
    known = {key for key in keys if key[0] not in OURS or key[1] in FIRST}
    assert {app for app, _ in known} > set(OURS)
    plan = [loader.graph.nodes[key] for key in keys]
    problems = list(faults_since(known, plan, ProjectState()))
    assert [each for each in problems if each[0] not in EXCEPTIONS] == []
    assert set(EXCEPTIONS) <= {name for name, _ in problems}, "an exception that nothing needs"
    assert all(len(why) > 20 for why in EXCEPTIONS.values())


def shop() -> ProjectState:
    """Two tables to change."""
    state = ProjectState()
    key = ("id", models.BigAutoField(primary_key=True))
    state.add_model(ModelState("shop", "Maker", [key, ("name", models.CharField(max_length=40))]))
    fields = [
        key,
        ("name", models.CharField(max_length=40)),
        ("note", models.CharField(max_length=40, null=True)),
        ("kept", models.IntegerField(db_default=1)),
        ("maker", models.ForeignKey("shop.Maker", models.PROTECT)),
    ]
    state.add_model(ModelState("shop", "Part", fields))
    return state


def judged(*done: Operation) -> list[str]:
    """Judge a migration of the shop."""
    migration = Migration("0002_example", "shop")
    migration.operations = list(done)
    return faults(migration, shop())


Char, Integer = models.CharField, models.IntegerField
UNIQUE = models.UniqueConstraint(fields=["name"], name="part_name")


@pytest.mark.parametrize(
    ("operation", "why"),
    [
        (operations.RemoveField("part", "name"), "still asks"),
        (operations.DeleteModel("Part"), "still asks"),
        (operations.RenameField("part", "name", "title"), "still asks"),
        (operations.RenameModel("Part", "Piece"), "still asks"),
        (operations.AlterModelTable("part", "pieces"), "still asks"),
        (operations.AddField("part", "size", Integer()), "leaves it out"),
        (operations.AddField("part", "size", Integer(default=3)), "leaves it out"),
        (operations.AddField("part", "size", Integer(db_default=3, unique=True)), "get the same"),
        (operations.AddConstraint("part", UNIQUE), "forbids"),
        (operations.AlterUniqueTogether("part", {("name", "note")}), "forbids"),
        (operations.AlterField("part", "name", Char(max_length=20)), "shrinks from 40 to 20"),
        (operations.AlterField("part", "name", Char(max_length=40, unique=True)), "same twice"),
        (operations.AlterField("part", "name", Char(max_length=40, db_column="n")), "old name"),
        (operations.AlterField("part", "name", models.TextField()), "becomes a TextField"),
        (operations.AlterField("part", "note", Char(max_length=40)), "leave it empty"),
        (operations.AlterField("part", "kept", Integer()), "leave it to the database"),
        (operations.AlterField("part", "maker", models.ForeignKey("shop.Part", models.PROTECT)), "points"),
        (operations.RunSQL("SELECT 1", ""), "can't be seen"),
        (operations.RunPython(operations.RunPython.noop), "can't be seen"),
    ],
    ids=lambda value: value.describe() if isinstance(value, Operation) else None,
)
def test_what_breaks_the_running_version_is_found(operation: Operation, why: str) -> None:
    (fault,) = judged(operation)
    assert why in fault


@pytest.mark.parametrize(
    "operation",
    [
        operations.AddField("part", "size", Integer(null=True)),
        operations.AddField("part", "size", Integer(db_default=3)),
        operations.AddField("part", "makers", models.ManyToManyField("shop.Maker")),
        operations.AlterField("part", "name", Char(max_length=80)),
        operations.AlterField("part", "name", Char("called", max_length=40, help_text="as on the box")),
        operations.AlterField("part", "name", Char(max_length=40, null=True)),
        operations.AddIndex("part", models.Index(fields=["name"], name="part_name_index")),
        operations.RemoveIndex("part", "nothing"),
        operations.AlterModelOptions("part", {"ordering": ["name"]}),
    ],
    ids=lambda value: value.describe(),
)
def test_what_does_no_harm_is_let_through(operation: Operation) -> None:
    if isinstance(operation, operations.RemoveIndex):
        state = shop()
        state.add_index("shop", "part", models.Index(fields=["name"], name="nothing"))
        migration = Migration("0002_example", "shop")
        migration.operations = [operation]
        assert faults(migration, state) == []
        return
    assert judged(operation) == []


def test_a_table_of_its_own_may_be_as_strict_as_it_likes() -> None:
    made = operations.CreateModel("Lot", [("id", models.BigAutoField(primary_key=True))])
    strict = operations.AddField("lot", "code", Char(max_length=9))
    assert (
        judged(made, strict, operations.AddConstraint("lot", models.UniqueConstraint("code", name="lot")))
        == []
    )
