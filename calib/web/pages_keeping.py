"""The logbook corrected, kept and shared; what things cost, and how sessions were set up."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, File, Request, UploadFile
from starlette.responses import RedirectResponse, Response

from calib.errors import BadFile, CalibError, unfit
from calib.logbook import ImportReport, Question, Session, export_csv, export_text
from calib.logbook.checking import check_book
from calib.logbook.undoing import Whose
from calib.records import Costs
from calib.records.fields import spoken
from calib.tasks.costing import costs_of, record_costs
from calib.tasks.finding import board_entry, find_board, find_machine, find_sheet
from calib.tasks.keeping import BackupFile, back_up, import_book, list_backups, put_back
from calib.tasks.wishes import Pair
from calib.texts.book import check_text, counts_in_words
from calib.texts.words import counted, date_words, shown_field
from calib.typed import write
from calib.web.asking import Ask, Form, Table, Ways, done, page, some
from calib.web.desk import Desk, desk_of, download, now
from calib.web.forms import Sent, changes, filled

router = APIRouter(include_in_schema=False)
_WHY = Ask(name="why", label="Why", then="in your own words")
# Boards of which the latest change is offered to be taken back.
_FEW = 8


@router.get("/undo")
def ask_undo(request: Request, sent: Sent) -> Response:
    """What would be taken back, or put again, of a board, a machine or a sheet?"""
    book = desk_of(request).book
    whose = {name: sent[name] for name in ("board", "machine", "sheet") if sent.get(name)}
    if not whose:
        boards = book.boards(limit=_FEW).entries
        ways = [("board", one.id, f"Board {one.id}", f"{one.sheet}, {one.machine}")
                for one in boards]  # fmt: skip
        ways += [("machine", one.name, one.name, "its set-up and sessions")
                 for one in book.machines()]  # fmt: skip
        ways += [("sheet", one.name, one.name, "its lot and measurement") for one in book.sheets()]
        links = [(f"/undo?{urlencode({of: name})}", words, then) for of, name, words, then in ways]
        return page(request, "Take back the latest change", "Of what?", Ways(ways=links))
    scope = _whose(whose)
    blocks: list[str | Form] = []
    try:
        found = book.next_undo(**scope)
        much = f", {found.things} results at once" if found.things > 1 else ""
        blocks += [
            f"This would be taken back: {found.words}{much}.",
            Form(action="/undo", button="Take it back", asks=(_WHY,),
                 known={**whose, "change": found.change_id}),
        ]  # fmt: skip
    except CalibError as nothing:
        blocks += [str(nothing)]
    try:
        again = book.next_redo(**scope)
        blocks += [
            f"This was taken back last, and can be put again: {again}.",
            Form(action="/redo", button="Put it again", known=whose, quiet=True),
        ]
    except CalibError:
        pass  # nothing was taken back, or something came after it
    names = " and ".join(whose.values())
    return page(request, "Take back the latest change", *blocks, of=names)


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
    return _undone(request, sent, f"Taken back: {words}.")


@router.post("/redo")
def redo(request: Request, sent: Sent) -> Response:
    """Put again what was taken back last."""
    words = desk_of(request).book.redo(when=now(), **_whose(sent))
    return _undone(request, sent, f"Put again: {words}.")


@router.get("/withdraw")
def ask_withdraw(request: Request, sent: Sent) -> Response:
    """Shall an entry, a board, a machine or a sheet no longer count?"""
    book = desk_of(request).book
    known = {name: sent[name] for name in ("entry", "board", "machine", "sheet") if sent.get(name)}
    if not known:
        ways = [(f"/withdraw?{urlencode({what: one.name})}", one.name, f"a {what} with all of it")
                for what, things in (("machine", book.machines()), ("sheet", book.sheets()))
                for one in things]  # fmt: skip
        words = "Single readings and jobs are withdrawn from the story of their sheet."
        return page(request, "What shall no longer count?", words, Ways(ways=ways))
    name = " ".join(known.values())
    if "entry" in known:
        pair = filled(Pair, sent)
        lines = book.history(pair.machine or "", pair.sheet or "", pair.operation)
        name = next((f"{one.text} {one.board} {one.cell}".strip() for one in lines
                     if one.id == known["entry"]), name)  # fmt: skip
    elif "board" in known:
        name = f"board {find_board(book, known['board']).board_id}"
    return page(
        request,
        "Shall this no longer count?",
        f"{name}. It won't count any more, nor what is about it; the logbook still tells of it.",
        Form(action="/withdraw", button="It no longer counts", asks=(_WHY,), known=sent),
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
    known = {"entry": sent.get("change", ""), "why": "it counts after all"}
    return page(
        request,
        "It no longer counts",
        Form(action="/withdraw", button="It counts after all", known=known, quiet=True),
        Ways(ways=[("/", "Back to the desk", "")]),
    )


@router.get("/sessions")
def sessions(request: Request, sent: Sent) -> Response:
    """How was the machine set up for each session?"""
    book = desk_of(request).book
    machine = find_machine(book, sent.get("machine")).name
    fields = some(Session)
    found = book.sessions(machine)
    rows = [[shown_field(field, getattr(one, field.name)) for field in fields] for one in found]
    others = [(f"/sessions?{urlencode({'machine': one.name})}", one.name, "its sessions")
              for one in book.machines() if one.name != machine]  # fmt: skip
    return page(
        request,
        "Sessions",
        "A session is one stay at the machine; what was set up tells why burns differ.",
        Table(title="So far", head=[field.words for field in fields], rows=rows),
        Form(action="/sessions", button="Record it", asks=fields, known={"machine": machine},
             title="How a session was set up",
             typed={"label": found[-1].label} if found else {}),
        Ways(ways=others) if others else None,
        of=machine,
    )  # fmt: skip


@router.post("/sessions")
def describe_session(request: Request, sent: Sent) -> Response:
    """Record how a session was set up."""
    machine = find_machine(desk_of(request).book, sent.get("machine")).name
    session = filled(Session, sent)
    desk_of(request).book.add_session(machine, session, when=now())
    address = f"/sessions?{urlencode({'machine': machine})}"
    return done(request, address, f"Recorded: session {session.label}.")


@router.get("/costs")
def costs(request: Request) -> Response:
    """What do time, parts and sheets cost?"""
    known = costs_of(desk_of(request).book)
    fields = some(Costs)
    typed = {one.name: write(one, getattr(known, one.name)) for one in fields
             if one.name not in known.guessed}  # fmt: skip
    guessed = ", ".join(spoken(name) for name in known.guessed)
    return page(
        request,
        "What things cost",
        "Asked once. From it follow the price of a job and the cheapest setting.",
        f"Guesses as long as you don't say: {guessed}." if guessed else None,
        Form(action="/costs", button="Record it", asks=fields, typed=typed),
    )


@router.post("/costs")
def say_costs(request: Request, sent: Sent) -> Response:
    """Record what things cost."""
    changed = changes(Costs, sent)
    record_costs(desk_of(request).book, when=now(), **changed)
    return done(request, "/costs", "What things cost is in the logbook.")


@router.get("/questions")
def questions(request: Request) -> Response:
    """What was said in two ways?"""
    open_ones = desk_of(request).book.questions()
    if not open_ones:
        return page(request, "Said in two ways", "Nothing was said in two ways.")
    return page(
        request,
        "Said in two ways",
        "Two people, or two logbooks, said different things; neither counts until you answer.",
        Form(action="/questions", button="Record the answers", asks=_asks(open_ones)),
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
        options = [("", "I leave it open")]
        options += [
            (word, one.said[int(word) - 1])
            if word.isdigit()
            else (
                word.partition(":")[0],
                "both are the same" if word == "same" else "it is another",
            )
            for word in one.answers
        ]
        said = "" if all(word.isdigit() for word in one.answers) else f": {'; '.join(one.said)}"
        label = one.key + said
        asks.append(Ask(name=f"answer-{number}", label=label, options=options, kind="radios"))
        if len(options) != len(one.said) + 1 or options[-1][0] == "rename":
            asks.append(Ask(name=f"new-{number}", label=f"{one.key}: its new name"))
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
        "Keep the logbook, and share it",
        f"It lies at {book.place}.",
        Form(action="/backup", button="Make a backup"),
        Form(action="/verify", button="Look at every page of it", quiet=True),
        Table(title="Backups", head=("file", "made", "state", "size"), rows=rows),
        Ways(ways=[
            ("/export/logbook.jsonl", "Everything, for another logbook", "A file of all entries."),
            ("/export/burns.csv", "All burns, as a table", "For a spreadsheet."),
            ("/import", "Take another logbook's file in", "Looked at first; then it asks."),
            ("/questions", "Said in two ways", "What waits for an answer."),
        ]),
    )  # fmt: skip


def _backups(here: Desk) -> Sequence[BackupFile]:
    return list_backups(str(here.book.path)) if here.book.path else ()


@router.post("/backup")
def make_backup(request: Request) -> Response:
    """Copy the logbook, and open the copy to see that nothing is missing."""
    kept = back_up(desk_of(request).book, when=now())
    rows = counts_in_words(kept.rows) or "nothing yet"
    return done(request, "/keeping", f"Backup made: {kept.file.name}. In it: {rows}.")


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
        "Put this backup in the logbook's place?",
        f"{name}. What was recorded since it was made is then no longer in the logbook; the file"
        " that is there now is kept beside it.",
        Form(action="/restore", button="Put it in the logbook's place", known={"file": name}),
    )


@router.post("/restore")
def restore(request: Request, sent: Sent) -> Response:
    """Put it there."""
    here, name = desk_of(request), sent.get("file", "")
    found = next((one for one in _backups(here) if one.file.name == name), None)
    if found is None:
        raise unfit("file", name, "give one of the backups beside the logbook")
    kept = put_back(str(found.file), str(here.book.path))
    rows = counts_in_words(kept.rows) or "nothing yet"
    return done(request, "/keeping", f"Restored: {name}. In it: {rows}.")


@router.get("/export/{name}")
def export(request: Request, name: str) -> Response:
    """Give all entries, or all burns that count."""
    kinds = {"logbook.jsonl": export_text, "burns.csv": export_csv}
    if name not in kinds:
        raise BadFile(f"There is no export {name!r}: it is {' or '.join(kinds)}.")
    return download(name, kinds[name](desk_of(request).book).encode())


@router.get("/import")
def ask_import(request: Request, sent: Sent) -> Response:
    """Take another logbook's file in?"""
    here = desk_of(request)
    given = here.large(sent.get("file", ""))
    if not isinstance(given, bytes):
        file = Ask(name="logbook", label="Its file", then="JSON lines, as it was exported",
                   kind="file")  # fmt: skip
        words = "It is looked at first; nothing is stored before you say so."
        form = Form(action="/import", button="Look at it", asks=(file,))
        return page(request, "Take another logbook's file in", words, form)
    report = import_book(here.book, given, when=now(), look=True)
    return page(
        request,
        "Take this in?",
        *_told(report),
        Form(action="/import/take", button="Take it in", asks=_asks(report.questions),
             known={"file": sent["file"]}),
    )  # fmt: skip


def _told(report: ImportReport) -> tuple[str, str]:
    return (
        f"New: {counts_in_words(report.added) or 'nothing'}.",
        f"There already: {counts_in_words(report.already) or 'nothing'}.",
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
        raise BadFile("This file isn't kept any more: choose it again.")
    looked = import_book(here.book, given, when=now(), look=True)
    answers = _answers(looked.questions, sent)
    report = import_book(here.book, given, when=now(), answers=answers)
    address = "/questions" if report.questions else "/keeping"
    return done(request, address, " ".join(_told(report)))
