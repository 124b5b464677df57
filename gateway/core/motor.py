"""Whether a motor may start: not while its interlock is tripped, not too soon after a stop, not too often.

``MOVES`` says what a request or a trip does in each of the two states; a start
that the figures forbid is refused before the table is asked, and nothing is
remembered of it. A stop is never refused. This decides a permission alone:
nothing here moves a motor.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum

from gateway.core.delay import shifted
from gateway.core.move import Move
from gateway.core.outcome import Event, EventKind


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorRule:
    """How often a motor may start.

    Args:
        id: its name.
        min_off_ms: so long after a stop it may not start.
        max_starts: so many starts may lie in the window; None for any number.
        window_ms: the window that ends now, ``(now - window, now]``.
    """

    id: str
    min_off_ms: int = 0
    max_starts: int | None = None
    window_ms: int = 0


class State(Enum):
    """What a motor is permitted to do."""

    STOP = "STOP"
    RUN = "RUN"


class Trigger(Enum):
    """What can happen to it."""

    START = "start"  # asked for, and nothing forbids it
    STOP = "stop"  # asked for
    TRIP = "trip"  # its interlock is tripped
    RESTART = "restart"  # the engine begins again


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorState:
    """What is remembered of one motor; times are monotonic.

    Args:
        running: whether it was let run.
        stopped_ms: its last stop; None when it never stopped.
        starts_ms: accepted starts that may still count, oldest first.
    """

    running: bool = False
    stopped_ms: int | None = None
    starts_ms: tuple[int, ...] = ()


AT_REST = MotorState()
_S, _T = State, Trigger

MOVES: Mapping[tuple[State, Trigger], Move[State]] = {
    (_S.STOP, _T.START): Move(_S.RUN, EventKind.MOTOR_START),
    (_S.STOP, _T.STOP): Move(_S.STOP),
    (_S.STOP, _T.TRIP): Move(_S.STOP),
    (_S.STOP, _T.RESTART): Move(_S.STOP),
    (_S.RUN, _T.START): Move(_S.RUN),
    (_S.RUN, _T.STOP): Move(_S.STOP, EventKind.MOTOR_STOP),
    (_S.RUN, _T.TRIP): Move(_S.STOP, EventKind.MOTOR_STOP),
    (_S.RUN, _T.RESTART): Move(_S.STOP, EventKind.MOTOR_STOP),
}
_REASONS = {_T.STOP: "command", _T.TRIP: "interlock", _T.RESTART: "restart"}


def display(state: MotorState) -> State:
    """The state that is seen."""
    return State.RUN if state.running else State.STOP


def start_refusal(rule: MotorRule, state: MotorState, *, tripped: bool, now_ms: int) -> str:
    """Why a start is refused, the first reason that applies; empty when it is not."""
    if tripped:
        return "interlock"
    if state.running:
        return ""
    if state.stopped_ms is not None and now_ms - state.stopped_ms < rule.min_off_ms:
        return "min_off"
    return "max_starts" if rule.max_starts is not None and _recent(rule, state, now_ms) >= rule.max_starts else ""


def wait_ms(rule: MotorRule, state: MotorState, now_ms: int) -> int:
    """How long until it may start, if nothing else happens; 0 when it may."""
    off_ms = 0 if state.stopped_ms is None else state.stopped_ms + rule.min_off_ms - now_ms
    counting = [one for one in state.starts_ms if one > now_ms - rule.window_ms]
    too_many = rule.max_starts is not None and len(counting) >= rule.max_starts
    window_ms = counting[-(rule.max_starts or 1)] + rule.window_ms - now_ms if too_many else 0
    return max(0, off_ms, window_ms)


def _recent(rule: MotorRule, state: MotorState, now_ms: int) -> int:
    return sum(one > now_ms - rule.window_ms for one in state.starts_ms)


def start(rule: MotorRule, state: MotorState, *, tripped: bool, now_ms: int) -> tuple[MotorState, list[Event]]:
    """A start that is asked for: carried out whole, or refused with nothing changed."""
    refused = start_refusal(rule, state, tripped=tripped, now_ms=now_ms)
    if refused:
        return state, [Event(kind=EventKind.MOTOR_START_REFUSED, subject=rule.id, reason=refused)]
    return step(rule, state, Trigger.START, now_ms)


def step(rule: MotorRule, state: MotorState, trigger: Trigger, now_ms: int) -> tuple[MotorState, list[Event]]:
    """One move of the table.

    Args:
        rule: of the motor.
        state: as the last move left it.
        trigger: what happens; a start only after ``start_refusal`` had nothing against it.
        now_ms: when.
    """
    move = MOVES[display(state), trigger]
    if move.tells is None:
        return state, []
    event = Event(kind=move.tells, subject=rule.id, reason=_REASONS.get(trigger, ""))
    if move.to is State.STOP:
        return replace(state, running=False, stopped_ms=now_ms), [event]
    kept = tuple(one for one in state.starts_ms if one > now_ms - rule.window_ms)
    return replace(state, running=True, starts_ms=(*kept, now_ms)), [event]


def after_restart(rule: MotorRule, state: MotorState, *, shift_ms: int, now_ms: int) -> tuple[MotorState, list[Event]]:
    """A restart counts as a stop, whatever the motor did; starts before it still count.

    Args:
        rule: of the motor.
        state: as it was saved.
        shift_ms: carries its stamps into the new run's monotonic time.
        now_ms: this start of the engine.
    """
    carried = replace(
        state,
        stopped_ms=shifted(state.stopped_ms, shift_ms),
        starts_ms=tuple(one + shift_ms for one in state.starts_ms),
    )
    stopped, events = step(rule, carried, Trigger.RESTART, now_ms)
    return replace(stopped, stopped_ms=now_ms), events
