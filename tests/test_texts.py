"""Sentences stand in calib/texts, are all used, and get the values that they name."""

from __future__ import annotations

import ast
import re
import string
import tomllib
from collections.abc import Iterator
from pathlib import Path

import jinja2
import pytest
from jinja2 import nodes

CALIB = Path(__file__).resolve().parent.parent / "calib"
FILES = sorted((CALIB / "texts" / "en").glob("*.toml"))
SENTENCES = {
    f"{path.stem}.{key}": text
    for path in FILES
    for key, text in tomllib.loads(path.read_text(encoding="utf-8")).items()
}


def said_by_templates() -> Iterator[tuple[str, str, set[str]]]:
    """The same of the page's templates, as their own language reads them."""
    environment = jinja2.Environment()
    for path in sorted((CALIB / "web" / "templates").glob("*.html")):
        for call in environment.parse(path.read_text(encoding="utf-8")).find_all(nodes.Call):
            if isinstance(call.node, nodes.Name) and call.node.name == "say":
                (key,) = call.args
                assert isinstance(key, nodes.Const), f"{path.name}: a key is written in full"
                yield f"{path.name}:{call.lineno}", key.value, {word.key for word in call.kwargs}


def said_by_scripts() -> Iterator[tuple[str, str, set[str]]]:
    """The same of the page's scripts."""
    call = re.compile(r'calibSay\(\s*"(\w+)"(?:,\s*{([^{}]*)})?')
    for path in sorted((CALIB / "web" / "static").glob("*.js")):
        script = path.read_text(encoding="utf-8")
        found = list(call.finditer(script))
        assert len(found) == script.count('calibSay("'), f"{path.name}: a key is written in full"
        for one in found:
            names = {name.split(":")[0].strip() for name in (one[2] or "").split(",")} - {""}
            yield (
                f"{path.name}:{script[: one.start()].count(chr(10)) + 1}",
                f"scripts.{one[1]}",
                names,
            )


def said() -> Iterator[tuple[str, str, set[str]]]:
    """Where a sentence is said, its key, and the values that it gets."""
    yield from said_by_templates()
    yield from said_by_scripts()
    for path in sorted(CALIB.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say":
                key = node.args[0]
                either = (key.body, key.orelse) if isinstance(key, ast.IfExp) else (key,)
                names = {word.arg or "**" for word in node.keywords}
                for one in either:
                    assert isinstance(one, ast.Constant), f"{path.name}: a key is written in full"
                    yield f"{path.relative_to(CALIB)}:{node.lineno}", str(one.value), names


def asked(text: str) -> set[str]:
    """The values that a sentence names, also in the formats of others."""
    names: set[str] = set()
    for _, name, spec, _ in string.Formatter().parse(text):
        if name is not None:
            names |= {name.split(".")[0].split("[")[0]} | asked(spec or "")
    return names


SAID = list(said())


def test_every_sentence_that_is_said_stands_there_and_gets_its_values() -> None:
    wrong = [
        f"{where}: {key} gets {sorted(names)}"
        for where, key, names in SAID
        if key not in SENTENCES or asked(SENTENCES[key]) != names
    ]
    assert wrong == []


def test_every_sentence_is_said_somewhere() -> None:
    assert set(SENTENCES) - {key for _, key, _ in SAID} == set()


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_room_says_nothing_in_two_ways(path: Path) -> None:
    texts = list(tomllib.loads(path.read_text(encoding="utf-8")).values())
    assert len(texts) == len(set(texts))
