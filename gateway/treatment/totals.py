"""How much has gone through: from counters that roll over or are reset, and from a flow. Pure."""

from collections.abc import Iterable
from itertools import pairwise

from gateway.treatment.refusal import NotCovered, above_zero, within

ROLL_OVER_SHARE = 0.1
"""A total that falls has rolled over when it has grown by at most this part of its whole count meanwhile."""
RESET_SHARE = 0.1
"""Else it was reset when it stands at most at this part of what it stood at; it then counts from 0."""
_COUNTER = "counter of so many bits"


def growth(before: float, now: float, rolls_over_at: float | None) -> float:
    """How far a running total has grown between two readings; none where it has fallen for no reason known.

    Args:
        before: reading before.
        now: reading now, in the same unit.
        rolls_over_at: where the total begins again from 0; None when it never does.
    """
    if now >= before:
        return now - before
    if rolls_over_at is not None and rolls_over_at - before + now <= ROLL_OVER_SHARE * rolls_over_at:
        return rolls_over_at - before + now
    return now if 0 <= now <= RESET_SHARE * before else 0.0


def total_growth(readings: Iterable[float], rolls_over_at: float | None = None) -> float:
    """How far a running total has grown over a row of readings, over roll-overs and resets."""
    return sum(growth(before, now, rolls_over_at) for before, now in pairwise(readings))


def pulses(before: int, now: int, *, bits: int, most: int | None = None) -> int:
    """Pulses of a counter between two readings, modulo 2^bits.

    Args:
        before: count before.
        now: count now.
        bits: width of the counter.
        most: pulses that can have come meanwhile; None does not judge.

    Raises:
        NotCovered: a count that the counter cannot show, or more pulses than can have come (a reset, or a slip).
    """
    whole = 1 << bits
    for count in (before, now):
        within("count", count, 0, whole - 1, f"{_COUNTER}: {bits}")
    counted = (now - before) % whole
    if most is not None and counted > most:
        raise NotCovered("pulses", counted, f"at most {most}", "plausible between two readings")
    return counted


def integrated(points: Iterable[tuple[float, float | None]], *, longest: float) -> tuple[float, float]:
    """Amount from a rate, by the trapezoid between two readings with a value.

    Args:
        points: time and rate in the order of time, the rate per unit of that time; None where nothing usable was read.
        longest: a gap longer than this is not bridged.

    Returns:
        The amount, and the time that it covers.

    Raises:
        NotCovered: a longest gap that is not above 0.
    """
    above_zero("longest gap", longest, "common practice, no source")
    amount, covered = 0.0, 0.0
    for (time, rate), (later, after) in pairwise(points):
        if rate is not None and after is not None and 0 < later - time <= longest:
            amount += (rate + after) / 2 * (later - time)
            covered += later - time
    return amount, covered
