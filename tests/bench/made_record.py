"""A record that nobody had to wait for: chunks and a saved state, written with the gateway's own store.

Nothing is measured here, and no file is touched but through ``gateway.store``.
"""

import random
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from gateway.configuration.plant import LoadedSite
from gateway.core.commissioning import Commissioned
from gateway.core.sample import Number, Sample
from gateway.core.state import ScanState, first_state, rules_of
from gateway.core.tick import Tick
from gateway.field.clock import SystemClock, boot_id
from gateway.local.messages import ChunkHeader
from gateway.store import machine_state, sample_log
from gateway.store.chunk import SampleRow, ScanTick, pack
from gateway.store.database import Database, Transaction
from gateway.store.migrations import PLANT
from gateway.store.scan_state import to_bytes

Chunk = tuple[ChunkHeader, bytes]

JOINED_S = 300  # what housekeeping makes of thirty commits: how everything lies that is older than ten minutes
_POLL_S = 5
_CLOSE_S = 60.0
_EARLIER_MS = 4 * 86_400_000  # the record begins so long ago: receivers refuse stamps of the future


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """What a store holds now.

    Args:
        samples: how many, numbered from 1.
        size_bytes: of all chunks.
    """

    samples: int
    size_bytes: int


def moving_chunks(tags: Sequence[str], seconds: int, *, configuration: str, seed: int = 1) -> list[Chunk]:
    """Readings of which each differs from the last: so many tags polled every 5 s, float32 with noise, all good.

    Args:
        tags: their names.
        seconds: how long a time, a multiple of 300.
        configuration: hash that the chunks bear.
        seed: of the noise.
    """
    draws = random.Random(seed)  # noqa: S311 - makes test data
    start_utc_ms = SystemClock().now().utc_ms - _EARLIER_MS
    chunks, n = [], 1
    for begin_s in range(0, seconds, JOINED_S):
        rows, scans = [], []
        for second in range(begin_s, begin_s + JOINED_S):
            tick = Tick(monotonic_ms=1_000 * second, utc_ms=start_utc_ms + 1_000 * second)
            scans.append(ScanTick(scan=second + 1, tick=tick))
            for tag in tags if second % _POLL_S == 0 else ():
                rows.append(SampleRow(n=n, scan=second + 1, sample=_moving(tag, tick, draws)))
                n += 1
        chunks.append(pack(rows, scans, run=1, configuration=configuration))
    return chunks


def _moving(tag: str, tick: Tick, draws: random.Random) -> Sample:
    octets = struct.pack(">f", draws.gauss(50.0, 1.0))
    value, raw = struct.unpack(">f", octets)[0], struct.unpack(">HH", octets)
    return Sample(tag=tag, reading=Number(value), arrived=tick, source_utc_ms=tick.utc_ms, raw=raw)


def repeated(chunks: Sequence[Chunk], times: int) -> Iterator[Chunk]:
    """The same chunks again and again under numbers that go on: as many and as large, their stamps alike."""
    many = chunks[-1][0].last_n
    for time in range(times):
        for header, body in chunks:
            yield (
                ChunkHeader(
                    stream=header.stream,
                    run=header.run,
                    first_n=header.first_n + time * many,
                    last_n=header.last_n + time * many,
                    first_utc_ms=header.first_utc_ms,
                    last_utc_ms=header.last_utc_ms,
                    configuration=header.configuration,
                    checksum=header.checksum,
                    size_bytes=header.size_bytes,
                ),
                body,
            )


def fill(loaded: LoadedSite, database_file: Path, chunks: Iterator[Chunk] | Sequence[Chunk] = ()) -> Filled:
    """Make the store of a site whose outputs are commissioned and given, with readings that nobody has had yet.

    The next start is then one after a short stop: the permits come back by the rule of the restart.
    """
    clock = SystemClock()
    database = Database(database_file, PLANT, utc_ms=clock.now().utc_ms)
    try:
        return database.submit(lambda transaction: _fill(transaction, loaded, chunks, clock.now())).result(_CLOSE_S)
    finally:
        database.close(_CLOSE_S)


def _fill(transaction: Transaction, loaded: LoadedSite, chunks: Iterator[Chunk] | Sequence[Chunk], now: Tick) -> Filled:
    samples = size_bytes = 0
    for header, body in chunks:
        sample_log.append(transaction, header, body)
        samples, size_bytes = header.last_n, size_bytes + len(body)
    machine_state.save(
        transaction,
        machine_state.Saved(
            state=to_bytes(_delivering(loaded, now)), tick=now, boot_id=boot_id(), run=1, configuration=loaded.hash
        ),
    )
    return Filled(samples=samples, size_bytes=size_bytes)


def _delivering(loaded: LoadedSite, now: Tick) -> ScanState:
    rules = rules_of(loaded.plant)
    state, _ = first_state(rules, now)
    rule = rules.plant.commissioning
    assert rule is not None, "the site declares no outputs"
    return replace(
        state,
        outputs={
            one.id: replace(
                state.outputs[one.id],
                level=one.normal_level,
                safe_since_ms=None,
                latches=(),
                confirmed=one.normal_level,
            )
            for one in rules.plant.outputs
        },
        commissioned=Commissioned(
            person="BENCH", role=min(rule.roles), utc_ms=now.utc_ms, reason="made", fingerprint=rule.fingerprint
        ),
    )
