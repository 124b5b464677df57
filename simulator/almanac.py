"""How much water Marrowfell Saddle sends on which day and hour (scenario section 3). Pure.

Plant time is local time, UTC+1 without a summer change: the demonstration is
February 2025. Times are whole milliseconds since 1970 on the local clock.
"""

from datetime import UTC, datetime
from functools import cache

SECOND_MS = 1_000
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
UTC_OFFSET_MS = HOUR_MS

HOLIDAY_DAYS = frozenset({"2025-02-14", "2025-02-15", "2025-02-16", "2025-02-17"})
HOLIDAY_M3 = 54.0
WEEKDAY_M3 = (14.0, 14.0, 14.0, 14.0, 20.0, 42.5, 36.0)  # Monday first
HOURLY_PERCENT = (
    0.4,
    0.3,
    0.25,
    0.2,
    0.25,
    0.5,
    1.2,
    2.0,
    2.6,
    3.2,
    5.4,
    8.2,
    10.6,
    10.8,
    9.2,
    8.0,
    7.4,
    6.6,
    6.0,
    5.2,
    4.4,
    3.6,
    2.2,
    1.5,
)  # fmt: skip - two rows of twelve hours


def local_ms(text: str) -> int:
    """Plant time of ``YYYY-MM-DD HH:MM`` in local time.

    Raises:
        ValueError: the text is no such time.
    """
    moment = datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=UTC)
    return int(moment.timestamp()) * SECOND_MS


def local_time(at_ms: int) -> datetime:
    """Local date and time of a plant time; its fields are local, whatever its zone says."""
    return datetime.fromtimestamp(at_ms / SECOND_MS, tz=UTC)


def utc_ms(at_ms: int) -> int:
    """UTC milliseconds of a plant time."""
    return at_ms - UTC_OFFSET_MS


def local_time_of_utc(at_utc_ms: int) -> datetime:
    """Local date and time of a moment in UTC milliseconds."""
    return local_time(at_utc_ms + UTC_OFFSET_MS)


def day_volume_m3(at_ms: int) -> float:
    """Inflow planned for the day."""
    return _volume_m3(at_ms // DAY_MS)


@cache
def _volume_m3(day_number: int) -> float:
    day = local_time(day_number * DAY_MS)
    return HOLIDAY_M3 if day.strftime("%Y-%m-%d") in HOLIDAY_DAYS else WEEKDAY_M3[day.weekday()]


def planned_inflow_m3_h(at_ms: int) -> float:
    """Inflow by the day's volume and the hour's share, on a straight line from one full hour to the next."""
    hour, into_ms = divmod(at_ms % DAY_MS, HOUR_MS)
    here, there = HOURLY_PERCENT[hour], HOURLY_PERCENT[(hour + 1) % 24]
    share_percent = here + (there - here) * into_ms / HOUR_MS
    return day_volume_m3(at_ms) * share_percent / 100
