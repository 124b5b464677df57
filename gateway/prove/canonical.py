"""A state with its times told from now, cut off where nothing looks further back: states that act alike become equal.

What is only reported (counters, whose bypass, what a trip was called) is set to one value. Decides nothing: a state
and its canonical form must have the same future, up to the instant at which it happens.
"""

from dataclasses import dataclass, replace

from gateway.core.condition import Memory, NoChange, Unproven
from gateway.core.hold import HoldState
from gateway.core.interlock import InterlockRule, InterlockState
from gateway.core.output import OWN_LATCHES, OutputRule, OutputState
from gateway.core.permissive import ReleaseRule
from gateway.core.sample import Number
from gateway.core.state import Rules, ScanState
from gateway.core.tick import Tick
from gateway.core.validity import GovernorState, TagRule, TagState
from gateway.core.voting import Cause, CauseState

NOW_MS = 10_000_000_000
UTC_MS = 1_738_800_000_000
NOW = Tick(monotonic_ms=NOW_MS, utc_ms=UTC_MS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """How far back anything looks in one slice, worked out once."""

    stamps_ms: int  # of commands
    clear_ms: int
    still: frozenset[str]  # tags whose value matters only in that it changes
    every_age: bool  # how long all has been sound counts at every time, not only while something asks for it

    @classmethod
    def of(cls, rules: Rules, *, every_age: bool) -> "Reach":
        """From the rules of a slice."""
        causes = [cause for rule in rules.plant.interlocks for cause in rule.causes]
        waiting = [cause for cause in causes if any(isinstance(one, Unproven) for one in cause.inputs)]
        delays = [delay or 0 for cause in waiting for delay in (cause.trip_delay_ms, cause.bad_trip_delay_ms)]
        for rule in rules.plant.outputs:
            delays += [] if rule.motor is None else [rule.motor.min_off_ms]
        clears = [rule.clear_ms for rule in rules.plant.releases]
        holds = [max(rule.reset_hold_ms, rule.restore_delay_ms) for rule in rules.plant.interlocks]
        still = frozenset(one.tag for cause in causes for one in cause.inputs if isinstance(one, NoChange))
        return cls(stamps_ms=max([0, *delays]), clear_ms=max([0, *clears, *holds]), still=still, every_age=every_age)


def canonical(rules: Rules, reach: Reach, state: ScanState) -> ScanState:
    """The state as of one fixed instant."""
    now_ms = state.tick.monotonic_ms
    used = state.grab is not None and any(
        state.grab.taken_ms > one.latched_ms for one in state.outputs.values() if one.latches
    )
    offer = state.offer
    if offer is not None:
        offer = (
            replace(offer, number=1, until_ms=offer.until_ms + NOW_MS - now_ms) if offer.until_ms >= now_ms else None
        )
    return ScanState(
        tick=NOW,
        tags={tag: _tag(rules.tags[tag], one, now_ms, still=tag in reach.still) for tag, one in state.tags.items()},
        calculations=state.calculations,
        interlocks={
            id_: _interlock(rules.interlocks[id_], reach, one, now_ms) for id_, one in state.interlocks.items()
        },
        outputs={
            id_: _output(rules.outputs[id_], rules.releases.get(id_), reach, one, state, now_ms)
            for id_, one in state.outputs.items()
        },
        grab=replace(state.grab, taken_ms=NOW_MS) if used and state.grab is not None else None,
        offer=offer,
        offers_made=0 if offer is None else 1,
        commissioned=state.commissioned,
        holds={subject: _hold(rules, one, now_ms) for subject, one in state.holds.items()},
    )


def _hold(rules: Rules, state: HoldState, now_ms: int) -> HoldState:
    rule = rules.plant.holds
    return HoldState(
        tags=state.tags,
        person=state.person,
        reason="",
        since_ms=NOW_MS,
        until_ms=max(state.until_ms, now_ms - rule.grace_ms) - now_ms + NOW_MS,
        ended_ms=_at_or_none(state.ended_ms, now_ms, rule.settle_ms),
        entered=True,  # so that every hold may end here, also where a site wants an entry first
    )


def key_of(state: ScanState) -> tuple[object, ...]:
    """What tells one canonical state from another."""
    return (
        tuple(state.tags.values()),
        tuple(state.interlocks.values()),
        tuple(state.outputs.values()),
        None if state.grab is None else tuple(sorted(state.grab.measured.items())),
        state.offer,
        tuple((one.tags, one.until_ms, one.ended_ms) for one in state.holds.values()),
        state.commissioned is None,
    )


def _at(ms: int, now_ms: int, longest_ms: int) -> int:
    return NOW_MS - min(now_ms - ms, longest_ms)


def _at_or_none(ms: int | None, now_ms: int, longest_ms: int) -> int | None:
    return None if ms is None else _at(ms, now_ms, longest_ms)


def _tag(rule: TagRule, state: TagState, now_ms: int, *, still: bool) -> TagState:
    reading = state.reading
    if still and isinstance(reading, Number):
        reading = Number(1.0)
    stale_ms = rule.stale_after_ms or 0
    says_ms = state.says_until_ms
    return TagState(
        reading=reading,
        accepted_ms=_at(state.accepted_ms, now_ms, stale_ms),
        newest_utc_ms=UTC_MS,
        delivered=state.delivered,
        moved_ms=NOW_MS if rule.frozen_after_ms is None else _at(state.moved_ms, now_ms, rule.frozen_after_ms),
        moved_value=None if rule.frozen_after_ms is None else state.moved_value,
        previous_ms=NOW_MS,
        held_since_ms=_at_or_none(
            state.held_since_ms, now_ms, 0 if rule.hold_when is None else rule.hold_when.limit_ms
        ),
        governors=tuple(
            GovernorState(
                low_since_ms=_at_or_none(one.low_since_ms, now_ms, when.invalid_after_ms),
                invalid=one.invalid,
                back_since_ms=_at_or_none(one.back_since_ms, now_ms, when.purge_ms),
            )
            for when, one in zip(rule.valid_when, state.governors, strict=True)
        ),
        contradicted_since_ms=tuple(None for _ in rule.partners),
        has_say=state.has_say,
        says_until_ms=min(says_ms - now_ms, 1 << 40) + NOW_MS if says_ms > now_ms else 0,
    )


def _interlock(rule: InterlockRule, reach: Reach, state: InterlockState, now_ms: int) -> InterlockState:
    served_ms = state.clear_before_ms
    since_ms = state.clear_since_ms
    if since_ms is not None:
        since_ms, served_ms = _at(since_ms - served_ms, now_ms, reach.clear_ms), 0
    return InterlockState(
        causes=tuple(_cause(cause, reach, one, now_ms) for cause, one in zip(rule.causes, state.causes, strict=True)),
        tripped=state.tripped,
        cause_present=state.cause_present,
        clear_since_ms=since_ms,
        clear_before_ms=min(served_ms, reach.clear_ms),
        restore_since_ms=_at_or_none(state.restore_since_ms, now_ms, rule.restore_delay_ms),
        bypassed_until_ms=None if state.bypassed_until_ms is None else state.bypassed_until_ms - now_ms + NOW_MS,
    )


def _cause(cause: Cause, reach: Reach, state: CauseState, now_ms: int) -> CauseState:
    longest_ms = max(cause.trip_delay_ms, cause.bad_trip_delay_ms or 0)
    return CauseState(
        votes=state.votes,
        memories=tuple(
            _memory(one, memory, reach, now_ms, longest_ms)
            for one, memory in zip(cause.inputs, state.memories, strict=True)
        ),
        good_since_ms=_at_or_none(state.good_since_ms, now_ms, longest_ms),
        total_since_ms=_at_or_none(state.total_since_ms, now_ms, longest_ms),
    )


def _memory(condition: object, memory: Memory, reach: Reach, now_ms: int, longest_ms: int) -> Memory:
    if isinstance(condition, NoChange):
        value = None if memory.value is None else 1.0
        return Memory(value=value, since_ms=_at_or_none(memory.since_ms, now_ms, condition.after_ms + longest_ms))
    if isinstance(condition, Unproven):  # its value is the instant of a command
        value = None if memory.value is None else float(_at(round(memory.value), now_ms, reach.stamps_ms))
        return Memory(value=value, since_ms=_at_or_none(memory.since_ms, now_ms, reach.stamps_ms))
    return replace(memory, since_ms=_at_or_none(memory.since_ms, now_ms, longest_ms))


def _output(  # noqa: PLR0917 - each is another part of what is cut
    rule: OutputRule,
    release: ReleaseRule | None,
    reach: Reach,
    state: OutputState,
    whole: ScanState,
    now_ms: int,
) -> OutputState:
    clear_ms = 0 if release is None else release.clear_ms
    asked = reach.every_age or state.proving or bool(OWN_LATCHES & set(state.latches))
    sampled = whole.grab is not None and whole.grab.taken_ms > state.latched_ms
    return OutputState(
        level=state.level,
        level_since_ms=NOW_MS,
        safe_since_ms=_at_or_none(state.safe_since_ms, now_ms, reach.stamps_ms),
        latches=tuple(sorted(state.latches)),
        latched_ms=NOW_MS - 1 if sampled else NOW_MS,
        proving=state.proving,
        baseline_awaited=state.baseline_awaited,
        good_since_ms=_at_or_none(state.good_since_ms, now_ms, max(rule.return_after_ms, clear_ms)) if asked else None,
        resume_until_ms=_ahead(state.resume_until_ms, now_ms),
        flushed_m3=0.0 if release is None else min(state.flushed_m3, release.flush_m3),
        foreign_code=state.foreign_code,
    )


def _ahead(ms: int | None, now_ms: int) -> int | None:
    return None if ms is None or ms <= now_ms else ms - now_ms + NOW_MS


def due(rules: Rules, state: ScanState) -> list[int]:
    """Instants ahead at which something can fall due in a canonical state."""
    found: list[int | None] = []
    for tag, one in state.tags.items():
        found += _due_of_tag(rules.tags[tag], one)
    for rule in rules.plant.interlocks:
        found += _due_of_interlock(rule, state.interlocks[rule.id], rules)
    for output in rules.plant.outputs:
        at = state.outputs[output.id]
        found += [at.resume_until_ms]
        if at.proving:
            found.append(_plus(at.good_since_ms, output.return_after_ms))
        release = rules.releases.get(output.id)
        if release is not None and OWN_LATCHES & set(at.latches):
            found.append(_plus(at.good_since_ms, release.clear_ms))
    for hold in state.holds.values():
        found += [hold.until_ms, hold.until_ms + rules.plant.holds.grace_ms]
        found.append(_plus(hold.ended_ms, rules.plant.holds.settle_ms))
    if state.offer is not None:
        found.append(state.offer.until_ms + 1)
    return [one for one in found if one is not None and one > NOW_MS]


def _due_of_tag(rule: TagRule, state: TagState) -> list[int | None]:
    found = [_plus(state.accepted_ms if state.accepted_ms < NOW_MS else None, rule.stale_after_ms)]
    if rule.hold_when is not None:
        found.append(_plus(state.held_since_ms, rule.hold_when.limit_ms))
    if rule.frozen_after_ms is not None and state.moved_ms < NOW_MS:
        found.append(_plus(state.moved_ms, rule.frozen_after_ms))
    for when, one in zip(rule.valid_when, state.governors, strict=True):
        found.append(_plus(one.low_since_ms, when.invalid_after_ms))
        found.append(_plus(one.back_since_ms, when.purge_ms))
    return found


def _due_of_interlock(rule: InterlockRule, state: InterlockState, rules: Rules) -> list[int | None]:
    found: list[int | None] = [state.bypassed_until_ms, _plus(state.restore_since_ms, rule.restore_delay_ms)]
    if state.tripped:
        found += [
            _plus(state.clear_since_ms, one.clear_ms) for one in rules.plant.releases if rule.id not in one.exempt
        ]
        found.append(_plus(state.clear_since_ms, rule.reset_hold_ms))
    for cause, one in zip(rule.causes, state.causes, strict=True):
        found += [_plus(one.good_since_ms, cause.trip_delay_ms), _plus(one.total_since_ms, cause.trip_delay_ms)]
        found.append(_plus(one.total_since_ms, cause.bad_trip_delay_ms))
        found += [
            _plus(memory.since_ms, condition.after_ms)
            for condition, memory in zip(cause.inputs, one.memories, strict=True)
            if isinstance(condition, NoChange) and memory.since_ms is not None and memory.since_ms < NOW_MS
        ]
    return found


def _plus(since_ms: int | None, delay_ms: int | None) -> int | None:
    return None if since_ms is None or delay_ms is None else since_ms + delay_ms
