"""A region on few even-weight points, for searches and pictures where a look is enough."""

from __future__ import annotations

from dataclasses import replace

from calib.fit import cut_fit, graded
from calib.fit.region import Region

# Points that a look needs: chances are then right to about 0.005 (see tests/test_region.py).
LOOK_POINTS = 1500


def thinned_region(region: Region, points: int = LOOK_POINTS) -> Region:
    """The same region on few points.

    Parameters
    ----------
    region
        A fitted region.
    points
        How many points of each posterior are kept.

    Returns
    -------
    Region
        Faster to ask, and a little less exact.
    """
    cut = region.cut
    if cut is not None:
        cut = replace(
            cut,
            here=cut_fit.thinned(cut.here, points),
            elsewhere=cut_fit.thinned(cut.elsewhere, points),
        )
    return replace(
        region,
        cut=cut,
        char=graded.thinned(region.char, points) if region.char else None,
        mark=graded.thinned(region.mark, points) if region.mark else None,
    )
