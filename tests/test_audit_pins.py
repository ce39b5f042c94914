"""What the registry says of a pin is judged rightly; the registry itself isn't asked here."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tools"))

from audit_pins import judged, pins

# The shape of PyPI's answers, after https://docs.pypi.org/api/json/ (from memory).
_KNOWN = {"id": "PYSEC-2019-217", "withdrawn": None}
_TAKEN_BACK = {"id": "PYSEC-2019-218", "withdrawn": "2020-01-01T00:00:00Z"}


def package(newest: str, *, yanked: bool = False, known: tuple = ()) -> dict:
    releases = {"1.0": [{"yanked": yanked}], "2.0": [{"yanked": False}]}
    return {"info": {"version": newest}, "releases": releases, "vulnerabilities": list(known)}


def test_an_advisory_of_the_release_is_told() -> None:
    found = judged("lib", "1.0", package("2.0"), {"vulnerabilities": [_KNOWN, _TAKEN_BACK]})
    assert found.advisories == ("PYSEC-2019-217",)
    assert found.words() == "lib 1.0: advisories PYSEC-2019-217; newest is 2.0"


def test_advisories_of_the_newest_release_say_nothing_of_an_older_one() -> None:
    assert judged("lib", "1.0", package("2.0", known=(_KNOWN,)), None).advisories is None
    newest = judged("lib", "2.0", package("2.0", known=(_KNOWN,)), None)
    assert newest.advisories == ("PYSEC-2019-217",)


def test_a_release_that_was_withdrawn_is_told() -> None:
    found = judged("lib", "1.0", package("1.0", yanked=True), None)
    assert found.withdrawn
    assert found.words() == "lib 1.0: withdrawn"


def test_a_pin_without_fault_says_nothing() -> None:
    assert judged("lib", "2.0", package("2.0"), None).words() == ""


def test_every_pin_of_the_project_is_asked_about() -> None:
    found = pins()
    assert {"numpy", "typer", "pytest"} <= {name for name, _ in found}
    lines = [
        line
        for path in (Path(__file__).resolve().parent.parent / "requirements").glob("*.txt")
        for line in path.read_text(encoding="utf-8").splitlines()
        if line.strip() and not line.startswith("#")
    ]
    assert len(found) == len({line.split(";")[0].strip() for line in lines})
