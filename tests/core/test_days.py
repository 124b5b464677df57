"""Local days: where they begin, and that two a year are not 24 hours long."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.configuration.local_days import offsets_of
from gateway.core.days import UTC as ALWAYS_UTC
from gateway.core.days import day_at

HOUR_MS = 3_600_000
CENTRAL_EUROPE = offsets_of("Europe/Zurich")
CHILE = offsets_of("America/Santiago")  # its clocks change at midnight
ZONES = {name: offsets_of(name) for name in ("Europe/Zurich", "America/Santiago", "Asia/Kathmandu", "Pacific/Apia")}


def utc_ms(*when: int) -> int:
    return round(datetime(*when, tzinfo=UTC).timestamp() * 1_000)  # type: ignore[arg-type, misc]


def test_a_day_begins_at_local_midnight() -> None:
    before, after = (
        day_at(CENTRAL_EUROPE, utc_ms(2025, 2, 6, 22, 59, 59)),
        day_at(CENTRAL_EUROPE, utc_ms(2025, 2, 6, 23)),
    )
    assert after.number == before.number + 1
    assert (before.elapsed_ms, after.elapsed_ms) == (24 * HOUR_MS - 1_000, 0)


@pytest.mark.parametrize(
    ("last_hour", "hours"),
    [((2025, 3, 30, 21, 30), 22.5), ((2025, 10, 26, 22, 30), 24.5), ((2025, 3, 31, 21, 30), 23.5)],
)
def test_the_days_on_which_the_clocks_change_have_23_and_25_hours(last_hour: tuple[int, ...], hours: float) -> None:
    assert day_at(CENTRAL_EUROPE, utc_ms(*last_hour)).elapsed_ms == hours * HOUR_MS


def test_a_day_without_midnight_begins_when_the_clocks_have_changed() -> None:
    change = utc_ms(2025, 9, 7, 4)  # 00:00 becomes 01:00
    assert day_at(CHILE, change).elapsed_ms == 0
    assert day_at(CHILE, change).number == day_at(CHILE, change - 1).number + 1
    assert day_at(CHILE, change + HOUR_MS).elapsed_ms == HOUR_MS


@given(
    st.datetimes(datetime(2000, 1, 3), datetime(2100, 12, 30)),  # noqa: DTZ001 - of UTC, given below
    st.sampled_from(sorted(ZONES)),
)
def test_the_day_is_the_one_on_the_calendar(when: datetime, zone: str) -> None:
    when = when.replace(tzinfo=UTC)
    at_ms = (when - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)
    day = day_at(ZONES[zone], at_ms)
    local = when.astimezone(ZoneInfo(zone))
    assert day.number == (local.date() - datetime(1970, 1, 1, tzinfo=UTC).date()).days
    assert 0 <= day.elapsed_ms < 25 * HOUR_MS
    start = day_at(ZONES[zone], at_ms - day.elapsed_ms)
    assert (start.number, start.elapsed_ms) == (day.number, 0)
    assert day_at(ZONES[zone], at_ms - day.elapsed_ms - 1).number < day.number


def test_without_a_time_zone_days_are_those_of_utc() -> None:
    assert day_at(ALWAYS_UTC, utc_ms(1970, 1, 2, 1)) == day_at(ALWAYS_UTC, 25 * HOUR_MS)
    assert day_at(ALWAYS_UTC, -1).number == -1
