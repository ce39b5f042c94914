"""Letters: nothing is dropped, and the strokes agree with the face as its package draws it."""

from __future__ import annotations

from importlib import resources

import pytest
from HersheyFonts import HersheyFonts
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.boards.lettering import text_strokes, text_width_mm, transliterate, wrap_text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Größe ÄÖÜ ß", "Grosse AOU ss"),
        ("3 mm × 4 µm, 20 °C ± 1", "3 mm * 4 um, 20 degC +- 1"),
        ("½ in – “thin”", '1/2 in - "thin"'),
        ("Łódź, Ærø, þorn", "Lodz, Aero, thorn"),
        ("фанера Берёза 4", "fanera Bereza 4"),
        ("ξύλο", "xylo"),
        ("木 and 松", "Mu and Song"),
        ("e\u0301tabli", "etabli"),
        ("ﬁbre", "fibre"),
    ],
)
def test_transliteration(text: str, expected: str):
    assert transliterate(text) == expected


@settings(deadline=None)
@given(st.characters(exclude_categories=("Cs", "Cc", "Cf", "Mn")))
def test_no_character_is_dropped(sign: str):
    ascii_text = transliterate(sign)
    assert ascii_text
    assert all(" " <= part <= "~" for part in ascii_text)
    if not sign.isspace():
        assert text_strokes(sign, 3.0, 0.0, 0.0)


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


@settings(deadline=None)
@given(st.text(max_size=80), st.floats(8.0, 80.0))
def test_wrapping_loses_only_blanks_and_keeps_to_the_width(text: str, width: float):
    lines = wrap_text(text, 3.0, width)
    assert "".join(lines).replace(" ", "") == "".join(transliterate(text).split())
    assert all(text_width_mm(line, 3.0) <= width for line in lines)


def test_the_acknowledgement_travels_with_the_letters():
    notice = (resources.files("calib") / "data" / "NOTICE-hershey.txt").read_text("utf-8")
    for words in ("Dr. A. V. Hershey", "National Bureau of Standards", "James Hurt", "NTIS"):
        assert words in notice
