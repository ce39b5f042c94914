"""Where many work at one machine: who burnt, and with which lens, on board, card and in search."""

from __future__ import annotations

import pypdfium2
from shell import Shell, cut_cleanly
from visitor import house_of


def test_who_burnt_stands_with_the_board_on_the_card_and_is_found(evening: Shell) -> None:
    """Two people on one evening, each in a session of their own; the lens is changed between."""
    evening.run("machine", "change", "bench", "--what", "lens", "--lens", "50.8", "--why", "clean")
    codes = []
    for who in ("Ada", "Berta"):
        grid = evening.json("plan", "--burns", "3")["grid"]
        codes.append(grid["board_id"])
        results = evening.results(grid, cut_cleanly)
        evening.run("record", results, "--session", f"tuesday {who}")
        evening.run("book", "sessions", f"tuesday {who}", "--who", who)
        evening.run("machine", "change", "bench", "--what", "lens", "--lens", "63.5",
                    "--why", "thicker")  # fmt: skip
    assert "Burnt by Ada with a lens of 50.8 mm" in evening.text("board", "show", codes[0])
    assert "Burnt by Berta with a lens of 63.5 mm" in evening.text("board", "show", codes[1])
    listed = " ".join(evening.text("book", "sessions").split())
    assert "tuesday Berta Berta" in listed
    found = evening.json("book", "list", "berta")
    assert [entry["id"] for entry in found["entries"]] == [codes[1]]
    evening.run("keep", "--power", "80", "--speed", "12", "--yes")
    evening.run("sheet", "card", "--into", "cards")
    (card,) = (evening.folder / "cards").glob("*.pdf")
    words = pypdfium2.PdfDocument(card)[0].get_textpage().get_text_range()
    assert "Burnt by Berta with a lens of 63.5 mm" in " ".join(words.split())
    with house_of(evening.book) as house:
        guest = house.guest()
        assert "Burnt by Ada with a lens of 50.8 mm" in guest.get(f"/board/{codes[0]}").text
        assert 'name="who"' in guest.get("/sessions?machine=bench").text
        assert codes[1] in guest.get("/logbook", params={"text": "Berta"}).text
