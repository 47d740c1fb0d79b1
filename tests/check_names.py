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
    """Give line and name of each variable or parameter of source code that has one of these names."""
    for node in ast.walk(ast.parse(source)):
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
