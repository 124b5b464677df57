"""Figures of the local day so far: mean, share of time, increase of a total, valid share.

Each is one value that lasts from one scan to the next and weighs as long as it
lasted; time in which there was none does not count. Only the valid share
measures against the whole day so far, so that a stopped gateway shows. A total
keeps its newest reading over midnight and over a restart: its growth is told
by the next good reading, and counts in the day in which that comes.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum

from gateway.core.days import Day
from gateway.treatment.totals import growth

_DIGITS = 9  # of a sum; hides what binary fractions do to many small steps


class DayFunction(Enum):
    """What is made of a value over the day."""

    MEAN = "day_mean"  # weighted by time
    SHARE = "day_share"  # of the usable time for which a condition holds
    INCREASE = "day_increase"  # of a running total
    VALID = "day_valid"  # share of the day in which a value was usable


@dataclass(frozen=True, slots=True, kw_only=True)
class DayState:
    """What is remembered of one figure.

    Args:
        day: number of the local day it is about; None before the first scan.
        value: at the last scan, None when there was none; of a total the newest there was.
        figure: mean of the values, or how far the total has grown.
        counted_ms: time that is in the mean.
        clipped: whether a value at the end of an instrument's span is in the mean.
    """

    day: int | None = None
    value: float | None = None
    figure: float = 0.0
    counted_ms: int = 0
    clipped: bool = False


FRESH = DayState()


def advance(
    kind: DayFunction,
    state: DayState,
    value: float | None,
    *,
    clipped: bool,
    day: Day,
    elapsed_ms: int,
    rolls_over_at: float | None = None,
) -> DayState:
    """The state after one more scan.

    Args:
        kind: which figure.
        state: as the last scan left it.
        value: now; None when there is none that may be used.
        clipped: whether it stands at the end of an instrument's span.
        day: the local day now.
        elapsed_ms: since the last scan.
        rolls_over_at: of a total, where it begins again from 0; None when it never does.
    """
    turned = state.day != day.number
    if kind is DayFunction.INCREASE:
        return _grown(replace(state, day=day.number, figure=0.0) if turned else state, value, rolls_over_at)
    if turned:
        elapsed_ms = min(elapsed_ms, day.elapsed_ms)
        state = DayState(day=day.number, value=state.value)
    if kind is DayFunction.VALID:
        value = 0.0 if value is None else 1.0
    mean, counted_ms = _averaged(state, elapsed_ms)
    return DayState(day=day.number, value=value, figure=mean, counted_ms=counted_ms, clipped=state.clipped or clipped)


def _averaged(state: DayState, elapsed_ms: int) -> tuple[float, int]:
    """The value of the last scan, which has lasted until now, taken into the mean, and the time that is in it.

    Nothing here can overflow.
    """
    if state.value is None or elapsed_ms <= 0:
        return state.figure, state.counted_ms
    counted_ms = state.counted_ms + elapsed_ms
    share = elapsed_ms / counted_ms
    return state.figure * (1 - share) + state.value * share, counted_ms


def _grown(state: DayState, value: float | None, rolls_over_at: float | None) -> DayState:
    if value is None:
        return state
    figure = state.figure + (0.0 if state.value is None else growth(state.value, value, rolls_over_at))
    return replace(state, value=value, figure=round(figure, _DIGITS) if math.isfinite(figure) else state.figure)


def figure(kind: DayFunction, state: DayState, day: Day) -> float | None:
    """The figure as it stands; None while nothing is known of this day."""
    if kind is DayFunction.INCREASE:
        return None if state.value is None else state.figure
    if kind is DayFunction.VALID and day.elapsed_ms > 0:
        return min(1.0, state.figure * state.counted_ms / day.elapsed_ms)
    return state.figure if state.counted_ms else state.value


def after_restart(kind: DayFunction, state: DayState) -> DayState:
    """The state when the engine runs again: of the time between, nothing is known; a total will tell."""
    return state if kind is DayFunction.INCREASE else replace(state, value=None)
