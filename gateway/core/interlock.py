"""One interlock: ready, tripped, latched, bypassed. Its causes vote in ``voting``; here is what follows.

``MOVES`` says what each trigger does in each state. A bypass changes only what
a ripe cause does: everything else runs on, and when it ends with a cause that
is ripe the trip comes in the same scan. What does not fit the table: a reset
of a latched interlock also wants data, time and permissives, a bypass also an
end within its limit; an interlock without a latch never shows LATCHED, it
stays TRIPPED until its cause has been gone for the restore delay.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum

from gateway.core.condition import Answer, Condition, View
from gateway.core.delay import due, running_since, shifted
from gateway.core.move import Move
from gateway.core.outcome import Event, EventKind, Fact
from gateway.core.request import Origin, Request
from gateway.core.voting import Cause, CauseState, Vote, cause_after_restart, fresh_cause, ripe, step_cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """Which output goes to which level while the interlock is tripped."""

    output: str
    level: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InterlockRule:
    """How one interlock is judged.

    Args:
        id: its name, such as ``I-01``.
        service: what it protects against, in words.
        causes: any of them trips.
        effects: what it holds while tripped.
        latched: stays until a person releases.
        restore_delay_ms: without a latch, returns this long after the cause is gone.
        reset_hold_ms: the cause must have been gone this long, with data, before a reset.
        permissives: conditions a direct reset needs.
        bypassable: whether it may be put aside.
        bypass_max_ms: for how long at most.
        bypass_roles: who may put it aside; empty for every person of the site.
        bypass_remote_allowed: whether that may be done from afar.
        bypass_second_roles: of these roles a second person must confirm it; empty where one person is enough.
        shadow: it is judged and reported, and acts on nothing.
        hold_after_restart: an untripped one comes back from a restart latched.
        exposure_flow: tag with the flow towards the output, m3/h, or empty.
        exposure_volume_l: litres between the tap and the output, which hold water back.
        exposure_stop: output whose confirmed safe level also ends the flow; empty for none.
    """

    id: str
    causes: tuple[Cause, ...]
    service: str = ""
    effects: tuple[Effect, ...] = ()
    latched: bool = True
    restore_delay_ms: int = 0
    reset_hold_ms: int = 0
    permissives: tuple[Condition, ...] = ()
    bypassable: bool = True
    bypass_max_ms: int = 28_800_000
    bypass_roles: frozenset[str] = frozenset()
    bypass_remote_allowed: bool = False
    bypass_second_roles: frozenset[str] = frozenset()
    shadow: bool = False
    hold_after_restart: bool = False
    exposure_flow: str = ""
    exposure_volume_l: float = 0.0
    exposure_stop: str = ""


class State(Enum):
    """What a person sees."""

    READY = "READY"
    TRIPPED = "TRIPPED"  # the cause is there
    LATCHED = "LATCHED"  # the cause is gone, waits for a reset
    BYPASSED = "BYPASSED"


@dataclass(frozen=True, slots=True, kw_only=True)
class InterlockState:
    """What is remembered of one interlock. Times are monotonic.

    Args:
        causes: one for each cause of the rule.
        tripped: the effect stands.
        cause_present: the voted result of any cause.
        tripped_ms: when it tripped last.
        tripped_by: index of the cause that tripped it.
        cause_key: ``condition`` or ``bad_input``, at the trip.
        clear_since_ms: since when the cause is gone with data from every input.
        clear_before_ms: such time from before a restart.
        restore_since_ms: without a latch, since when the cause is gone.
        bypassed_until_ms: end of the bypass, None when there is none.
        bypassed_by: who asked for it.
        bypassed_because: why, in the person's words.
        expired_ms: when a bypass ended by itself last; None when none did, or another was asked for since.
        would_logged: this cause has been logged as one that would have tripped.
    """

    causes: tuple[CauseState, ...]
    tripped: bool = False
    cause_present: bool = False
    tripped_ms: int = 0
    tripped_by: int = 0
    cause_key: str = ""
    clear_since_ms: int | None = None
    clear_before_ms: int = 0
    restore_since_ms: int | None = None
    bypassed_until_ms: int | None = None
    bypassed_by: str = ""
    bypassed_because: str = ""
    expired_ms: int | None = None
    would_logged: bool = False


def fresh_interlock(rule: InterlockRule) -> InterlockState:
    """The state of an interlock of which nothing is known yet."""
    return InterlockState(causes=tuple(fresh_cause(cause) for cause in rule.causes))


class Trigger(Enum):
    """What can happen to an interlock."""

    RIPE = "ripe"  # the vote of a cause has stood for its delay
    VOTED = "voted"  # a cause stands, its delay not yet over
    CLEAR = "clear"  # no cause stands
    RESTORE = "restore"  # without a latch: clear for the restore delay
    RESET = "reset"
    BYPASS = "bypass"
    END = "end"  # of a bypass


_CLEAR = Answer.CLEAR
_S, _T, _E = State, Trigger, EventKind

MOVES: Mapping[tuple[State, Trigger], Move[State]] = {
    (_S.READY, _T.RIPE): Move(_S.TRIPPED, _E.TRIP),
    (_S.READY, _T.VOTED): Move(_S.READY),
    (_S.READY, _T.CLEAR): Move(_S.READY),
    (_S.READY, _T.RESTORE): Move(_S.READY),
    (_S.READY, _T.RESET): Move(_S.READY, refused="not_tripped"),
    (_S.READY, _T.BYPASS): Move(_S.BYPASSED, _E.BYPASS_ON),
    (_S.READY, _T.END): Move(_S.READY, refused="not_bypassed"),
    (_S.TRIPPED, _T.RIPE): Move(_S.TRIPPED),
    (_S.TRIPPED, _T.VOTED): Move(_S.TRIPPED),
    (_S.TRIPPED, _T.CLEAR): Move(_S.LATCHED, _E.CAUSE_CLEARED),
    (_S.TRIPPED, _T.RESTORE): Move(_S.READY, _E.RESTORED),
    (_S.TRIPPED, _T.RESET): Move(_S.TRIPPED, refused="cause_present"),
    (_S.TRIPPED, _T.BYPASS): Move(_S.TRIPPED, refused="tripped"),
    (_S.TRIPPED, _T.END): Move(_S.TRIPPED, refused="not_bypassed"),
    (_S.LATCHED, _T.RIPE): Move(_S.TRIPPED, _E.CAUSE_RETURNED),
    (_S.LATCHED, _T.VOTED): Move(_S.TRIPPED, _E.CAUSE_RETURNED),
    (_S.LATCHED, _T.CLEAR): Move(_S.LATCHED),
    (_S.LATCHED, _T.RESTORE): Move(_S.LATCHED),
    (_S.LATCHED, _T.RESET): Move(_S.READY, _E.RESET),
    (_S.LATCHED, _T.BYPASS): Move(_S.LATCHED, refused="tripped"),
    (_S.LATCHED, _T.END): Move(_S.LATCHED, refused="not_bypassed"),
    (_S.BYPASSED, _T.RIPE): Move(_S.BYPASSED, _E.WOULD_TRIP),  # once a cause
    (_S.BYPASSED, _T.VOTED): Move(_S.BYPASSED),
    (_S.BYPASSED, _T.CLEAR): Move(_S.BYPASSED),
    (_S.BYPASSED, _T.RESTORE): Move(_S.BYPASSED),
    (_S.BYPASSED, _T.RESET): Move(_S.BYPASSED, refused="not_tripped"),
    (_S.BYPASSED, _T.BYPASS): Move(_S.BYPASSED, refused="already_bypassed"),
    (_S.BYPASSED, _T.END): Move(_S.READY, _E.BYPASS_OFF),
}


def display(state: InterlockState) -> State:
    """What a person sees."""
    if state.bypassed_until_ms is not None:
        return State.BYPASSED
    if not state.tripped:
        return State.READY
    return State.TRIPPED if state.cause_present else State.LATCHED


def at_rest(state: InterlockState) -> bool:
    """Neither tripped nor bypassed, and no input votes: clear inputs leave it as it is."""
    if state.tripped or state.cause_present or state.would_logged or state.bypassed_until_ms is not None:
        return False
    return not any(True in one.votes or one.total_since_ms is not None for one in state.causes)


def plainly_without_cause(rule: InterlockRule, view: View) -> bool:
    """Whether one look at each input shows that it is clear."""
    for cause in rule.causes:
        for look in cause.looks:
            if look(view) is not _CLEAR:
                return False
    return True


def step(rule: InterlockRule, state: InterlockState, view: View) -> tuple[InterlockState, list[Event]]:
    """One interlock in one scan: end of the bypass, votes and delays, then the move that follows from them.

    Args:
        rule: the interlock's rule.
        state: as the last scan, or a request, left it.
        view: what its conditions can look at.
    """
    events: list[Event] = []
    now_ms = view.now_ms
    if state.bypassed_until_ms is not None and now_ms >= state.bypassed_until_ms:
        state, event = end_bypass(rule, replace(state, expired_ms=now_ms), "expired")
        events.append(event)
    stepped = [step_cause(cause, before, view) for cause, before in zip(rule.causes, state.causes, strict=True)]
    causes = tuple(cause_state for cause_state, _ in stepped)
    if causes != state.causes:
        state = replace(state, causes=causes)
    tally = _tally(rule, stepped, now_ms)
    state, trigger = _trigger(rule, state, tally, now_ms)
    move = MOVES[_place(rule, state), trigger]
    if move.tells is not None:
        state = _made(state, Event(kind=move.tells, subject=rule.id), tally, now_ms, events)
    return _noted(rule, state, tally, now_ms), events


def _place(rule: InterlockRule, state: InterlockState) -> State:
    """Where it is judged from: in shadow as if it were bypassed, unless a trip from before still stands."""
    return State.BYPASSED if rule.shadow and not state.tripped else display(state)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tally:
    """What all causes together say."""

    voted: bool  # any cause stands
    awaited: bool  # any input has not delivered since the start
    ripe: int | None  # the first cause whose delay is over
    key: str  # what made that one's vote


_QUIET = _Tally(voted=False, awaited=False, ripe=None, key="bad_input")


def _tally(rule: InterlockRule, stepped: list[tuple[CauseState, Vote]], now_ms: int) -> _Tally:
    voted = [vote for _, vote in stepped if vote.total or vote.awaited]
    if not voted:
        return _QUIET  # as it mostly is
    found = [
        index
        for index, (cause, (cause_state, vote)) in enumerate(zip(rule.causes, stepped, strict=True))
        if ripe(cause, cause_state, vote, now_ms)
    ]
    return _Tally(
        voted=any(vote.total for vote in voted),
        awaited=any(vote.awaited for vote in voted),
        ripe=found[0] if found else None,
        key="condition" if found and stepped[found[0]][1].good else "bad_input",
    )


def _trigger(rule: InterlockRule, state: InterlockState, tally: _Tally, now_ms: int) -> tuple[InterlockState, Trigger]:
    """What the tally means; without a latch, a tripped one waits for its restore delay."""
    if not rule.latched and state.tripped:
        if tally.awaited:
            return state, Trigger.VOTED  # without data nothing returns by itself
        since_ms = None if tally.voted else running_since(state.restore_since_ms, now_ms)
        restored = due(since_ms, rule.restore_delay_ms, now_ms)
        # It has no LATCHED; one that comes from a configuration in which it had a latch goes on as tripped.
        state = replace(state, cause_present=True, restore_since_ms=since_ms)
        return state, Trigger.RESTORE if restored else Trigger.VOTED
    if tally.ripe is not None:
        return state, Trigger.RIPE
    return state, Trigger.VOTED if tally.voted else Trigger.CLEAR


def _made(state: InterlockState, event: Event, tally: _Tally, now_ms: int, events: list[Event]) -> InterlockState:
    """Carry out a move of the table and tell of it."""
    if event.kind is EventKind.WOULD_TRIP:
        if not state.would_logged:
            facts: dict[str, Fact] = {"cause": tally.ripe or 0}
            events.append(replace(event, person=state.bypassed_by, reason=tally.key, facts=facts))
        return replace(state, would_logged=True)
    if event.kind is EventKind.TRIP:
        events.append(replace(event, reason=tally.key, facts={"cause": tally.ripe or 0}))
        return _tripped(state, tally, now_ms)
    events.append(event)
    if event.kind is EventKind.RESTORED:
        return replace(state, tripped=False, cause_present=False, restore_since_ms=None)
    return replace(state, cause_present=tally.voted, clear_since_ms=None, clear_before_ms=0)


def _tripped(state: InterlockState, tally: _Tally, now_ms: int) -> InterlockState:
    return replace(
        state,
        tripped=True,
        cause_present=True,
        tripped_ms=now_ms,
        tripped_by=tally.ripe or 0,
        cause_key=tally.key,
        clear_since_ms=None,
        clear_before_ms=0,
        restore_since_ms=None,
        would_logged=False,
    )


def _noted(rule: InterlockRule, state: InterlockState, tally: _Tally, now_ms: int) -> InterlockState:
    """What is remembered beside the state: that a cause stands, and since when it is gone with data."""
    if not state.tripped:
        logged = state.would_logged and tally.voted
        if logged == state.would_logged and tally.voted == state.cause_present:
            return state
        return replace(state, cause_present=tally.voted, would_logged=logged)
    gone = rule.latched and not tally.voted and not tally.awaited
    if gone and state.clear_since_ms is None:
        return replace(state, clear_since_ms=now_ms)
    return state


def acts(rule: InterlockRule, state: InterlockState, now_ms: int) -> bool:
    """Whether it is tripped and a cause has stood for its delay: at the trip, and when the cause has come back."""
    return state.tripped and any(
        due(
            one.total_since_ms,
            cause.trip_delay_ms if cause.bad_trip_delay_ms is None else cause.bad_trip_delay_ms,
            now_ms,
        )
        or (cause.bad_trip_delay_ms is not None and due(one.good_since_ms, cause.trip_delay_ms, now_ms))
        for cause, one in zip(rule.causes, state.causes, strict=True)
    )


def clear_for_ms(state: InterlockState, now_ms: int) -> int:
    """How long the cause has been gone, in milliseconds with data."""
    running = 0 if state.clear_since_ms is None else now_ms - state.clear_since_ms
    return 0 if state.cause_present else state.clear_before_ms + running


def reset_refusal(rule: InterlockRule, state: InterlockState, *, has_data: bool, permitted: bool, now_ms: int) -> str:
    """Why a reset is refused, the first reason that applies; empty when it is not."""
    refused = MOVES[display(state), Trigger.RESET].refused
    if refused:
        return refused
    if not has_data:
        return "no_data"
    if clear_for_ms(state, now_ms) < rule.reset_hold_ms:
        return "hold_time"
    return "" if permitted else "permissive"


def let_go(state: InterlockState) -> InterlockState:
    """The latch is released."""
    return replace(state, tripped=False, cause_present=False, clear_since_ms=None, clear_before_ms=0)


def bypass(rule: InterlockRule, state: InterlockState, request: Request, *, now_ms: int) -> tuple[InterlockState, str]:
    """Put the interlock aside for a time, or refuse with the first reason that applies."""
    reason = bypass_refusal(rule, state, request)
    if reason:
        return state, reason
    until_ms = now_ms + request.duration_ms
    by, because = request.person, request.reason
    return replace(state, bypassed_until_ms=until_ms, bypassed_by=by, bypassed_because=because, expired_ms=None), ""


def bypass_refusal(rule: InterlockRule, state: InterlockState, request: Request) -> str:
    """The first reason against a bypass; empty when there is none."""
    return _bypass_refusal(rule, request) or MOVES[display(state), Trigger.BYPASS].refused


def _bypass_refusal(rule: InterlockRule, request: Request) -> str:
    if not rule.bypassable:
        return "not_allowed"
    if rule.shadow:
        return "shadow"
    if rule.bypass_roles and request.role not in rule.bypass_roles:
        return "bypass_role"
    if request.origin is not Origin.LOCAL and not rule.bypass_remote_allowed:
        return "bypass_on_site"
    if request.duration_ms <= 0:
        return "no_duration"
    return "too_long" if request.duration_ms > rule.bypass_max_ms else ""


def end_bypass(rule: InterlockRule, state: InterlockState, why: str) -> tuple[InterlockState, Event]:
    """End a bypass; a cause that is ripe trips in the same scan."""
    event = Event(kind=EventKind.BYPASS_OFF, subject=rule.id, reason=why, person=state.bypassed_by)
    return replace(state, bypassed_until_ms=None, bypassed_because=""), event


def after_restart(
    rule: InterlockRule, state: InterlockState, *, saved_ms: int, shift_ms: int
) -> tuple[InterlockState, list[Event]]:
    """Trips and running delays survive, a bypass does not; an untripped one may come back latched.

    Args:
        rule: the interlock's rule.
        state: as saved.
        saved_ms: monotonic time of the save, in the old run's time.
        shift_ms: how far its stamps move.
    """
    events: list[Event] = []
    if state.bypassed_until_ms is not None:
        state, event = end_bypass(rule, state, "restart")
        events.append(event)
    served_ms = state.clear_before_ms + (0 if state.clear_since_ms is None else saved_ms - state.clear_since_ms)
    state = replace(
        state,
        causes=tuple(cause_after_restart(cause, shift_ms) for cause in state.causes),
        tripped_ms=state.tripped_ms + shift_ms,
        clear_since_ms=None,
        clear_before_ms=served_ms,
        restore_since_ms=shifted(state.restore_since_ms, shift_ms),
        bypassed_by="",
        expired_ms=shifted(state.expired_ms, shift_ms),
        would_logged=False,
    )
    if rule.hold_after_restart and rule.latched and not rule.shadow and not state.tripped:
        events.append(Event(kind=EventKind.RESTART_HOLD, subject=rule.id))
        state = replace(state, tripped=True, clear_before_ms=0)
    return state, events
