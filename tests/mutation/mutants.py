"""Change fit, plan, advice, jobs and joints in small ways, one at a time: do the tests notice?

    .venv/bin/python tests/mutation/mutants.py [mutants; 300] [seed; 1]

draws so many small changes at random (a comparison, an operator, a number, a condition), puts each
into a copy of the project and runs the tests that reach the line, those that reach least else
first, and others of their files, for no more than half a minute. It prints the share that is killed
and every change that lives. Which test reaches which line is measured first, by one run of all
tests but those of the shells (five to ten minutes); it is kept in .venv/mutation and measured again
when calib or the tests have changed. Outside of .ci/run because it takes half an hour and more.
"""

from __future__ import annotations

import ast
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import Queue
from xml.etree import ElementTree

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / ".venv" / "mutation"
ROOMS = ("calib/fit", "calib/plan", "calib/advice", "calib/jobs", "calib/joints")
WORKERS = 2
# Tests of the shells, which are slow and particular about other rooms.
SHELLS = ("browser", "faults", "fuzz", "test_web_*.py", "test_cli_*.py", "test_demo.py")
# Seconds of tests for one mutant, and how many times as long it may take before it counts as hung.
MOST_S, PATIENCE = 30.0, 4.0

_COMPARED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_REVERSED = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
_COMPUTED = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.Pow: ast.Mult, ast.Mod: ast.Mult, ast.FloorDiv: ast.Mult, ast.MatMult: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change: where, what stood there, what stands there now."""

    path: str
    line: int
    span: tuple[int, int]
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.before}  →  {self.after}"


def mutants_of(path: str, source: str) -> Iterator[Mutant]:
    """Every small change of a module, in order; annotations and decorators stay as they are."""
    starts = [0]
    for text in source.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(text))
    for node in _code(ast.parse(source)):
        for after in _changes(node):
            span = (
                starts[node.lineno - 1] + node.col_offset,
                starts[node.end_lineno - 1] + node.end_col_offset,
            )
            before = source.encode()[span[0] : span[1]].decode()
            yield Mutant(path, node.lineno, span, before, f"({ast.unparse(after)})")


def _code(tree: ast.AST) -> Iterator[ast.expr]:
    """Expressions that are computed when the code runs."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.expr):
                yield child
            if isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr):
                yield from _code(child)


def _changes(node: ast.expr) -> Iterator[ast.expr]:
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        for table in (_COMPARED, _REVERSED):
            if other := table.get(type(node.ops[0])):
                yield ast.Compare(node.left, [other()], node.comparators)
    elif isinstance(node, ast.BinOp) and type(node.op) in _COMPUTED:
        if not any(isinstance(side, ast.Constant | ast.JoinedStr) and _is_text(side)
                   for side in (node.left, node.right)):  # fmt: skip
            yield ast.BinOp(node.left, _COMPUTED[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield node.operand
    elif isinstance(node, ast.IfExp):
        yield ast.IfExp(node.test, node.orelse, node.body)
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        yield ast.Constant(node.value + 1)


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or isinstance(getattr(node, "value", None), str)


def all_mutants() -> list[Mutant]:
    """Of both rooms, in a fixed order."""
    found = []
    for room in ROOMS:
        for path in sorted((ROOT / room).glob("*.py")):
            name = path.relative_to(ROOT).as_posix()
            found += mutants_of(name, path.read_text(encoding="utf-8"))
    return found


@dataclass(frozen=True)
class Reach:
    """Which tests reach each line, how long each takes, and how many lines it reaches in all."""

    tests: dict[str, dict[int, list[str]]]
    seconds: dict[str, float]
    breadth: dict[str, int]

    def chosen(self, mutant: Mutant) -> list[str]:
        """Tests to run against a mutant: those that reach it, then others of the same files.

        Which test reaches a line is only known of the first that uses a shared fixture; the most
        particular comes first.
        """
        lines = self.tests.get(mutant.path, {})
        # What runs when the module is loaded belongs to no test: then all that reach the module, or
        # the room when it holds nothing else.
        every = lines.get(mutant.line) or sorted({t for some in lines.values() for t in some})
        if not every:
            room = mutant.path.rpartition("/")[0]
            near = [at for path, at in self.tests.items() if path.startswith(room)]
            every = sorted({t for at in near for some in at.values() for t in some})
        files = {test.split("::")[0] for test in every}
        mates = [t for t in self.seconds if t.split("::")[0] in files and t not in set(every)]
        left, picked = MOST_S, []
        every = sorted(every, key=lambda t: (self.breadth[t], t))
        for test in (*every, *sorted(mates, key=lambda t: (self.seconds[t], t))):
            needs = self.seconds.get(test, 1.0)
            if needs <= left:
                left -= needs
                picked.append(test)
        return picked


def measured_reach() -> Reach:
    """Run all tests once under coverage, or take what an earlier run kept."""
    state = hashlib.sha256()
    for path in sorted([*ROOT.glob("calib/**/*.py"), *ROOT.glob("tests/**/*.py")]):
        if path != Path(__file__).resolve():
            state.update(path.read_bytes())
    kept = KEPT / f"{state.hexdigest()[:16]}.json"
    if not kept.exists():
        KEPT.mkdir(parents=True, exist_ok=True)
        print("Which test reaches which line: one run of the tests ...", file=sys.stderr)
        kept.write_text(json.dumps(_measure()), encoding="utf-8")
    tests, seconds = json.loads(kept.read_text(encoding="utf-8"))
    breadth: Counter[str] = Counter(
        t for lines in tests.values() for ts in lines.values() for t in ts
    )
    whole = {path: {int(n): ts for n, ts in lines.items()} for path, lines in tests.items()}
    return Reach(whole, seconds, dict(breadth))


def _measure() -> tuple[dict[str, dict[int, list[str]]], dict[str, float]]:
    import coverage

    data, report = KEPT / "coverage.sqlite3", KEPT / "junit.xml"
    command = [
        sys.executable, "-m", "pytest", "-q", "-n", str(WORKERS), "--dist", "worksteal",
        "-p", "no:cacheprovider", "--cov=calib", "--cov-context=test", "--cov-report=",
        f"--junitxml={report}", "-o", "junit_family=xunit1",
        *(f"--ignore-glob=tests/{shell}" for shell in SHELLS), "tests", "calib",
    ]  # fmt: skip
    environment = {**os.environ, "COVERAGE_FILE": str(data)}
    if subprocess.run(command, cwd=ROOT, env=environment, stdout=sys.stderr).returncode:
        raise SystemExit("The tests fail as they are: mend them first.")
    found = coverage.CoverageData(basename=str(data))
    found.read()
    tests: dict[str, dict[int, list[str]]] = {}
    for path in found.measured_files():
        name = Path(path).relative_to(ROOT).as_posix()
        if name.startswith(ROOMS):
            lines = found.contexts_by_lineno(path)
            tests[name] = {
                n: sorted({c.split("|")[0] for c in contexts if c}) for n, contexts in lines.items()
            }
    seconds: dict[str, float] = defaultdict(float)
    for case in ElementTree.parse(report).iter("testcase"):
        seconds[f"{case.get('file')}::{case.get('name')}"] += float(case.get("time") or 0.0)
    return tests, dict(seconds)


def lives(mutant: Mutant, tests: list[str], seconds: float, house: Path) -> bool:
    """True when no test fails with the mutant in its place; a hung one counts as noticed."""
    place = house / mutant.path
    source = place.read_bytes()
    low, high = mutant.span
    place.write_bytes(source[:low] + mutant.after.encode() + source[high:])
    environment = {**os.environ, "PYTHONPATH": str(house), "PYTHONDONTWRITEBYTECODE": "1",
                   "OPENBLAS_NUM_THREADS": "1"}  # fmt: skip
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider",
               "--no-header", *tests]  # fmt: skip
    try:
        done = subprocess.run(
            command, cwd=house, env=environment, capture_output=True,
            timeout=30.0 + PATIENCE * seconds,
        )  # fmt: skip
        return done.returncode == 0
    except subprocess.TimeoutExpired:
        return False
    finally:
        place.write_bytes(source)


def copied_house(into: Path) -> Path:
    """A copy of the project to change things in."""
    skipped = shutil.ignore_patterns(".git", ".venv", "out", "__pycache__", "*.egg-info")
    shutil.copytree(ROOT, into, ignore=skipped)
    return into


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    everyone, reach = all_mutants(), measured_reach()
    picked = random.Random(seed).sample(everyone, min(count, len(everyone)))
    alive, begun = [], time.monotonic()
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(WORKERS) as pool:
        houses: Queue[Path] = Queue()
        for number in range(WORKERS):
            houses.put(copied_house(Path(folder) / str(number)))

        def tried(mutant: Mutant) -> tuple[Mutant, bool, int]:
            tests = reach.chosen(mutant)
            if not tests:
                return mutant, True, 0
            house = houses.get()
            try:
                spent = sum(reach.seconds.get(t, 1.0) for t in tests)
                return mutant, lives(mutant, tests, spent, house), len(tests)
            finally:
                houses.put(house)

        for number, (mutant, lived, tests) in enumerate(pool.map(tried, picked), 1):
            if lived:
                alive.append((mutant, tests))
                print(f"lives ({tests} tests): {mutant}", flush=True)
            if number % 10 == 0:
                spent = time.monotonic() - begun
                print(
                    f"{number} of {len(picked)}, {len(alive)} live, {spent:.0f} s", file=sys.stderr
                )
    killed = len(picked) - len(alive)
    print(f"{killed} of {len(picked)} mutants killed, {killed / len(picked):.1%} (seed {seed};"
          f" {len(everyone)} could be made)")  # fmt: skip
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
