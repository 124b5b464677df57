"""What a condition says of given readings, written a second time and from its definition alone.

The decisions have their own (``core.condition``); this one is there so that a fault in that one shows. It knows
numbers and the three ways to have none; memory, delays and votes are for ``oracle``.
"""

from collections.abc import Mapping
from enum import Enum

from gateway.core.calculation import CalculationRule
from gateway.core.condition import (
    BadQuality,
    BitSet,
    Condition,
    Deviation,
    Equals,
    Limit,
    Mismatch,
    Side,
    StateLimit,
)
from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number
from gateway.treatment.refusal import NotCovered


class Nothing(Enum):
    """Ways to have no usable number, beside a reason."""

    HELD = "held"
    AWAITED = "awaited"


Worth = Number | NoNumber | Nothing


class Told(Enum):
    """What a condition says."""

    IN = "in condition"
    DEADBAND = "in the deadband"
    CLEAR = "clear"
    BAD = "without a usable value"
    HELD = "held"
    AWAITED = "awaited"
    UNKNOWN = "not told here"  # it needs a memory, or is of a kind that is not followed


Clear = frozenset({Told.CLEAR, Told.UNKNOWN})
FOLLOWED = (Limit, StateLimit, Equals, BitSet, Mismatch, Deviation, BadQuality)


def worth_of(  # noqa: C901, PLR0911 - one line a way to have no number
    tag: str, worths: Mapping[str, Worth], calculations: Mapping[str, CalculationRule]
) -> Worth:
    """What a tag is worth, read or calculated; a calculated one is worth what its worst input is."""
    if tag not in calculations:
        return worths.get(tag, Nothing.AWAITED)
    rule = calculations[tag]
    inputs = [worth_of(one, worths, calculations) for one in rule.inputs]
    for nothing in (Nothing.AWAITED, Nothing.HELD):
        if nothing in inputs:
            return nothing
    numbers = [one for one in inputs if isinstance(one, Number)]
    if len(numbers) < len(inputs) or rule.formula.remembers:
        return NoNumber(Reason.INPUT_BAD)
    try:
        value = rule.formula.compute([one.value for one in numbers])
        result = Number(value)
    except NotCovered:
        return NoNumber(Reason.NOT_COVERED)
    except (ArithmeticError, ValueError):
        return NoNumber(Reason.NOT_FINITE)
    low, high = rule.scaling.range_low, rule.scaling.range_high
    if low is not None and high is not None:
        spare = (high - low) / 100
        if not low - spare <= value <= high + spare:
            return NoNumber(Reason.OUT_OF_RANGE)
    if all(one.quality is Quality.GOOD for one in numbers):
        return result
    if not rule.about.uncertain_counts:
        return NoNumber(Reason.UNCERTAIN_REFUSED)
    return Number(value, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)


def told(condition: Condition, worths: Mapping[str, Worth], calculations: Mapping[str, CalculationRule]) -> Told:
    """What a condition without a memory says of these worths."""
    match condition:
        case Limit():
            return _limit(condition, worth_of(condition.tag, worths, calculations))
        case StateLimit():
            return _limit(
                _in_force(condition, worths, calculations), worth_of(condition.base.tag, worths, calculations)
            )
        case Equals() | BitSet():
            worth = worth_of(condition.tag, worths, calculations)
            return _of_state(condition, worth) if isinstance(worth, Number) else _without(worth)
        case BadQuality():
            return _quality(condition, worth_of(condition.tag, worths, calculations))
        case Mismatch() | Deviation():
            return _pair(condition, worths, calculations)
        case _:
            return Told.UNKNOWN


def _without(worth: Worth) -> Told:
    if worth is Nothing.AWAITED:
        return Told.AWAITED
    return Told.HELD if worth is Nothing.HELD else Told.BAD


def _limit(limit: Limit, worth: Worth) -> Told:
    if not isinstance(worth, Number):
        return _without(worth)
    high = limit.side is Side.HIGH
    if worth.reason is (Reason.OVER_RANGE if high else Reason.UNDER_RANGE):
        return Told.IN
    past = round(worth.value - limit.limit if high else limit.limit - worth.value, 9)
    if past > 0:
        return Told.IN
    return Told.CLEAR if past <= -round(limit.deadband, 9) else Told.DEADBAND


def _in_force(condition: StateLimit, worths: Mapping[str, Worth], calculations: Mapping[str, CalculationRule]) -> Limit:
    """The limit of the first state that holds; the strictest that may be meant where one is not known."""
    meant: list[float] = []
    certain = False
    for other in condition.others:
        worth = worth_of(other.tag, worths, calculations)
        if not isinstance(worth, Number) or worth.value == other.equals:
            meant.append(other.limit)
        if isinstance(worth, Number) and worth.value == other.equals:
            certain = True
            break
    if not certain:
        meant.append(condition.base.limit)
    base = condition.base
    limit = min(meant) if base.side is Side.HIGH else max(meant)
    return Limit(tag=base.tag, side=base.side, limit=limit, deadband=base.deadband)


def _of_state(condition: Equals | BitSet, worth: Number) -> Told:
    if isinstance(condition, Equals):
        return Told.IN if worth.value == condition.value else Told.CLEAR
    if worth.reason is Reason.ROUNDED:
        return Told.BAD
    return Told.IN if int(worth.value) & condition.mask else Told.CLEAR


def _quality(condition: BadQuality, worth: Worth) -> Told:
    if isinstance(worth, Nothing):
        return _without(worth)
    if isinstance(worth, Number) or worth.reason in condition.except_for:
        return Told.CLEAR
    return Told.IN if not condition.because or worth.reason in condition.because else Told.CLEAR


def _pair(
    condition: Mismatch | Deviation, worths: Mapping[str, Worth], calculations: Mapping[str, CalculationRule]
) -> Told:
    pair = (
        (condition.command, condition.feedback) if isinstance(condition, Mismatch) else (condition.tag, condition.other)
    )
    first, second = (worth_of(tag, worths, calculations) for tag in pair)
    for nothing in (Nothing.AWAITED, Nothing.HELD):
        if nothing in (first, second):
            return _without(nothing)
    if not isinstance(first, Number) or not isinstance(second, Number):
        return Told.BAD
    if isinstance(condition, Mismatch):
        return Told.CLEAR if first.value == second.value else Told.IN
    apart = round(abs(first.value - second.value), 9)
    if apart > condition.limit:
        return Told.IN
    return Told.CLEAR if apart <= round(condition.limit - condition.deadband, 9) else Told.DEADBAND
