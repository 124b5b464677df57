"""Append-only, chained; every tampering with a row is found where it is."""

import hashlib
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.local.messages import JournalEntry, entries_of
from gateway.store import journal
from gateway.store.database import Database
from gateway.store.errors import NotStorable, OutOfSequence
from gateway.store.findings import Fault, Finding
from gateway.store.seal import seal
from tests.store.support import WAIT_S, entry, opened

EVERYTHING = 10_000_000
COUNT = 9

facts = st.dictionaries(
    st.text(st.characters(codec="utf-8"), max_size=8),
    st.one_of(
        st.text(st.characters(codec="utf-8")),
        st.integers(-(2**53), 2**53),
        st.booleans(),
        st.floats(allow_nan=False, allow_infinity=False),
    ),
    max_size=5,
)


def add(database: Database, entries: Sequence[JournalEntry]) -> bytes:
    return database.submit(lambda t: journal.append(t, entries)).result(WAIT_S)


def findings(path: Path) -> list[Finding]:
    with opened(path) as database, database.reader() as reader:
        return journal.verify(reader)


@pytest.fixture
def written(tmp_path: Path) -> Path:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        for n in range(1, COUNT + 1):
            add(database, [entry(n)])
    return path


def test_the_hash_is_over_the_hash_before_and_the_octets(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        first, second = journal.canonical(entry(1)), journal.canonical(entry(2))
        hash_1 = hashlib.sha256(bytes(32) + first).digest()
        hash_2 = hashlib.sha256(hash_1 + second).digest()
        assert add(database, [entry(1)]) == hash_1
        assert add(database, [entry(2)]) == hash_2
        assert add(database, []) == hash_2
        with database.reader() as reader:
            assert journal.newest(reader) == journal.Head(n=2, hash=hash_2)


def test_one_at_a_time_and_all_at_once_give_the_same_chain(tmp_path: Path) -> None:
    entries = [entry(n) for n in range(1, 20)]
    with opened(tmp_path / "a.db") as database:
        single = [add(database, [one]) for one in entries][-1]
    with opened(tmp_path / "b.db") as database:
        assert add(database, entries) == single


@given(facts, st.text(st.characters(codec="utf-8")))
@settings(deadline=None)
def test_an_entry_has_one_way_of_writing_whatever_the_order_of_its_facts(
    facts: dict[str, str | int | float | bool], subject: str
) -> None:
    one = msgspec.structs.replace(entry(1), facts=facts, subject=subject)
    other = msgspec.structs.replace(one, facts=dict(reversed(facts.items())))
    assert journal.canonical(one) == journal.canonical(other)
    assert entries_of(journal.canonical(one)) == (one,)
    assert b"\n" not in journal.canonical(one)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "\ud800"])
def test_what_would_not_read_back_is_refused_and_nothing_of_it_stays(tmp_path: Path, value: float | str) -> None:
    with opened(tmp_path / "plant.db") as database:
        broken = msgspec.structs.replace(entry(2), facts={"value_ntu": value})
        with pytest.raises(NotStorable, match="journal entry 2"):
            add(database, [entry(1), broken])
        with database.reader() as reader:
            assert journal.newest(reader) == journal.Head()
        add(database, [entry(1)])


def test_numbers_without_gaps_are_insisted_on(written: Path) -> None:
    with opened(written) as database:
        for n in (COUNT, COUNT + 2, 1):
            with pytest.raises(OutOfSequence, match=f"the next one is {COUNT + 1}"):
                add(database, [entry(n)])
        add(database, [entry(COUNT + 1)])
    assert findings(written) == []


def test_history_is_cut_where_run_or_configuration_changes(tmp_path: Path) -> None:
    entries = [entry(1), entry(2), entry(3, run=2), entry(4, run=2, configuration="other"), entry(5)]
    with opened(tmp_path / "plant.db") as database:
        add(database, entries)
        with database.reader() as reader:
            chunks = journal.read_after(reader, 0, EVERYTHING)
            assert [(h.first_n, h.last_n, h.run) for h, _ in chunks] == [(1, 2, 1), (3, 3, 2), (4, 4, 2), (5, 5, 1)]
            assert [e for _, body in chunks for e in entries_of(body)] == entries
            assert [e for _, b in journal.read_after(reader, 3, EVERYTHING) for e in entries_of(b)] == entries[3:]
            assert journal.read_after(reader, 5, EVERYTHING) == []
            assert journal.read_entries(reader, 1, 2) == entries[1:3]
    header, body = chunks[0]
    assert (header.first_utc_ms, header.last_utc_ms) == (entries[0].utc_ms, entries[1].utc_ms)
    assert header.size_bytes == len(body)


def test_history_is_bounded_in_bytes_and_always_goes_on(written: Path) -> None:
    size = len(journal.canonical(entry(1)))
    with opened(written) as database, database.reader() as reader:
        ((header, body),) = journal.read_after(reader, 0, size * 4 + 10)
        assert (header.first_n, header.last_n) == (1, 4)
        assert len(body) <= size * 4 + 10
        ((header, _),) = journal.read_after(reader, 4, 1)
        assert (header.first_n, header.last_n) == (5, 5)


# --- tampering -------------------------------------------------------------------------------------------------

Vandal = sqlite3.Connection


def forged(n: int) -> bytes:
    return journal.canonical(entry(n, subject="I-99"))


def put(vandal: Vandal, n: int, row_hash: bytes, octets: bytes) -> None:
    """With the right checksum, as somebody would who knows the format."""
    values = (n, row_hash, seal(n, row_hash, octets), octets)
    vandal.execute("INSERT OR REPLACE INTO journal (n, hash, seal, entry) VALUES (?, ?, ?, ?)", values)


def hash_of(vandal: Vandal, n: int) -> bytes:
    return bytes(vandal.execute("SELECT hash FROM journal WHERE n = ?", (n,)).fetchone()[0])


def edit_text(vandal: Vandal) -> None:
    vandal.execute("UPDATE journal SET entry = CAST(replace(CAST(entry AS TEXT), 'I-01', 'I-02') AS BLOB) WHERE n = 5")


def edit_with_checksum(vandal: Vandal) -> None:
    put(vandal, 5, hash_of(vandal, 5), forged(5))


def edit_with_checksum_and_hash(vandal: Vandal) -> None:
    put(vandal, 5, hashlib.sha256(hash_of(vandal, 4) + forged(5)).digest(), forged(5))


def edit_hash(vandal: Vandal) -> None:
    octets = bytes(vandal.execute("SELECT entry FROM journal WHERE n = 5").fetchone()[0])
    put(vandal, 5, bytes(32), octets)


def edit_seal(vandal: Vandal) -> None:
    vandal.execute("UPDATE journal SET seal = seal + 1 WHERE n = 5")


def edit_first(vandal: Vandal) -> None:
    put(vandal, 1, hash_of(vandal, 1), forged(1))


def edit_last(vandal: Vandal) -> None:
    put(vandal, COUNT, hash_of(vandal, COUNT), forged(COUNT))


def edit_last_with_hash(vandal: Vandal) -> None:
    put(vandal, COUNT, hashlib.sha256(hash_of(vandal, COUNT - 1) + forged(COUNT)).digest(), forged(COUNT))


def swap_two(vandal: Vandal) -> None:
    vandal.executescript(
        """UPDATE journal SET n = 100 WHERE n = 5; UPDATE journal SET n = 5 WHERE n = 6;
           UPDATE journal SET n = 6 WHERE n = 100;"""
    )


def insert_before_all(vandal: Vandal) -> None:
    put(vandal, 0, bytes(32), forged(0))


def insert_and_renumber(vandal: Vandal) -> None:
    for n in range(COUNT, 4, -1):
        vandal.execute("UPDATE journal SET n = n + 1 WHERE n = ?", (n,))
    put(vandal, 5, hashlib.sha256(hash_of(vandal, 4) + forged(5)).digest(), forged(5))


def insert_at_the_end(vandal: Vandal) -> None:
    put(vandal, COUNT + 1, hashlib.sha256(hash_of(vandal, COUNT) + forged(COUNT + 1)).digest(), forged(COUNT + 1))


def delete_one(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal WHERE n = 5")


def delete_first(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal WHERE n = 1")


def delete_and_close_up(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal WHERE n = 5")
    for n in range(6, COUNT + 1):
        vandal.execute("UPDATE journal SET n = n - 1 WHERE n = ?", (n,))


def cut_last(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal WHERE n = ?", (COUNT,))


def cut_most(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal WHERE n > 3")


def cut_all(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal")


def cut_and_change_number_in_head(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal WHERE n = ?", (COUNT,))
    vandal.execute("UPDATE journal_head SET n = ?", (COUNT - 1,))


def remove_head(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal_head")


def change_hash_in_head(vandal: Vandal) -> None:
    vandal.execute("UPDATE journal_head SET hash = zeroblob(32)")


@pytest.mark.parametrize(
    ("tamper", "fault", "n"),
    [
        (edit_text, Fault.EDITED, 5),
        (edit_text, Fault.DAMAGED, 5),
        (edit_with_checksum, Fault.EDITED, 5),
        (edit_with_checksum_and_hash, Fault.EDITED, 6),  # what follows shows it
        (edit_hash, Fault.EDITED, 5),
        (edit_seal, Fault.DAMAGED, 5),
        (edit_first, Fault.EDITED, 1),
        (edit_last, Fault.EDITED, COUNT),
        (edit_last_with_hash, Fault.HEAD, COUNT),
        (swap_two, Fault.EDITED, 5),
        (swap_two, Fault.DAMAGED, 6),
        (insert_before_all, Fault.INSERTED, 0),
        (insert_and_renumber, Fault.DAMAGED, 6),
        (insert_and_renumber, Fault.INSERTED, COUNT + 1),
        (insert_at_the_end, Fault.INSERTED, COUNT + 1),
        (delete_one, Fault.DELETED, 5),
        (delete_first, Fault.DELETED, 1),
        (delete_and_close_up, Fault.EDITED, 5),
        (delete_and_close_up, Fault.TRUNCATED, COUNT),
        (cut_last, Fault.TRUNCATED, COUNT),
        (cut_most, Fault.TRUNCATED, 4),
        (cut_all, Fault.TRUNCATED, 1),
        (cut_and_change_number_in_head, Fault.HEAD, COUNT - 1),
        (remove_head, Fault.HEAD, COUNT),
        (change_hash_in_head, Fault.HEAD, COUNT),
    ],
)
def test_tampering_is_found_where_it_is(written: Path, tamper: Callable[[Vandal], None], fault: Fault, n: int) -> None:
    assert findings(written) == []
    with closing(sqlite3.connect(written, isolation_level=None)) as vandal:
        tamper(vandal)
    found = findings(written)
    assert (fault, n) in [(finding.fault, finding.n) for finding in found]
    assert all(str(finding.n) in finding.text or finding.fault is Fault.HEAD for finding in found)


@pytest.mark.parametrize("tamper", [edit_text, edit_with_checksum, edit_hash, edit_seal, edit_first, delete_one])
def test_the_journal_goes_on_after_tampering_and_still_shows_it(
    written: Path, tamper: Callable[[Vandal], None]
) -> None:
    with closing(sqlite3.connect(written, isolation_level=None)) as vandal:
        tamper(vandal)
    before = findings(written)
    with opened(written) as database:
        add(database, [entry(COUNT + 1), entry(COUNT + 2)])
    assert findings(written) == before != []


@pytest.mark.parametrize("tamper", [cut_last, cut_most, cut_all, insert_at_the_end, change_hash_in_head])
def test_an_end_that_was_changed_still_shows_after_the_journal_went_on(
    written: Path, tamper: Callable[[Vandal], None]
) -> None:
    with closing(sqlite3.connect(written, isolation_level=None)) as vandal:
        tamper(vandal)
    with opened(written) as database:
        with database.reader() as reader:
            n = journal.newest(reader).n
        add(database, [entry(n + 1)])
        add(database, [entry(n + 2)])
    assert findings(written) != []


def test_a_chain_forged_as_a_whole_is_found_only_with_a_hash_noted_outside(written: Path) -> None:
    with opened(written) as database, database.reader() as reader:
        known = {COUNT: journal.newest(reader).hash}
    with closing(sqlite3.connect(written, isolation_level=None)) as vandal:
        edit_with_checksum_and_hash(vandal)
        for n in range(6, COUNT + 1):
            octets = bytes(vandal.execute("SELECT entry FROM journal WHERE n = ?", (n,)).fetchone()[0])
            put(vandal, n, hashlib.sha256(hash_of(vandal, n - 1) + octets).digest(), octets)
        vandal.execute("UPDATE journal_head SET hash = ?", (hash_of(vandal, COUNT),))
    with opened(written) as database, database.reader() as reader:
        assert journal.verify(reader) == []
        assert [(f.fault, f.n) for f in journal.verify(reader, known=known)] == [(Fault.EDITED, COUNT)]
        assert [(f.fault, f.n) for f in journal.verify(reader, known={99: b""})] == [(Fault.TRUNCATED, 99)]


@pytest.mark.parametrize("tamper", [edit_text, edit_seal, delete_one])
def test_a_damaged_entry_is_never_handed_over(written: Path, tamper: Callable[[Vandal], None]) -> None:
    with closing(sqlite3.connect(written, isolation_level=None)) as vandal:
        tamper(vandal)
    with opened(written) as database, database.reader() as reader:
        ((header, body),) = journal.read_after(reader, 0, EVERYTHING)
        assert (header.first_n, header.last_n) == (1, 4)
        assert [e.n for e in entries_of(body)] == [1, 2, 3, 4]
        ((header, _),) = journal.read_after(reader, 4, EVERYTHING)
        assert (header.first_n, header.last_n) == (6, COUNT)
        assert journal.gap_after(reader, 4) == "journal entries 5 to 5 are gone or damaged"
        assert journal.gap_after(reader, 2) == ""
        assert [e.n for e in journal.read_entries(reader, 3, 100)] == [4, 6, 7, 8, 9]


def test_checking_works_while_the_journal_grows(written: Path) -> None:
    with opened(written) as database:
        pending = [
            database.submit(lambda t, n=n: journal.append(t, [entry(n)]))  # type: ignore[misc]
            for n in range(COUNT + 1, COUNT + 200)
        ]
        while not pending[-1].done():
            with database.reader() as reader:
                assert journal.verify(reader) == []
        pending[-1].result(WAIT_S)
    assert findings(written) == []


def test_a_long_journal_is_checked_page_by_page(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        add(database, [entry(n) for n in range(1, 2_501)])
    assert findings(path) == []
    with closing(sqlite3.connect(path, isolation_level=None)) as vandal:
        vandal.execute("DELETE FROM journal WHERE n = 1001")
        vandal.execute("DELETE FROM journal WHERE n = 2500")
    assert [(f.fault, f.n) for f in findings(path)] == [(Fault.DELETED, 1001), (Fault.TRUNCATED, 2500)]
