"""In the record of a wall clock that jumped: both clocks as they were, the order by number, nothing put right."""

import asyncio
from pathlib import Path

import pytest

from gateway.core.outcome import EventKind
from gateway.field.clock import ManualClock
from gateway.store import sample_log
from tests.core.plants import UTC_MS
from tests.field.fieldbench import WAIT_S, Disk, Scans, recorder_on

HOUR_MS = 3_600_000
JUMPS = {
    "an hour back": -HOUR_MS,
    "an hour ahead": HOUR_MS,
    "to 1970": -UTC_MS,
    "another year": 400 * 24 * HOUR_MS,
    "a little, as drift is": 7,
}


@pytest.mark.parametrize("what", JUMPS)
def test_lines_and_readings_keep_the_stamps_and_the_order_they_got(what: str, tmp_path: Path) -> None:
    disk = Disk(tmp_path / "plant.db")
    clock = ManualClock(monotonic_ms=5_000, utc_ms=UTC_MS)

    async def script() -> list[tuple[int, int]]:
        recorder, scans = recorder_on(disk, clock, lambda _: None), Scans(clock)
        ticks = []
        for second in range(6):
            clock.advance(1_000)
            clock._utc_ms += JUMPS[what] if second in (2, 4) else 0
            now = clock.now()
            ticks.append((now.monotonic_ms, now.utc_ms))
            recorder.note(*scans.next(EventKind.ALARM, samples=2))
        assert await recorder.finish(WAIT_S)
        return ticks

    try:
        ticks = asyncio.run(script())
        lines, rows = disk.entries(), disk.samples()
        with disk.reader() as reader:
            ((header, body),) = sample_log.read_after(reader, 0, 1 << 20)
        scanned = [(one.tick.monotonic_ms, one.tick.utc_ms) for one in sample_log.unpack(header, body).scans]
    finally:
        disk.close(WAIT_S)
    assert [(line.n, line.monotonic_ms, line.utc_ms) for line in lines] == [
        (n, *tick) for n, tick in enumerate(ticks, 1)
    ]
    assert [row.n for row in rows] == list(range(1, 13))
    arrived = [(row.sample.arrived.monotonic_ms, row.sample.arrived.utc_ms) for row in rows]
    assert arrived == [tick for tick in ticks for _ in range(2)]
    assert [row.sample.source_utc_ms for row in rows] == [utc_ms for _, utc_ms in arrived]
    assert scanned == ticks  # so that the offset between both clocks is on record at every scan
