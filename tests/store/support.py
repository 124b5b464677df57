"""Stores and rows for the tests of the store: invented readings of the demo site's tags."""

import random
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Sample
from gateway.core.tick import Tick
from gateway.local.messages import ChunkHeader, JournalEntry
from gateway.store import journal, machine_state, sample_log
from gateway.store.database import Database, Layout, Transaction
from gateway.store.migrations import PLANT
from gateway.store.sample_log import SampleRow, ScanTick

UTC_MS = 1_738_800_000_000  # 2025-02-06
CONFIGURATION = "c0ffee" * 10
WAIT_S = 20.0


@contextmanager
def opened(path: Path, layout: Layout = PLANT, *, utc_ms: int = UTC_MS, queue_length: int = 256) -> Iterator[Database]:
    database = Database(path, layout, utc_ms=utc_ms, queue_length=queue_length)
    try:
        yield database
    finally:
        database.close(WAIT_S)


def entry(n: int, *, run: int = 1, subject: str = "I-01", configuration: str = CONFIGURATION) -> JournalEntry:
    return JournalEntry(
        n=n,
        run=run,
        scan=n,
        monotonic_ms=1000 * n,
        utc_ms=UTC_MS + 1000 * n,
        utc_trusted=True,
        kind="trip",
        subject=subject,
        facts={"value_ntu": 10.5 + n, "limit_ntu": 10.0, "latched": True, "cause": "turbidity high"},
        configuration=configuration,
    )


def rows_from(n: int, count: int = 40) -> list[SampleRow]:
    """Samples n, n+1 ...; each number always has the same sample, whatever chunk it is asked for in."""
    return [SampleRow(n=i, scan=i // 10, sample=_sample(i)) for i in range(n, n + count)]


def _sample(n: int) -> Sample:
    noise = random.Random(n)  # noqa: S311 - seeded noise is no cryptography
    arrived = Tick(monotonic_ms=90 * n, utc_ms=UTC_MS + 90 * n)
    common = {"arrived": arrived, "source_utc_ms": arrived.utc_ms}
    match n % 4:
        case 0:
            low, high = struct.unpack(">HH", struct.pack(">f", noise.gauss(0.2, 0.01)))
            (value,) = struct.unpack(">f", struct.pack(">HH", low, high))
            return Sample(tag="AIT-510", reading=Number(value), raw=(high, low), **common)  # type: ignore[arg-type]
        case 1:
            counts = noise.randint(7000, 31000)
            return Sample(tag="FIT-905", reading=Number(counts * 0.01), raw=(counts,), **common)  # type: ignore[arg-type]
        case 2:
            return Sample(tag="ZSC-901", reading=Number(1.0), raw=(1,), **common)  # type: ignore[arg-type]
        case _:
            return Sample(tag="AIT-511", reading=NoNumber(Reason.NO_ANSWER), **common)  # type: ignore[arg-type]


def scans_of(rows: list[SampleRow]) -> list[ScanTick]:
    numbers = range(rows[0].scan, rows[-1].scan + 1)
    return [
        ScanTick(scan=scan, tick=Tick(monotonic_ms=900 * scan + 905, utc_ms=UTC_MS + 900 * scan + 905))
        for scan in numbers
    ]


def chunk_from(
    n: int, count: int = 40, *, run: int = 1, configuration: str = CONFIGURATION
) -> tuple[ChunkHeader, bytes]:
    rows = rows_from(n, count)
    return sample_log.pack(rows, scans_of(rows), run=run, configuration=configuration)


def state_after(n: int) -> machine_state.Saved:
    return machine_state.Saved(
        state=b'{"I-01":"tripped","n":%d}' % n,
        tick=Tick(monotonic_ms=1000 * n, utc_ms=UTC_MS + 1000 * n),
        boot_id="0f4b2e06-boot",
        run=1,
        configuration=CONFIGURATION,
    )


def commit(transaction: Transaction, n: int, *, count: int = 40) -> None:
    """The n-th commit as the field process makes it: an entry, a chunk, the state, all or nothing."""
    journal.append(transaction, [entry(n)])
    sample_log.append(transaction, *chunk_from((n - 1) * count + 1, count))
    machine_state.save(transaction, state_after(n))


def fill(database: Database, commits: int, *, count: int = 40) -> None:
    for n in range(1, commits + 1):
        database.submit(lambda transaction, n=n: commit(transaction, n, count=count)).result(WAIT_S)  # type: ignore[misc]
