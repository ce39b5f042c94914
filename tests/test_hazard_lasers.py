"""What a diode may not burn, and what may be marked but not cut."""

from __future__ import annotations

import dataclasses
import re

import pytest
from hazard_table import STATEMENT, laser, sheet, told_of

from calib.errors import RefusedMaterial
from calib.hazards import check_hazard
from calib.records import Machine


@pytest.mark.parametrize(
    "material",
    [
        "acrylic",
        "clear acrylic",
        "transparent red acrylic",
        "see-through black acrylic",
        "frosted white cast acrylic",
        "PMMA 3 mm",
        "glass",
        "black window glass",
        "acrylic mirror",
        "polyester film",
    ],
)
def test_a_diode_is_refused_what_its_beam_passes(material: str) -> None:
    with pytest.raises(
        RefusedMaterial, match=re.escape(repr(material)) + ".*diode.*passes through"
    ):
        check_hazard(sheet(material, told_of(material)), laser("diode"))
    assert check_hazard(sheet(material), laser("co2")).verdict == "caution"
    assert check_hazard(sheet(material)).verdict == "caution"


@pytest.mark.parametrize("material", ["black acrylic", "dark green cast acrylic", "Acrylic, red"])
def test_a_diode_may_burn_acrylic_of_a_named_colour(material: str) -> None:
    assert check_hazard(sheet(material), laser("diode")).verdict == "caution"


def test_pale_acrylic_on_a_diode_is_warned_of() -> None:
    advice = check_hazard(sheet("white acrylic"), laser("diode")).advice
    assert any("blue light" in text for text in advice)
    assert not any(
        "blue light" in t for t in check_hazard(sheet("white card"), laser("diode")).advice
    )


def test_a_diode_may_burn_wood() -> None:
    assert check_hazard(sheet("birch plywood"), laser("diode")).verdict == "caution"
    assert check_hazard(sheet("clear pine"), laser("diode")).verdict == "caution"


def test_a_clear_sheet_that_is_only_declared_is_refused_on_a_diode() -> None:
    clear = sheet("clear zorbex", STATEMENT)
    with pytest.raises(RefusedMaterial, match="'clear zorbex' .*passes through a clear sheet"):
        check_hazard(clear, laser("diode"))
    assert check_hazard(clear, laser("co2")).verdict == "declared"


@pytest.mark.parametrize("material", ["slate", "glass", "anodised aluminium"])
def test_what_can_only_be_marked_is_not_cut(material: str) -> None:
    with pytest.raises(RefusedMaterial, match=f"{material!r} can't be cut.*line mark"):
        check_hazard(sheet(material), laser("co2"), "cut")
    for operation in ("line_mark", "area_mark"):
        assert check_hazard(sheet(material), laser("co2"), operation).verdict == "caution"  # type: ignore[arg-type]


DIODE = Machine(name="d", rated_w=10.0, source="diode", bed_mm=(400.0, 400.0), max_speed_mm_s=150.0)


@pytest.mark.parametrize(
    ("wavelength", "words"),
    [
        (None, "marked for the wavelength on its label, mostly 445 to 455 nm, and for its power"),
        (455.0, "marked for 455 nm and for its power"),
        (1064.0, "can't be seen and blinds"),
    ],
)
def test_a_diodes_cautions_speak_of_eyes_housing_bystanders_and_shiny_work(wavelength, words):
    """Eyewear is marked for wavelength and power: EN 207, ISO 19818-1:2021."""
    machine = dataclasses.replace(DIODE, wavelength_nm=wavelength)
    said = " ".join(check_hazard(sheet("birch plywood"), machine).advice)
    for part in (words, "closed housing", "other people, children", "Nothing shiny"):
        assert part in said
    assert said.isascii()


def test_other_lasers_have_no_diode_cautions():
    for machine in (None, laser("co2")):
        said = " ".join(check_hazard(sheet("birch plywood"), machine).advice)
        assert "housing" not in said


@pytest.mark.parametrize(
    ("wavelength", "words"),
    [(None, ""), (455.0, ""), (638.0, "is red: clear, red and white"), (1064.0, "near infrared")],
)
def test_light_that_isnt_blue_is_said_with_what_it_does_little_to(wavelength, words):
    """What takes up little of which light: from memory."""
    machine = dataclasses.replace(DIODE, wavelength_nm=wavelength)
    advice = " ".join(check_hazard(sheet("birch plywood"), machine).advice)
    assert ("learnt with blue light" in advice) == bool(words)
    assert words in advice
