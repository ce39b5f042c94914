"""The maker's own drawing, drawn for the page: each class as it is told apart, features in red."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from html import escape

import numpy as np

from calib.jobs.drawing import Drawing
from calib.jobs.features import Feature
from calib.jobs.outlines import Strokes
from calib.records import Operation

# More points than this make a page heavy: then only every so many are drawn.
_MANY_POINTS = 40_000
_COLOUR = re.compile(r"#[0-9a-f]{6}")


def drawing_svg(
    drawing: Drawing, operations: Mapping[str, Operation | None], features: Sequence[Feature] = ()
) -> str:
    """Draw a drawing; a class is thick when it is cut, dashed when it is a mark, faint when it is
    left out. The places of features are numbered."""
    x0, y0, x1, y1 = drawing.box_mm
    size = max(x1 - x0, y1 - y0, 1.0)
    rim = 0.04 * size
    box = f"{x0 - rim:.3f} {y0 - rim:.3f} {x1 - x0 + 2 * rim:.3f} {y1 - y0 + 2 * rim:.3f}"
    every = 1 + sum(len(strokes.points_mm) for strokes in drawing.classes.values()) // _MANY_POINTS
    classes = "".join(
        _class(name, strokes, operations.get(name, "unsaid"), every)
        for name, strokes in drawing.classes.items()
    )
    radius = size / 60.0
    places = "".join(
        f'<g class="feature"><circle cx="{x:g}" cy="{y:g}" r="{radius:.3f}"/>'
        f'<text x="{x + 1.3 * radius:.3f}" y="{y - radius:.3f}" font-size="{2.2 * radius:.3f}">'
        f"{number}</text></g>"
        for number, (x, y) in enumerate((f.place_mm for f in features), 1)
    )
    return (
        f'<svg class="drawing" viewBox="{box}" role="img" aria-label="Your drawing,'
        f' {x1 - x0:.1f} by {y1 - y0:.1f} mm">{classes}{places}</svg>'
    )


def colour_of(name: str) -> str:
    """The colour that a class is named after; empty where it is named otherwise."""
    found = _COLOUR.search(name.casefold())
    return found[0] if found else ""


def _class(name: str, strokes: Strokes, operation: str | None, every: int) -> str:
    paths = []
    for index in range(len(strokes)):
        points = strokes.stroke(index)
        kept = points[::every] if every == 1 else np.vstack([points[:-1:every], points[-1:]])
        steps = "L".join(f"{x:.2f} {y:.2f}" for x, y in kept)
        paths.append(f"M{steps}{'z' if strokes.closed[index] else ''}")
    paint = f'stroke="{colour_of(name) or "#222222"}"'
    kind, title = operation or "left-out", escape(name)
    return f'<path class="{kind}" {paint} d="{"".join(paths)}"><title>{title}</title></path>'
