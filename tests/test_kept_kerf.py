"""What kerfs of coupons and their laws gave before."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from boards import CO2, TUBE_100
from joint_cases import COARSE, CUT, refusal
from kept_results import same_as_kept

from calib.advise import kerf
from calib.records import Cell, Machine, Reading

pytestmark = pytest.mark.usefixtures("caliper_afresh")

SPEEDS = (8.0, 12.0, 20.0, 33.0)


def cells_of(speeds: Iterable[float] = SPEEDS) -> list[Cell]:
    return [
        Cell(label=f"A{n}", power_pct=60.0, speed_mm_s=v, passes=1 + n % 2, x_mm=0.0, y_mm=0.0,
             width_mm=16.0, height_mm=12.0, burn_order=n)
        for n, v in enumerate(speeds, 1)
    ]  # fmt: skip


def coupons(cells: list[Cell], repeats: int = 2) -> list[Reading]:
    return [
        Reading(
            cell=cell.label,
            width_mm=cell.width_mm - 0.3 + 0.03 * n + 0.01 * again,
            height_mm=None if (n + again) % 3 == 0 else cell.height_mm - 0.28 + 0.02 * n,
        )
        for again in range(repeats)
        for n, cell in enumerate(cells)
    ]


@pytest.mark.parametrize("machine", [CO2, TUBE_100], ids=lambda m: m.name)
def test_kerfs_of_coupons_are_what_they_were(machine: Machine) -> None:
    cells = cells_of()
    points = kerf.kerf_from_coupons(machine, coupons(cells), cells)
    coarse = kerf.kerf_from_coupons(machine, coupons(cells[:2], 1), cells, caliper=COARSE)
    same_as_kept(f"kerf_points_{machine.name}", [points, coarse])
    law = kerf.kerf_by_energy(points)
    few = kerf.kerf_by_energy(coarse[:1], caliper=COARSE)
    energies = (0.5, law.middle_j_mm, 9.0)
    kept = [law, [law.at(e) for e in energies], few, [few.at(e) for e in energies]]
    kept.append(law.at_setting(machine, CUT))
    # Few places, not all read as often: then kerf and growth hang together.
    mixed = kerf.kerf_from_coupons(machine, coupons(cells[:3])[:4], cells)
    kept += [kerf.kerf_by_energy(mixed), kerf.kerf_by_energy(mixed).at(9.0)]
    same_as_kept(f"kerf_laws_{machine.name}", kept)


def test_points_of_one_energy_come_by_power() -> None:
    cells = [
        replace(cell, power_pct=p, speed_mm_s=v, passes=1)
        for cell, p, v in zip(cells_of(), (60, 30, 45, 15), (24, 12, 18, 6), strict=True)
    ]
    points = kerf.kerf_from_coupons(CO2, coupons(cells, 1), cells)
    assert len({round(p.line_energy_j_mm, 9) for p in points}) == 1
    energy = [(p.line_energy_j_mm, p.setting.power_pct) for p in points]
    assert energy == sorted(energy)
    assert energy[0][0] == pytest.approx(0.6 * 60.0 / 24)


def test_notes_on_a_kerf_law_are_what_they_were() -> None:
    same_as_kept("kerf_notes", [kerf._notes(a, n) for a, n in ((0.79, 4), (0.81, 3), (0.8, 5))])


def test_a_kerf_law_is_tested_where_it_was_measured() -> None:
    cells = cells_of()
    law = kerf.kerf_by_energy(kerf.kerf_from_coupons(CO2, coupons(cells), cells))
    low, high = law.low_j_mm, law.high_j_mm
    hairs = (-1e-8, -1e-10, 0.0, 1e-10, 1e-8)
    assert [law.tested(low * (1 + h)) for h in hairs] == [False, True, True, True, True]
    assert [law.tested(high * (1 + h)) for h in hairs] == [True, True, True, True, False]
    assert law.low_j_mm < law.middle_j_mm < law.high_j_mm


def test_kerfs_that_cannot_be_are_refused() -> None:
    cells = cells_of()
    kept = [
        refusal(lambda: kerf.kerf_of(10.3, 10.0, "W", part=True)),
        refusal(lambda: kerf.kerf_of(7.9, 10.0, "W", part=True)),
        refusal(lambda: kerf.kerf_of(9.7, 10.0, "W", part=False)),
        refusal(lambda: kerf.kerf_of(12.1, 10.0, "W", part=False)),
        refusal(lambda: kerf.kerf_by_energy([])),
        refusal(lambda: kerf.kerf_from_coupons(CO2, [Reading(cell="B7", width_mm=1.0)], cells)),
        refusal(lambda: kerf.kerf_from_coupons(CO2, [Reading(cell="A1", height_mm=9.0)], cells)),
    ]
    same_as_kept("kerf_refusals", kept)
    # The ends of what is plausible are still taken.
    assert kerf.kerf_of(8.0, 10.0, "W", part=True) == 2.0
    assert kerf.kerf_of(0.25, 0.0625, "W", part=False) == 0.1875
    assert kerf.kerf_of(0.2, 0.0, "W", part=True) == -0.2
    assert kerf.kerf_from_coupons(CO2, [Reading(cell="A1")], cells) == ()
