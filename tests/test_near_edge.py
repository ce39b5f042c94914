"""The choice of a batch against plain enumeration of everything that could come out."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

import calib
from calib.plan.near_edge import Question, choose_batch, without_tails

RNG = np.random.default_rng(3)
DRAWS, CANDIDATES = 40, 7


def question(outcomes: int = 3) -> Question:
    chances = RNG.dirichlet(np.ones(outcomes), size=(DRAWS, CANDIDATES))
    return Question(
        weight=RNG.uniform(0.5, 1.5, DRAWS),
        chances=np.moveaxis(chances, 2, 0),
        targets=RNG.normal(size=(DRAWS, 2)),
        importance=np.array([1.0, 0.3]),
    )


def loss_of(asked: Question, batch: list[int]) -> float:
    """Σ importance √(expected variance), outcome by outcome, with no matrix algebra."""
    w = asked.weight / asked.weight.sum()
    expected = np.zeros(2)
    for outcome in product(range(len(asked.chances)), repeat=len(batch)):
        like = w * np.prod(
            [asked.chances[o, :, c] for o, c in zip(outcome, batch, strict=True)], axis=0
        )
        mass = like.sum()
        for t in range(2):
            mean = (like * asked.targets[:, t]).sum() / mass
            expected[t] += (like * (asked.targets[:, t] - mean) ** 2).sum()
    return float(asked.importance @ np.sqrt(expected))


@pytest.mark.parametrize("outcomes", [2, 3, 5])
def test_one_cell_is_the_best_of_all(outcomes):
    asked = question(outcomes)
    losses = [loss_of(asked, [c]) for c in range(CANDIDATES)]
    assert choose_batch(asked, 1) == [int(np.argmin(losses))]


def test_no_single_change_betters_a_pair():
    """Greedy choice followed by one round of exchange ends where the second cell is best."""
    asked = question()
    first, second = choose_batch(asked, 2)
    found = loss_of(asked, [first, second])
    assert found == pytest.approx(min(loss_of(asked, [first, c]) for c in range(CANDIDATES)))


def test_a_cell_that_every_draw_agrees_on_teaches_nothing():
    asked = question()
    asked.chances[:, :, 2] = np.array([0.2, 0.3, 0.5])[:, None]
    prior = loss_of(asked, [])
    assert loss_of(asked, [2]) == pytest.approx(prior)
    assert 2 not in choose_batch(asked, 4)


def test_masks_hold_and_repeats_can_be_kept_out():
    asked = question()
    only = np.zeros(CANDIDATES, dtype=bool)
    only[5] = True
    assert choose_batch(asked, 3, [only])[0] == 5
    assert len(set(choose_batch(asked, CANDIDATES, repeats=False))) == CANDIDATES
    assert len(choose_batch(asked, CANDIDATES + 2, repeats=False)) == CANDIDATES + 2


def test_the_same_question_has_the_same_answer():
    asked = question()
    assert choose_batch(asked, 6) == choose_batch(asked, 6)


def test_targets_lose_their_tails_only():
    targets = RNG.normal(size=(1000, 2))
    core = without_tails(targets)
    inside = np.abs(targets) < 1.5
    np.testing.assert_array_equal(core[inside], targets[inside])
    assert np.abs(core).max() < 2.2


def test_a_certain_burn_among_doubtful_ones_divides_nothing_by_nothing() -> None:
    """Of many paths that are followed on, a certain outcome leaves some with no chance at all."""
    asked = question()
    asked.chances[:, :, 0] = np.array([1.0, 0.0, 0.0])[:, None]
    certain = np.arange(CANDIDATES) == 0
    batch = choose_batch(asked, 12, [~certain] * 4 + [certain])
    assert batch[4] == 0
    assert 0 not in batch[:4]


def test_from_eight_cells_one_is_planned_twice():
    machine = calib.Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    sheet = calib.Sheet(name="s", material="birch plywood", thickness_mm=3.0)
    for burns, different in ((7, 7), (8, 7), (12, 10)):
        cells = calib.plan_grid(machine, sheet, operation="cut", burns=burns).cells
        assert (len(cells), len({cell.setting for cell in cells})) == (burns, different)


@pytest.mark.parametrize("operation", ["cut", "line_mark"])
def test_a_board_may_keep_to_one_power(operation):
    machine = calib.Machine(
        name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0, ceiling_pct=80.0
    )
    sheet = calib.Sheet(name="s", material="birch plywood", thickness_mm=3.0)
    cells = calib.plan_grid(machine, sheet, operation=operation, burns=6, same_power=True).cells
    assert len({cell.power_pct for cell in cells}) == 1
    assert len({cell.speed_mm_s for cell in cells}) == 6
    if operation == "cut":
        assert cells[0].power_pct == machine.ceiling_pct
