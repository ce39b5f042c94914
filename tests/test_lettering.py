"""Letters: nothing is dropped, and the strokes agree with the face as its package draws it."""

from __future__ import annotations

from importlib import resources

import pytest
from HersheyFonts import HersheyFonts
from hypothesis import given
from hypothesis import strategies as st

from calib.boards.lettering import text_strokes, text_width_mm, transliterate, wrap_text

ASCII = "".join(map(chr, range(32, 127)))


def test_every_printable_ascii_character_but_the_blank_has_strokes():
    for sign in ASCII:
        assert transliterate(sign) == sign
        assert bool(text_strokes(sign, 3.0, 0.0, 0.0)) == (sign != " "), sign
        assert text_width_mm(sign, 3.0) > 0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Größe ÄÖÜ ß", "Grosse AOU ss"),
        ("3 mm × 4 µm, 20 °C ± 1", "3 mm x 4 um, 20 degC +/- 1"),
        ("½ in – “thin”", '1/2 in - "thin"'),
        ("Łódź, Ærø, þorn", "Lodz, AEro, thorn"),
        ("фанера Берёза 4", "fanera Bereza 4"),
        ("ξύλο", "xylo"),
        ("木 and 松", "<6728> and <677E>"),
        ("e\u0301tabli", "etabli"),
        ("ﬁbre", "fibre"),
    ],
)
def test_transliteration(text: str, expected: str):
    assert transliterate(text) == expected


@given(st.characters(exclude_categories=("Cs", "Cc", "Cf", "Mn")))
def test_no_character_is_dropped(sign: str):
    ascii_text = transliterate(sign)
    assert ascii_text
    assert all(" " <= part <= "~" for part in ascii_text)
    if not sign.isspace():
        assert text_strokes(sign, 3.0, 0.0, 0.0)


def test_two_names_in_signs_that_no_table_knows_still_differ():
    assert transliterate("木") != transliterate("松")


def test_strokes_agree_with_the_package_that_holds_the_face():
    text, cap = "Q7 (birch), 3.5 mm", 4.0
    face = HersheyFonts()
    face.load_default_font("futural")
    # Its size runs from the capitals' top to a descender: 28 units, of which capitals take 21.
    face.normalize_rendering(cap * 28.0 / 21.0)
    theirs = [list(stroke) for stroke in face.strokes_for_text(text)]
    ours = text_strokes(text, cap, 0.0, 0.0)
    assert len(ours) == len(theirs)
    baseline = 0.25 * cap * 28.0 / 21.0
    for our, their in zip(ours, theirs, strict=True):
        for (x, y), (their_x, their_y) in zip(our, their, strict=True):
            assert x == pytest.approx(their_x, abs=1e-9)
            assert -y == pytest.approx(their_y - baseline, abs=1e-9)


def test_capitals_have_the_height_asked_for():
    ys = [y for stroke in text_strokes("HE", 3.0, 10.0, 20.0) for _, y in stroke]
    assert (min(ys), max(ys)) == (17.0, 20.0)


@given(st.text(max_size=80), st.floats(8.0, 80.0))
def test_wrapping_loses_only_blanks_and_keeps_to_the_width(text: str, width: float):
    lines = wrap_text(text, 3.0, width)
    assert "".join(lines).replace(" ", "") == "".join(transliterate(text).split())
    assert all(text_width_mm(line, 3.0) <= width for line in lines)


def test_the_acknowledgement_travels_with_the_letters():
    notice = (resources.files("calib") / "data" / "NOTICE-hershey.txt").read_text("utf-8")
    for words in ("Dr. A. V. Hershey", "National Bureau of Standards", "James Hurt", "NTIS"):
        assert words in notice
