"""Cause and effect of a site: every cause of every interlock against every output, from the rules that run. Pure.

Rows and columns after the contents that IEC 62881 names (causes with limit,
vote and delay; effects with final element and safe position; what a cause
does to an effect), in a layout of our own. What stands in a cell is what the
scan does; that both agree for every cell is tested for the demo site.

Decides nothing and knows no file: words are in ``matrix_words``.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import tzinfo

from gateway.core.condition import (
    BadQuality,
    Condition,
    NoChange,
    Tripped,
    Unproven,
    Unwritable,
    WrittenOver,
    tags_of,
)
from gateway.core.interlock import InterlockRule
from gateway.core.output import OutputRule
from gateway.core.permissive import ReleaseRule
from gateway.core.plant import Plant
from gateway.core.validity import TagRule
from gateway.core.voting import BadVote, Cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Configured:
    """What is drawn up, and of which configuration.

    Args:
        id: of the site.
        name: as people say it.
        zone: its time zone.
        hash: of the configuration.
        version: of the program.
        utc_ms: now.
        plant: the rules that run.
        stroke_ms: output to the time from the written level until it stands safe.
        returns_because: interlock without a latch to the reason why a person need not release it.
    """

    id: str
    name: str
    zone: tzinfo
    hash: str
    version: str
    utc_ms: int
    plant: Plant
    stroke_ms: Mapping[str, int]
    returns_because: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What one cause does to one output.

    Args:
        level: at which it is held.
        code: written for it.
        safe: it is the safe level.
        latched: until a person releases; else until the cause is gone.
        within_ms: after the condition has come true.
        bad_within_ms: after a value has been lost, where that alone may trip; None where it does nothing here.
    """

    level: str
    code: int
    safe: bool
    latched: bool
    within_ms: int
    bad_within_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Watcher:
    """An interlock that trips for want of a value which this cause leaves to it.

    Args:
        tag: whose value is lost.
        interlock: that watches it.
        within_ms: of the loss.
    """

    tag: str
    interlock: str
    within_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRow:
    """One cause of one interlock.

    Args:
        rule: the interlock.
        number: of the cause in it, from 1 on.
        cause: how it votes.
        watchers: who trips for want of its values, where this cause leaves that to others.
        cells: output to what happens; an output that is not there is not touched, and in shadow none is.
    """

    rule: InterlockRule
    number: int
    cause: Cause
    watchers: tuple[Watcher, ...]
    cells: Mapping[str, Cell]


@dataclass(frozen=True, slots=True, kw_only=True)
class Feedback:
    """A rule that looks whether an output has come to where it was commanded.

    Args:
        name: interlock or alarm.
        interlock: it is an interlock, with these effects; an alarm has none.
        inputs: what it asks, all of it.
        within_ms: of the command.
        effects: output to level.
    """

    name: str
    interlock: bool
    inputs: tuple[Condition, ...]
    within_ms: int
    effects: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One output.

    Args:
        rule: how it is held.
        release: what gives it back; None where nobody can.
        stroke_ms: from the written level until it stands safe; 0 where not told.
        feedback: rules that look whether it has come there.
        stops: interlocks that hold it, in order.
    """

    rule: OutputRule
    release: ReleaseRule | None
    stroke_ms: int
    feedback: tuple[Feedback, ...]
    stops: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """Everything.

    Args:
        about: of which site and configuration.
        tags: rules of the points, for their words and units.
        rows: every cause, in the order of the interlocks.
        columns: every output.
    """

    about: Configured
    tags: Mapping[str, TagRule]
    rows: tuple[CauseRow, ...]
    columns: tuple[Column, ...]


def matrix(about: Configured) -> Matrix:
    """Draw it up."""
    plant = about.plant
    outputs = {rule.id: rule for rule in plant.outputs}
    return Matrix(
        about=about,
        tags={rule.tag: rule for rule in plant.points},
        rows=tuple(
            _row(rule, number, cause, plant, outputs)
            for rule in plant.interlocks
            for number, cause in enumerate(rule.causes, 1)
        ),
        columns=tuple(_column(rule, about) for rule in plant.outputs),
    )


def _row(rule: InterlockRule, number: int, cause: Cause, plant: Plant, outputs: Mapping[str, OutputRule]) -> CauseRow:
    return CauseRow(
        rule=rule,
        number=number,
        cause=cause,
        watchers=tuple(_watchers(rule, cause, plant)) if cause.bad is BadVote.ELSEWHERE else (),
        cells={
            one.output: _cell(rule, cause, outputs[one.output], one.level) for one in rule.effects if not rule.shadow
        },
    )


def _cell(rule: InterlockRule, cause: Cause, output: OutputRule, level: str) -> Cell:
    still_ms = _stillness_ms(cause)
    return Cell(
        level=level,
        code=output.codes[level],
        safe=level == output.safe_level,
        latched=rule.latched,
        within_ms=cause.trip_delay_ms + still_ms,
        bad_within_ms=_bad_within_ms(cause),
    )


def _stillness_ms(cause: Cause) -> int:
    """What a condition takes by itself before it holds."""
    return max((one.after_ms for one in cause.inputs if isinstance(one, NoChange)), default=0)


def _bad_within_ms(cause: Cause) -> int | None:
    """How long after the loss of enough values it trips by itself; None when it leaves that to others, or asks it."""
    if cause.bad is BadVote.ELSEWHERE or not any(may_be_bad(one) for one in cause.inputs):
        return None
    return cause.trip_delay_ms if cause.bad_trip_delay_ms is None else cause.bad_trip_delay_ms


def may_be_bad(condition: Condition) -> bool:
    """Whether a lost value leaves the question open; some ask for just that, or take it for an answer."""
    return not isinstance(condition, BadQuality | NoChange | Unproven | Tripped | Unwritable | WrittenOver)


def _watchers(rule: InterlockRule, cause: Cause, plant: Plant) -> Iterator[Watcher]:
    """The quickest other interlock, with the same effects at least, for each value and what it is computed from."""
    for tag in dict.fromkeys(tag for one in cause.inputs for tag in _computed_from(tags_of(one), plant)):
        found = [
            Watcher(tag=tag, interlock=other.id, within_ms=watch.trip_delay_ms)
            for other in plant.interlocks
            if other.id != rule.id and not other.shadow and set(rule.effects) <= set(other.effects)
            for watch in other.causes
            if watch.needed == 1 and any(isinstance(one, BadQuality) and one.tag == tag for one in watch.inputs)
        ]
        yield from sorted(found, key=lambda one: one.within_ms)[:1]


def _computed_from(tags: tuple[str, ...], plant: Plant) -> tuple[str, ...]:
    """The points themselves, and behind each calculated one those that it is computed from."""
    inputs = {rule.about.tag: rule.inputs for rule in plant.calculated}
    found: dict[str, None] = {}
    ahead = list(tags)
    while ahead:
        tag = ahead.pop(0)
        if tag not in found:
            found[tag] = None
            ahead += inputs.get(tag, ())
    return tuple(found)


def _column(rule: OutputRule, about: Configured) -> Column:
    plant = about.plant
    return Column(
        rule=rule,
        release=next((one for one in plant.releases if one.output == rule.id), None),
        stroke_ms=about.stroke_ms.get(rule.id, 0),
        feedback=(*_by_interlocks(rule.id, plant), *_by_alarms(rule, plant)),
        stops=tuple(
            one.id for one in plant.interlocks if not one.shadow and any(each.output == rule.id for each in one.effects)
        ),
    )


def _by_interlocks(output: str, plant: Plant) -> Iterator[Feedback]:
    for rule in plant.interlocks:
        for cause in () if rule.shadow else rule.causes:
            if any(_looks_at(one, output) for one in cause.inputs):
                yield Feedback(
                    name=rule.id,
                    interlock=True,
                    inputs=cause.inputs,
                    within_ms=cause.trip_delay_ms,
                    effects={one.output: one.level for one in rule.effects},
                )


def _by_alarms(output: OutputRule, plant: Plant) -> Iterator[Feedback]:
    """Alarms on the way of an output, and those that set one of its positions beside something else, as a flow."""
    positions = _positions(output, plant)
    for rule in plant.alarms:
        tags = set(_computed_from(tags_of(rule.condition), plant))
        if _looks_at(rule.condition, output.id) or not tags.isdisjoint(positions):
            yield Feedback(
                name=rule.id, interlock=False, inputs=(rule.condition,), within_ms=rule.on_delay_ms, effects={}
            )


def _positions(output: OutputRule, plant: Plant) -> set[str]:
    asked = (one for rule in plant.interlocks for cause in rule.causes for one in cause.inputs)
    proofs = {one.tag for one in asked if isinstance(one, Unproven) and one.output == output.id}
    return proofs | ({output.proof_tag} if output.proof_tag else set())


def _looks_at(condition: Condition, output: str) -> bool:
    return isinstance(condition, Unproven | Unwritable) and condition.output == output
