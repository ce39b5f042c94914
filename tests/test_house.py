"""The house stays easy to read: no long modules, no long functions, public docstrings complete."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
_MOST_LINES, _MOST_BODY = 400, 40
# Rooms whose modules are short.
ROOMS = ("calib", "tests", "tools", "demo")
# Functions whose body may be longer, and why.
LONG = {
    "v0001_first.py: upgrade": "one table after the other, as the first logbooks had them",
    "v0002_notes.py: upgrade": "one table after the other",
    "kinship.py: location_units": "one group of columns of the design after the other",
}


def modules(room: str = "calib") -> list[Path]:
    return sorted((ROOT / room).rglob("*.py"))


def functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def body_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of what it does: neither its arguments nor its docstring."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    return body[-1].end_lineno - body[0].lineno + 1 if body else 0


def said_elsewhere(owner: ast.AST, node: ast.AST) -> bool:
    """True for an overload, and for a method of a class that has a base."""
    marks = [ast.unparse(mark) for mark in getattr(node, "decorator_list", [])]
    return "overload" in marks or bool(getattr(owner, "bases", []))


def test_no_module_is_long() -> None:
    every = [path for room in ROOMS for path in modules(room)]
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in every}
    assert {str(path) for path, lines in lengths.items() if lines > _MOST_LINES} == set()


def test_no_function_is_long_without_a_reason() -> None:
    long = {
        f"{path.name}: {function.name}"
        for path in modules()
        for function in functions(path)
        if body_lines(function) > _MOST_BODY
    }
    assert long == set(LONG)


def test_what_is_public_says_what_it_is() -> None:
    """Modules, classes, functions, methods; what overrides or overloads another may be silent."""
    silent = []
    for path in modules():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if path.name != "__init__.py" and ast.get_docstring(tree) is None:
            silent.append(str(path))
        for owner in (tree, *(node for node in tree.body if isinstance(node, ast.ClassDef))):
            if isinstance(owner, ast.ClassDef) and owner.name.startswith("_"):
                continue
            for node in owner.body:
                if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                    continue
                spoken = ast.get_docstring(node) is not None or said_elsewhere(owner, node)
                if not node.name.startswith("_") and not spoken:
                    silent.append(f"{path.name}: {node.name}")
    assert silent == []
