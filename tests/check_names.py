"""Names of variables that say nothing of what they hold are kept out of the code (part of `make check`)."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

KEPT_OUT = {"told", "held", "kept", "asked", "found"}
"""Say what the value is instead: rows, data, payload, totals, existing, index, match, result."""


def bad_names(source: str) -> Iterator[tuple[int, str]]:
    """Give line and name of each variable or parameter that has one of these names; attributes may."""
    tree = ast.parse(source)
    attributes = {
        id(target)
        for body in ast.walk(tree)
        if isinstance(body, ast.ClassDef)
        for line in body.body
        for target in (line.targets if isinstance(line, ast.Assign) else [getattr(line, "target", None)])
    }
    for node in ast.walk(tree):
        if id(node) in attributes:
            continue
        if isinstance(node, ast.arg) and node.arg in KEPT_OUT:
            yield node.lineno, node.arg
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store) and node.id in KEPT_OUT:
            yield node.lineno, node.id


def main() -> int:
    """Print every such name in the files that git knows; answer 1 where there is one."""
    files = subprocess.run(["git", "ls-files", "*.py"], capture_output=True, text=True, check=True).stdout
    lines = [
        f"{path}:{line}: a variable is called “{name}”"
        for path in files.split()
        for line, name in bad_names(Path(path).read_text(encoding="utf-8"))
    ]
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    return bool(lines)


if __name__ == "__main__":
    sys.exit(main())
