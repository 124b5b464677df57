"""What a state of the decisions comes to: all that is no time, and the instants at which something falls due.

What is only reported (counters, whose bypass, what a trip was called), what is never looked at again and how long ago
something ran out are left out. Decides nothing.
"""

from gateway.core.condition import Memory, NoChange, Unproven
from gateway.core.interlock import InterlockRule, InterlockState
from gateway.core.output import OWN_LATCHES, OutputRule, OutputState
from gateway.core.sample import Number
from gateway.core.state import Rules, ScanState
from gateway.core.tick import Tick
from gateway.core.validity import TagRule, TagState
from gateway.core.voting import Cause, CauseState

NOW_MS = 10_000_000_000
UTC_MS = 1_738_800_000_000
NOW = Tick(monotonic_ms=NOW_MS, utc_ms=UTC_MS)
"""Where a proof begins."""

Instants = list[int | None]


class Canon:
    """Of one slice.

    Args:
        rules: of the decisions.
        every_age: how long all has been sound counts at every time, not only while something asks for it.
    """

    def __init__(self, rules: Rules, *, every_age: bool) -> None:
        self._rules = rules
        self._every_age = every_age
        causes = [cause for rule in rules.plant.interlocks for cause in rule.causes]
        inputs = [one for cause in causes for one in cause.inputs]
        self.still = frozenset(one.tag for one in inputs if isinstance(one, NoChange))
        waiting = [cause for cause in causes if any(isinstance(one, Unproven) for one in cause.inputs)]
        delays = {delay for cause in waiting for delay in (cause.trip_delay_ms, cause.bad_trip_delay_ms) if delay}
        delays |= {rule.motor.min_off_ms for rule in rules.plant.outputs if rule.motor is not None}
        self._stamps_ms = sorted(delays)  # counted from a command
        self._clears_ms = {
            rule.id: sorted(
                {one.clear_ms for one in rules.plant.releases if rule.id not in one.exempt} | {rule.reset_hold_ms}
            )
            for rule in rules.plant.interlocks
        }

    def of(self, state: ScanState) -> tuple[tuple[object, ...], Instants]:
        """All that is no time, and every instant at which something falls due: None where nothing runs."""
        form: list[object] = [state.commissioned is None]
        ahead: Instants = []
        now_ms = state.tick.monotonic_ms
        form += [self._tag(self._rules.tags[tag], one, now_ms, ahead) for tag, one in state.tags.items()]
        plant = self._rules.plant
        form += [self._interlock(rule, state.interlocks[rule.id], state, ahead) for rule in plant.interlocks]
        form += [self._output(rule, state.outputs[rule.id], state, ahead) for rule in plant.outputs]
        form += [self._grab(state), self._holds(state, ahead)]
        offer = state.offer if state.offer is not None and state.offer.until_ms >= now_ms else None
        form.append(None if offer is None else (offer.output, offer.person))
        ahead.append(None if offer is None else offer.until_ms + 1)
        return tuple(form), ahead

    def _tag(self, rule: TagRule, state: TagState, now_ms: int, ahead: Instants) -> object:
        heard_before = state.accepted_ms < now_ms
        stale = rule.stale_after_ms is not None and now_ms - state.accepted_ms >= rule.stale_after_ms
        ahead.append(_plus(state.accepted_ms if heard_before else None, rule.stale_after_ms))
        reading: object = state.reading
        if stale and rule.hold_when is None:
            reading = None
        elif rule.tag in self.still and isinstance(state.reading, Number):
            reading = "a number"
        if rule.hold_when is not None:
            ahead.append(_plus(state.held_since_ms, rule.hold_when.limit_ms))
        if rule.frozen_after_ms is not None:
            ahead.append(_plus(state.moved_ms if state.moved_ms < now_ms else None, rule.frozen_after_ms))
        for when, one in zip(rule.valid_when, state.governors, strict=True):
            ahead += [_plus(one.low_since_ms, when.invalid_after_ms), _plus(one.back_since_ms, when.purge_ms)]
        for partner, since_ms in zip(rule.partners, state.contradicted_since_ms, strict=True):
            ahead.append(_plus(since_ms, partner.after_ms))
        return (
            reading,
            heard_before,
            state.delivered,
            None if rule.frozen_after_ms is None else state.moved_value,
            state.held_since_ms is None,
            tuple(one.invalid for one in state.governors),
            state.has_say,
            now_ms < state.says_until_ms and (rule.stale_after_ms is None or state.says_until_ms - state.accepted_ms),
        )

    def _interlock(self, rule: InterlockRule, state: InterlockState, whole: ScanState, ahead: Instants) -> object:
        now_ms = whole.tick.monotonic_ms
        ahead += [state.bypassed_until_ms, _plus(state.restore_since_ms, rule.restore_delay_ms)]
        running = state.clear_since_ms is not None
        since_ms = (state.clear_since_ms or now_ms) - state.clear_before_ms
        if state.tripped:
            ahead += [since_ms + one for one in self._clears_ms[rule.id]]
        causes = tuple(
            self._cause(cause, one, whole, ahead) for cause, one in zip(rule.causes, state.causes, strict=True)
        )
        return causes, state.tripped, state.cause_present, running, state.clear_before_ms > 0 and not running

    def _cause(self, cause: Cause, state: CauseState, whole: ScanState, ahead: Instants) -> object:
        ahead.append(_plus(state.total_since_ms, cause.trip_delay_ms))
        if state.good_since_ms != state.total_since_ms:
            ahead.append(_plus(state.good_since_ms, cause.trip_delay_ms))
        if cause.bad_trip_delay_ms is not None:
            ahead.append(_plus(state.total_since_ms, cause.bad_trip_delay_ms))
        memories = tuple(
            self._memory(one, memory, cause, whole, ahead)
            for one, memory in zip(cause.inputs, state.memories, strict=True)
        )
        return state.votes, memories, state.good_since_ms is None, state.good_since_ms == state.total_since_ms

    def _memory(self, condition: object, memory: Memory, cause: Cause, whole: ScanState, ahead: Instants) -> object:
        if isinstance(condition, NoChange):
            ahead.append(
                _plus(None if memory.since_ms == whole.tick.monotonic_ms else memory.since_ms, condition.after_ms)
            )
            return memory.value is None
        if isinstance(condition, Unproven):  # its value is the instant of a command
            commanded_ms = whole.outputs[condition.output].safe_since_ms
            stamp_ms = None if memory.value is None else round(memory.value)
            for delay_ms in self._stamps_ms:
                ahead += [_plus(memory.since_ms, delay_ms), _plus(commanded_ms, delay_ms)]
            return stamp_ms is None, stamp_ms == commanded_ms, memory.since_ms == commanded_ms
        ahead.append(_plus(memory.since_ms, max(cause.trip_delay_ms, cause.bad_trip_delay_ms or 0)))
        return memory.value

    def _output(self, rule: OutputRule, state: OutputState, whole: ScanState, ahead: Instants) -> object:
        release = self._rules.releases.get(rule.id)
        own = bool(OWN_LATCHES.intersection(state.latches))
        if state.proving or self._every_age:
            ahead.append(_plus(state.good_since_ms, rule.return_after_ms))
        if release is not None and (own or self._every_age):
            ahead.append(_plus(state.good_since_ms, release.clear_ms))
        ahead.append(state.resume_until_ms)
        now_ms = whole.tick.monotonic_ms
        return (
            state.level,
            state.safe_since_ms is None,
            tuple(sorted(state.latches)),
            whole.grab is not None and whole.grab.taken_ms > state.latched_ms,
            state.proving,
            state.baseline_awaited,
            state.good_since_ms is None,
            state.resume_until_ms is not None and now_ms < state.resume_until_ms,
            release is not None and bool(state.latches) and state.flushed_m3 >= release.flush_m3,
            state.foreign_code,
        )

    def _grab(self, state: ScanState) -> object:
        used = state.grab is not None and any(
            state.grab.taken_ms > one.latched_ms for one in state.outputs.values() if one.latches
        )
        return tuple(sorted(state.grab.measured.items())) if used and state.grab is not None else None

    def _holds(self, state: ScanState, ahead: Instants) -> object:
        rule = self._rules.plant.holds
        found = []
        for subject in rule.subjects:
            one = state.holds.get(subject)
            ended_ms = None if one is None else one.ended_ms
            ahead.append(None if one is None or ended_ms is not None else one.until_ms + rule.grace_ms)
            ahead.append(_plus(ended_ms, rule.settle_ms))
            found.append((one is None, ended_ms is None))
        return tuple(found)


def _plus(since_ms: int | None, delay_ms: int | None) -> int | None:
    return None if since_ms is None or delay_ms is None else since_ms + delay_ms


def ranked(ahead: list[int | None], now_ms: int, scan_ms: int) -> tuple[int, ...]:
    """Of every instant its place in the order in which they come, those at the same time in one place.

    Returns:
        For each -1 when nothing runs, 0 when it has run out, its place otherwise; then how many scans it is to the
        next, and from each to the one behind it, where that is one scan.
    """
    instants = sorted({one for one in ahead if one is not None and one > now_ms})
    if not instants:
        return tuple([-1 if one is None else 0 for one in ahead])
    place = {one: at for at, one in enumerate(instants, 1)}
    found = [-1 if one is None else place.get(one, 0) for one in ahead]
    before_ms = now_ms
    for one in instants:
        found.append(min((one - before_ms + scan_ms - 1) // scan_ms, 3 if before_ms == now_ms else 2))
        before_ms = one
    return tuple(found)
