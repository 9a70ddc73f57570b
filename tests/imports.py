"""What a file imports, as its text says it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path


def imported(tree: ast.AST) -> Iterator[str]:
    """The full names of all modules that a file imports, wherever in the file it does."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield "." * node.level + (node.module or "")
            yield from (f"{node.module}.{alias.name}" for alias in node.names if node.module == "stagectl")


def libraries(path: Path) -> set[str]:
    """The libraries that a file imports, by the first part of their names."""
    return {name.partition(".")[0] for name in imported(ast.parse(path.read_text("utf-8")))}
