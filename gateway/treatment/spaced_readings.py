"""Regulatory counting: readings taken at a fixed spacing, each counting as one. Pure.

22 CCR 60321 (from memory): the daily mean from readings every 4 hours, the
percent of time from readings not more than 1.2 hours apart, over 24 hours.
With exactly 1.2 h there are 20 readings, so 5 % is one: one reading above the
limit is allowed, two are not.
"""

import math
from collections.abc import Iterable, Iterator, Sequence

from gateway.treatment.limits import exceeds
from gateway.treatment.refusal import above_zero, not_negative

MEAN_SPACING_H = 4.0
"""From one reading of the daily mean to the next, 22 CCR 60321 (from memory)."""
SHARE_SPACING_H = 1.2
"""At most, from one reading of the percent of time to the next, 22 CCR 60321 (from memory)."""
_ORDER = "readings in the order of time"


def mean_of(values: Sequence[float]) -> float:
    """Arithmetic mean, each reading counting as one.

    Raises:
        ValueError: there is no reading.
    """
    if not values:
        raise ValueError("a mean of at least one reading is needed")
    return math.fsum(values) / len(values)


def share_above(values: Sequence[float], limit: float) -> float:
    """Share of readings above a limit, 0 to 1.

    Raises:
        ValueError: there is no reading.
    """
    if not values:
        raise ValueError("a share of at least one reading is needed")
    return sum(exceeds(value, limit) for value in values) / len(values)


def spaced(
    readings: Iterable[tuple[float, float | None]], *, begin: float, end: float, every: float
) -> Iterator[tuple[float, float | None]]:
    """The reading that stands at each instant of a fixed grid: begin, begin + every, and so on before the end.

    Args:
        readings: time and value in the order of time; None where nothing usable was read.
        begin: the first instant.
        end: no instant at or after it.
        every: spacing of the grid.

    Yields:
        Each instant with the newest value read at or before it, since the instant before; None when there is none,
        which leaves a hole to be told, never the value of earlier.

    Raises:
        NotCovered: a spacing that is not above 0, or an end before the begin.
    """
    above_zero("spacing", every, _ORDER)
    not_negative("length of the spell", end - begin, _ORDER)
    coming = iter(readings)
    upcoming = next(coming, None)
    for number in range(math.ceil(round((end - begin) / every, 9))):
        at, newest = begin + number * every, None
        while upcoming is not None and upcoming[0] <= at:
            newest = upcoming[1] if upcoming[0] > at - every else newest
            upcoming = next(coming, None)
        yield at, newest
