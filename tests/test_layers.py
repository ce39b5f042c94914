"""Imports go only forwards along the flow, and every package from outside has one home.

The tables below are read against the source with `ast`. A new line in them is a decision: it says
that one room may know of another.
"""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
_WORDS = {"errors", "records", "texts.say", "units"}

# Which rooms of calib may import which others, from the words to the shells.
ROOMS: dict[str, set[str]] = {
    # Sentences by key: any room may say one.
    "texts.say": set(),
    # How a package loads what it holds only when it is used.
    "lazily": set(),
    "errors": {"texts.say"},
    "units": {"errors", "texts.say"},
    "records": {"errors", "texts.say"},
    "typed": _WORDS,
    "names": set(),
    "materials": _WORDS | {"names"},
    "declaration": {"names", "texts.say"},
    "hazards": _WORDS | {"declaration", "names"},
    "physics": {"records"},
    "typeface": {"errors", "texts.say"},
    "print_style": {"errors", "texts.say", "typeface"},
    "spreadsheet": {"errors", "texts.say"},
    "results": _WORDS | {"materials", "spreadsheet"},
    # How a machine can be set, and how slow or strong a burn may be.
    "limits": _WORDS | {"materials", "physics"},
    # Statistics know no board, file or database; boards know no statistics. What to burn next is a
    # question about a fit, whatever is advised and wherever it is burnt.
    "fit": _WORDS | {"limits", "materials", "names", "physics"},
    "plan": _WORDS | {"fit", "limits", "materials", "physics"},
    "boards": _WORDS | {"hazards", "limits", "materials", "physics", "print_style", "typeface"},
    "jobs": _WORDS | {"fit", "physics"},
    "joints": _WORDS | {"boards", "materials", "physics"},
    "advice": _WORDS | {
        "boards", "fit", "hazards", "jobs", "limits", "materials", "physics", "plan",
        "print_style",
    },
    "logbook": _WORDS | {"spreadsheet"},
    "pictures": _WORDS | {"boards", "jobs", "joints", "typeface"},
    # The only room that joins the rest.
    "tasks": _WORDS | {
        "advice", "boards", "fit", "hazards", "jobs", "joints", "lazily", "limits", "logbook",
        "materials", "physics", "pictures", "plan", "print_style", "results", "spreadsheet",
    },
    # Text is made of records, whichever room they come from.
    "texts": _WORDS | {
        "advice", "boards", "hazards", "jobs", "joints", "lazily", "logbook", "materials", "tasks",
        "typed",
    },
    # Two thin shells; the page knows nothing of the command line, which has one command that
    # starts the page.
    "cli": _WORDS | {"hazards", "logbook", "texts", "tasks", "typed", "web"},
    "web": _WORDS | {"hazards", "logbook", "materials", "pictures", "texts", "tasks", "typed"},
    "__main__": {"cli"},
    "calib": _WORDS | {"lazily"},
}  # fmt: skip

# Packages from outside and the rooms, or modules, that may import them.
HOMES: dict[str, set[str]] = {
    "numpy": {
        "physics", "fit", "plan", "boards", "jobs", "joints", "advice", "pictures",
        "tasks",
    },
    "scipy": {"fit", "plan", "jobs", "joints", "advice"},
    "sklearn": {"fit.ordinal", "advice.track_record"},
    "matplotlib": {"pictures"},
    "contourpy": {"pictures.region"},
    "HersheyFonts": {"boards.lettering"},
    "anyascii": {"boards.lettering"},
    "reportlab": {"print_style"},
    "svgwrite": {"boards.svg"},
    "segno": {"print_style", "web"},
    "svgelements": {"jobs.paths", "jobs.svg"},
    "defusedxml": {"jobs.svg"},
    "tinycss2": {"jobs.css"},
    "pandas": {"logbook.exchange"},
    "sqlalchemy": {"logbook"},
    "platformdirs": {"logbook"},
    "psycopg": {"logbook"},
    "typer": {"cli"},
    "rich": {"cli"},
    "fastapi": {"web"},
    "starlette": {"web"},
    "pydantic": {"records", "logbook", "tasks.results", "tasks.wishes", "web"},
    "uvicorn": {"web.serving"},
    "h11": {"web.serving"},
    "jinja2": {"web"},
}  # fmt: skip
# Names under which packages of pyproject.toml are imported, where the two differ.
IMPORTED_AS = {
    "scikit-learn": "sklearn",
    "hershey-fonts": "HersheyFonts",
    "python-multipart": "python_multipart",
}
# The writers of files stand side by side over one list of strokes.
WRITERS = tuple(f"calib.boards.{name}" for name in ("svg", "dxf", "rs274", "record_sheet"))


def modules() -> Iterator[tuple[str, ast.Module]]:
    """Every module of calib with its source."""
    for path in sorted((ROOT / "calib").rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts).removesuffix(".__init__")
        yield name, ast.parse(path.read_text(encoding="utf-8"))


def imported(tree: ast.Module) -> set[str]:
    """Names of all modules that a module imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            base = node.module or ""
            names |= {f"{base}.{alias.name}" for alias in node.names} if base == "calib" else {base}
    return names


def room(module: str) -> str:
    """The room that a module of calib lies in; what looks sentences up stands below them all."""
    if module == "calib.texts.say":
        return "texts.say"
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else "calib"


IMPORTS = {name: imported(tree) for name, tree in modules()}


def test_a_module_imports_only_what_its_room_may_know() -> None:
    new = {room(module) for module in IMPORTS} - ROOMS.keys()
    assert not new, f"{new} are new rooms: give them lines in the table"
    wrong = {
        module: beyond
        for module, names in IMPORTS.items()
        if (beyond := {room(n) for n in names if n.split(".")[0] == "calib"}
            - {room(module)} - ROOMS[room(module)])
    }  # fmt: skip
    assert wrong == {}


def test_packages_from_outside_are_used_at_home_only() -> None:
    wrong = []
    for module, names in IMPORTS.items():
        inner = f"{module.removeprefix('calib.')}."
        for package in {n.split(".")[0] for n in names} - {"calib"} - set(sys.stdlib_module_names):
            if not any(inner.startswith(f"{home}.") for home in HOMES.get(package, ())):
                wrong.append(f"{module} imports {package}")
    assert wrong == []


def test_every_imported_package_is_declared() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)["project"]
    wishes = [*project["dependencies"], *project["optional-dependencies"]["postgresql"]]
    named = [wish.split(">")[0].split("[")[0].lower() for wish in wishes]
    declared = {IMPORTED_AS.get(name, name) for name in named}
    used = {name.split(".")[0] for names in IMPORTS.values() for name in names}
    # Starlette comes with fastapi, whose types they are.
    outside = used - {"calib", "starlette"} - set(sys.stdlib_module_names)
    assert outside <= declared


def test_writers_of_files_do_not_know_one_another() -> None:
    for writer in WRITERS:
        assert not IMPORTS[writer] & (set(WRITERS) - {writer})


def test_the_table_goes_only_forwards() -> None:
    """No two rooms may import each other, by whatever way round; types of errors apart."""
    seen: dict[str, set[str]] = {}

    def reach(start: str) -> set[str]:
        if start not in seen:
            seen[start] = set()
            below = ROOMS[start] - ({"records"} if start == "errors" else set())
            seen[start] = below.union(*(reach(other) for other in below))
        return seen[start]

    assert [name for name in ROOMS if name in reach(name)] == []


def test_help_loads_nothing_heavy() -> None:
    question = (
        "import sys, calib, calib.cli; "
        "print(*sorted({n.split('.')[0] for n in sys.modules} & set(sys.argv[1:])))"
    )
    heavy = sorted(set(HOMES) - {"typer", "rich"})
    done = subprocess.run(
        [sys.executable, "-c", question, *heavy], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == []


def test_looking_and_recording_load_neither_statistics_nor_drawing(tmp_path: Path) -> None:
    """What is done most, often on an old machine at the bench, waits for nothing it doesn't use."""
    question = (
        "import sys\nfrom calib.cli import app\n"
        "for words in ('overview', 'sheet list', 'board list', 'book where'):\n"
        "    app([*words.split(), '--book', sys.argv[1]], standalone_mode=False)\n"
        "print(*{n.split('.')[0] for n in sys.modules} & set(sys.argv[2:]), file=sys.stderr)"
    )
    heavy = ["numpy", "scipy", "matplotlib", "reportlab", "pandas", "fastapi"]
    done = subprocess.run(
        [sys.executable, "-c", question, str(tmp_path / "book.db"), *heavy],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stderr.split() == []
