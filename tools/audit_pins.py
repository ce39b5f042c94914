"""Ask the package registry what is known against the pinned packages; standard library only.

    python3 tools/audit_pins.py

prints each pin that has an advisory, was withdrawn or is behind the newest release, then how many
could be asked about. Of a release by its version the registry tells its advisories; where a copy of
the registry doesn't answer that, they are told only for pins that are the newest release. Ends with
1 when a pin has an advisory or was withdrawn, with 2 when nothing could be asked.
"""

from __future__ import annotations

import json
import re
import sys
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
REGISTRY = "https://pypi.org/pypi"
_PIN = re.compile(r"^([A-Za-z0-9._-]+)==(\S+)", re.MULTILINE)
_PATIENCE_S = 30.0


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What the registry says of one pin; ``advisories`` is None when it doesn't tell."""

    name: str
    version: str
    newest: str
    withdrawn: bool
    advisories: tuple[str, ...] | None

    def words(self) -> str:
        """One line, empty when there is nothing to say."""
        told = []
        if self.advisories:
            told.append("advisories " + ", ".join(self.advisories))
        if self.withdrawn:
            told.append("withdrawn")
        if self.newest != self.version:
            told.append(f"newest is {self.newest}")
        return f"{self.name} {self.version}: {'; '.join(told)}" if told else ""


def pins(folder: Path = ROOT / "requirements") -> list[tuple[str, str]]:
    """Every pin of the project, name and version, without repeats."""
    texts = (path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.txt")))
    return sorted({pin for text in texts for pin in _PIN.findall(text)})


def judged(
    name: str, version: str, package: dict[str, Any], release: dict[str, Any] | None
) -> Finding:
    """Make a finding from the registry's answers for a package and, if it gave one, a release."""
    newest = str(package["info"]["version"])
    files = package.get("releases", {}).get(version, [])
    about = release or (package if newest == version else None)
    known = None if about is None else about.get("vulnerabilities")
    open_ones = [v for v in known or [] if not v.get("withdrawn")]
    return Finding(
        name=name,
        version=version,
        newest=newest,
        withdrawn=bool(files) and all(file.get("yanked") for file in files),
        advisories=None if known is None else tuple(str(v["id"]) for v in open_ones),
    )


def _answer(address: str) -> dict[str, Any] | None:
    """JSON at an address; None where the registry has nothing there or isn't reached."""
    try:
        with urllib.request.urlopen(f"{REGISTRY}/{address}/json", timeout=_PATIENCE_S) as reply:
            found: dict[str, Any] = json.load(reply)
            return found
    except (urllib.error.URLError, TimeoutError, ValueError):
        return None


def main() -> int:
    """Ask about every pin; print what was found."""
    found, all_pins = [], pins()
    for number, (name, version) in enumerate(all_pins, start=1):
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{number} of {len(all_pins)} ")
        package = _answer(name)
        if package is None:
            print(f"{name} {version}: the registry doesn't answer")
            continue
        finding = judged(name, version, package, _answer(f"{name}/{version}"))
        found.append(finding)
        if words := finding.words():
            print(words)
    told = [finding for finding in found if finding.advisories is not None]
    bad = [finding for finding in found if finding.advisories or finding.withdrawn]
    print(
        f"{len(all_pins)} pins: {len(found)} asked about, {len(bad)} with an advisory or withdrawn;"
        f" advisories were told for {len(told)}, for the others the registry doesn't tell them"
    )
    return 1 if bad else 0 if found else 2


if __name__ == "__main__":
    raise SystemExit(main())
