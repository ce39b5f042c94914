"""Drawings for tests: the files of the reference folder, small documents, strokes of paths."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import kept_results
import numpy as np

from calib.errors import BadFile
from calib.jobs.drawing import Drawing, read_drawing
from calib.jobs.outlines import FLATNESS_MM, Strokes
from calib.jobs.paths import strokes_of_paths

DRAWINGS = Path(__file__).parent / "reference" / "drawings"
PANEL = DRAWINGS / "panel.svg"
UNIT = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
HEAD = '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">'


def drawing(name: str, **options: Any) -> Drawing:
    with open(DRAWINGS / f"{name}.svg", "rb") as file:
        return read_drawing(file, **options)


def length_of(read: Drawing) -> float:
    return sum(strokes.length_mm for strokes in read.classes.values())


def first_of(read: Drawing) -> Strokes:
    return next(iter(read.classes.values()))


def document(body: str, head: str = HEAD) -> bytes:
    return f"{head}{body}</svg>".encode()


def strokes_of(
    *paths: str, matrix: Sequence[float] = UNIT, flatness: float = FLATNESS_MM
) -> Strokes:
    return strokes_of_paths(paths, np.tile(matrix, (len(paths), 1)), flatness)[0]


def through(*points: Sequence[float]) -> Strokes:
    """One line through points, as they are."""
    place = np.array(points, float)
    step = np.append(np.hypot(*np.diff(place, axis=0).T), 0.0)
    return Strokes(
        points_mm=place,
        step_mm=step,
        first=np.array([0, len(place)]),
        closed=np.array([bool((place[0] == place[-1]).all())]),
    )


def refusal(call: Callable[[], object]) -> str:
    """What is said when a drawing is refused."""
    return kept_results.refusal(call, BadFile)
