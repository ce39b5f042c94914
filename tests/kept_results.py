"""What calib gave before, kept in tests/kept: a change of it must be meant.

Other tests say what is right; these notice that anything at all has changed, down to the fourth
digit. ``tools/rewrite.py`` writes the kept files anew; look at what it changed.
"""

from __future__ import annotations

import dataclasses
import json
import math
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.errors import CalibError

PLACE = Path(__file__).with_name("kept")
REWRITE = "CALIB_REWRITE_KEPT"
# Larger arrays are kept as some moments and entries.
_WHOLE = 64


def same_as_kept(name: str, found: object) -> None:
    """Compare with ``tests/kept/NAME.json``: measured numbers to 1e-4, the rest exactly.

    Parameters
    ----------
    name
        Of the file.
    found
        Records, mappings, sequences, arrays, numbers, words; bytes as text.
    """
    place, plain = PLACE / f"{name.replace(' ', '-')}.json", as_plain(found)
    if os.environ.get(REWRITE):
        place.write_text(json.dumps(plain, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    differences = list(_different(json.loads(place.read_text(encoding="utf-8")), plain, name))
    assert not differences, "\n".join(differences[:20])


def refusal(call: Callable[[], object], kind: type[CalibError] = CalibError) -> str:
    """What is said when something is refused."""
    try:
        call()
    except kind as refused:
        return str(refused)
    raise AssertionError("nothing was refused")


def as_plain(value: Any) -> Any:
    """The value in what JSON can say."""
    if dataclasses.is_dataclass(value):
        return {f.name: as_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): as_plain(inner) for key, inner in value.items()}
    if isinstance(value, np.ndarray):
        return _array(value)
    if isinstance(value, list | tuple):
        return [as_plain(inner) for inner in value]
    if isinstance(value, set | frozenset):
        return sorted(as_plain(inner) for inner in value)
    if isinstance(value, bytes):
        return value.decode("latin-1").splitlines()
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(f"{value:.10g}") if math.isfinite(value) else str(value)
    return value if value is None else str(value)


def _array(value: np.ndarray) -> Any:
    if value.size <= _WHOLE:
        return as_plain(value.tolist())
    flat = np.asarray(value, float).ravel()
    weight = np.cos(np.arange(flat.size))
    some = flat[np.linspace(0, flat.size - 1, 12).astype(int)]
    told = {"sum": flat.sum(), "weighted": weight @ flat, "squares": (flat**2).sum()}
    return as_plain({"shape": list(value.shape), **told, "some": some.tolist()})


def _different(kept: Any, found: Any, where: str) -> list[str]:
    """Where two plain values differ, as lines to read."""
    if isinstance(kept, dict) and isinstance(found, dict):
        if kept.keys() != found.keys():
            return [f"{where}: kept {sorted(kept)}, found {sorted(found)}"]
        return [line for k in kept for line in _different(kept[k], found[k], f"{where}.{k}")]
    if isinstance(kept, list) and isinstance(found, list):
        if len(kept) != len(found):
            return [f"{where}: kept {len(kept)} entries, found {len(found)}"]
        pairs = enumerate(zip(kept, found, strict=True))
        return [line for i, (a, b) in pairs for line in _different(a, b, f"{where}[{i}]")]
    measured = isinstance(kept, float) and isinstance(found, float)
    same = found == pytest.approx(kept, rel=1e-4, abs=1e-6) if measured else kept == found
    return [] if same else [f"{where}: kept {kept!r}, found {found!r}"]
