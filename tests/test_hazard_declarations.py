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
    "Datenblatt gelesen: kein Chlor, Fluor oder Brom",
    "Ich habe das Datenblatt gelesen: es enthält kein Chlor, kein Fluor und kein Brom.",
    "Datenblatt des Herstellers gelesen, ohne Halogene",
    "Sicherheitsdatenblatt gelesen, halogenfrei",
    "Datenblatt gelesen; frei von Chlor, Fluor und Brom",
    "Datenblatt gelesen. Chlor, Fluor und Brom sind nicht enthalten.",
    "Datenblatt gelesen: enthält weder Chlor noch Fluor noch Brom",
    "Datenblatt gelesen: chlorfrei, fluorfrei, bromfrei, PVC-frei",
    "Laut Sicherheitsdatenblatt ohne Halogene",
    "J'ai lu la fiche technique : sans chlore, ni fluor, ni brome",
    "Fiche de données de sécurité du fabricant : ne contient pas de chlore, fluor ou brome",
    "fiche technique lue, sans halogènes",
    "Fiche technique lue : ne contient ni chlore, ni fluor, ni brome",
    "fiche technique lue : exempt de chlore, de fluor et de brome",
    "fiche technique : aucun halogène",
    "He leído la ficha técnica: no contiene cloro, flúor ni bromo",
    "Ficha técnica leída: sin cloro, flúor ni bromo",
    "hoja de datos leída, libre de halógenos",
    "He leído la ficha de datos de seguridad del fabricante: sin halógenos, sin PVC",
    "Ficha técnica leída: no contiene ni cloro ni flúor ni bromo",
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
    ("Datenblatt gelesen: kein Chlor", "doesn't rule out fluorine, bromine"),
    ("Ich habe das Datenblatt nicht gelesen; kein Chlor, Fluor oder Brom", "doubt"),
    ("Ich glaube, das Datenblatt sagt: halogenfrei", "doubt"),
    ("Datenblatt gelesen: enthält Chlor, kein Fluor, kein Brom", "speaks of chlorine"),
    ("Datenblatt liegt mir nicht vor, halogenfrei", "doubt"),
    ("Datenblatt gelesen, nicht halogenfrei", "speaks of"),
    ("Datenblatt gelesen: aus PVC, halogenfrei", "speaks of chlorine"),
    ("data sheet read, it is PVC, halogen free", "speaks of chlorine"),
    ("je n'ai pas lu la fiche technique, sans halogènes", "doubt"),
    ("fiche technique lue : contient du chlore, sans fluor ni brome", "speaks of chlorine"),
    ("sans fiche technique ; sans chlore, fluor, brome", "doubt"),
    ("la fiche technique dit peut-être sans halogènes", "doubt"),
    ("fiche technique lue : en vinyle, sans chlore, fluor, brome", "speaks of chlorine"),
    ("no he leído la ficha técnica: sin halógenos", "doubt"),
    ("sin ficha técnica, sin halógenos", "doubt"),
    ("ficha técnica leída: contiene cloro, sin flúor, sin bromo", "speaks of chlorine"),
    ("creo que la ficha técnica dice sin halógenos", "doubt"),
    ("ficha técnica leída: no es libre de halógenos", "speaks of"),
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


@pytest.mark.parametrize(
    "named", ["Buchensperrholz", "aus Zellulose", "en hêtre", "de celulosa", "laine", "papel"]
)
def test_a_substance_is_understood_in_another_language(named: str) -> None:
    said = f"Datenblatt gelesen: {named}, halogenfrei."
    assert check_hazard(sheet("zorbex", said)).verdict == "declared"


@pytest.mark.parametrize(
    ("material", "said", "other", "own"),
    [
        ("painted MDF", "acrylic", "acrylic", "mdf"),
        ("painted MDF", "oak", "oak", "mdf"),
        ("painted MDF", "painted acrylic", "acrylic", "mdf"),
        ("painted oak", "painted beech", "beech", "oak"),
        ("MDF lackiert", "lackiertes Acrylglas", "acrylic", "mdf"),
        ("glossy acrylic", "gloss, cellulose", "cellulose", "acrylic"),
        ("cork", "rubber", "rubber", "cork"),
    ],
)
def test_a_declaration_that_contradicts_the_name_refuses(
    material: str, said: str, other: str, own: str
) -> None:
    told = f"Data sheet read: it is {said}. No halogens."
    with pytest.raises(RefusedMaterial, match=f"{material!r}.*says {other!r} where.*{own!r}"):
        check_hazard(sheet(material, told))


@pytest.mark.parametrize(
    ("material", "said", "word"),
    [
        ("painted MDF", "MDF", "painted"),
        ("oak film", "oak", "film"),
        ("sticky label", "cellulose", "sticky"),
        ("glued cork", "cork", "glued"),
    ],
)
def test_a_declaration_must_speak_of_the_word_that_is_asked_about(
    material: str, said: str, word: str
) -> None:
    told = f"Data sheet read: it is {said}. No halogens."
    with pytest.raises(DeclarationNeeded, match=f"{material!r}.*doesn't speak of {word!r}"):
        check_hazard(sheet(material, told))


@pytest.mark.parametrize(
    ("material", "said"),
    [
        ("painted MDF", "MDF with an acrylic paint"),
        ("painted MDF", "wood fibre and a water-based paint"),
        ("MDF lackiert", "MDF mit Farbe auf Wasserbasis"),
        ("coated birch ply", "birch plywood, the coating is shellac"),
        ("painted plywood", "oak veneer on poplar, paint of linseed oil"),
        ("sticky label", "paper, the glue is starch"),
    ],
)
def test_a_declaration_that_speaks_of_both_settles_it(material: str, said: str) -> None:
    told = f"Data sheet read: it is {said}. No halogens."
    assert check_hazard(sheet(material, told)).verdict == "declared"


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
