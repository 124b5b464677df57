"""Calculated tags: what a formula over other tags is worth at this instant.

The verdict is that of the worst input, whichever branch of the formula is
taken: awaited before held before bad; an uncertain input makes the result
uncertain, with a reason of its own, so that nobody takes a clipped input for a
clipped result. Inside a function with a memory, time without a usable value
does not count; its figure stays and is marked while that lasts, but for the
age of water without a most flow, which begins anew. A memory without any usable value yet is worth
what its inputs are worth now.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gateway.core import day_figures, running_figures
from gateway.core.day_figures import DayFunction, DayState
from gateway.core.days import Day
from gateway.core.expression import DayCall, Evaluate, Formula, RunningCall
from gateway.core.quality import Quality, Reason
from gateway.core.running_figures import RunningFunction, RunningState
from gateway.core.sample import NoNumber, Number
from gateway.core.scaling import Scaling, to_reading
from gateway.core.validity import AWAITED, HELD, TagRule, Verdict
from gateway.treatment.refusal import NotCovered


@dataclass(frozen=True, slots=True, kw_only=True)
class CalculationRule:
    """How one calculated tag is computed.

    Args:
        about: its name, unit and words, and whether an uncertain result may be used.
        inputs: tags, in the order of the formula's inputs.
        rolls_over_at: of each input, where it begins again from 0; None when it never does.
        formula: the computation.
        scaling: range and states of the result.
        source: formula and inputs in words; when they change, figures of the day start afresh.
        record_interval_ms: from one record of its value to the next; the decisions do not look at it.
    """

    about: TagRule
    inputs: tuple[str, ...]
    rolls_over_at: tuple[float | None, ...]
    formula: Formula
    scaling: Scaling
    source: str = ""
    record_interval_ms: int = 15_000


@dataclass(frozen=True, slots=True, kw_only=True)
class CalculationState:
    """What is remembered of one calculated tag: its figures of the day, its other memories, and of which formula."""

    source: str
    days: tuple[DayState, ...]
    running: tuple[RunningState, ...] = ()


def fresh_calculation(rule: CalculationRule) -> CalculationState:
    """The state of a calculated tag of which nothing is known yet."""
    return CalculationState(
        source=rule.source,
        days=tuple(day_figures.FRESH for _ in rule.formula.days),
        running=tuple(running_figures.FRESH for _ in rule.formula.running),
    )


def after_restart(rule: CalculationRule, saved: CalculationState, away_ms: int) -> CalculationState:
    """The state when the engine runs again after so long; another formula starts afresh."""
    fits = len(saved.days) == len(rule.formula.days) and len(saved.running) == len(rule.formula.running)
    if saved.source != rule.source or not fits:
        return fresh_calculation(rule)
    pairs = zip(rule.formula.days, saved.days, strict=True)
    days = tuple(day_figures.after_restart(call.kind, state) for call, state in pairs)
    running = tuple(running_figures.after_restart(state, away_ms) for state in saved.running)
    return CalculationState(source=rule.source, days=days, running=running)


@dataclass(frozen=True, slots=True)
class _Now:
    """What a formula can look at in one scan; a value that is not there is not a number."""

    given: Sequence[Verdict]
    values: Sequence[float]
    day: Day
    elapsed_ms: int


def step(
    rule: CalculationRule, state: CalculationState, verdicts: Mapping[str, Verdict], day: Day, elapsed_ms: int
) -> tuple[CalculationState, Verdict]:
    """What the tag is worth now.

    Args:
        rule: how it is computed.
        state: as the last scan left it.
        verdicts: of its inputs, already judged in this scan.
        day: the local day.
        elapsed_ms: since the last scan.

    Returns:
        The state with the figures of the day moved on, and the verdict.
    """
    given = [verdicts.get(tag, AWAITED) for tag in rule.inputs]
    values = [verdict.value if isinstance(verdict, Number) else math.nan for verdict in given]
    if not rule.formula.remembers:
        return state, _worth(rule, [given[place] for place in rule.formula.now], values)
    now = _Now(given, values, day, elapsed_ms)
    days = [_day_figure(rule, *pair, now) for pair in zip(rule.formula.days, state.days, strict=True)]
    running = [_running_figure(*pair, now) for pair in zip(rule.formula.running, state.running, strict=True)]
    figures = [*(worth for _, worth in days), *(worth for _, worth in reversed(running))]
    worths = [*(given[place] for place in rule.formula.now), *figures]
    values_and_figures = [*values, *(worth.value if isinstance(worth, Number) else math.nan for worth in figures)]
    after = CalculationState(
        source=state.source, days=tuple([one for one, _ in days]), running=tuple([one for one, _ in running])
    )
    return after, _worth(rule, worths, values_and_figures)


def _worth(rule: CalculationRule, worths: Sequence[Verdict], values: Sequence[float]) -> Verdict:
    marked = False
    for verdict in worths:
        if not isinstance(verdict, Number):
            return _worst(worths)
        if verdict.quality is Quality.UNCERTAIN:
            marked = True
    return _result(rule, values, marked=marked)


def without_number(verdicts: Sequence[Verdict]) -> Verdict | None:
    """The worst of the verdicts that have no number; None when all have one."""
    without = [verdict for verdict in verdicts if not isinstance(verdict, Number)]
    return _worst(without) if without else None


def _worst(verdicts: Sequence[Verdict]) -> Verdict:
    """The worst of verdicts of which at least one has no number."""
    if AWAITED in verdicts:
        return AWAITED
    return HELD if HELD in verdicts else NoNumber(Reason.INPUT_BAD)


def _any_uncertain(verdicts: Sequence[Verdict]) -> bool:
    return any(isinstance(verdict, Number) and verdict.quality is Quality.UNCERTAIN for verdict in verdicts)


def _result(rule: CalculationRule, values: Sequence[float], *, marked: bool) -> Verdict:
    value = _computed(rule.formula.compute, values)
    reading = NoNumber(value) if isinstance(value, Reason) else to_reading(value, rule.scaling)
    if not isinstance(reading, Number) or not marked:
        return reading
    if not rule.about.uncertain_counts:
        return NoNumber(Reason.UNCERTAIN_REFUSED)
    return Number(reading.value, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)


def _computed(evaluate: Evaluate, values: Sequence[float]) -> float | Reason:
    """The value, or why there is none."""
    try:
        return evaluate(values)
    except NotCovered:
        return Reason.NOT_COVERED
    except (ArithmeticError, ValueError):
        return Reason.NOT_FINITE


def _day_figure(rule: CalculationRule, call: DayCall, before: DayState, now: _Now) -> tuple[DayState, Verdict]:
    """A figure of the day, in coherent units, and its worth."""
    given = [now.given[place] for place in call.inputs]
    missing = without_number(given)
    value = None if missing else _number(_computed(call.argument, now.values))
    after = day_figures.advance(
        call.kind,
        before,
        value,
        clipped=call.kind is DayFunction.MEAN and any(_clipped(verdict) for verdict in given),
        day=now.day,
        elapsed_ms=now.elapsed_ms,
        rolls_over_at=_rolls_over_at(rule, call),
    )
    figure = day_figures.figure(call.kind, after, now.day)
    if figure is None:
        return after, missing or NoNumber(Reason.INPUT_BAD)
    marked = value is None or after.clipped or _any_uncertain(given)
    if marked and call.kind is not DayFunction.VALID:
        return after, Number(figure, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)
    return after, Number(figure)


def _running_figure(call: RunningCall, before: RunningState, now: _Now) -> tuple[RunningState, Verdict]:
    """A figure with a memory that knows no day, in coherent units, and its worth."""
    given = [now.given[place] for places in call.inputs for place in places]
    missing = without_number(given)
    values = [
        None if without_number([now.given[place] for place in places]) else _number(_computed(argument, now.values))
        for argument, places in zip(call.arguments, call.inputs, strict=True)
    ]
    if call.kind is RunningFunction.AGE:
        after, figure = running_figures.aged(before, *values, elapsed_ms=now.elapsed_ms)
    else:
        after, figure = running_figures.rolled(
            call.kind,
            before,
            values[0],
            clipped=call.kind is not RunningFunction.SHARE and any(_clipped(verdict) for verdict in given),
            elapsed_ms=now.elapsed_ms,
            window_ms=call.window_ms,
        )
    if figure is None:
        return after, missing or NoNumber(Reason.INPUT_BAD)
    if None in values or not figure.whole or _any_uncertain(given):
        return after, Number(figure.value, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)
    return after, Number(figure.value)


def _number(computed: float | Reason) -> float | None:
    return None if isinstance(computed, Reason) else computed


def _clipped(verdict: Verdict) -> bool:
    return isinstance(verdict, Number) and verdict.reason in (Reason.OVER_RANGE, Reason.UNDER_RANGE)


def _rolls_over_at(rule: CalculationRule, call: DayCall) -> float | None:
    """Of a total, in the coherent unit of its argument."""
    if call.kind is not DayFunction.INCREASE:
        return None
    at = rule.rolls_over_at[call.inputs[0]]
    return None if at is None else at * call.factor
