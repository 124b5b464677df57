"""A straight line through readings, and when it will reach a value. Pure. Least squares; common practice, no source."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.treatment.refusal import NotCovered

SOURCE = "least squares"
_FEWEST = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line.

    Args:
        slope: of the value per unit of time.
        time: in the middle of the readings.
        value: on the line at that time.
        readings: how many it was drawn through.
    """

    slope: float
    time: float
    value: float
    readings: int

    def at(self, time: float) -> float:
        """The value on the line."""
        return self.value + self.slope * (time - self.time)


def line_through(readings: Sequence[tuple[float, float]]) -> Line:
    """The line of least squares.

    Args:
        readings: time and value; at least two at different times.

    Raises:
        NotCovered: fewer.
    """
    if len({time for time, _ in readings}) < _FEWEST:
        raise NotCovered("readings", len(readings), "at least two at different times", SOURCE)
    time = math.fsum(at for at, _ in readings) / len(readings)
    value = math.fsum(of for _, of in readings) / len(readings)
    spread = math.fsum((at - time) ** 2 for at, _ in readings)
    slope = math.fsum((at - time) * (of - value) for at, of in readings) / spread
    return Line(slope=slope, time=time, value=value, readings=len(readings))


def time_until(line: Line, value: float, *, now: float, at_most: float) -> float:
    """How long from now until a rising line reaches a value, in its unit of time; 0 when it has.

    Args:
        line: from ``line_through``.
        value: to be reached from below.
        now: on the line's clock.
        at_most: how far ahead the line is believed.

    Raises:
        NotCovered: the line does not rise, or reaches the value later than it is believed.
    """
    standing = line.at(now)
    if standing >= value:
        return 0.0
    if line.slope <= 0:
        raise NotCovered("slope", line.slope, "more than 0: the line does not rise", SOURCE)
    lasting = (value - standing) / line.slope
    if lasting > at_most:
        raise NotCovered("time ahead", f"{lasting:g}", f"at most {at_most:g}", SOURCE)
    return lasting
