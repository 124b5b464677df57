"""Raw number to engineering value, and what the number itself says about its worth.

Decides what a reading is from the raw number alone: a value, clipped at an end
of the span, or none (sentinel, broken loop, impossible). What other tags say
about it is ``validity``'s business. A 4-20 mA loop follows NAMUR NE 43: at or
below 3.6 mA and from 21.0 mA on it is broken; up to 3.8 mA and from 20.5 mA on
it stands at the end of its span and is marked.

A value is a float, which holds whole numbers exactly up to 2**53. A 64-bit
count beyond that is marked as rounded, so that nobody takes its last digits
for true; the record keeps its registers whole.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Text
from gateway.treatment.current_loop import (
    FAILED_HIGH_MA,
    FAILED_LOW_MA,
    HIGH_MA,
    LOW_MA,
    VALID_HIGH_MA,
    VALID_LOW_MA,
)

SPAN_TOLERANCE = 0.01
"""Part of the span by which a reading may lie outside it before it counts as impossible."""

EXACT_UP_TO = 2**53
"""Largest count whose neighbours a float still tells apart."""

_CURRENT_DIGITS = 9  # hides what binary fractions do to 3.6 mA; far finer than any converter


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """How the raw number of one tag is read.

    Args:
        scale: engineering value of one raw count; not used with a loop.
        offset: engineering value at raw 0; not used with a loop.
        range_low: bottom of the span, engineering; None is not judged.
        range_high: top of the span, engineering; None is not judged.
        clips_at_top: a reading at the top means at least so much.
        clips_at_bottom: a reading at the bottom means at most so much.
        sentinels: raw values by which the device says that it has none.
        loop_low_count: raw count at 4 mA; None when it is no loop.
        loop_high_count: raw count at 20 mA; None when it is no loop.
        states: the values that stand for something; any other is no reading. Empty when it has none.

    Raises:
        ValueError: a loop without a range, half a loop, or a span or a loop of no width.
    """

    scale: float = 1.0
    offset: float = 0.0
    range_low: float | None = None
    range_high: float | None = None
    clips_at_top: bool = False
    clips_at_bottom: bool = False
    sentinels: frozenset[float] = frozenset()
    loop_low_count: int | None = None
    loop_high_count: int | None = None
    states: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        low, high = self.range_low, self.range_high
        if low is not None and high is not None and not low < high:
            raise ValueError(f"the span runs from its bottom up to its top, got {low} to {high}")
        if (self.loop_low_count is None) != (self.loop_high_count is None):
            raise ValueError("a loop has a count at 4 mA and one at 20 mA, got only one of them")
        if self.loop_low_count is not None and self.loop_low_count == self.loop_high_count:
            raise ValueError(f"a loop's counts at 4 and at 20 mA differ, got {self.loop_low_count} for both")
        if self.loop_low_count is not None and (low is None or high is None):
            raise ValueError("a loop needs the range that 4 and 20 mA stand for")


def reader(scaling: Scaling) -> Callable[[float | str], Reading]:
    """``to_reading`` for one scaling; a number well inside its span, as most are, is told at a glance."""
    if scaling.states or scaling.loop_low_count is not None:
        return lambda raw: to_reading(raw, scaling)
    scale, offset, sentinels = scaling.scale, scaling.offset, scaling.sentinels
    bottom, top = _span(scaling)

    def read(raw: float | str) -> Reading:
        if not isinstance(raw, str) and -EXACT_UP_TO <= raw <= EXACT_UP_TO and raw not in sentinels:
            value = raw * scale + offset
            if bottom < value < top:  # neither clipped nor outside, and so finite
                return Number(value)
        return to_reading(raw, scaling)

    return read


def to_reading(raw: float | str, scaling: Scaling) -> Reading:
    """The reading of what was decoded: a text, a value, marked where it is clipped or rounded, or why there is none."""
    if isinstance(raw, str):
        return Text(raw)
    reading = _of_number(raw, scaling)
    rounded = isinstance(raw, int) and abs(raw) > EXACT_UP_TO
    if rounded and isinstance(reading, Number) and reading.quality is Quality.GOOD:
        return Number(reading.value, Quality.UNCERTAIN, Reason.ROUNDED)
    return reading


def _of_number(raw: float, scaling: Scaling) -> Reading:
    if not math.isfinite(raw):
        return NoNumber(Reason.NOT_FINITE)
    if raw in scaling.sentinels:
        return NoNumber(Reason.SENTINEL)
    if scaling.loop_low_count is not None and scaling.loop_high_count is not None:
        return _from_loop(loop_current_ma(raw, scaling.loop_low_count, scaling.loop_high_count), scaling)
    value = raw * scaling.scale + scaling.offset
    if not math.isfinite(value):
        return NoNumber(Reason.NOT_FINITE)
    if scaling.states and value not in scaling.states:
        return NoNumber(Reason.UNKNOWN_STATE)
    return _within_span(value, scaling)


def loop_current_ma(raw: float, low_count: int, high_count: int) -> float:
    """Loop current in mA of a raw count, from the counts at 4 and at 20 mA."""
    share = (raw - low_count) / (high_count - low_count)
    return round(LOW_MA + share * (HIGH_MA - LOW_MA), _CURRENT_DIGITS)


def _from_loop(current_ma: float, scaling: Scaling) -> Reading:
    """Values are held at the ends of the span from 4 mA down and 20 mA up, so that more current never means less."""
    bottom, top = _span(scaling)
    if current_ma <= FAILED_LOW_MA or current_ma >= FAILED_HIGH_MA:
        return NoNumber(Reason.LOOP_FAULT)
    if current_ma <= VALID_LOW_MA:
        return Number(bottom, Quality.UNCERTAIN, Reason.UNDER_RANGE)
    if current_ma >= VALID_HIGH_MA:
        return Number(top, Quality.UNCERTAIN, Reason.OVER_RANGE)
    share = (current_ma - LOW_MA) / (HIGH_MA - LOW_MA)
    return Number(min(top, max(bottom, bottom + share * (top - bottom))))


def _within_span(value: float, scaling: Scaling) -> Reading:
    if scaling.range_low is None and scaling.range_high is None:
        return Number(value)
    bottom, top = _span(scaling)
    if scaling.clips_at_top and value >= top:
        return Number(top, Quality.UNCERTAIN, Reason.OVER_RANGE)
    if scaling.clips_at_bottom and value <= bottom:
        return Number(bottom, Quality.UNCERTAIN, Reason.UNDER_RANGE)
    tolerance = SPAN_TOLERANCE * (top - bottom) if math.isfinite(top - bottom) else 0.0
    if value < bottom - tolerance or value > top + tolerance:
        return NoNumber(Reason.OUT_OF_RANGE)
    return Number(value)


def _span(scaling: Scaling) -> tuple[float, float]:
    low = -math.inf if scaling.range_low is None else scaling.range_low
    high = math.inf if scaling.range_high is None else scaling.range_high
    return low, high
