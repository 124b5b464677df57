"""How far each reader is, and what is still to deliver."""

import sqlite3
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.store import positions
from gateway.store.database import Database
from gateway.store.migrations import UPLINK
from gateway.store.positions import Position, Range, joined, missing
from tests.store.support import WAIT_S, opened

ranges = st.builds(lambda first, length: Range(first, first + length), st.integers(1, 60), st.integers(0, 8))


def put(database: Database, reader: str, stream: str, n: int, store: str = "s1") -> None:
    database.submit(lambda t: positions.set(t, reader=reader, stream=stream, n=n, store=store)).result(WAIT_S)


def get(database: Database, reader: str, stream: str) -> Position | None:
    with database.reader() as connection:
        return positions.get(connection, reader=reader, stream=stream)


def deliver(database: Database, first_n: int, last_n: int, store: str = "s1") -> tuple[Range, ...]:
    return database.submit(
        lambda t: positions.deliver(t, reader="mqtt", stream="samples", store=store, delivered=Range(first_n, last_n))
    ).result(WAIT_S)


def test_a_position_is_kept_for_each_reader_and_stream_over_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "uplink.db"
    with opened(path, UPLINK) as database:
        assert get(database, "mqtt", "samples") is None
        put(database, "mqtt", "samples", 10)
        put(database, "mqtt", "journal", 3)
        put(database, "mail", "journal", 2)
        put(database, "mqtt", "samples", 20)
    with opened(path, UPLINK) as database:
        assert get(database, "mqtt", "samples") == Position(n=20, store="s1")
        assert get(database, "mqtt", "journal") == Position(n=3, store="s1")
        assert get(database, "mail", "journal") == Position(n=2, store="s1")
        assert get(database, "mail", "samples") is None


def test_a_position_may_go_back_and_belongs_to_a_store(tmp_path: Path) -> None:
    with opened(tmp_path / "uplink.db", UPLINK) as database:
        put(database, "mqtt", "samples", 20)
        put(database, "mqtt", "samples", 0, store="s2")
        assert get(database, "mqtt", "samples") == Position(n=0, store="s2")


@pytest.mark.parametrize("damage", ["n = n + 1", "store = 's9'", "stream = 'journal'", "reader = 'mail'", "seal = 0"])
def test_a_changed_position_is_no_position(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "uplink.db"
    with opened(path, UPLINK) as database:
        put(database, "mqtt", "samples", 20)
    with closing(sqlite3.connect(path, isolation_level=None)) as vandal:
        vandal.execute(f"UPDATE position SET {damage}")  # noqa: S608 - the test's own words
    with opened(path, UPLINK) as database:
        found = [get(database, reader, stream) for reader in ("mqtt", "mail") for stream in ("samples", "journal")]
    assert found == [None] * 4


def test_backlog_and_current_are_joined_when_they_meet(tmp_path: Path) -> None:
    path = tmp_path / "uplink.db"
    with opened(path, UPLINK) as database:
        deliver(database, 1, 10)
        assert deliver(database, 91, 100) == (Range(1, 10), Range(91, 100))
        assert deliver(database, 11, 50) == (Range(1, 50), Range(91, 100))
    with opened(path, UPLINK) as database:
        assert deliver(database, 101, 110) == (Range(1, 50), Range(91, 110))
        assert deliver(database, 45, 90) == (Range(1, 110),)


def test_what_was_delivered_of_another_store_does_not_count(tmp_path: Path) -> None:
    with opened(tmp_path / "uplink.db", UPLINK) as database:
        deliver(database, 1, 10)
        assert deliver(database, 1, 3, store="s2") == (Range(1, 3),)
        with database.reader() as reader:
            assert positions.ranges(reader, reader="mqtt", stream="samples", store="s1") == ()


def test_a_changed_range_counts_as_not_delivered(tmp_path: Path) -> None:
    path = tmp_path / "uplink.db"
    with opened(path, UPLINK) as database:
        deliver(database, 1, 10)
        deliver(database, 20, 30)
    with closing(sqlite3.connect(path, isolation_level=None)) as vandal:
        vandal.execute("UPDATE delivered SET last_n = 19 WHERE first_n = 1")
    with opened(path, UPLINK) as database, database.reader() as reader:
        found = positions.ranges(reader, reader="mqtt", stream="samples", store="s1")
    assert found == (Range(20, 30),)


def test_a_range_runs_forward() -> None:
    with pytest.raises(ValueError, match="5 to 4"):
        Range(5, 4)


def numbers(parts: tuple[Range, ...] | list[Range]) -> set[int]:
    return {n for part in parts for n in range(part.first_n, part.last_n + 1)}


@given(st.lists(ranges))
def test_joined_ranges_hold_the_same_numbers_and_do_not_touch(parts: list[Range]) -> None:
    result = joined(parts)
    assert numbers(result) == numbers(parts)
    assert all(after.first_n > before.last_n + 1 for before, after in pairwise(result))


@given(st.lists(ranges), st.integers(0, 70), st.integers(0, 70))
def test_what_is_missing_is_what_is_neither_before_nor_delivered(
    parts: list[Range], after_n: int, newest_n: int
) -> None:
    expected = {n for n in range(after_n + 1, newest_n + 1) if n not in numbers(parts)}
    assert numbers(missing(parts, after_n=after_n, newest_n=newest_n)) == expected
