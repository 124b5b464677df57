"""Tanks: how long until they overflow, how long a supply lasts, when sludge must go. Pure.

Sludge and scum: pump out at 25 to 33 % of the liquid depth (trade guidance);
12 inches from the sludge to the bottom of the outlet, 3 from the scum to the
bottom of the outlet baffle (El Dorado County septic components page).
"""

from collections.abc import Sequence

from gateway.treatment.limits import reaches
from gateway.treatment.refusal import NotCovered, above_zero, not_negative, within
from gateway.treatment.trend import line_through, time_until

SOURCE = "balance of volume"
SLUDGE_SOURCE = "trade guidance; El Dorado County septic components page"
PUMP_OUT_FRACTION = 0.25
SLUDGE_CLEAR_M = 12 * 0.0254
SCUM_CLEAR_M = 3 * 0.0254


def time_to_overflow_s(free_m3: float, inflow_m3_s: float, outflow_m3_s: float) -> float:
    """How long until a tank overflows if both flows go on, s; 0 when it is full.

    Args:
        free_m3: volume up to the overflow; below 0 counts as full.
        inflow_m3_s: from 0.
        outflow_m3_s: from 0.

    Raises:
        NotCovered: a flow below 0, or a level that does not rise, which has no such time.
    """
    rising = not_negative("inflow m3/s", inflow_m3_s, SOURCE) - not_negative("outflow m3/s", outflow_m3_s, SOURCE)
    return 0.0 if free_m3 <= 0 else free_m3 / _moving("net inflow m3/s", rising)


def _moving(what: str, rate: float) -> float:
    if rate > 0:
        return rate
    raise NotCovered(what, rate, "more than 0: the level does not move that way", SOURCE)


def supply_left_s(usable_m3: float, outflow_m3_s: float, inflow_m3_s: float) -> float:
    """How long the supply in a tank lasts if both flows go on, s; 0 when it is empty.

    Args:
        usable_m3: volume above the lowest usable level; below 0 counts as empty.
        outflow_m3_s: use, from 0.
        inflow_m3_s: make-up, from 0; 0 asks how long without any.

    Raises:
        NotCovered: a flow below 0, or a level that does not fall, which has no such time.
    """
    falling = not_negative("outflow m3/s", outflow_m3_s, SOURCE) - not_negative("inflow m3/s", inflow_m3_s, SOURCE)
    return 0.0 if usable_m3 <= 0 else usable_m3 / _moving("net outflow m3/s", falling)


def sludge_fraction(sludge_m: float, scum_m: float, liquid_m: float) -> float:
    """Sludge and scum as a part of the liquid depth, 0 to 1.

    Args:
        sludge_m: depth of the sludge, from 0.
        scum_m: depth of the scum, from 0.
        liquid_m: depth of the liquid, above 0 and no less than both together.

    Raises:
        NotCovered: outside these ranges.
    """
    not_negative("sludge m", sludge_m, SLUDGE_SOURCE)
    not_negative("scum m", scum_m, SLUDGE_SOURCE)
    above_zero("liquid depth m", liquid_m, SLUDGE_SOURCE)
    return within("sludge and scum m", sludge_m + scum_m, 0.0, liquid_m, SLUDGE_SOURCE) / liquid_m


def pump_out_due(fraction: float, *, sludge_to_outlet_m: float, scum_to_baffle_m: float) -> bool:
    """Whether a settling tank must be pumped out by any of the three rules.

    Args:
        fraction: from ``sludge_fraction``.
        sludge_to_outlet_m: from the top of the sludge to the bottom of the outlet; below 0 is past it.
        scum_to_baffle_m: from the bottom of the scum to the bottom of the outlet baffle; below 0 is past it.
    """
    full = reaches(fraction, PUMP_OUT_FRACTION)
    return full or sludge_to_outlet_m < SLUDGE_CLEAR_M or scum_to_baffle_m < SCUM_CLEAR_M


def time_to_pump_out(
    fractions: Sequence[tuple[float, float]], *, now: float, at_most: float, limit: float = PUMP_OUT_FRACTION
) -> float:
    """How long until sludge and scum reach the fraction at which they must go, by the line through what was measured.

    Args:
        fractions: time and fraction since the last pump-out, at least two.
        now: on the clock of the measurements.
        at_most: how far ahead the line is believed.
        limit: fraction, 0 to 1.

    Raises:
        NotCovered: too few measurements, the fraction does not rise, or it is too far ahead.
    """
    return time_until(line_through(fractions), limit, now=now, at_most=at_most)
