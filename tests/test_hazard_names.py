"""How a name is looked up among the hazards: the worst term counts, slips are asked about."""

from __future__ import annotations

import re

import pytest
from hazard_table import BURNABLE, REFUSED, STATEMENT, laser, sheet, told_of
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from calib.errors import CalibError, DeclarationNeeded, RefusedMaterial, shown
from calib.hazards import Hazard, check_hazard
from calib.names import split_words
from calib.records import Sheet


@pytest.mark.parametrize(
    ("material", "verdict", "matched"),
    [
        ("3mm Birch Plywood", "caution", ("birch plywood",)),
        ("cherry wood", "ok", ("cherry",)),
        ("vegetable tanned leather", "caution", ("vegetable tanned leather",)),
        ("acrylic glass", "caution", ("acrylic glass",)),
        ("Wellpappe (corrugated cardboard)", "caution", ("corrugated cardboard",) * 2),
        ("oak and walnut", "ok", ("oak", "walnut")),
        ("chlorine free rubber", "caution", ("rubber",)),
        ("fluorescent acrylic", "caution", ("acrylic",)),
        ("bronze acrylic sheet", "caution", ("acrylic sheet",)),
        ("sticky backed cork", "caution", ("sticky backed", "cork")),
        ("self-adhesive cork", "caution", ("self adhesive", "cork")),
        ("mdf board", "caution", ("mdf board",)),
        ("3 mm board", "caution", ("board",)),
    ],
)
def test_the_worst_of_the_longest_terms_counts(
    material: str, verdict: str, matched: tuple[str, ...]
) -> None:
    hazard = check_hazard(sheet(material))
    assert (hazard.verdict, hazard.matched) == (verdict, matched)


@pytest.mark.parametrize(
    ("material", "because"),
    [
        ("PVC", "pvc"),
        ("P.V.C.", "pvc"),
        ("3mmPVC", "pvc"),
        ("pvc free banner", "pvc"),
        ("non-vinyl wallpaper", "vinyl"),
        ("halogen free sheet", "halogen"),
        ("polyvinylchloride", "pvc"),
        ("fluoropolymers", "fluoropolymer"),
        ("Vinyl faced MDF", "vinyl"),
        ("rubber with chlorine", "chlorine"),
        ("leather", "leather"),
        ("chrome-tanned cow leather", "chrome tanned leather"),
        ("felt", "felt"),
        ("acrylic felt", "acrylic felt"),
        ("fabric, acrylic", "acrylic fabric"),
        ("wool and acrylic blend", "acrylic wool"),
        ("faux leather, vegetable tanned look", "faux leather"),
        ("bonded leather vegetable tanned", "bonded leather"),
        ("flame retardant birch plywood", "flame retardant plywood"),
        ("fire rated poplar ply", "fire rated"),
        ("melamine board", "melamine board"),
        ("gold acrylic", "gold"),
        ("unknown wood", "unknown"),
        ("not sure, maybe acrylic", "not sure"),
        ("wood plastic composite", "plastic"),
        ("PETG", "petg"),
        ("mirror", "mirror"),
    ],
)
def test_one_refused_term_is_enough(material: str, because: str) -> None:
    with pytest.raises(
        RefusedMaterial, match=re.escape(f"{material!r} is refused because of {because!r}")
    ):
        check_hazard(sheet(material, STATEMENT))


@pytest.mark.parametrize(
    "material", ["absolute", "carpet", "sanding cloth", "spc", "puree", "computer", "purpurrot"]
)
def test_short_codes_do_not_match_inside_words(material: str) -> None:
    with pytest.raises(DeclarationNeeded, match=re.escape(repr(material))):
        check_hazard(sheet(material))


def test_a_refusal_says_why_and_what_to_use_instead() -> None:
    with pytest.raises(RefusedMaterial, match="'White PVC' is refused") as caught:
        check_hazard(sheet("White PVC"))
    message = str(caught.value)
    assert "hydrogen chloride" in message
    assert "Use cast acrylic" in message


def test_a_word_such_as_free_is_answered() -> None:
    with pytest.raises(RefusedMaterial, match=r"'pvc free'.*Words such as free, no or without"):
        check_hazard(sheet("pvc free"))
    advice = check_hazard(sheet("chlorine free rubber")).advice
    assert any("prove nothing" in text for text in advice)


@pytest.mark.parametrize(
    ("material", "question"),
    [
        ("chipboard", "glued wood chips"),
        ("acrylic", "textile fibre"),
        ("card", "plastic card"),
        ("cedar", "Western red cedar"),
        ("hardboard", "tempered"),
        ("fibreboard", "MDF, HDF or hardboard"),
        ("board", "say which kind"),
    ],
)
def test_an_ambiguous_word_is_asked_about(material: str, question: str) -> None:
    assert any(question in text for text in check_hazard(sheet(material)).advice)


def test_a_precise_name_is_not_asked_about() -> None:
    advice = check_hazard(sheet("cast acrylic")).advice
    assert not any("textile fibre" in text for text in advice)


@pytest.mark.parametrize(
    "material", ["oak laminate", "laminated birch", "coated MDF", "oak effect", "painted birch"]
)
def test_a_hidden_face_needs_the_data_sheet(material: str) -> None:
    with pytest.raises(DeclarationNeeded, match=re.escape(repr(material)) + r".*\?"):
        check_hazard(sheet(material))
    hidden = material.replace("oak", "").replace("birch", "").replace("MDF", "").strip()
    with pytest.raises(DeclarationNeeded, match=f"doesn't speak of {hidden!r}"):
        check_hazard(sheet(material, STATEMENT))
    hazard = check_hazard(sheet(material, told_of(material)))
    assert hazard.verdict == "declared"
    assert hazard.matched


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("birch plywod", "'plywood'"), ("acryllic", "'acrylic'"), ("basswod", "'basswood'")],
)
def test_a_slip_of_the_key_is_asked_about(typed: str, meant: str) -> None:
    with pytest.raises(DeclarationNeeded, match=f"{typed!r}.*Did you mean {meant}"):
        check_hazard(sheet(typed))


@pytest.mark.parametrize(
    "typed",
    [
        "vynil", "oak vynil", "birch with vinly top", "polycarbonte", "polystryene", "celulloid",
        "magnezium", "nyllon", "tefflon", "poly carbonate", "p0lycarbonate", "Styroporr",
        "neoprne", "contcat paper", "PVС", "ＰＶＣ", "p\u200bvc", "nyIon", "@bs", "v!nyl",
        "Moos-Gummi", "fibra 3 mm vidrio", "carton blanc plume", "Bakelitplatte", "fibre de verrre",
    ],
)  # fmt: skip
def test_a_slip_or_a_disguise_of_what_is_refused_is_refused_whatever_is_declared(
    typed: str,
) -> None:
    with pytest.raises(RefusedMaterial, match=re.escape(shown(typed)) + " is refused"):
        check_hazard(sheet(typed, STATEMENT))


@given(material=st.text(min_size=1, max_size=200), declaration=st.text(max_size=200))
@settings(max_examples=200, deadline=None)
def test_any_text_gets_an_answer(material: str, declaration: str) -> None:
    answer: Hazard | CalibError
    try:
        answer = check_hazard(sheet(material, declaration), laser("diode"), "cut")
    except CalibError as error:
        answer = error
    assert answer.advice if isinstance(answer, Hazard) else str(answer)


# A burnable material of its own has a refused word in its name.
OWN_NAMES = [split_words(term) for _, term in BURNABLE]


@given(
    term=st.sampled_from(REFUSED),
    other=st.sampled_from([term for _, term in BURNABLE]),
    first=st.booleans(),
)
@settings(max_examples=300, deadline=None)
def test_a_burnable_term_does_not_lift_a_refused_one(term: str, other: str, first: bool) -> None:
    pair = f"{term}, {other}" if first else f"{other}, {term}"
    words = split_words(pair)
    runs = {words[i : i + n] for n in (2, 3, 4) for i in range(len(words) - n + 1)}
    assume(" " in term or not runs & set(OWN_NAMES) - {split_words(other)})
    with pytest.raises(RefusedMaterial, match=re.escape(repr(pair))):
        check_hazard(sheet(pair, STATEMENT))


def test_a_slip_beside_a_known_word_is_asked_about() -> None:
    with pytest.raises(DeclarationNeeded, match="'birch playwood'.*Did you mean 'plywood'"):
        check_hazard(sheet("birch playwood"))


@pytest.mark.parametrize("material", ["teflon", "wood with teflon coating", "Teflon sheet"])
def test_a_trade_name_of_ptfe_is_refused_and_stays_so(material: str) -> None:
    """PTFE gives off fluorine compounds when heated (NIOSH); its trade name is from memory."""
    stated = "I have read the maker's data sheet; it holds no chlorine, fluorine or bromine."
    sheet = Sheet(name="s", material=material, thickness_mm=1.0, declaration=stated)
    with pytest.raises(RefusedMaterial, match=f"{material!r} is refused because of 'teflon'"):
        check_hazard(sheet)


@pytest.mark.parametrize("material", ["baltic birch plywood", "grey MDF", "light oak", "raw pine"])
def test_ordinary_words_beside_a_known_one_are_no_slips(material: str) -> None:
    check_hazard(Sheet(name="s", material=material, thickness_mm=3.0))
