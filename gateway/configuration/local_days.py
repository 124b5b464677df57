"""The local days of a site: a time zone as the table of offsets that the decisions read.

Made once, so that the decisions need no time-zone database and a record is
decided again with the same days.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from gateway.core.days import Offsets

FIRST_YEAR = 2000
LAST_YEAR = 2100
_STEP = timedelta(days=1)
_LONG_AGO_MS = -(1 << 62)


def offsets_of(time_zone: str) -> Offsets:
    """Local time against UTC through the century, to the second at which the clocks change."""
    zone = ZoneInfo(time_zone)
    here = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC)
    offsets = [(_LONG_AGO_MS, _offset_ms(here, zone))]
    while here.year <= LAST_YEAR:
        ahead = here + _STEP
        if _offset_ms(ahead, zone) != offsets[-1][1]:
            change = _change(here, ahead, zone)
            offsets.append((round(change.timestamp() * 1_000), _offset_ms(change, zone)))
        here = ahead
    return tuple(offsets)


def _change(before: datetime, after: datetime, zone: ZoneInfo) -> datetime:
    """The first second at which the offset is no longer that of ``before``."""
    old_ms = _offset_ms(before, zone)
    while after - before > timedelta(seconds=1):
        middle = before + timedelta(seconds=(after - before) // timedelta(seconds=2))
        before, after = (middle, after) if _offset_ms(middle, zone) == old_ms else (before, middle)
    return after


def _offset_ms(at: datetime, zone: ZoneInfo) -> int:
    return round((at.astimezone(zone).utcoffset() or timedelta()) / timedelta(milliseconds=1))
