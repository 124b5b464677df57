"""The month's data: what counts, when readings wait, and what a restart, a new month and a wrong clock make of it."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gateway.core.tick import Tick
from gateway.store.database import Database
from gateway.store.errors import StoreFailing
from gateway.store.migrations import UPLINK
from gateway.uplink.allowance import Allowance, Spent
from gateway.uplink.field_link import Position
from gateway.uplink.position_file import PositionFile
from tests.uplink.field_stand_in import PositionsInMemory

FEBRUARY, MARCH = datetime(2025, 2, 18, tzinfo=UTC), datetime(2025, 3, 1, tzinfo=UTC)
MB = 1_000_000


class Wire:
    """A link and a clock, both moved by hand."""

    def __init__(self) -> None:
        self.octets = 0
        self.at = FEBRUARY
        self.trusted = True

    def now(self) -> Tick:
        return Tick(monotonic_ms=0, utc_ms=round(self.at.timestamp() * 1_000), utc_trusted=self.trusted)


def allowance(wire: Wire, positions: PositionsInMemory | PositionFile, *, month_mb: float | None = 10.0) -> Allowance:
    return Allowance(
        month_mb=month_mb,
        zone=ZoneInfo("Europe/Berlin"),
        wire_bytes=lambda: wire.octets,
        positions=positions,
        now=wire.now,
        sleep=asyncio.sleep,
    )


def waits(one: Allowance) -> bool:
    try:
        one.let_readings_go()
    except Spent:
        return True
    return False


def test_from_nine_tenths_of_the_month_on_readings_wait_and_that_is_said() -> None:
    wire = Wire()
    counted = allowance(wire, PositionsInMemory())
    wire.octets = 9 * MB - 1
    assert not waits(counted)
    assert counted.troubles() == ()
    wire.octets = 9 * MB
    assert waits(counted)
    assert "90% of the 10 MB of 2025-02 are used: readings wait" in counted.troubles()[0]


def test_what_is_said_does_not_change_with_every_octet() -> None:
    """Else each would be a new state and a new note, and cost data itself."""
    wire = Wire()
    counted = allowance(wire, PositionsInMemory())
    wire.octets = 9 * MB
    said = counted.troubles()
    wire.octets = 12 * MB
    assert counted.troubles() == said


def test_without_a_bound_it_only_counts() -> None:
    wire = Wire()
    counted = allowance(wire, PositionsInMemory(), month_mb=None)
    wire.octets = 5_000 * MB
    assert not waits(counted)
    assert counted.used_bytes() == 5_000 * MB


def test_a_new_month_of_the_site_starts_from_nothing() -> None:
    wire = Wire()
    counted = allowance(wire, PositionsInMemory())
    wire.octets = 9 * MB
    assert waits(counted)
    wire.at = MARCH.replace(month=2, day=28, hour=23, minute=30)  # half past midnight of 1 March at the site
    assert not waits(counted)
    assert counted.used_bytes() == 0


def test_a_clock_that_is_not_trusted_begins_no_month() -> None:
    wire = Wire()
    counted = allowance(wire, PositionsInMemory())
    wire.octets = 9 * MB
    assert waits(counted)
    wire.at, wire.trusted = datetime(1970, 1, 1, tzinfo=UTC), False
    assert waits(counted)


def restarted(tmp_path: Path, first: Wire, second: Wire) -> int:
    """What is counted after a restart, when a process has used the first wire and the next one the second."""

    async def one_life(wire: Wire) -> int:
        database = Database(tmp_path / "uplink.db", UPLINK, utc_ms=0)
        counted = allowance(wire, PositionFile(database))
        await counted.keep()
        wire.octets += MB
        await counted.keep()
        database.close(10)
        return counted.used_bytes()

    asyncio.run(one_life(first))
    return asyncio.run(one_life(second))


def test_a_restart_goes_on_counting(tmp_path: Path) -> None:
    assert restarted(tmp_path, Wire(), Wire()) == 2 * MB


def test_a_restart_before_the_clock_is_set_goes_on_counting(tmp_path: Path) -> None:
    unset = Wire()
    unset.at, unset.trusted = datetime(1970, 1, 1, tzinfo=UTC), False
    assert restarted(tmp_path, Wire(), unset) == 2 * MB


def test_a_restart_in_another_month_starts_from_nothing(tmp_path: Path) -> None:
    later = Wire()
    later.at = MARCH
    assert restarted(tmp_path, Wire(), later) == MB


def test_a_count_that_cannot_be_read_is_not_written_over(caplog: pytest.LogCaptureFixture) -> None:
    class Failing(PositionsInMemory):
        async def get(self, reader: str, stream: str) -> Position | None:
            raise StoreFailing(f"{reader}, {stream}: no answer")

    async def story() -> None:
        positions = Failing()
        await allowance(Wire(), positions).keep()
        assert positions.moves == []

    asyncio.run(story())
    assert "cannot be read yet" in caplog.text
