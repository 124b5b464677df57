"""Chunks in order, handed over as stored, never a damaged one."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TypeVar

import msgspec
import pytest

from gateway.local.messages import ChunkHeader
from gateway.store import configurations, sample_log
from gateway.store.database import Database, Reader, rows
from gateway.store.errors import ChunkDamaged, OutOfSequence
from gateway.store.findings import Fault
from gateway.store.sample_log import unpack
from tests.store.support import CONFIGURATION, UTC_MS, WAIT_S, chunk_from, fill, opened, rows_from

EVERYTHING = 10_000_000
T = TypeVar("T")
Chunks = list[tuple[ChunkHeader, bytes]]


def vandalise(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as vandal:
        for statement in statements:
            vandal.execute(statement)


def add(database: Database, chunk: tuple[ChunkHeader, bytes], *, gap_allowed: bool = False) -> None:
    database.submit(lambda t: sample_log.append(t, *chunk, gap_allowed=gap_allowed)).result(WAIT_S)


def read(database: Database, question: Callable[[Reader], T]) -> T:
    with database.reader() as reader:
        return question(reader)


def spans(chunks: Chunks) -> list[tuple[int, int]]:
    return [(header.first_n, header.last_n) for header, _ in chunks]


def test_what_was_appended_is_handed_over_as_it_was(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        chunks = [chunk_from(1), chunk_from(41), chunk_from(81, run=2, configuration="other")]
        for chunk in chunks:
            add(database, chunk)
        with database.reader() as reader:
            assert sample_log.read_after(reader, 0, EVERYTHING) == chunks
            assert sample_log.read_after(reader, 40, EVERYTHING) == chunks[1:]
            assert sample_log.read_after(reader, 120, EVERYTHING) == []
            assert (sample_log.oldest_n(reader), sample_log.newest_n(reader)) == (1, 120)
            assert sample_log.verify(reader) == []


def test_a_position_within_a_chunk_gets_that_chunk(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 3)
        assert spans(read(database, lambda r: sample_log.read_after(r, 55, EVERYTHING))) == [(41, 80), (81, 120)]
        assert read(database, lambda r: sample_log.gap_after(r, 55)) == ""


def test_reading_is_bounded_in_bytes_and_always_goes_on(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 5)
        size = chunk_from(1)[0].size_bytes
        with database.reader() as reader:
            assert spans(sample_log.read_after(reader, 0, int(size * 2.5))) == [(1, 40), (41, 80)]
            assert spans(sample_log.read_after(reader, 0, 1)) == [(1, 40)]


def test_numbers_without_gaps_are_insisted_on(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        add(database, chunk_from(1))
        for first_n in (1, 40, 42, 81):
            with pytest.raises(OutOfSequence, match="do not follow 40"):
                add(database, chunk_from(first_n))
        add(database, chunk_from(41))


def test_a_gap_that_the_caller_owns_up_to_is_told_from_a_loss(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        add(database, chunk_from(1))
        add(database, chunk_from(101), gap_allowed=True)
        with pytest.raises(OutOfSequence):
            add(database, chunk_from(101), gap_allowed=True)
        with database.reader() as reader:
            assert spans(sample_log.read_after(reader, 0, EVERYTHING)) == [(1, 40)]
            assert spans(sample_log.read_after(reader, 40, EVERYTHING)) == [(101, 140)]
            assert sample_log.gap_after(reader, 40) == "samples 41 to 100 were never recorded; the journal says why"
            assert sample_log.verify(reader) == []
    vandalise(path, "UPDATE sample_gap SET first_n = 1")
    with opened(path) as database:
        assert read(database, lambda r: sample_log.gap_after(r, 40)) == "samples 41 to 100 are gone or damaged"


def test_header_and_body_that_do_not_belong_together_are_refused(tmp_path: Path) -> None:
    (header, body), (_, other) = chunk_from(1), chunk_from(41)
    with opened(tmp_path / "plant.db") as database:
        for wrong in (
            (header, other),
            (msgspec.structs.replace(header, checksum=1), body),
            (msgspec.structs.replace(header, stream="journal"), body),
        ):
            with pytest.raises(ChunkDamaged):
                add(database, wrong)
        assert read(database, sample_log.newest_n) == 0


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE sample_chunk SET body = CAST(x'01' || substr(body, 3) || x'00' AS BLOB) WHERE last_n = 80",
        "UPDATE sample_chunk SET body = substr(body, 1, length(body) - 1) WHERE last_n = 80",
        "UPDATE sample_chunk SET first_n = 40 WHERE last_n = 80",
        "UPDATE sample_chunk SET run = 2 WHERE last_n = 80",
        "UPDATE sample_chunk SET first_utc_ms = first_utc_ms + 1 WHERE last_n = 80",
        "UPDATE sample_chunk SET last_utc_ms = 0 WHERE last_n = 80",
        "UPDATE sample_chunk SET configuration = 77 WHERE last_n = 80",
        "UPDATE sample_chunk SET seal = seal + 1 WHERE last_n = 80",
        "UPDATE sample_chunk SET last_n = 79 WHERE last_n = 80",
        "DELETE FROM sample_chunk WHERE last_n = 80",
    ],
)
def test_a_damaged_chunk_is_never_handed_over_and_is_found(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        fill(database, 4)
    vandalise(path, damage)
    with opened(path) as database, database.reader() as reader:
        assert spans(sample_log.read_after(reader, 0, EVERYTHING)) == [(1, 40)]
        assert spans(sample_log.read_after(reader, 40, EVERYTHING)) == [(81, 120), (121, 160)]
        assert sample_log.gap_after(reader, 40) == "samples 41 to 80 are gone or damaged"
        assert {finding.fault for finding in sample_log.verify(reader)} & {Fault.DAMAGED, Fault.DELETED}


def test_a_changed_configuration_hash_spoils_its_chunks(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        fill(database, 2)
    vandalise(path, "UPDATE configuration SET hash = 'another'")
    with opened(path) as database:
        assert read(database, lambda r: sample_log.read_after(r, 0, EVERYTHING)) == []
        assert len(read(database, sample_log.verify)) == 2


def test_joining_keeps_every_sample_and_takes_fewer_bytes(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 12)
        before = read(database, lambda r: sample_log.read_after(r, 0, EVERYTHING))
        late = UTC_MS + 10**9
        joined = [
            database.submit(lambda t: sample_log.repack(t, until_utc_ms=late, at_most_chunks=5)).result(WAIT_S)
            for _ in range(4)
        ]
        assert joined == [5, 5, 0, 0]
        after = read(database, lambda r: sample_log.read_after(r, 0, EVERYTHING))
        assert spans(after) == [(1, 200), (201, 400), (401, 440), (441, 480)]
        assert [row for chunk in after for row in unpack(*chunk).rows] == rows_from(1, 480)
        assert [s for c in after for s in unpack(*c).scans] == [s for c in before for s in unpack(*c).scans]
        assert sum(h.size_bytes for h, _ in after) < 0.8 * sum(h.size_bytes for h, _ in before)
        assert read(database, sample_log.verify) == []
        add(database, chunk_from(481))


def test_joining_leaves_young_chunks_alone(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 6)
        young = chunk_from(161)[0].first_utc_ms
        assert database.submit(lambda t: sample_log.repack(t, until_utc_ms=young, at_most_chunks=5)).result(WAIT_S) == 0
        assert database.submit(lambda t: sample_log.repack(t, until_utc_ms=young, at_most_chunks=3)).result(WAIT_S) == 3


def test_joining_stops_at_runs_configurations_gaps_and_damage(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        add(database, chunk_from(1))
        add(database, chunk_from(41))
        add(database, chunk_from(81, run=2))
        add(database, chunk_from(121, run=2))
        add(database, chunk_from(161, run=2, configuration="other"))
        add(database, chunk_from(301, run=2, configuration="other"), gap_allowed=True)
        add(database, chunk_from(341, run=2, configuration="other"))
        add(database, chunk_from(381, run=2, configuration="other"))
        add(database, chunk_from(421, run=2, configuration="other"))
    vandalise(path, "UPDATE sample_chunk SET run = 3 WHERE last_n = 380")
    with opened(path) as database:
        late = UTC_MS + 10**9
        joined = [
            database.submit(lambda t: sample_log.repack(t, until_utc_ms=late, at_most_chunks=2)).result(WAIT_S)
            for _ in range(7)
        ]
        assert joined == [2, 2, 1, 1, 1, 2, 0]
        found = read(database, lambda r: rows(r, "SELECT first_n, last_n FROM sample_chunk ORDER BY last_n"))
        assert found == [(1, 80), (81, 160), (161, 200), (301, 340), (341, 380), (381, 460)]


def test_every_configuration_stays_fetchable_by_its_hash(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 1)
        assert read(database, lambda r: configurations.fetch(r, CONFIGURATION)) is None
        assert read(database, lambda r: configurations.fetch(r, "never seen")) is None
        for _ in range(2):
            database.submit(
                lambda t: configurations.keep(t, configuration=CONFIGURATION, document=b"site: marrowfell")
            ).result(WAIT_S)
        assert read(database, lambda r: configurations.fetch(r, CONFIGURATION)) == b"site: marrowfell"
        assert len(read(database, lambda r: sample_log.read_after(r, 0, EVERYTHING))) == 1
