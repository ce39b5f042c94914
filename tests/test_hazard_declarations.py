"""What isn't known needs a statement of what it holds; nothing else lets it through."""

from __future__ import annotations

import re

import pytest
from hazard_table import STATEMENT, laser, sheet
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.declaration import read_declaration
from calib.errors import DeclarationNeeded, RefusedMaterial
from calib.hazards import check_hazard
from calib.records import Sheet

# Each says no more than what the data sheet says of the elements.
GOOD = [
    "I have read the maker's data sheet: it holds no chlorine, fluorine or bromine.",
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
def test_a_real_statement_that_names_the_substance_lets_an_unknown_material_through(
    declaration: str,
) -> None:
    named = f"It is made of cellulose. {declaration}"
    for typed in (named, named.upper()):
        assert check_hazard(sheet("zorbex", typed)).verdict == "declared"
    hazard = check_hazard(sheet("zorbex", named), laser("co2"))
    assert hazard.verdict == "declared"
    assert hazard.matched == ()
    assert "your statement" in hazard.advice[0]


@pytest.mark.parametrize("declaration", GOOD)
def test_a_statement_that_names_no_substance_is_not_enough(declaration: str) -> None:
    with pytest.raises(DeclarationNeeded, match="'zorbex'.*isn't enough: it doesn't name a polym"):
        check_hazard(sheet("zorbex", declaration))


@pytest.mark.parametrize(
    "named",
    [
        "polystyrene", "Polycarbonat", "policarbonato", "polystyrne", "celluloid", "magnesium",
        "expanded polystyrene", "PP", "ABS", "Styropor", "polyéthylène", "melamine faced MDF",
        "acrylic felt", "treated pine",
    ],
)  # fmt: skip
def test_a_declaration_that_names_what_is_refused_refuses(named: str) -> None:
    said = f"I have read the maker's data sheet: it is {named}. No chlorine, fluorine or bromine."
    for material in ("zorbex", "MDF"):
        with pytest.raises(RefusedMaterial, match=f"{material!r} is refused.*declaration.*names"):
            check_hazard(sheet(material, said))


@pytest.mark.parametrize(
    "named", ["cellulose", "PMMA", "beech and starch", "cotton", "Wolle", "polyester", "liège"]
)
def test_a_declaration_may_name_what_may_be_burnt(named: str) -> None:
    said = f"I have read the maker's data sheet: it is {named}. No chlorine, fluorine or bromine."
    assert check_hazard(sheet("zorbex", said)).verdict == "declared"


def test_what_a_declaration_denies_is_not_named_by_it() -> None:
    said = "Data sheet read; it is paper, it has no PVC, vinyl, polystyrene or lead; halogen free."
    assert check_hazard(sheet("zorbex", said)).verdict == "declared"


@pytest.mark.parametrize(("declaration", "said"), BAD)
def test_any_other_statement_does_not(declaration: str, said: str) -> None:
    with pytest.raises(DeclarationNeeded, match=f"'zorbex'.*isn't enough: .*{said}"):
        check_hazard(sheet("zorbex", declaration))


@pytest.mark.parametrize("declaration", ["", "   "])
def test_without_a_statement_the_message_says_what_one_must_tell(declaration: str) -> None:
    with pytest.raises(DeclarationNeeded, match="'zorbex'") as caught:
        check_hazard(sheet("zorbex", declaration))
    for word in ("in your own words", "polymer, fibre or wood", "chlorine, fluorine and bromine"):
        assert word in str(caught.value)
    assert "isn't enough" not in str(caught.value)


def test_a_declaration_that_admits_chlorine_stops_even_a_known_material() -> None:
    with pytest.raises(RefusedMaterial, match="'laser rubber'.*speaks of chlorine"):
        check_hazard(sheet("laser rubber", "The data sheet says that it contains chlorine."))


def test_a_known_material_needs_no_declaration() -> None:
    plain, declared = check_hazard(sheet("MDF")), check_hazard(sheet("MDF", STATEMENT))
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


@pytest.mark.parametrize("material", ["zorbex", "cork flooring", "vynil", "birch plywod"])
@pytest.mark.parametrize("declaration", ["", "data sheet read", "it holds bromine"])
def test_no_message_holds_a_sentence_that_would_do(material: str, declaration: str) -> None:
    with pytest.raises((DeclarationNeeded, RefusedMaterial), match=material) as caught:
        check_hazard(sheet(material, declaration))
    for part in re.split(r"[.:'\"]", str(caught.value)) + [str(caught.value)]:
        with pytest.raises((DeclarationNeeded, RefusedMaterial), match="zorbex"):
            check_hazard(sheet("zorbex", part))


def test_a_long_declaration_is_shown_in_short() -> None:
    sheet = Sheet(name="s", material="moon rock", thickness_mm=3.0, declaration="so " * 300)
    with pytest.raises(DeclarationNeeded, match="'so so [so ]*… isn't enough: ") as refused:
        check_hazard(sheet)
    assert len(str(refused.value)) < 800
