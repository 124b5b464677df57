"""One output: a level held every scan, safe in doubt, given back only by rule or by a person.

An output stands at its safe level while any of these holds: a latch (an
interlock that tripped, a start, a write by somebody else), an interlock that
demands it now, or, for a permission, the proving time after a restart. What
the controller holds is read back before every write and compared.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from gateway.core import motor
from gateway.core.delay import due, running_since, shifted
from gateway.core.motor import MotorRule, MotorState
from gateway.core.outcome import Event, EventKind, Fact

START = "start"  # latch after a start that may not return by itself
FOREIGN = "foreign write"  # latch after somebody else wrote our registers
LOST_RECORD = "lost record"  # latch taken back from the controller
COMMISSIONING = "commissioning"  # latch of a permission that was withdrawn when a person went back to observing
_WAITS = {"min_off": "it has not stood still for long enough", "max_starts": "it has started often enough for now"}
OWN_LATCHES = frozenset({START, FOREIGN, LOST_RECORD, COMMISSIONING})


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputRule:
    """How one output is held.

    Args:
        id: its name, such as ``product``.
        service: what it moves, in words.
        register_tag: the tag of the register it is written to.
        codes: level name to register value.
        safe_level: the level in doubt.
        normal_level: the level when nothing stands against it.
        resume_level: level shown for ``resume_ms`` after a release, before the normal one; empty for none.
        resume_ms: how long that is.
        permit: True for a permission that is withdrawn at every start; False
            for a stop that is idle at a start unless it was latched.
        proof_tag: position that proves the safe level; empty for none.
        proof_value: what that tag reads when proven.
        motor: how often it may leave its safe level; None for no limit.
        return_after_ms: restart rule: this long of good data on every critical input.
        return_within_ms: restart rule: only when the last commit is younger than this, in the same boot.
    """

    id: str
    register_tag: str
    codes: Mapping[str, int]
    safe_level: str
    normal_level: str
    service: str = ""
    resume_level: str = ""
    resume_ms: int = 0
    permit: bool = True
    proof_tag: str = ""
    proof_value: float = 1.0
    motor: MotorRule | None = None
    return_after_ms: int = 600_000
    return_within_ms: int = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Readback:
    """What the controller held just before our write, beside what we had written last.

    Args:
        codes: output id to register value read.
        written: output id to register value written last, on whatever
            connection; empty for the first read, which is a baseline.
        confirmed: output id to level name whose code has been read back after
            it was written.
        blank: every register of the block, the heartbeat too, read zero: the
            controller has forgotten what we wrote.
    """

    codes: Mapping[str, int]
    written: Mapping[str, int] = field(default_factory=dict)
    confirmed: Mapping[str, str] = field(default_factory=dict)
    blank: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputState:
    """What is remembered of one output. Times are monotonic.

    Args:
        level: what it shall stand at.
        level_since_ms: since when.
        safe_since_ms: since when it is commanded safe, None while it is not.
        latches: what must be released, oldest first: interlock ids and those of our own.
        latched_ms: when the newest latch was added.
        proving: counting good live data before it may return by the restart rule.
        baseline_awaited: nothing has been read back from the controller since the start.
        good_since_ms: since when every critical input is good and no cause stands.
        resume_until_ms: end of the resume level after a release.
        confirmed: the level read back last after a write, empty before that.
        flushed_m3: water sent elsewhere since the newest latch.
        starts_ms: when it left its safe level, as far back as that counts for its next start.
        start_refused: why it stays safe although nothing stands against it; empty when it does not.
        foreign_code: what somebody else wrote and is journaled already, None while our own code stands.
    """

    level: str
    level_since_ms: int
    safe_since_ms: int | None = None
    latches: tuple[str, ...] = ()
    latched_ms: int = 0
    proving: bool = False
    baseline_awaited: bool = True
    good_since_ms: int | None = None
    resume_until_ms: int | None = None
    confirmed: str = ""
    flushed_m3: float = 0.0
    foreign_code: int | None = None
    starts_ms: tuple[int, ...] = ()
    start_refused: str = ""


def first_start(rule: OutputRule, now_ms: int) -> tuple[OutputState, list[Event]]:
    """The state when nothing is known: a permission is latched safe, a stop is idle."""
    if not rule.permit:
        return OutputState(level=rule.normal_level, level_since_ms=now_ms), []
    state = OutputState(
        level=rule.safe_level, level_since_ms=now_ms, safe_since_ms=now_ms, latches=(START,), latched_ms=now_ms
    )
    return state, [_start_latched(rule, "no saved state")]


def _start_latched(rule: OutputRule, why: str) -> Event:
    return Event(kind=EventKind.START_LATCHED, subject=rule.id, reason=why)


def after_restart(
    rule: OutputRule, state: OutputState, *, shift_ms: int, barred: str, now_ms: int
) -> tuple[OutputState, list[Event]]:
    """Latches survive; an untripped permission proves itself again, or is latched.

    Args:
        rule: the output's rule.
        state: as saved.
        shift_ms: how far its stamps move.
        barred: why the restart rule does not hold, such as a commit that is too old; empty when it holds.
        now_ms: this start.
    """
    delivering = not state.latches and not state.proving and state.level == rule.normal_level
    state = replace(
        state,
        latched_ms=state.latched_ms + shift_ms,
        baseline_awaited=True,
        good_since_ms=None,
        resume_until_ms=None,
        confirmed="",
        proving=False,
        foreign_code=None,
        starts_ms=tuple(one + shift_ms for one in state.starts_ms),
    )
    if not rule.permit:
        return replace(
            state,
            level_since_ms=state.level_since_ms + shift_ms,
            safe_since_ms=shifted(state.safe_since_ms, shift_ms),
        ), []
    state = replace(state, level=rule.safe_level, level_since_ms=now_ms, safe_since_ms=now_ms)
    if delivering and not barred:
        return replace(state, proving=True), [Event(kind=EventKind.PROVING, subject=rule.id)]
    if state.latches:
        return state, []
    why = barred if delivering else "not delivering before the stop"
    return latch(state, START, now_ms), [_start_latched(rule, why)]


def latch(state: OutputState, name: str, now_ms: int) -> OutputState:
    """Add a latch; what was flushed or sampled before it no longer counts."""
    if name in state.latches:
        return state
    return replace(
        state, latches=(*state.latches, name), latched_ms=now_ms, flushed_m3=0.0, proving=False, resume_until_ms=None
    )


def observed(rule: OutputRule, state: OutputState, now_ms: int) -> OutputState:
    """From now on nothing is written: a permission is withdrawn and latched, a stop stays as it is.

    A stop that is being resumed ends that at once: a register in which the
    resume code stands for good would undo every later stop of the controller's own.
    """
    state = replace(state, proving=False, resume_until_ms=None, confirmed="", foreign_code=None)
    return latch(state, COMMISSIONING, now_ms) if rule.permit else state


def commanded(state: OutputState, now_ms: int) -> OutputState:
    """From now on it is written: what the controller holds is a baseline, and the safe level is commanded only now."""
    safe_since_ms = None if state.safe_since_ms is None else now_ms
    return replace(state, baseline_awaited=True, safe_since_ms=safe_since_ms)


def seen(state: OutputState) -> OutputState:
    """The controller has been read while nothing is written: nothing follows from what it holds."""
    return replace(state, baseline_awaited=False) if state.baseline_awaited else state


def read_back(
    rule: OutputRule, state: OutputState, readback: Readback, *, controller_restarted: bool, now_ms: int
) -> tuple[OutputState, list[Event]]:
    """Compare what the controller holds with what we wrote.

    Args:
        rule: the output's rule.
        state: as it stands.
        readback: what was read, and what we had written last.
        controller_restarted: every register of the block read zero.
        now_ms: this scan.
    """
    events: list[Event] = []
    if rule.id in readback.codes:
        code = readback.codes[rule.id]
        if state.baseline_awaited:
            state = _baseline(rule, state, code, events, now_ms)
        elif rule.id in readback.written and not controller_restarted:
            state, events = _compare(rule, state, code, readback.written[rule.id], now_ms)
    if rule.id in readback.confirmed:
        state = replace(state, confirmed=readback.confirmed[rule.id])
    return state, events


def _compare(
    rule: OutputRule, state: OutputState, code: int, written: int, now_ms: int
) -> tuple[OutputState, list[Event]]:
    """A code that is not ours is journaled once, and takes a permission away as long as it stands."""
    if code == written:
        return (state if state.foreign_code is None else replace(state, foreign_code=None)), []
    known = code == state.foreign_code
    state = replace(state, foreign_code=code)
    state = latch(state, FOREIGN, now_ms) if rule.permit else state
    facts: dict[str, Fact] = {"read": code, "written": written}
    return state, [] if known else [Event(kind=EventKind.FOREIGN_WRITE, subject=rule.id, facts=facts)]


def _baseline(rule: OutputRule, state: OutputState, code: int, events: list[Event], now_ms: int) -> OutputState:
    """The first read after a start: the controller may know of a trip whose record was lost."""
    state = replace(state, baseline_awaited=False)
    if rule.permit:
        if not state.proving or code == rule.codes[rule.normal_level]:
            return state
        events.append(_start_latched(rule, "the controller did not hold the permission"))
        return latch(state, START, now_ms)
    if code != rule.codes[rule.safe_level] or state.latches:
        return state
    events.append(Event(kind=EventKind.REESTABLISHED, subject=rule.id, facts={"read": code}))
    return latch(state, LOST_RECORD, now_ms)


def step(
    rule: OutputRule, state: OutputState, demands: Sequence[tuple[str, str]], *, good: bool, now_ms: int
) -> tuple[OutputState, list[Event]]:
    """The level of one output in one scan.

    Args:
        rule: the output's rule.
        state: with this scan's latches and read-backs.
        demands: interlocks that are tripped now, with the level each demands.
        good: every critical input is good and no cause stands.
        now_ms: this scan.
    """
    events: list[Event] = []
    good_since_ms = running_since(state.good_since_ms, now_ms) if good else None
    if good_since_ms != state.good_since_ms:
        state = replace(state, good_since_ms=good_since_ms)
    if state.proving and not state.baseline_awaited and due(good_since_ms, rule.return_after_ms, now_ms):
        state = replace(state, proving=False)
        events.append(Event(kind=EventKind.RETURNED, subject=rule.id, reason="restart rule"))
    level, because = _level(rule, state, demands, now_ms)
    if rule.motor is not None:
        state, level = _started(rule, rule.motor, state, level, now_ms)
    if level == state.level:
        return state, events
    events.append(_level_event(rule, state, level, because))
    safe_since_ms = now_ms if level == rule.safe_level else None
    return replace(state, level=level, level_since_ms=now_ms, safe_since_ms=safe_since_ms), events


def _started(
    rule: OutputRule, limits: MotorRule, state: OutputState, level: str, now_ms: int
) -> tuple[OutputState, str]:
    """A start that comes too soon waits at the safe level; one that does not is counted. A stop never waits."""
    if level == rule.safe_level or state.level != rule.safe_level:
        return (state if not state.start_refused else replace(state, start_refused="")), level
    refused = motor.start_refusal(limits, motor_of(rule, state), tripped=False, now_ms=now_ms)
    if refused:
        return replace(state, start_refused=refused), rule.safe_level
    kept = [one for one in state.starts_ms if one > now_ms - limits.window_ms]
    return replace(state, start_refused="", starts_ms=(*kept, now_ms)), level


def motor_of(rule: OutputRule, state: OutputState) -> MotorState:
    """What an output lets run, as a motor."""
    running = state.level != rule.safe_level
    return MotorState(running=running, stopped_ms=state.safe_since_ms, starts_ms=state.starts_ms)


def _level(
    rule: OutputRule, state: OutputState, demands: Sequence[tuple[str, str]], now_ms: int
) -> tuple[str, tuple[str, ...]]:
    because = _against(rule, state, demands)
    if because:
        demanded = {level for _, level in demands}
        if state.latches or held_at_start(rule, state) or rule.safe_level in demanded:
            return rule.safe_level, because
        return min(demanded), because  # an effect may ask for a level that is neither normal nor safe
    if state.resume_until_ms is not None and now_ms < state.resume_until_ms:
        return rule.resume_level, ()
    return rule.normal_level, ()


def held_at_start(rule: OutputRule, state: OutputState) -> bool:
    """Whether a permission waits for the controller's baseline or proves itself after a restart."""
    return rule.permit and (state.proving or state.baseline_awaited)


def reasons(rule: OutputRule, state: OutputState, demands: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Everything that holds the output away from its normal level, each named once."""
    waits = (_WAITS[state.start_refused],) if state.start_refused else ()
    return (*_against(rule, state, demands), *waits)


def _against(rule: OutputRule, state: OutputState, demands: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    names = [*state.latches, *(name for name, _ in demands)]
    if held_at_start(rule, state):
        names.append("proving after a start" if state.proving else "controller not read yet")
    return tuple(dict.fromkeys(names))


def _level_event(rule: OutputRule, state: OutputState, level: str, because: tuple[str, ...]) -> Event:
    facts: dict[str, Fact] = {"from": state.level, "to": level, "code": rule.codes[level]}
    return Event(kind=EventKind.LEVEL, subject=rule.id, facts={**facts, "because": ", ".join(because)})


def release(rule: OutputRule, state: OutputState, now_ms: int) -> OutputState:
    """Let every latch go; the caller has checked that it may."""
    resume_until_ms = now_ms + rule.resume_ms if rule.resume_level else None
    return replace(state, latches=(), proving=False, resume_until_ms=resume_until_ms)
