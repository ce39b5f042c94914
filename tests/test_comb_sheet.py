"""The page of a comb board, read back from the PDF by others."""

from __future__ import annotations

import io

import numpy as np
import pypdfium2
import pytest
from boards import BIRCH, CO2, MDF
from pypdf import PdfReader

from calib.boards.comb import plan_comb
from calib.boards.comb_sheet import comb_record_page
from calib.errors import RefusedMaterial
from calib.hazards import CAUTIONS
from calib.print_style import PAPERS_MM
from calib.records import Setting, Sheet

CUT = Setting(power_pct=60.0, speed_mm_s=12.0)
SMALL = plan_comb(CO2, BIRCH, CUT, stock_mm=3.05)
LARGE = plan_comb(CO2, MDF, CUT, stock_mm=6.1, slots=15, tongues=15)
NARROW = plan_comb(CO2, MDF, CUT, stock_mm=6.1, offcut_mm=(110.0, 260.0))
PLAIN = plan_comb(CO2, BIRCH, CUT, stock_mm=3.0, step_mm=0.025, tongues=0)


def words_of(pdf: bytes) -> str:
    reader = PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 1
    return " ".join(reader.pages[0].extract_text().split())


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("board", [SMALL, LARGE, NARROW, PLAIN], ids=lambda b: b.board_id)
def test_all_that_is_needed_stands_on_one_page(board, paper):
    pdf = comb_record_page(board, paper=paper)
    words = words_of(pdf)
    assert board.board_id in words
    for step in board.steps:
        assert step.label in words.split()
        if step.kind != "gauge":
            shown = f"{step.width_mm:.3f}"
            assert (shown[:-1] if shown.endswith("0") else shown) in words.split()
    assert "60 %, 12 mm/s (720 mm/min), 1 pass" in words
    # Lines are broken where they end: compare without blanks.
    dense = words.replace(" ", "")
    for caution in (*CAUTIONS, *board.notes):
        assert caution.replace(" ", "") in dense
    for word in ("doesn't go in by hand", "holds when shaken", "falls out, or wobbles"):
        assert word in words


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("board", [SMALL, LARGE, NARROW, PLAIN], ids=lambda b: b.board_id)
def test_the_rim_of_the_paper_is_blank_and_parts_do_not_meet(board, paper):
    document = pypdfium2.PdfDocument(comb_record_page(board, paper=paper))
    width, height = PAPERS_MM[paper]
    page = np.asarray(document[0].render(scale=72 / 25.4 * 2).to_pil().convert("L"))
    per_mm = page.shape[1] / width
    assert page.shape[0] / height == pytest.approx(per_mm, rel=0.01)
    rim = round(7 * per_mm)
    inner = page[rim:-rim, rim:-rim]
    assert (page < 200).sum() == (inner < 200).sum()
    # Between the caliper's table and the frame of the cautions lies a blank band.
    dark = (page < 200).any(axis=1)
    frame = np.flatnonzero((page < 128).mean(axis=1) > 0.85)
    upper = frame[frame < frame[-1] - 10 * per_mm][-1]
    assert not dark[upper - round(2.5 * per_mm) : upper - round(0.5 * per_mm)].any()


def test_a_refused_sheet_gets_no_page():
    sheet = Sheet(name="foam", material="PVC foam", thickness_mm=3.0)
    with pytest.raises(RefusedMaterial, match="PVC foam"):
        comb_record_page(plan_comb(CO2, sheet, CUT, stock_mm=3.0))
