"""Which local day an instant belongs to. The offsets from UTC come as a table, made from the time zone beforehand.

A day is 23 or 25 hours long where the clocks change in it.
"""

from dataclasses import dataclass

_MS_PER_DAY = 86_400_000

Offsets = tuple[tuple[int, int], ...]
"""(from this UTC instant on, local time less UTC), both in milliseconds; in order, the first from long ago."""

UTC: Offsets = ((-(1 << 62), 0),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A local day, as it stands now.

    Args:
        number: days since 1 January 1970, by the local calendar.
        elapsed_ms: since it began.
    """

    number: int
    elapsed_ms: int


def day_at(offsets: Offsets, utc_ms: int) -> Day:
    """The local day of an instant."""
    place = _in_force(offsets, utc_ms)
    number = (utc_ms + offsets[place][1]) // _MS_PER_DAY
    midnights = [number * _MS_PER_DAY - offset for _, offset in offsets[max(0, place - 1) : place + 1]]
    begins = [*midnights, offsets[place][0]]  # the clocks may have skipped midnight
    start_ms = min(begin for begin in begins if _number(offsets, begin) == number)
    return Day(number=number, elapsed_ms=utc_ms - start_ms)


def _number(offsets: Offsets, utc_ms: int) -> int:
    return (utc_ms + offsets[_in_force(offsets, utc_ms)][1]) // _MS_PER_DAY


def _in_force(offsets: Offsets, utc_ms: int) -> int:
    """Place of the last entry that begins at or before an instant; the first where none does."""
    low, high = 0, len(offsets)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if offsets[middle][0] <= utc_ms else (low, middle)
    return low
