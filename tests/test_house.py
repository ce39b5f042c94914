"""The house stays easy to read: what is public says what it is."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def modules() -> list[Path]:
    return sorted((ROOT / "calib").rglob("*.py"))


def said_elsewhere(owner: ast.AST, node: ast.AST) -> bool:
    """True for an overload, and for a method of a class that has a base."""
    marks = [ast.unparse(mark) for mark in getattr(node, "decorator_list", [])]
    return "overload" in marks or bool(getattr(owner, "bases", []))


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
