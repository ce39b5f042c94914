"""What is refused stays refused, what isn't known needs a statement, and all of it is said."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from calib.declaration import DECLARATION_EXAMPLE, read_declaration
from calib.errors import CalibError, DeclarationNeeded, RefusedMaterial
from calib.hazards import CAUTIONS, Hazard, check_hazard
from calib.materials import read_table, row_terms, split_words
from calib.records import Machine, Sheet

ROWS = read_table("safety")
TERMS = [(row, term) for row in ROWS for term in row_terms(row, "keyword", "synonyms")]
REFUSED = [term for row, term in TERMS if row["verdict"] == "refuse"]
BURNABLE = [(row, term) for row, term in TERMS if row["verdict"] != "refuse"]


def sheet(material: str, declaration: str = "") -> Sheet:
    return Sheet(name="s", material=material, thickness_mm=3.0, declaration=declaration)


def laser(source: Any) -> Machine:
    return Machine(
        name="m", rated_w=20.0, bed_mm=(300.0, 300.0), max_speed_mm_s=200.0, source=source
    )


# --- the table ---------------------------------------------------------------------------------


def test_the_table_of_hazards_is_whole() -> None:
    verdicts = Counter(row["verdict"] for row in ROWS)
    assert verdicts == {"refuse": 62, "caution": 33, "ok": 4}
    assert len(TERMS) >= 720
    assert all(row["hazard"] and row["plain_advice"] for row in ROWS)
    assert all(bool(row["instead"]) == (row["verdict"] == "refuse") for row in ROWS)
    assert {row["diode"] for row in ROWS} == {"", "refuse", "needs colour"}
    assert {row["marking_only"] for row in ROWS} == {"", "yes"}


def test_no_two_rows_share_a_term() -> None:
    owners: dict[tuple[str, ...], set[str]] = {}
    for row, term in TERMS:
        owners.setdefault(split_words(term), set()).add(row["keyword"])
    assert [words for words, rows in owners.items() if len(rows) > 1] == []
    assert () not in owners


@pytest.mark.parametrize("term", REFUSED)
def test_every_refused_term_is_refused_whatever_is_declared(term: str) -> None:
    for typed in (term, term.upper(), f"3 mm {term}, white"):
        with pytest.raises(RefusedMaterial, match=re.escape(repr(typed)) + " is refused because"):
            check_hazard(sheet(typed, DECLARATION_EXAMPLE), laser("co2"))


@pytest.mark.parametrize(("row", "term"), BURNABLE, ids=lambda v: v if isinstance(v, str) else "")
def test_every_other_term_has_its_verdict_and_advice(row: dict[str, str], term: str) -> None:
    hazard = check_hazard(sheet(f"{term.title()} 3mm"))
    assert hazard.verdict == row["verdict"]
    assert hazard.matched == (term,)
    assert any(row["plain_advice"] in advice for advice in hazard.advice)


# --- matching ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("material", "verdict", "matched"),
    [
        ("3mm Birch Plywood", "caution", ("birch plywood",)),
        ("cherry wood", "ok", ("cherry",)),
        ("vegetable tanned leather", "caution", ("vegetable tanned leather",)),
        ("acrylic glass", "caution", ("acrylic glass",)),
        ("Wellpappe? no: corrugated cardboard", "caution", ("corrugated cardboard",)),
        ("painted birch", "caution", ("painted", "birch")),
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
        ("3mmPVC", "mmpvc"),
        ("pvc free banner", "pvc"),
        ("non-vinyl wallpaper", "vinyl"),
        ("halogen free sheet", "halogen"),
        ("polyvinylchloride", "polyvinylchloride"),
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
        check_hazard(sheet(material, DECLARATION_EXAMPLE))


@pytest.mark.parametrize(
    "material", ["absolute", "carpet", "sanding cloth", "spc", "puree", "computer", "Sperrholz"]
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
    "material", ["oak laminate", "laminated birch", "coated MDF", "oak effect"]
)
def test_a_hidden_face_needs_the_data_sheet(material: str) -> None:
    with pytest.raises(DeclarationNeeded, match=re.escape(repr(material)) + r".*\?"):
        check_hazard(sheet(material))
    hazard = check_hazard(sheet(material, DECLARATION_EXAMPLE))
    assert hazard.verdict == "declared"
    assert hazard.matched


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("birch plywod", "'plywood'"), ("acryllic", "'acrylic'"), ("basswod", "'basswood'")],
)
def test_a_slip_of_the_key_is_asked_about(typed: str, meant: str) -> None:
    with pytest.raises(DeclarationNeeded, match=f"{typed!r}.*Did you mean {meant}"):
        check_hazard(sheet(typed))


def test_a_slip_towards_a_refused_material_says_so() -> None:
    with pytest.raises(DeclarationNeeded, match="'vynil'.*Did you mean 'vinyl'. That is refused"):
        check_hazard(sheet("vynil"))


# --- declarations ------------------------------------------------------------------------------


GOOD = [
    DECLARATION_EXAMPLE,
    DECLARATION_EXAMPLE.upper(),
    "data sheet read, no Cl, F or Br",
    "datasheet checked - halogen-free",
    "The SDS lists no chlorine and no fluorine and no bromine",
    "MSDS: chlorine, fluorine and bromine: none",
    "Data sheet read; chlorine-free, fluorine-free, bromine-free",
    "data sheet read; it does not contain chlorine, fluorine or bromine",
    "data sheet read; it doesn’t contain any chlorine, fluorine or bromine",
    "data sheet read; it is free of chlorine, fluorine, bromine",
    "data sheet read, chlorine 0 %, fluorine 0 %, bromine 0 %",
    "data sheet read: neither chlorine nor fluorine nor bromine",
    "data sheet read. No chlorine, fluorine or bromine present",
    "data sheet read. Chlorine, fluorine and bromine are not contained",
    "no chlorine, fluorine or bromine per the maker's data sheet",
    "read: no chlorine, no flourine, no bromine (data sheet of 2024, p. 3)",
    "Safety sheet read. No halogens (chlorine, fluorine, bromine).",
]

# (statement, what the message says of it)
BAD = [
    ("x", "doesn't say that the maker's data sheet was read"),
    ("ok", "doesn't say"),
    ("no chlorine, fluorine or bromine", "doesn't say"),
    ("I have read the data sheet", "doesn't rule out chlorine, fluorine, bromine"),
    ("data sheet read, no chlorine", "doesn't rule out fluorine, bromine"),
    ("I haven't read the data sheet but no chlorine, fluorine or bromine", "doubt"),
    ("I did not check the data sheet for chlorine, fluorine, bromine", "doubt"),
    ("no data sheet; no chlorine, fluorine or bromine", "doubt"),
    ("I don't have the data sheet. No chlorine, fluorine, bromine", "doubt"),
    ("I think the data sheet says no chlorine, fluorine or bromine", "doubt"),
    ("data sheet: no chlorine, fluorine or bromine?", "doubt"),
    ("I have read the maker's data sheet: it holds chlorine, fluorine and bromine", "speaks of"),
    ("data sheet: no fluorine or bromine but it contains chlorine", "speaks of chlorine"),
    ("data sheet read. Contains chlorine. No fluorine, no bromine.", "speaks of chlorine"),
    ("data sheet read. No chlorine, no fluorine. Bromine 5 %.", "speaks of bromine"),
    ("data sheet says not free of chlorine, fluorine or bromine", "speaks of"),
    ("data sheet read, not halogen free", "speaks of"),
    ("data sheet read, it is PVC, no chlorine, fluorine or bromine", "speaks of chlorine"),
    ("data sheet read, chlorine yes, no fluorine, no bromine", "speaks of chlorine"),
]


@pytest.mark.parametrize("declaration", GOOD)
def test_a_real_statement_lets_an_unknown_material_through(declaration: str) -> None:
    hazard = check_hazard(sheet("zorbex", declaration), laser("co2"))
    assert hazard.verdict == "declared"
    assert hazard.matched == ()
    assert "your statement" in hazard.advice[0]


@pytest.mark.parametrize(("declaration", "said"), BAD)
def test_any_other_statement_does_not(declaration: str, said: str) -> None:
    with pytest.raises(DeclarationNeeded, match=f"'zorbex'.*isn't enough: .*{said}"):
        check_hazard(sheet("zorbex", declaration))


@pytest.mark.parametrize("declaration", ["", "   "])
def test_without_a_statement_the_message_says_which_is_needed(declaration: str) -> None:
    with pytest.raises(DeclarationNeeded, match="'zorbex'") as caught:
        check_hazard(sheet("zorbex", declaration))
    assert repr(DECLARATION_EXAMPLE) in str(caught.value)
    assert "isn't enough" not in str(caught.value)


def test_a_declaration_that_admits_chlorine_stops_even_a_known_material() -> None:
    with pytest.raises(RefusedMaterial, match="'laser rubber'.*speaks of chlorine"):
        check_hazard(sheet("laser rubber", "The data sheet says that it contains chlorine."))


def test_a_known_material_needs_no_declaration() -> None:
    plain, declared = check_hazard(sheet("MDF")), check_hazard(sheet("MDF", DECLARATION_EXAMPLE))
    assert plain == declared
    assert plain.verdict == "caution"


@given(text=st.text(max_size=200))
@settings(max_examples=200, deadline=None)
def test_no_chance_text_is_a_statement(text: str) -> None:
    assert read_declaration(text).missing


WORDS = st.sampled_from(
    "no not none free of contains holds is and or but chlorine fluorine bromine halogens Cl data"
    " sheet read SDS , . ; : 0 5 % without any has never".split()
)


@given(words=st.lists(WORDS, max_size=25))
@settings(max_examples=300, deadline=None)
def test_an_accepted_statement_names_all_and_states_none(words: list[str]) -> None:
    declaration = read_declaration(" ".join(words))
    assert not set(declaration.denied) & set(declaration.stated) or declaration.missing
    if not declaration.missing:
        assert declaration.denied == ("chlorine", "fluorine", "bromine")
        assert declaration.stated == ()


# --- lasers and operations ---------------------------------------------------------------------


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
        check_hazard(sheet(material, DECLARATION_EXAMPLE), laser("diode"))
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
    clear = sheet("clear zorbex", DECLARATION_EXAMPLE)
    with pytest.raises(RefusedMaterial, match="'clear zorbex' .*passes through a clear sheet"):
        check_hazard(clear, laser("diode"))
    assert check_hazard(clear, laser("co2")).verdict == "declared"


@pytest.mark.parametrize("material", ["slate", "glass", "anodised aluminium"])
def test_what_can_only_be_marked_is_not_cut(material: str) -> None:
    with pytest.raises(RefusedMaterial, match=f"{material!r} can't be cut.*line_mark"):
        check_hazard(sheet(material), laser("co2"), "cut")
    for operation in ("line_mark", "area_mark"):
        assert check_hazard(sheet(material), laser("co2"), operation).verdict == "caution"  # type: ignore[arg-type]


# --- cautions ----------------------------------------------------------------------------------


def test_the_cautions_say_what_they_must() -> None:
    text = " ".join(CAUTIONS).lower()
    for word in (
        "stay with the machine", "extraction", "air assist", "extinguisher", "lid shut",
        "bed and tray clear", "manual", "local rules", "people trained", "flame",
    ):  # fmt: skip
        assert word in text
    for word in ("bypass", "look into", "open the lid", "override"):
        assert word not in text


@pytest.mark.parametrize("caution", CAUTIONS)
def test_a_caution_fits_a_comment_of_any_file(caution: str) -> None:
    assert caution.isascii()
    assert not set(caution) & set("()%<>&;\n")
    assert len(caution) <= 120


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
        check_hazard(sheet(pair, DECLARATION_EXAMPLE))


@pytest.mark.parametrize(
    ("material", "meant"),
    [
        ("oak vynil", "'vinyl'. That is refused"),
        ("birch with vinly top", "'vinyl'. That is refused"),
        ("birch playwood", "'plywood'"),
    ],
)
def test_a_slip_beside_a_known_word_is_asked_about(material: str, meant: str) -> None:
    sheet = Sheet(name="s", material=material, thickness_mm=3.0)
    with pytest.raises(DeclarationNeeded, match=f"{material!r}.*Did you mean {meant}"):
        check_hazard(sheet)


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


def test_a_long_declaration_is_shown_in_short() -> None:
    sheet = Sheet(name="s", material="moon rock", thickness_mm=3.0, declaration="so " * 300)
    with pytest.raises(DeclarationNeeded, match="'so so [so ]*… isn't enough: ") as refused:
        check_hazard(sheet)
    assert len(str(refused.value)) < 700
