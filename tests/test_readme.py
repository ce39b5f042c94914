"""README and DEVELOPERS: what people are told to type works, what is listed is there."""

from __future__ import annotations

import glob
import json
import re
import shlex
import tomllib
from pathlib import Path

import pytest
from shell import Shell, cut_cleanly

from calib.cli import options
from calib.hazards import CAUTIONS
from calib.records import CHAR_WORDS, MARK_WORDS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = {name: each.whole for name, each in options.COMMANDS.items()}


def typed_in_readme() -> list[list[str]]:
    """Words after ``calib`` of every line that README shows with a prompt."""
    blocks = re.findall(r"```console\n(.*?)```", README, flags=re.DOTALL)
    lines = [line for block in blocks for line in block.splitlines()]
    assert all(line.startswith("$ calib ") for line in lines)
    return [shlex.split(line.removeprefix("$ calib ")) for line in lines]


def test_the_first_evening_can_be_typed_as_it_stands(shell: Shell) -> None:
    lines = typed_in_readme()
    assert len(lines) == 8
    for words in lines:
        if words[0] == "record":
            (words[1],) = glob.glob(words[1])
            grid = shell.json("board", "show", "last")["grid"]
            filled = Path(shell.results(grid, cut_cleanly)).read_bytes()
            Path(words[1]).write_bytes(filled)
        shell.run(*words)
    assert len(json.loads(shell.text("sheet", "show", "birch 3", "--json"))["kept"]) == 1


def test_every_command_has_a_line_and_no_line_lacks_its_command() -> None:
    listed = re.findall(r"^\| `calib ?([a-z -]*)` \|", README, flags=re.MULTILINE)
    assert sorted(name or "overview" for name in listed) == sorted(COMMANDS)


def test_options_named_in_readme_exist() -> None:
    known = {name for command in COMMANDS.values() for p in command.params for name in p.opts}
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))
    assert named - known - {"--help"} == set()


def test_it_opens_with_the_job_and_the_two_commands() -> None:
    assert README.split("\n\n")[1].startswith("You make things")
    assert README.index("python3 demo/run.py") < README.index("python3 tests/run.py") < 2000


@pytest.mark.parametrize("words", [CHAR_WORDS, MARK_WORDS])
def test_grades_are_told_in_the_words_of_the_records(words: tuple[str, ...]) -> None:
    assert " | ".join(words) in README


def test_the_newest_change_is_the_version_of_the_project() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        version = tomllib.load(file)["project"]["version"]
    assert re.findall(r"^- \*\*([\d.]+)\*\*", README, flags=re.MULTILINE)[0] == version


def test_the_first_caution_is_there_in_full() -> None:
    assert CAUTIONS[0] in README
    assert CAUTIONS[-1] in README


@pytest.mark.parametrize(
    "page", ["README.md", "DEVELOPERS.md", "grids/README.md", "tests/benchmarks/README.md"]
)
def test_files_that_a_page_points_at_exist(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    linked = re.findall(r"\]\(([^)#:]+)\)", text)
    folders = "calib|demo|grids|requirements|tests|tools"
    named = re.findall(rf"(?:`|python3? )((?:{folders})/[\w./-]+?)/?(?:`| [^`\n]*)", text)
    for name in linked:
        assert ((ROOT / page).parent / name).exists(), name
    for name in named:
        # demo/out is made by the demo.
        assert (ROOT / name).exists() or name.startswith("demo/out"), name


def test_every_room_is_named_for_developers() -> None:
    rooms = {p.stem for p in (ROOT / "calib").iterdir() if p.suffix == ".py" or p.is_dir()}
    small = {"__init__", "__main__", "__pycache__", "py", "declaration", "results", "spreadsheet",
             "typeface", "print_style"}  # fmt: skip
    missing = [room for room in rooms - small if f"`{room}" not in DEVELOPERS]
    assert missing == []


def test_the_pictures_are_there_and_those_of_the_page_are_small() -> None:
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    sizes = {name: (ROOT / name).stat().st_size for name in shown}
    pages = {name: size for name, size in sizes.items() if "/page-" in name}
    assert set(pages) == {"demo/page-home.png", "demo/page-record.png"}
    assert max(pages.values()) < 60_000, pages
