"""The daily line that hangs the samples on the journal: what it covers, over restarts, joined chunks and tampering."""

import hashlib
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gateway.core.outcome import Event, EventKind
from gateway.custody.sample_text import SampleFiles
from gateway.field.sealing import Sealing
from gateway.local.messages import JournalEntry
from gateway.store import journal, sample_digest, sample_log
from gateway.store.database import Database, Transaction
from tests.custody.recheck import sample_lines
from tests.store.support import UTC_MS, WAIT_S, chunk_from, fill, opened

DAY_MS = 86_400_000
LATER_MS = UTC_MS + DAY_MS


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    with opened(tmp_path / "plant.db") as one:
        fill(one, 40)
        yield one


def step(sealing: Sealing, *, days: int, settled_ms: int = LATER_MS) -> Event | None:
    return sealing.step(now_utc_ms=UTC_MS + days * DAY_MS, settled_utc_ms=settled_ms)


def journaled(database: Database, event: Event) -> int:
    with database.reader() as reader:
        n = journal.newest(reader).n + 1
    line = JournalEntry(
        n=n,
        run=1,
        scan=n,
        monotonic_ms=n,
        utc_ms=LATER_MS,
        utc_trusted=True,
        kind=event.kind.value,
        facts=dict(event.facts),
    )
    database.submit(lambda transaction: journal.append(transaction, [line])).result(WAIT_S)
    return n


def sealed(database: Database) -> Event:
    sealing = Sealing(database)
    assert step(sealing, days=0) is None
    event = step(sealing, days=1)
    assert event is not None
    return event


def unfit(database: Database) -> tuple[int, list[str]]:
    with database.reader() as reader:
        compared, findings = sample_digest.verify(reader)
    return compared, [one.text for one in findings]


def test_a_day_is_sealed_once_with_the_hash_of_its_samples_and_of_the_journal(database: Database) -> None:
    event = sealed(database)
    with database.reader() as reader:
        head = journal.newest(reader)
    assert (event.kind, event.facts["first_n"], event.facts["last_n"]) == (EventKind.RECORD_SEALED, 1, 1_600)
    assert (event.facts["journal_n"], event.facts["journal_sha256"]) == (40, head.hash.hex())
    journaled(database, event)
    assert unfit(database) == (1, [])


def test_what_is_not_settled_waits_for_the_next_day(database: Database) -> None:
    sealing = Sealing(database)
    assert step(sealing, days=0, settled_ms=UTC_MS) is None
    assert step(sealing, days=1, settled_ms=UTC_MS) is None, "there is nothing to seal yet"
    event = step(sealing, days=1, settled_ms=UTC_MS + 90 * 400)
    assert event is not None
    assert 0 < int(event.facts["last_n"]) < 400
    again = step(sealing, days=2)
    assert again is not None
    assert (again.facts["first_n"], again.facts["last_n"]) == (int(event.facts["last_n"]) + 1, 1_600)


def test_after_a_restart_it_goes_on_behind_the_last_line_that_is_in_the_journal(database: Database) -> None:
    journaled(database, sealed(database))
    database.submit(lambda t: sample_log.append(t, *chunk_from(1_601))).result(WAIT_S)
    event = sealed(database)
    assert (event.facts["first_n"], event.facts["last_n"]) == (1_601, 1_640)


def test_joined_chunks_have_the_same_digest_and_a_rewritten_one_has_not(database: Database) -> None:
    journaled(database, sealed(database))
    assert database.submit(lambda t: sample_log.repack(t, until_utc_ms=LATER_MS)).result(WAIT_S) == 30
    assert unfit(database) == (1, [])

    def rewrite(transaction: Transaction) -> None:
        """By somebody who knows the format: checksum and seal are right, one sample is another."""
        transaction.execute("DELETE FROM sample_chunk WHERE last_n = 1600")
        rows = sample_log.unpack(*chunk_from(1_561)).rows
        forged = [*rows[:-1], sample_log.SampleRow(n=1_600, scan=rows[-1].scan, sample=rows[0].sample)]
        sample_log.append(transaction, *sample_log.pack(forged, [], run=1, configuration="c0ffee" * 10))

    database.submit(rewrite).result(WAIT_S)
    with database.reader() as reader:
        assert sample_log.verify(reader) == []
    assert unfit(database) == (1, ["samples 1 to 1600 are not those that journal line 41 holds the digest of"])


def test_a_day_whose_samples_are_partly_forgotten_is_not_compared(database: Database) -> None:
    journaled(database, sealed(database))
    database.submit(lambda t: t.execute("DELETE FROM sample_chunk WHERE last_n <= 40")).result(WAIT_S)
    assert unfit(database) == (0, [])


def test_a_third_party_finds_the_same_digest_from_the_lines_of_an_export(database: Database, tmp_path: Path) -> None:
    files = SampleFiles(tmp_path, site="s", zone=ZoneInfo("UTC"), units=lambda _: {}, within=lambda _: True)
    with database.reader() as reader:
        for header, body in sample_log.read_after(reader, 0, 10**9):
            files.take(header, body)
    files.close()
    columns = ("n", "tag", "utc", "value", "quality", "reason", "run")
    lines = "".join(",".join(line[name] for name in columns) + "\n" for line in sample_lines(tmp_path))
    assert hashlib.sha256(lines.encode()).hexdigest() == sealed(database).facts["sha256"]
