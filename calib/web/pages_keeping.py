"""The logbook corrected, kept and shared; what things cost, and how sessions were set up."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, File, Request, UploadFile
from starlette.responses import RedirectResponse, Response

from calib.errors import BadFile, CalibError, unfit
from calib.logbook import ImportReport, Question, Session, export_csv, export_text
from calib.logbook.backup import check_book
from calib.logbook.history import Whose
from calib.records import Costs
from calib.tasks.costing import costs_of, record_costs
from calib.tasks.keeping import BackupFile, back_up, import_book, list_backups, put_back
from calib.tasks.pairs import board_entry, find_board, find_machine, find_sheet
from calib.tasks.wishes import Pair
from calib.texts.book import check_text, counts_in_words
from calib.texts.say import say
from calib.texts.words import counted, date_words, shown_field
from calib.typed import write
from calib.web.asking import Ask, Form, Table, Ways, done, page, some
from calib.web.desk import Desk, desk_of, download, now
from calib.web.forms import Sent, changes, filled

router = APIRouter(include_in_schema=False)
_WHY = Ask(name="why", label="Why", then=say("web.in_your_own_words"))
# Boards of which the latest change is offered to be taken back.
_FEW = 8


@router.get("/undo")
def ask_undo(request: Request, sent: Sent) -> Response:
    """What would be taken back, or put again: of anything, or a board, a machine or a sheet?"""
    book = desk_of(request).book
    whose = {name: sent[name] for name in ("board", "machine", "sheet") if sent.get(name)}
    scope = _whose(whose)
    blocks: list[str | Form | Ways] = []
    try:
        found = book.next_undo(**scope)
        much = say("web.results_at_once", found=found) if found.things > 1 else ""
        blocks += [
            say("web.this_would_be_taken_back", found=found, much=much),
            Form(
                action="/undo",
                button=say("web.take_it_back"),
                asks=(_WHY,),
                known={**whose, "change": found.change_id},
            ),
        ]
    except CalibError as nothing:
        blocks += [str(nothing)]
    try:
        again = book.next_redo(**scope)
        blocks += [
            say("web.this_was_taken_back_last", again=again),
            Form(action="/redo", button=say("web.put_it_again"), known=whose, quiet=True),
        ]
    except CalibError:
        pass  # nothing was taken back, or something came after it
    if not whose:
        boards = book.boards(limit=_FEW).entries
        ways = [("board", one.id, say("web.board", one=one), f"{one.sheet}, {one.machine}")
                for one in boards]  # fmt: skip
        ways += [("machine", one.name, one.name, say("web.its_set_up_and_sessions"))
                 for one in book.machines()]  # fmt: skip
        ways += [
            ("sheet", one.name, one.name, say("web.its_lot_and_measurement"))
            for one in book.sheets()
        ]
        links = [(f"/undo?{urlencode({of: name})}", words, then) for of, name, words, then in ways]
        blocks += [say("web.of_what"), Ways(ways=links)]
    names = " and ".join(whose.values())
    return page(request, say("web.take_back_latest_change"), *blocks, of=names)


def _whose(sent: dict[str, str]) -> Whose:
    return {
        "board_id": sent.get("board") or None,
        "machine": sent.get("machine") or None,
        "sheet": sent.get("sheet") or None,
    }


def _undone(request: Request, sent: dict[str, str], words: str) -> Response:
    whose = {name: sent[name] for name in ("board", "machine", "sheet") if sent.get(name)}
    return done(request, f"/undo?{urlencode(whose)}", words)


@router.post("/undo")
def undo(request: Request, sent: Sent) -> Response:
    """Take back what was shown."""
    words = desk_of(request).book.undo(
        when=now(), why=sent.get("why", ""), only=sent.get("change", ""), **_whose(sent)
    )
    return _undone(request, sent, say("web.taken_back", words=words))


@router.post("/redo")
def redo(request: Request, sent: Sent) -> Response:
    """Put again what was taken back last."""
    words = desk_of(request).book.redo(when=now(), **_whose(sent))
    return _undone(request, sent, say("web.put_again", words=words))


@router.get("/withdraw")
def ask_withdraw(request: Request, sent: Sent) -> Response:
    """Shall an entry, a board, a machine or a sheet no longer count?"""
    book = desk_of(request).book
    known = {name: sent[name] for name in ("entry", "board", "machine", "sheet") if sent.get(name)}
    if not known:
        ways = [
            (f"/withdraw?{urlencode({what: one.name})}", one.name, say("web.with_all", what=what))
            for what, things in (("machine", book.machines()), ("sheet", book.sheets()))
            for one in things
        ]
        words = say("web.single_readings_and_jobs_are_withdrawn")
        return page(request, say("web.what_shall_no_longer_count"), words, Ways(ways=ways))
    name = " ".join(known.values())
    if "entry" in known:
        pair = filled(Pair, sent)
        lines = book.history(pair.machine or "", pair.sheet or "", pair.operation)
        name = next((f"{one.text} {one.board} {one.cell}".strip() for one in lines
                     if one.id == known["entry"]), name)  # fmt: skip
    elif "board" in known:
        name = say("web.board_2", board_id=find_board(book, known["board"]).board_id)
    return page(
        request,
        say("web.shall_this_no_longer_count"),
        say("web.it_wont_count_any_more", name=name),
        Form(action="/withdraw", button=say("web.it_no_longer_counts"), asks=(_WHY,), known=sent),
    )


@router.post("/withdraw")
def withdraw(request: Request, sent: Sent) -> Response:
    """Withdraw it."""
    book = desk_of(request).book
    if sent.get("board"):
        entry = board_entry(book, sent["board"])
    elif sent.get("entry"):
        entry = sent["entry"]
    elif sent.get("sheet"):
        entry = book.lots(find_sheet(book, sent["sheet"]).name)[0].id
    else:
        entry = book.setups(find_machine(book, sent.get("machine")).name)[0].id
    gone = book.withdraw([entry], when=now(), why=sent.get("why", ""))
    address = f"/withdrawn?{urlencode({'change': gone.change_id})}"
    return done(request, address, f"Withdrawn: {gone.words}.")


@router.get("/withdrawn")
def withdrawn(request: Request, sent: Sent) -> Response:
    """It no longer counts; it can be put again."""
    known = {"entry": sent.get("change", ""), "why": say("web.it_counts_after_all")}
    return page(
        request,
        say("web.it_no_longer_counts"),
        Form(action="/withdraw", button=say("web.it_counts_after_all_2"), known=known, quiet=True),
        Ways(ways=[("/", say("web.back_to_desk"), "")]),
    )


@router.get("/sessions")
def sessions(request: Request, sent: Sent) -> Response:
    """How was the machine set up for each session?"""
    book = desk_of(request).book
    machine = find_machine(book, sent.get("machine")).name
    fields = some(Session)
    found = book.sessions(machine)
    rows = [[shown_field(field, getattr(one, field.name)) for field in fields] for one in found]
    others = [(f"/sessions?{urlencode({'machine': one.name})}", one.name, say("web.its_sessions"))
              for one in book.machines() if one.name != machine]  # fmt: skip
    return page(
        request,
        "Sessions",
        say("web.session_is_one_stay_at_machine"),
        Table(title=say("web.so_far"), head=[field.words for field in fields], rows=rows),
        Form(
            action="/sessions",
            button=say("web.record_it"),
            asks=fields,
            known={"machine": machine},
            title=say("web.how_session_was_set_up"),
            typed={"label": found[-1].label} if found else {},
        ),
        Ways(ways=others) if others else None,
        of=machine,
    )


@router.post("/sessions")
def describe_session(request: Request, sent: Sent) -> Response:
    """Record how a session was set up."""
    machine = find_machine(desk_of(request).book, sent.get("machine")).name
    session = filled(Session, sent)
    desk_of(request).book.add_session(machine, session, when=now())
    address = f"/sessions?{urlencode({'machine': machine})}"
    return done(request, address, say("web.recorded_session", session=session))


@router.get("/costs")
def costs(request: Request) -> Response:
    """What do time, parts and sheets cost?"""
    known = costs_of(desk_of(request).book)
    fields = some(Costs)
    typed = {one.name: write(one, getattr(known, one.name)) for one in fields
             if one.name not in known.guessed}  # fmt: skip
    return page(
        request,
        say("web.what_things_cost"),
        say("web.asked_once_from_it_follow_price"),
        say("web.what_is_left_empty_is_guessed") if known.guessed else None,
        Form(action="/costs", button=say("web.record_it"), asks=fields, typed=typed),
    )


@router.post("/costs")
def say_costs(request: Request, sent: Sent) -> Response:
    """Record what things cost."""
    changed = changes(Costs, sent)
    record_costs(desk_of(request).book, when=now(), **changed)
    return done(request, "/costs", say("web.what_things_cost_is_in_logbook"))


@router.get("/questions")
def questions(request: Request) -> Response:
    """What was said in two ways?"""
    open_ones = desk_of(request).book.questions()
    if not open_ones:
        return page(request, say("web.said_in_two_ways"), say("web.nothing_was_said_in_two_ways"))
    return page(
        request,
        say("web.said_in_two_ways"),
        say("web.two_people_or_two_logbooks"),
        Form(action="/questions", button=say("web.record_answers"), asks=_asks(open_ones)),
    )


@router.post("/questions")
def answer_questions(request: Request, sent: Sent) -> Response:
    """Record which holds."""
    book = desk_of(request).book
    answers = _answers(book.questions(), sent)
    for key, answer in answers.items():
        book.answer(key, answer, when=now())
    return done(request, "/questions", f"Recorded: {counted(len(answers), 'answer')}.")


def _asks(open_ones: Sequence[Question]) -> list[Ask]:
    """One choice for each question; a new name where two things have one name."""
    asks = []
    for number, one in enumerate(open_ones):
        options = [("", say("web.i_leave_it_open"))]
        options += [
            (word, one.said[int(word) - 1])
            if word.isdigit()
            else (
                word.partition(":")[0],
                say("web.both_are_same") if word == "same" else say("web.it_is_another"),
            )
            for word in one.answers
        ]
        said = "" if all(word.isdigit() for word in one.answers) else f": {'; '.join(one.said)}"
        label = one.key + said
        asks.append(Ask(name=f"answer-{number}", label=label, options=options, kind="radios"))
        if len(options) != len(one.said) + 1 or options[-1][0] == "rename":
            asks.append(Ask(name=f"new-{number}", label=say("web.its_new_name", one=one)))
    return asks


def _answers(open_ones: Sequence[Question], sent: dict[str, str]) -> dict[str, str]:
    answers = {}
    for number, one in enumerate(open_ones):
        if answer := sent.get(f"answer-{number}"):
            if answer == "rename":
                answer = f"rename: {sent.get(f'new-{number}', '')}"
            answers[one.key] = answer
    return answers


@router.get("/keeping")
def keeping(request: Request) -> Response:
    """Where the logbook lies, its backups, and how it is handed on."""
    book = desk_of(request).book
    files = _backups(desk_of(request))
    rows = [
        (
            (file.file.name, f"/restore?{urlencode({'file': file.file.name})}"),
            date_words(file.made),
            "good" if file.whole else "damaged",
            f"{file.size_bytes / 1024:.0f} KiB",
        )
        for file in files
    ]
    return page(
        request,
        say("web.keep_logbook_and_share"),
        say("web.it_lies", book=book),
        Form(action="/backup", button=say("web.make_backup")),
        Form(action="/verify", button=say("web.look_at_every_page"), quiet=True),
        Table(title="Backups", head=("file", "made", "state", "size"), rows=rows),
        Ways(
            ways=[
                (
                    "/export/logbook.jsonl",
                    say("web.everything_for_another_logbook"),
                    say("web.file_of_all_entries"),
                ),
                ("/export/burns.csv", say("web.all_burns_as_table"), say("web.for_spreadsheet")),
                ("/import", say("web.take_another_logbooks_file"), say("web.looked_at_first")),
                ("/questions", say("web.said_in_two_ways"), say("web.what_waits_for_answer")),
            ]
        ),
    )


def _backups(here: Desk) -> Sequence[BackupFile]:
    return list_backups(str(here.book.path)) if here.book.path else ()


@router.post("/backup")
def make_backup(request: Request) -> Response:
    """Copy the logbook, and open the copy to see that nothing is missing."""
    kept = back_up(desk_of(request).book, when=now())
    rows = counts_in_words(kept.rows) or say("web.nothing_yet")
    return done(request, "/keeping", say("web.backup_made", kept=kept, rows=rows))


@router.post("/verify")
def verify(request: Request) -> Response:
    """Look at every page, entry and photograph."""
    words = check_text(check_book(desk_of(request).book))
    return done(request, "/keeping", " ".join(words.split()))


@router.get("/restore")
def ask_restore(request: Request, sent: Sent) -> Response:
    """Shall a backup take the logbook's place?"""
    name = sent.get("file", "")
    return page(
        request,
        say("web.put_this_backup_in_logbooks_place"),
        say("web.what_was_recorded_since_it_was", name=name),
        Form(action="/restore", button=say("web.put_it_in_logbooks_place"), known={"file": name}),
    )


@router.post("/restore")
def restore(request: Request, sent: Sent) -> Response:
    """Put it there."""
    here, name = desk_of(request), sent.get("file", "")
    found = next((one for one in _backups(here) if one.file.name == name), None)
    if found is None:
        raise unfit("file", name, say("web.give_one_of_backups_beside_logbook"))
    kept = put_back(str(found.file), str(here.book.path))
    rows = counts_in_words(kept.rows) or say("web.nothing_yet")
    return done(request, "/keeping", say("web.restored_in", name=name, rows=rows))


@router.get("/export/{name}")
def export(request: Request, name: str) -> Response:
    """Give all entries, or all burns that count."""
    kinds = {"logbook.jsonl": export_text, "burns.csv": export_csv}
    if name not in kinds:
        raise BadFile(say("web.there_is_no_export", name=name, kinds=" or ".join(kinds)))
    return download(name, kinds[name](desk_of(request).book).encode())


@router.get("/import")
def ask_import(request: Request, sent: Sent) -> Response:
    """Take another logbook's file in?"""
    here = desk_of(request)
    given = here.large(sent.get("file", ""))
    if not isinstance(given, bytes):
        file = Ask(
            name="logbook",
            label=say("web.its_file"),
            then=say("web.json_lines_as_it_was_exported"),
            kind="file",
        )
        words = say("web.it_is_looked_at_first")
        form = Form(action="/import", button=say("web.look_at"), asks=(file,))
        return page(request, say("web.take_another_logbooks_file"), words, form)
    report = import_book(here.book, given, when=now(), look=True)
    return page(
        request,
        say("web.take_this"),
        *_told(report),
        Form(action="/import/take", button=say("web.take_it"), asks=_asks(report.questions),
             known={"file": sent["file"]}),
    )  # fmt: skip


def _told(report: ImportReport) -> tuple[str, str]:
    return (
        f"New: {counts_in_words(report.added) or 'nothing'}.",
        say("web.there_already", counts_in=counts_in_words(report.already) or "nothing"),
    )


@router.post("/import")
def look_at_import(request: Request, logbook: Annotated[UploadFile, File()]) -> Response:
    """Read the file, and show what it would bring."""
    here, content = desk_of(request), logbook.file.read()
    import_book(here.book, content, when=now(), look=True)
    return RedirectResponse(f"/import?file={here.keep_large(content)}", 303)


@router.post("/import/take")
def take_import(request: Request, sent: Sent) -> Response:
    """Take it in, with the answers that were given."""
    here = desk_of(request)
    given = here.large(sent.get("file", ""))
    if not isinstance(given, bytes):
        raise BadFile(say("web.this_file_isnt_kept_any_more"))
    looked = import_book(here.book, given, when=now(), look=True)
    answers = _answers(looked.questions, sent)
    report = import_book(here.book, given, when=now(), answers=answers)
    address = "/questions" if report.questions else "/keeping"
    return done(request, address, " ".join(_told(report)))
