"""Whatever a command can, a page can: each command beside its addresses, none missing."""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from filled_books import JPEG, fill
from shell import Shell, cut_cleanly
from visitor import House, Visitor, house_of
from workshop_records import ADVICE, EVENING, SETTING, later

from calib.cli.options import COMMANDS
from calib.logbook import Filters, open_book
from calib.tasks.pairs import find_board
from calib.web.app import PARTS

GRIDS = Path(__file__).resolve().parent.parent / "grids"
# Each command, and where the page does the same.
PAGES: dict[str, tuple[str, ...]] = {
    "overview": ("/",),
    "plan": ("/plan", "/lot/plan", "/check", "/elsewhere", "/joints", "/focus", "/stair", "/proof"),
    "record": (
        "/board/{board_id}/record",
        "/board/{board_id}/results",
        "/board/{board_id}/stair",
        "/results",
        "/job",
        "/joint/{code}",
    ),
    "region": ("/look",),
    "recommend": ("/setting/look",),
    "keep": ("/setting", "/setting/none"),
    "job": ("/drawing", "/drawing/{word}", "/drawing/{word}/took"),
    "serve": ("/phones", "/phones/out"),
    "transfer": ("/elsewhere", "/wattages", "/wattages/files"),
    "material": ("/material",),
    "machine add": ("/machine/new", "/start"),
    "machine change": ("/change", "/machine"),
    "machine list": ("/machines",),
    "machine show": ("/machine", "/machine/files", "/machine/moves", "/card"),
    "machine check": ("/check", "/cause"),
    "sheet add": ("/sheet/new", "/start"),
    "sheet change": ("/sheet/change",),
    "sheet new-lot": ("/lot", "/lot/verdict"),
    "sheet list": ("/", "/logbook"),
    "sheet show": ("/sheet",),
    "sheet card": ("/card",),
    "board list": ("/logbook",),
    "board show": ("/board/{board_id}",),
    "board files": ("/board/{board_id}/files", "/board/{board_id}/files/{name}"),
    "board resume": ("/board/{board_id}/resume",),
    "board void": ("/withdraw",),
    "board photo": (
        "/board/{board_id}/photographs",
        "/api/boards/{board_id}/photographs/{photograph_id}",
    ),
    "joint show": ("/joint/{code}",),
    "joint kerf": ("/kerf",),
    "book list": ("/logbook",),
    "book history": ("/history",),
    "book note": ("/logbook",),
    "book sessions": ("/sessions",),
    "book costs": ("/costs",),
    "book undo": ("/undo",),
    "book redo": ("/redo",),
    "book withdraw": ("/withdraw",),
    "book questions": ("/questions",),
    "book track-record": ("/track",),
    "book backup": ("/backup",),
    "book backups": ("/keeping",),
    "book verify": ("/verify",),
    "book restore": ("/restore",),
    "book export": ("/export/{name}",),
    "book import": ("/import", "/import/take"),
    "book where": ("/keeping",),
}


def test_each_command_has_its_page() -> None:
    addresses = {route.path for part in PARTS for route in part.router.routes}
    assert set(PAGES) == set(COMMANDS)
    assert {one for places in PAGES.values() for one in places} <= addresses


@pytest.fixture
def full_house(shell: Shell) -> Iterator[House]:
    """A page over a logbook with something of everything."""
    with open_book(shell.book) as book:
        fill(book)
    with house_of(shell.book) as made:
        yield made


def said(response: Any) -> str:
    """What a page says was done."""
    found = re.search(r'class="said-so" role="status">([^<]*)<', response.text)
    assert found is not None, response.text
    return found[1].replace("&#39;", "'")


@pytest.mark.parametrize(
    "path",
    ["/machines", "/undo", "/undo?machine=bench", "/withdraw", "/withdraw?sheet=birch+3",
     "/sessions", "/costs", "/questions", "/keeping", "/import", "/joints", "/kerf", "/focus",
     "/wattages", "/cause", "/sheet/change?name=birch+3", "/board/AB12", "/machine?name=bench",
     "/sheet?name=birch+3", "/history?machine=bench&sheet=birch+3", "/logbook?kind=job",
     "/logbook?outcome=hanging", "/withdrawn", "/machine/moves?name=bench"],
)  # fmt: skip
def test_pages_of_a_full_logbook_open(full_house: House, path: str) -> None:
    response = full_house.guest().get(path)
    assert response.status_code == 200
    ids = re.findall(r' id="([^"]+)"', response.text)
    assert len(ids) == len(set(ids)), "each id once"
    # Whatever it leads to is there.
    for address in set(re.findall(r'href="(/[^"#]*)"', response.text)):
        place = address.replace("&amp;", "&")
        assert full_house.guest().get(place).status_code < 400 or "card" in place, place


def test_what_would_be_taken_back_is_shown_and_put_again(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    book.change_setup("bench", when=later(20), what="tube", lens_mm=101.6)
    page = guest.get("/undo?machine=bench").text
    assert "change of set-up (tube)" in page
    (change,) = re.findall(r'name="change" value="([^"]+)"', page)
    # What was shown is taken back, and nothing else.
    stale = guest.submit("/undo", {"machine": "bench", "change": "other"})
    assert "Something else was stored" in stale.text
    undone = guest.submit("/undo", {"machine": "bench", "change": change, "why": "wrong lens"})
    assert said(undone).startswith("Taken back: change of set-up (tube)")
    assert book.machine("bench").lens_mm == 50.8
    assert "can be put back: change of set-up (tube)" in undone.text
    assert said(guest.submit("/redo", {"machine": "bench"})).startswith("Put back")
    assert book.machine("bench").lens_mm == 101.6


def test_a_board_is_abandoned_and_counts_after_all(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    assert "board AB12" in guest.get("/withdraw?board=AB12").text
    without = guest.submit("/withdraw", {"board": "AB12", "why": ""})
    assert "Say why" in without.text
    gone = guest.submit("/withdraw", {"board": "AB12", "why": "the offcut was lost"})
    assert said(gone).startswith("Withdrawn: board AB12")
    assert book.boards().total == 0
    (change,) = re.findall(r'name="entry" value="([^"]+)"', gone.text)
    guest.submit("/withdraw", {"entry": change, "why": "found again"})
    assert book.boards().total == 1


def test_a_job_is_withdrawn_from_the_story_of_its_sheet(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    story = guest.get("/history?machine=bench&sheet=birch+3").text
    links = re.findall(r'href="(/withdraw\?entry=[^"]+)" aria-label="Withdraw: ([^"]*)"', story)
    address = next(link for link, words in links if words.startswith("job: cut, 40 parts"))
    address = address.replace("&amp;", "&")
    shown = guest.get(address).text
    known = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', shown))
    before = book.search(Filters(kinds=("job",))).total
    guest.submit("/withdraw", {**known, "why": "another sheet"})
    assert book.search(Filters(kinds=("job",))).total == before - 1


def test_sessions_and_costs_are_told(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    told = {"machine": "bench", "label": "tuesday", "focus_mm": "-1 mm", "air": "yes",
            "support": "pins"}  # fmt: skip
    assert "tuesday" in guest.submit("/sessions", told).text
    session = next(one for one in book.sessions("bench") if one.label == "tuesday")
    assert (session.focus_mm, session.air, session.support) == (-1.0, True, "pins")
    wrong = guest.submit("/sessions", {**told, "focus_mm": "near"})
    assert "near" in wrong.text.split('id="focus_mm-wrong">')[1].split("<")[0]
    assert 'value="tuesday"' in wrong.text
    page = guest.submit("/costs", {"machine_hour": "18", "currency": "EUR"}).text
    assert 'name="machine_hour" type="text" value="18"' in page
    assert 'name="labour_hour" type="text" value=""' in page


def test_a_sheet_is_measured_and_its_setting_used_no_longer(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    guest.submit("/sheet/change", {"name": "birch 3", "measured_mm": "2.85 mm"})
    assert book.sheet("birch 3").measured_mm == 2.85
    pair = {"sheet": "birch 3", "machine": "bench", "operation": "line_mark"}
    assert len(book.kept(operation="line_mark")) == 1
    assert said(guest.submit("/setting/none", pair)).startswith("No longer used")
    assert book.kept(operation="line_mark") == ()


def test_a_setting_of_ones_own_is_looked_at_and_kept(evening_house: House) -> None:
    guest, book = evening_house.guest(), evening_house.book
    own = {"sheet": "birch 3", "machine": "bench", "power_pct": "80 %", "speed_mm_s": "720 mm/min"}
    page = guest.get("/setting/look", params=own).text
    assert "80 %" in page.split('class="advice"')[1].split("</p>")[0]
    (seen,) = re.findall('name="seen" value="([^"]+)"', page)
    guest.post("/setting", data={**own, "seen": seen, "sure": "true"})
    (kept,) = book.kept()
    assert (kept.setting.power_pct, kept.setting.speed_mm_s) == (80.0, 12.0)


def test_backups_are_made_looked_at_and_put_back(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    assert said(guest.submit("/backup", {})).startswith("Backup made: ")
    page = guest.get("/keeping").text
    assert book.place in page
    name = re.findall(r'href="/restore\?file=([^"]+)"', page)[0]
    book.add_note("written since", when=later(30))
    assert "sound" in said(guest.submit("/verify", {}))
    assert name in guest.get(f"/restore?file={name}").text
    other = guest.submit("/restore", {"file": "../book.sqlite3"})
    assert "one of the backups" in other.text
    assert book.search(Filters(text="since")).total == 1
    assert said(guest.submit("/restore", {"file": name})).startswith("Restored: ")
    assert book.search(Filters(text="since")).total == 0


def test_a_logbook_is_handed_on_with_the_questions_of_a_merge(
    full_house: House, tmp_path: Path
) -> None:
    guest, book = full_house.guest(), full_house.book
    exported = guest.get("/export/logbook.jsonl")
    assert all(json.loads(line) for line in exported.text.splitlines())
    assert guest.get("/export/burns.csv").text.count("\n") > 1
    with house_of(tmp_path / "other.sqlite3") as other:
        friend = other.guest()
        friend.submit("/machine/new", {"name": "bench", "rated_w": "40", "bed_mm": "300x200",
                                       "max_speed_mm_s": "300"})  # fmt: skip
        looked = take_in(friend, exported.content)
        assert "1 machine" in looked.text
        assert [one.rated_w for one in other.book.machines()] == [40.0]
        (word,) = re.findall(r'name="file" value="([^"]+)"', looked.text)
        assert 'value="rename"' in looked.text
        taken = {"file": word, "answer-0": "rename", "new-0": "theirs"}
        friend.submit("/import/take", taken)
        assert {one.name for one in other.book.machines()} == {"bench", "theirs"}
        assert other.book.questions() == ()
        assert other.book.boards().total == book.boards().total
    bad = take_in(guest, b"nothing of the kind")
    assert bad.status_code == 422
    assert 'role="alert"' in bad.text


def take_in(guest: Visitor, content: bytes) -> Any:
    """Choose another logbook's file."""
    sent = guest.post("/import", files={"logbook": ("other.jsonl", content, "text/plain")})
    return guest.get(sent.headers["location"])


def test_two_ways_of_saying_it_are_answered(full_house: House, tmp_path: Path) -> None:
    guest, book = full_house.guest(), full_house.book
    exported = guest.get("/export/logbook.jsonl").content
    with house_of(tmp_path / "other.sqlite3") as other:
        friend = other.guest()
        (word,) = re.findall(r'name="file" value="([^"]+)"', take_in(friend, exported).text)
        friend.submit("/import/take", {"file": word})
        other.book.change_setup("bench", when=later(40), what="lens", lens_mm=38.1)
        book.change_setup("bench", when=later(41), what="lens", lens_mm=63.5)
        (word,) = re.findall(
            r'name="file" value="([^"]+)"',
            take_in(guest, friend.get("/export/logbook.jsonl").content).text,
        )
        open_ones = guest.submit("/import/take", {"file": word})
    assert len(book.questions()) == 1
    assert 'name="answer-0" value="2"' in open_ones.text
    second = book.questions()[0].said[1]
    assert said(guest.submit("/questions", {"answer-0": "2"})) == "Recorded: 1 answer."
    assert book.questions() == ()
    assert f"{book.machine('bench').lens_mm:g}" in second or second


def test_a_joint_board_is_planned_felt_and_read(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    book.keep("bench", "birch 3", "cut", SETTING, when=later(50))
    wish = {"sheet": "birch 3", "machine": "bench", "slots": "5", "tongues": "5"}
    planned = guest.submit("/joints", wish)
    assert "The joint board is in the logbook" in planned.text
    code = book.stored("comb")[0].label
    with zipfile.ZipFile(io.BytesIO(guest.get(f"/joint/{code}/files").content)) as archive:
        assert f"{code}-comb.svg" in archive.namelist()
    assert guest.get(f"/joint/{code}/picture.svg").headers["content-type"] == "image/svg+xml"
    felt = {"feel-S1": "tight", "feel-S2": "tight", "feel-S3": "snug", "feel-S4": "loose",
            "feel-S5": "loose"}  # fmt: skip
    told = guest.submit(f"/joint/{code}", felt)
    assert "Snug slot S3" in told.text
    assert "draw the slot" in told.text
    drawn = re.findall(r"<title>(S\d), [\d.]+ mm: (\w+)</title>", told.text)
    assert drawn == [(name.removeprefix("feel-"), feel) for name, feel in felt.items()]
    # The slot for a fit is drawn where the sentence says.
    (told_mm,) = re.findall(r"Press fit, stock in a slot: [^,]*, ([\d.]+) mm", told.text)
    assert re.search(rf'class="fit"[^>]*>press fit {told_mm} mm', told.text)
    assert f"Press fit: draw the slot {told_mm} mm wide." in guest.get("/sheet?name=birch+3").text
    measured = {"code": "T3", "face": "top", "widths": "8.35/8.36 mm", "stock": "2.98/3.01"}
    assert "8.35, 8.36" in guest.submit(f"/joint/{code}", measured).text
    wrong = guest.submit(f"/joint/{code}", {**measured, "widths": "wide"})
    assert wrong.status_code == 422
    assert "wide" in wrong.text


def test_a_ready_made_grid_is_recorded_by_its_definition(evening_house: House) -> None:
    folder = GRIDS / "card-0-4-cut-diode-10"
    guest = evening_house.guest()
    (table,) = folder.glob("*-results.csv")
    head, *rows = table.read_text(encoding="utf-8").splitlines()
    code = table.name.partition("-")[0]
    at = head.split(",").index("through")
    filled = [row.split(",") for row in rows]
    for row in filled:
        row[at] = "through"
    text = "\n".join([head, *(",".join(row) for row in filled)])
    names = {"machine": "bench", "sheet": "birch 3"}
    files = {"results": ("r.csv", text), "definition": ("", b"")}
    without = guest.post("/results", data=names, files=files)
    assert without.status_code == 303
    again = guest.get(without.headers["location"])
    assert again.status_code == 409
    assert code in again.text
    assert '<form method="post" action="/results"' in again.text
    files["definition"] = ("d.toml", folder.with_suffix(".toml").read_bytes())
    taken = guest.post("/results", data=names, files=files)
    assert said(guest.get(taken.headers["location"])) == "Recorded."
    (line,) = [one for one in evening_house.book.boards().entries if one.id == code]
    assert line.read == len(rows)


def test_a_board_has_a_file_for_each_setting_on_wish(evening_house: House) -> None:
    guest = evening_house.guest()
    names = []
    for wish in ("", "?one_file_per_setting=yes"):
        content = guest.get(f"/board/last/files{wish}").content
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            names.append(set(archive.namelist()))
    grid = find_board(evening_house.book, "last")
    settings = {(c.power_pct, c.speed_mm_s, c.passes) for c in grid.cells}
    more = names[1] - names[0]
    assert len([name for name in more if name.endswith(".svg")]) >= len(settings)


def test_the_logbook_is_narrowed_down(full_house: House) -> None:
    guest = full_house.guest()

    def lines(query: str) -> int:
        text = guest.get(f"/logbook?{query}").text
        if "Nothing is found that fits all of that." in text:
            return 0
        found = re.search(r'role="status">(\d+) line', text)
        assert found is not None
        return int(found[1])

    every, day = lines(""), f"{EVENING:%Y-%m-%d}"
    assert lines("operation=cut") == every
    assert lines("operation=line_mark") == 0
    assert lines(f"since={day}") == every
    assert lines("since=2999-01-01") == lines("until=1999-01-01") == 0
    first = full_house.book.search(Filters()).entries[-1].at.astimezone()
    assert 0 < lines(f"until={first:%Y-%m-%d}") <= every
    for day in ("soon", "0001-01-01", "9999-12-31"):
        refused = guest.get(f"/logbook?until={day}")
        assert refused.status_code == 422
        assert "write a day, such as 2026-03-01" in refused.text


def test_the_focus_board_and_the_table_of_wattages_are_files(evening_house: House) -> None:
    guest = evening_house.guest()
    pair = {"sheet": "birch 3", "machine": "bench"}
    focus = guest.get("/focus/files", params={**pair, "heights_mm": "-2,0,2"})
    with zipfile.ZipFile(io.BytesIO(focus.content)) as archive:
        assert {"focus.svg", "focus.nc"} <= set(archive.namelist())
    table = guest.get("/wattages", params=pair)
    assert "40\N{NO-BREAK SPACE}W" in table.text
    files = guest.get("/wattages/files", params=pair)
    with zipfile.ZipFile(io.BytesIO(files.content)) as archive:
        assert any(name.endswith(".pdf") for name in archive.namelist())


def test_photographs_are_shown_and_a_stopped_board_goes_on(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    sent = {"photograph": ("whole.jpg", JPEG, "image/jpeg")}
    kept = guest.post("/board/AB12/photographs", files=sent, data={"cell": ""})
    page = guest.get(kept.headers["location"])
    assert said(page) == "The photograph is kept."
    assert len(book.photographs("AB12")) == 2
    shown = re.findall(r'<a href="([^"]+)"><img src="([^"]+)"', page.text)
    assert len(shown) == 2
    assert all(guest.get(large).content == JPEG for large, _ in shown)
    bad = guest.post(
        "/board/AB12/photographs", files={"photograph": ("a.txt", b"no", "text/plain")}
    )
    assert guest.get(bad.headers["location"]).status_code == 422


def test_a_program_goes_on_from_a_cell(planned_house: House) -> None:
    guest, book = planned_house.guest(), planned_house.book
    grid = book.board(book.boards().entries[0].id)
    cell = next(one.label for one in grid.cells if one.burn_order == 3)
    program = guest.get(f"/board/{grid.board_id}/resume", params={"begin": cell})
    assert f"from-{cell}.nc" in program.headers["content-disposition"]
    whole = guest.get(f"/board/{grid.board_id}/files/{grid.board_id}.nc").content
    assert 0 < len(program.content) < len(whole)


def test_timed_moves_tell_the_acceleration_and_it_is_recorded(full_house: House) -> None:
    guest, book = full_house.guest(), full_house.book
    files = guest.get("/machine/files", params={"name": "bench"})
    with zipfile.ZipFile(io.BytesIO(files.content)) as archive:
        assert "moves.nc" in archive.namelist()
    told = guest.get("/machine/moves", params={"name": "bench", "short_s": "10.3", "long_s": "31"})
    assert "about 1500 mm/s²" in told.text
    assert 'name="acceleration_mm_s2" value="1500"' in told.text
    guest.submit("/machine", {"name": "bench", "acceleration_mm_s2": "1500"})
    assert book.machine("bench").acceleration_mm_s2 == 1500.0
    wrong = guest.get("/machine/moves", params={"name": "bench", "short_s": "10", "long_s": "9"})
    again = guest.get(wrong.headers["location"]).text
    assert "give a time of the long moves" in again
    assert 'value="9"' in again


def test_files_are_given_as_a_program_needs_them(planned_house: House) -> None:
    guest, book = planned_house.guest(), planned_house.book
    code = book.boards().entries[0].id
    assert 'name="piece_edge"' in guest.get(f"/board/{code}").text
    wish = {"one_file_per_setting": "yes", "piece_edge": "yes"}
    with zipfile.ZipFile(
        io.BytesIO(guest.get(f"/board/{code}/files", params=wish).content)
    ) as archive:
        drawings = [name for name in archive.namelist() if name.endswith(".svg")]
        assert len(drawings) > 2
        assert all(b'id="edge"' in archive.read(name) for name in drawings)


def test_every_other_device_is_locked_out(house: House) -> None:
    guest, other = house.guest(), house.guest()
    token = house.gate.new_token()
    assert said(guest.submit("/phones/out", {})) == "Every other device is locked out."
    assert guest.get("/").status_code == 200
    assert other.get("/").status_code == 401
    assert house.stranger().post(f"/enter/{token}").status_code == 410


def test_a_standing_alarm_of_check_strips_puts_kept_settings_out_of_date(
    evening: Shell,
) -> None:
    """Wherever the setting stands: at home, at its sheet, over the region, before a job."""
    with house_of(evening.book) as house:
        house.book.keep("bench", "birch 3", "cut", SETTING, when=later(1), advice=ADVICE)
    places = ("/", "/sheet?name=birch+3", "/look", "/job")

    def stale() -> list[bool]:
        with house_of(evening.book) as house:
            guest = house.guest()
            return ["stale-setting" in guest.get(place).text for place in places]

    assert stale() == [False] * 4
    for _ in range(3):
        evening.burn(
            evening.json("plan", "--for", "check")["grid"],
            lambda power, speed: cut_cleanly(0.75 * power, speed),  # a tired tube
        )
    assert stale() == [True] * 4
