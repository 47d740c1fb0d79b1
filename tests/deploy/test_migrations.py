"""Migrations to come leave the running version at work; the judge of that is tried on examples."""

from __future__ import annotations

import pytest
from django.db import models
from django.db.migrations import Migration, operations
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ModelState, ProjectState

from tests.deploy.migration_judge import faults, faults_since

OURS = ("people", "units", "schedules", "calls", "reports")
RELEASED = {
    "people": "0003_failed_sign_ins",
    "units": "0004_sticker_codes",
    "schedules": "0003_danger_and_heat",
    "calls": "0003_photos_and_phones",
    "reports": "0002_lots_that_stand_out",
}
"""The last migration of each app that was made before upgrades without a stop were promised."""

EXCEPTIONS: dict[str, str] = {
    "people.0004_history_only_added": "No version ever changed or deleted a row of the history.",
    "people.0005_where_people_are_signed_in": (
        "Reads the old sessions and writes a new table; who signs in before the restart does so once more."
    ),
    "calls.0004_made_safe_is_less_urgent": (
        "Changes how urgent some calls are, as a person could; the running version shows them as before."
    ),
    "units.0006_name_modes_seen_only_at_a_look": "Sets a new field, which the running version does not know.",
    "calls.0006_calls_tell_of_changes": (
        "A trigger that notes each write to a call in a table of its own; it forbids nothing."
    ),
    "people.0006_history_not_replaced": "No version ever wrote a row of the history in the place of another.",
}
"""Migrations that the judge finds fault with and that do no harm all the same: "app.name", and why."""


def released(loader: MigrationLoader) -> set[tuple[str, str]]:
    """List the migrations up to those released, with all they build on."""
    return {key for leaf in RELEASED.items() for key in loader.graph.forwards_plan(leaf)}


def test_every_migration_since_leaves_the_running_version_at_work() -> None:
    loader = MigrationLoader(None, ignore_no_migrations=True)
    keys = list(loader.graph._generate_plan(loader.graph.leaf_nodes(), at_end=True))
    known = released(loader) | {key for key in keys if key[0] not in OURS}
    plan = [loader.graph.nodes[key] for key in keys]
    found = list(faults_since(known, plan, ProjectState()))
    assert [each for each in found if each[0] not in EXCEPTIONS] == []
    assert set(EXCEPTIONS) <= {name for name, _ in found}, "an exception that nothing needs"
    assert all(len(why) > 20 for why in EXCEPTIONS.values())


def test_the_migrations_before_are_known_and_would_have_been_judged() -> None:
    """The judge finds fault with some of the older ones, which were made before: so it does look."""
    loader = MigrationLoader(None, ignore_no_migrations=True)
    assert all(leaf in loader.graph.nodes for leaf in RELEASED.items())
    first = {key for key in released(loader) if key[1].startswith("0001") or key[0] not in OURS}
    keys = loader.graph._generate_plan(list(RELEASED.items()), at_end=True)
    found = list(faults_since(first, [loader.graph.nodes[key] for key in keys], ProjectState()))
    assert {name.partition(".")[0] for name, _ in found} & set(OURS)


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
