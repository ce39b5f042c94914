"""The environment scripts: quick when nothing changed, plain when it can't be made."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from shell import load

ROOT = Path(__file__).resolve().parent.parent
environment = load(ROOT / "tools" / "environment.py")
PIN = re.compile(r"^([A-Za-z0-9._-]+)==([\w.]+)$")


def pins(name: str) -> dict[str, str]:
    """Packages and versions of a pin file; every line must be an exact one."""
    lines = (ROOT / "requirements" / name).read_text(encoding="utf-8").splitlines()
    found = [PIN.match(line) for line in lines if not line.startswith("#")]
    assert all(found), name
    return {re.sub(r"[-_.]+", "-", m[1]).lower(): m[2] for m in found if m}


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, ...]]:
    """An environment that counts as made; gives the list of what pip was asked for."""
    asked: list[tuple[str, ...]] = []
    (tmp_path / "installed").mkdir()
    monkeypatch.setattr(environment, "VENV", tmp_path)
    monkeypatch.setattr(environment, "is_usable", lambda: True)
    monkeypatch.setattr(environment, "pip", lambda *words: asked.append(words))
    return asked


def test_a_second_start_installs_nothing(made: list[tuple[str, ...]]) -> None:
    environment.ensure_environment(environment.RUN_PINS)
    assert len(made) == 2, "the pins, then calib itself"
    made.clear()
    environment.ensure_environment(environment.RUN_PINS)
    assert made == []
    environment.ensure_environment(environment.TEST_PINS)
    assert [words[-1].rsplit("/", 1)[-1] for words in made] == ["test.txt", "test-no-deps.txt"]
    assert "--no-deps" in made[1]
    assert "--no-deps" not in made[0]


def test_changed_pins_are_installed(
    made: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    environment.ensure_environment(environment.RUN_PINS)
    made.clear()
    monkeypatch.setattr(environment, "digest", lambda name: f"other {name}")
    environment.ensure_environment(environment.RUN_PINS)
    assert [words[-1].rsplit("/", 1)[-1] for words in made] == ["run.txt"]


def test_an_old_python_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "version_info", (3, 9, 2))
    with pytest.raises(environment.SetupError, match=r"3\.11 or later"):
        environment.ensure_environment(environment.RUN_PINS)


def test_without_venv_it_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(environment, "VENV", tmp_path / "v")
    monkeypatch.setattr(environment, "venv_made", lambda: False)
    monkeypatch.setattr(environment, "debian_helps", lambda *names: False)
    with pytest.raises(environment.SetupError, match="apt-get install python3-venv"):
        environment.ensure_environment(environment.RUN_PINS)


def test_a_failing_pip_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(command: list[str], **_: Any) -> Any:
        return subprocess.CompletedProcess(command, 1)

    monkeypatch.setattr(environment.subprocess, "run", fails)
    with pytest.raises(environment.SetupError, match="pip could not install"):
        environment.pip("install", "nothing")


def test_debian_packages_are_left_to_the_user_who_may_not_install_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(environment.shutil, "which", lambda name: None)
    assert environment.ensure_debian(["chromium"]) == ["chromium"]
    assert environment.ensure_debian([]) == []


def test_every_package_is_pinned_once() -> None:
    names = [name for file in ("run.txt", "test.txt", "test-no-deps.txt") for name in pins(file)]
    assert sorted(names) == sorted(set(names))


def test_what_the_project_asks_for_is_pinned_where_it_belongs() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)["project"]
    wanted = {
        "run.txt": project["dependencies"],
        "test.txt": [w for wishes in project["optional-dependencies"].values() for w in wishes],
    }
    for file, wishes in wanted.items():
        known = pins(file)
        for wish in wishes:
            name, _, least = wish.partition(">=")
            version = known[re.sub(r"[-_.]+", "-", name.split("[")[0]).lower()]
            assert numbers(version) >= numbers(least), wish


def numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version))


def test_the_scripts_need_nothing_but_the_standard_library() -> None:
    import ast

    for script in ("tools/environment.py", "tools/alone.py", "tests/run.py", "demo/run.py"):
        tree = ast.parse((ROOT / script).read_text(encoding="utf-8"))
        tops = [node for node in tree.body if isinstance(node, (ast.Import, ast.ImportFrom))]
        for node in tops:
            names = (
                [node.module] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names]
            )
            for name in names:
                assert str(name).split(".")[0] in {*sys.stdlib_module_names, "environment"}, script
