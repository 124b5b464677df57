"""Whether a figure stays where it is. Pure: series in, verdict out.

A straight line is laid through what was measured after the beginning, by least
squares. What it gains over that time is growth, when it is more than so little
that nobody could tell it from chance, or from one page more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, linear_regression

WARMING_PART = 1 / 3  # of the time, in which caches fill and libraries load what they need
FEWEST = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A series after its beginning.

    Args:
        mean: of it.
        per_hour: slope.
        gained: what the line gains from its first to its last point.
        spread: mean distance of a point from the line.
        allowed: what it may gain.
    """

    mean: float
    per_hour: float
    gained: float
    spread: float
    allowed: float

    @property
    def flat(self) -> bool:
        """Whether it gains no more than is allowed; falling is flat."""
        return self.gained <= self.allowed


def trend_of(times_s: Sequence[float], values: Sequence[float], *, allowed: float) -> Trend:
    """The trend of what was measured.

    Args:
        times_s: ascending.
        values: one for each.
        allowed: what it may gain over the judged time.

    Raises:
        ValueError: too few are left after the beginning.
    """
    begin_s = times_s[0] + WARMING_PART * (times_s[-1] - times_s[0]) if times_s else 0.0
    judged = [(at, value) for at, value in zip(times_s, values, strict=True) if at >= begin_s]
    if len(judged) < FEWEST:
        raise ValueError(f"{len(judged)} measurements after the beginning, at least {FEWEST} are needed: run longer")
    times, rest = zip(*judged, strict=True)
    slope, intercept = linear_regression(times, rest)
    return Trend(
        mean=fmean(rest),
        per_hour=slope * 3_600,
        gained=slope * (times[-1] - times[0]),
        spread=fmean(abs(value - (intercept + slope * at)) for at, value in judged),
        allowed=allowed,
    )
