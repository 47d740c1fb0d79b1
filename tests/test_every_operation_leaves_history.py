"""Every operation writes the history: read off the code, so that a new one can't forget it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from django.apps import apps

ROOT = Path(__file__).parents[1]
PACKAGES = ("servicedesk", "units", "schedules")
WRITES = {"write_change"}
STORES = {
    "save",
    "update",
    "create",
    "get_or_create",
    "update_or_create",
    "bulk_create",
    "bulk_update",
    "delete",
}

MODELS = {model.__name__ for model in apps.get_models()}

WITHOUT = {
    "schedules/operations/notifications.py:tell_schedulers_of_danger": "a part of recording a danger",
    "servicedesk/accounts/operations.py:take_code": "keeps the number of the last code, at every sign-in",
    "units/labels.py:labels_for": "gives units that have no sticker a code; printing a sheet is no change",
}
"""Operations that write no line of history, and why."""


def modules() -> Iterator[tuple[str, ast.Module]]:
    """Read every module of the desk."""
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            if "migrations" not in path.parts and "demo" not in path.parts:
                yield str(path.relative_to(ROOT)), ast.parse(path.read_text())


def imported(tree: ast.Module) -> set[str]:
    """Names that a module imports."""
    return {
        (alias.asname or alias.name).split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }


def makes_an_object(node: ast.AST) -> bool:
    """Whether an expression makes an object of a class: its name begins with a capital."""
    return (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id.lstrip("_")[:1].isupper()
    )


def called(node: ast.AST, known: set[str]) -> set[str]:
    """Names of what a function calls: functions, also of imported modules, and methods of its own objects."""
    ours = known | {"self"}
    for part in ast.walk(node):
        if isinstance(part, ast.Assign) and makes_an_object(part.value):
            ours |= {target.id for target in part.targets if isinstance(target, ast.Name)}
    names = set()
    for part in ast.walk(node):
        if not isinstance(part, ast.Call):
            continue
        if isinstance(part.func, ast.Name):
            names.add(part.func.id)
        elif isinstance(part.func, ast.Attribute):
            holder = part.func.value
            inner = holder.value if isinstance(holder, ast.Attribute) else holder
            if makes_an_object(holder) or (isinstance(inner, ast.Name) and inner.id in ours - MODELS):
                names.add(part.func.attr)
    return names


def is_operation(node: ast.FunctionDef) -> bool:
    """Whether a function does something in one step, or stores something in somebody's name."""
    names = {argument.arg for argument in (*node.args.args, *node.args.kwonlyargs)}
    parts = list(ast.walk(node))
    stores = any(
        isinstance(part, ast.Call) and isinstance(part.func, ast.Attribute) and part.func.attr in STORES
        for part in parts
    )
    in_one_step = any(
        isinstance(part, ast.With) and any("atomic_operation" in ast.dump(item) for item in part.items)
        for part in parts
    )
    return in_one_step or ({"by", "at"} <= names and stores)


def test_every_operation_leaves_a_line_of_history() -> None:
    every, calls = {}, {}
    for path, tree in modules():
        known = imported(tree)
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                every[path, node.name] = node
                calls[path, node.name] = called(node, known)
    writers = set(WRITES)
    while True:
        more = {name for (_, name), names in calls.items() if names & writers} - writers
        if not more:
            break
        writers |= more
    operations = {key for key, node in every.items() if is_operation(node) and key[1] not in WRITES}
    assert len(operations) > 60
    silent = {f"{path}:{name}" for path, name in operations if not calls[path, name] & writers}
    assert silent == set(WITHOUT)
