"""The ladder of codes, the order of burning and the shuffled places."""

from __future__ import annotations

import random
import statistics
from collections import Counter
from collections.abc import Sequence

from calib.records import Setting

Place = tuple[int, int]

# No I and no O: they read as 1 and 0.
CODE_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
CODE_DIGITS = "123456789"
MOST_CODES = len(CODE_LETTERS) * len(CODE_DIGITS)
# Reaches closer than this share a rung: about the scatter from coupon to coupon.
_RUNG = 0.05
# Boards of this many cells begin with a repeated setting, are burnt in two and in three blocks.
ONE_REPEATED, TWO_BLOCKS, THREE_BLOCKS = 8, 12, 24
# Arrangements of places that are tried; the first without neighbours in a row come early.
_TRIES = 24
_MOST_TRIES = 240
_AROUND = ((-1, 0), (1, 0), (0, -1), (0, 1))


def codes_of(reaches: Sequence[float]) -> tuple[str, ...]:
    """Give each cell its code on the ladder: a letter for the rung, a digit within it.

    Examples
    --------
    >>> codes_of((-0.7, -0.3, 0.0, 0.01, 0.4))
    ('A1', 'B1', 'C1', 'C2', 'D1')
    """
    width = _RUNG
    rungs = _rungs(reaches, width)
    while len(rungs) > len(CODE_LETTERS) and width < 1e9:
        width *= 1.25
        rungs = _rungs(reaches, width)
    if len(rungs) > len(CODE_LETTERS):
        full = len(CODE_DIGITS)
        rungs = [min(full, len(reaches) - start) for start in range(0, len(reaches), full)]
    return tuple(
        CODE_LETTERS[rung] + CODE_DIGITS[place]
        for rung, size in enumerate(rungs)
        for place in range(size)
    )


def _rungs(reaches: Sequence[float], width: float) -> list[int]:
    """Sizes of the rungs when a rung spans at most ``width`` and holds at most nine."""
    sizes: list[int] = []
    foot = 0.0
    for reach in reaches:
        if sizes and reach - foot <= width and sizes[-1] < len(CODE_DIGITS):
            sizes[-1] += 1
        else:
            sizes.append(1)
            foot = reach
    return sizes


def burn_blocks(
    energies: Sequence[float], settings: Sequence[Setting], shuffle: random.Random
) -> tuple[tuple[int, int], ...]:
    """Put cells in burning order: gentle to strong, in one, two or three blocks.

    In one block of eight cells and more, a setting that is there twice is burnt first and in turn.
    """
    ranked = sorted(range(len(energies)), key=lambda cell: energies[cell])
    count = 1 + (len(ranked) >= TWO_BLOCKS) + (len(ranked) >= THREE_BLOCKS)
    markers = _markers(ranked, settings, 3) if count > 1 else ()
    if count == 1 and len(ranked) >= ONE_REPEATED and (twice := _markers(ranked, settings, 2)):
        return tuple((cell, 1) for cell in sorted(ranked, key=lambda cell: cell != twice[0]))
    rest = [cell for cell in ranked if cell not in markers]
    blocks: list[list[int]] = [[] for _ in range(count)]
    for start in range(0, len(rest), count):
        turns = list(range(count))
        shuffle.shuffle(turns)
        for cell, turn in zip(rest[start : start + count], turns, strict=False):
            blocks[turn].append(cell)
    if markers:
        first, middle, last = markers
        # With three blocks it takes its own place in the second; with two it opens the second.
        above = [energies[cell] > energies[middle] for cell in blocks[1]]
        place = (above.index(True) if True in above else len(above)) if count == 3 else 0
        blocks[1].insert(place, middle)
        blocks[0].insert(0, first)
        blocks[-1].append(last)
    return tuple((cell, number + 1) for number, block in enumerate(blocks) for cell in block)


def _markers(ranked: Sequence[int], settings: Sequence[Setting], times: int) -> tuple[int, ...]:
    """Cells of the setting that is there so many times and lies nearest the middle."""
    often = [s for s, n in Counter(settings[cell] for cell in ranked).items() if n >= times]
    if not often:
        return ()
    ranks = {s: [r for r, cell in enumerate(ranked) if settings[cell] == s] for s in often}
    middle = (len(ranked) - 1) / 2.0
    chosen = min(often, key=lambda s: (abs(statistics.mean(ranks[s]) - middle), ranks[s][0]))
    return tuple(ranked[rank] for rank in ranks[chosen][:times])


def share_an_edge(one: Place, other: Place) -> bool:
    """Say whether two places (column, row) lie side by side or one above the other."""
    return abs(one[0] - other[0]) + abs(one[1] - other[1]) == 1


def shuffle_places(
    places: Sequence[Place], energies: Sequence[float], shuffle: random.Random
) -> tuple[Place, ...]:
    """Choose the place of each burn so that burns in a row don't share an edge."""
    best: tuple[Place, ...] = ()
    best_score = (len(places), 0.0)
    for attempt in range(_MOST_TRIES):
        enough = 2 * _TRIES if len(places) > TWO_BLOCKS else _MOST_TRIES
        if best and attempt >= (_TRIES if best_score[0] == 0 else enough):
            break
        order = _one_arrangement(places, shuffle)
        clashes = sum(share_an_edge(a, b) for a, b in zip(order, order[1:], strict=False))
        score = (clashes, _tilt(order, energies))
        if not best or score < best_score:
            best, best_score = order, score
    return best


def _one_arrangement(places: Sequence[Place], shuffle: random.Random) -> tuple[Place, ...]:
    free = list(places)
    shuffle.shuffle(free)
    order = [free.pop()] if free else []
    while free:
        last = order[-1]
        left = set(free)
        good = [place for place in free if not share_an_edge(last, place)]
        # Places with many free neighbours go first, or they are left for the end.
        crowd = [sum((x + dx, y + dy) in left for dx, dy in _AROUND) for x, y in good]
        most = max(crowd, default=0)
        chosen = next((p for p, n in zip(good, crowd, strict=True) if n >= most - 1), free[0])
        free.remove(chosen)
        order.append(chosen)
    return tuple(order)


def _tilt(order: Sequence[Place], energies: Sequence[float]) -> float:
    """Largest correlation of energy or time with a side of the board."""
    most = 0.0
    for way in (range(len(order)), energies):
        for axis in (0, 1):
            side = [place[axis] for place in order]
            if len(set(way)) > 1 and len(set(side)) > 1 and len(side) > 2:
                most = max(most, abs(statistics.correlation(way, side)))
    return most
