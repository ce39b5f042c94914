"""What stands of the entries, in every order of arrival; nothing is ever changed or lost."""

from __future__ import annotations

import itertools
import json
import random

import pytest
import sqlalchemy as sa

from calib.errors import BadFile
from calib.logbook import ledger
from calib.logbook.ledger import WITHDRAW, Entry, add, from_line, lines, make_tables, read


def said(minute: int, body: int | None = None, *replaces: Entry, kind: str = "reading") -> Entry:
    return Entry(
        at=f"2026-03-01T18:{minute:02d}:00.000000Z",
        kind=kind,
        body={} if body is None else {"grade": body},
        replaces=tuple(entry.id for entry in replaces),
    )


def withdrawn(minute: int, *entries: Entry) -> Entry:
    return said(minute, None, *entries, kind=WITHDRAW)


@pytest.fixture
def connection() -> sa.Connection:
    engine = sa.create_engine("sqlite://")
    with engine.connect() as opened:
        make_tables(opened)
        yield opened


first = said(1, 1)
second = said(2, 2, first)
third = said(3, 3, second)
undo_second = withdrawn(4, second)
redo_second = withdrawn(5, undo_second)
other = said(6, 4, first)
answer = said(7, 2, second, other)
undo_all = withdrawn(8, second, third)

STANDS = [
    ("one said stands", [first], [first]),
    ("a correction replaces", [first, second], [second]),
    ("through others", [first, second, third], [third]),
    ("undo gives back what was replaced", [first, second, undo_second], [first, undo_second]),
    ("redo is an undo of the undo", [first, second, undo_second, redo_second],
     [second, redo_second]),
    ("an undone link still replaces through it", [first, second, third, undo_second],
     [third, undo_second]),
    ("two answers stand beside one another", [first, second, other], [second, other]),
    ("an answer replaces all that it answers", [first, second, other, answer], [answer]),
    ("undo here, correction there", [first, second, undo_second, other], [other, undo_second]),
    ("an answer that saw one of two", [first, second, other, said(7, 3, second)],
     [other, said(7, 3, second)]),
    ("two answers to the same", [first, second, other, answer, said(8, 3, second, other)],
     [answer, said(8, 3, second, other)]),
    ("what it replaces never came", [second, other], [second, other]),
    ("four in a row and one beside", [first, second, third, said(6, 5, third), said(7, 3, second)],
     [said(6, 5, third), said(7, 3, second)]),
    ("a batch is undone as a whole", [first, second, third, undo_all], [first, undo_all]),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "arrived", "left"), STANDS, ids=[case[0] for case in STANDS])
def test_what_stands_is_the_same_in_every_order_of_arrival(
    rule: str, arrived: list[Entry], left: list[Entry]
) -> None:
    engine = sa.create_engine("sqlite://")
    for order in itertools.permutations(arrived):
        with engine.connect() as connection:
            make_tables(connection)
            for entry in order:
                add(connection, [entry])
            assert {entry.id for entry in read(connection)} == {entry.id for entry in left}, rule
            connection.rollback()


def test_six_entries_stand_alike_in_each_of_720_orders() -> None:
    arrived = [first, second, undo_second, redo_second, other, answer]
    targets = {entry.id: entry.replaces for entry in arrived}
    withdrawals = {entry.id for entry in arrived if entry.kind == WITHDRAW}
    found = {
        frozenset(ledger.states({key: targets[key] for key in order}, withdrawals).items())
        for order in itertools.permutations(targets)
    }
    (states,) = found
    stand = {key for key, state in states if state == ledger.STANDS}
    assert stand == {redo_second.id, answer.id}


def test_a_long_chain_of_undo_and_redo_is_worked_out() -> None:
    chain = [first]
    for turn in range(3000):
        chain.append(withdrawn(turn % 60, chain[-1]))
    targets = {entry.id: entry.replaces for entry in chain}
    states = ledger.states(targets, {entry.id for entry in chain[1:]})
    assert states[first.id] == ledger.STANDS


def test_the_same_said_twice_is_one_entry(connection: sa.Connection) -> None:
    assert add(connection, [first]) == (first.id,)
    assert add(connection, [first, second]) == (second.id,)
    assert len(read(connection, all=True)) == 2


def test_same_content_has_the_same_id_whatever_its_numbers_are_written_like() -> None:
    assert Entry(at="2026", kind="n", body={"a": 3.0, "b": -0.0}).id == (
        Entry(at="2026", kind="n", body={"b": 0, "a": 3}).id
    )
    assert Entry(at="2026", kind="n", body={"a": 3.5}).id != Entry(at="2026", kind="n").id


@pytest.mark.parametrize("table", ["entries", "replaced", "photographs"])
@pytest.mark.parametrize("verb", ["UPDATE {} SET {} = 'x'", "DELETE FROM {}"])
def test_the_database_itself_refuses_change_and_deletion(
    connection: sa.Connection, table: str, verb: str
) -> None:
    add(connection, [first, second])
    connection.execute(ledger.photographs.insert().values(digest="d", content=b"c"))
    column = list(ledger.metadata.tables[table].columns.keys())[-1]
    with pytest.raises(sa.exc.IntegrityError, match="entries are only ever added"):
        connection.exec_driver_sql(verb.format(table, column))


def test_what_stands_can_be_made_anew(connection: sa.Connection) -> None:
    add(connection, [first, second, third, undo_all, other])
    before = read(connection)
    ledger.refresh(connection)
    assert read(connection) == before


def test_what_is_added_bit_by_bit_stands_as_if_it_had_come_at_once() -> None:
    for seed in range(150):
        chance = random.Random(seed)
        arrived: list[Entry] = []
        for minute in range(12):
            batch = f"{ledger.SENT}{minute // 2}" if chance.random() < 0.4 else f"{minute}"
            kind = WITHDRAW if arrived and chance.random() < 0.35 else "reading"
            targets = [one.id for one in chance.sample(arrived, min(len(arrived), minute % 3))]
            if kind != WITHDRAW and chance.random() < 0.3:
                targets = [f"{ledger.SENT}{chance.randrange(6)}"]
            one = Entry(
                at=f"2026-03-01T18:{minute:02d}:00.000000Z", kind=kind, replaces=tuple(targets),
                body={} if kind == WITHDRAW else {"grade": minute}, batch=batch,
                slot=f"look A{minute % 2}",
            )  # fmt: skip
            arrived.append(one)
        chance.shuffle(arrived)
        with sa.create_engine("sqlite://").connect() as connection:
            make_tables(connection)
            while arrived:
                some = [arrived.pop() for _ in range(min(len(arrived), chance.randint(1, 3)))]
                add(connection, some)
                assert ledger.held(connection) == ledger.worked_out(connection), seed


def test_a_correction_asks_the_database_no_more_after_a_hundred_others(
    connection: sa.Connection,
) -> None:
    asked: list[int] = []
    sa.event.listen(connection, "before_cursor_execute", lambda *_: asked.append(1))
    counts, chain = [], [first]
    for minute in range(100):
        add(connection, chain[-1:])
        counts.append(len(asked))
        asked.clear()
        chain.append(said(minute % 60, minute, chain[-1]))
    assert max(counts[3:]) == counts[3]


def test_an_entry_travels_as_one_line_of_json(connection: sa.Connection) -> None:
    add(connection, [first, second, undo_second])
    written = list(lines(connection))
    assert [from_line(line) for line in written] == [first, second, undo_second]
    document = json.loads(written[0])
    document["body"] = {"grade": 4}
    with pytest.raises(BadFile, match=r"2026030118.* was changed on its way"):
        from_line(json.dumps(document))
    with pytest.raises(BadFile, match="'nonsense' is no entry"):
        from_line("nonsense")
