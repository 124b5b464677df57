"""One interlock: ready, counting, tripped, latched, bypassed.

Two machines in here. Each cause votes: its inputs keep their last vote while
they are bad, held or awaited, and the delays belong to the voted result, not
to the inputs. The interlock then trips, follows its cause, and waits for a
reset. A bypass changes only what happens at a trip: everything else runs on,
and when it ends with a cause that is due the trip comes in the same scan.
"""

from dataclasses import dataclass, replace
from enum import Enum

from gateway.core.condition import NOTHING, Answer, Asked, Condition, Memory, View, ask
from gateway.core.delay import due, running_since, shifted
from gateway.core.outcome import Event, EventKind


class BadVote(Enum):
    """What a bad input does to the vote."""

    TRIP = "vote_trip"  # counts as a vote to trip
    DROP = "drop"  # leaves the vote; when none is left the interlock trips
    ELSEWHERE = "elsewhere"  # another interlock with the same effects watches its quality; the last vote stands


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One way to trip: k of the inputs in condition for a time.

    Args:
        inputs: the conditions that vote.
        needed: how many of them make the vote.
        trip_delay_ms: the vote must stand this long.
        bad: what bad inputs do.
        bad_trip_delay_ms: with this, the trip delay counts only while good
            inputs alone make the vote, and this one while the vote is made
            with or without bad inputs; None applies the trip delay to both.
    """

    inputs: tuple[Condition, ...]
    needed: int = 1
    trip_delay_ms: int = 0
    bad: BadVote = BadVote.TRIP
    bad_trip_delay_ms: int | None = None


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
class CauseState:
    """What is remembered of one cause.

    Args:
        votes: last vote of each input.
        memories: of each input's condition.
        good_since_ms: since when good inputs alone make the vote.
        total_since_ms: since when the vote is made with or without bad inputs.
    """

    votes: tuple[bool, ...]
    memories: tuple[Memory, ...]
    good_since_ms: int | None = None
    total_since_ms: int | None = None


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
    would_logged: bool = False


def fresh_interlock(rule: InterlockRule) -> InterlockState:
    """The state of an interlock of which nothing is known yet."""
    return InterlockState(
        causes=tuple(
            CauseState(votes=(False,) * len(cause.inputs), memories=(NOTHING,) * len(cause.inputs))
            for cause in rule.causes
        )
    )


def display(state: InterlockState) -> State:
    """What a person sees."""
    if state.bypassed_until_ms is not None:
        return State.BYPASSED
    if not state.tripped:
        return State.READY
    return State.TRIPPED if state.cause_present else State.LATCHED


@dataclass(frozen=True, slots=True)
class _Vote:
    """The result of one cause: made by good inputs alone, made at all, and the same without awaited inputs."""

    good: bool
    total: bool
    good_live: bool
    total_live: bool
    awaited: bool
    since_ms: int | None  # exact start, where a single input knows it


def step(rule: InterlockRule, state: InterlockState, view: View) -> tuple[InterlockState, list[Event]]:
    """One interlock in one scan: end of the bypass, votes and delays, then the transitions.

    Args:
        rule: the interlock's rule.
        state: as the last scan, or a request, left it.
        view: what its conditions can look at.
    """
    events: list[Event] = []
    now_ms = view.now_ms
    if state.bypassed_until_ms is not None and now_ms >= state.bypassed_until_ms:
        state = replace(state, bypassed_until_ms=None)
        events.append(Event(kind=EventKind.BYPASS_OFF, subject=rule.id, reason="expired", person=state.bypassed_by))
    stepped = [
        _step_cause(cause, cause_state, view) for cause, cause_state in zip(rule.causes, state.causes, strict=True)
    ]
    causes = tuple(cause_state for cause_state, _ in stepped)
    if causes != state.causes:
        state = replace(state, causes=causes)
    voted = any(vote.total for _, vote in stepped)
    ripe = [
        index
        for index, (cause, (cause_state, vote)) in enumerate(zip(rule.causes, stepped, strict=True))
        if _ripe(cause, cause_state, vote, now_ms)
    ]
    if state.tripped:
        awaited = any(vote.awaited for _, vote in stepped)
        return _while_tripped(rule, state, events, voted=voted, awaited=awaited, now_ms=now_ms), events
    if ripe and state.bypassed_until_ms is None:
        return _trip(rule, state, events, index=ripe[0], vote=stepped[ripe[0]][1], now_ms=now_ms), events
    return _log_would_trip(rule, state, events, ripe=bool(ripe), voted=voted), events


def _step_cause(cause: Cause, state: CauseState, view: View) -> tuple[CauseState, _Vote]:
    asked = [ask(one, memory, view) for one, memory in zip(cause.inputs, state.memories, strict=True)]
    votes = tuple(_vote(before, one.answer) for before, one in zip(state.votes, asked, strict=True))
    vote = _count(cause, votes, asked)
    good_since_ms = _since(state.good_since_ms, vote.good, vote.since_ms, view.now_ms)
    total_since_ms = _since(state.total_since_ms, vote.total, vote.since_ms, view.now_ms)
    memories = tuple(one.memory for one in asked)
    return (
        CauseState(votes=votes, memories=memories, good_since_ms=good_since_ms, total_since_ms=total_since_ms),
        vote,
    )


def _vote(before: bool, answer: Answer) -> bool:  # noqa: FBT001 - a vote is a truth value
    if answer is Answer.IN:
        return True
    return before and answer is not Answer.CLEAR


def _since(since_ms: int | None, made: bool, exact_ms: int | None, now_ms: int) -> int | None:  # noqa: FBT001 - as above
    if not made:
        return None
    return running_since(since_ms, now_ms) if exact_ms is None else exact_ms


def _count(cause: Cause, votes: tuple[bool, ...], asked: list[Asked]) -> _Vote:
    """Count the votes; a bad input votes, leaves, or lets its last vote stand, as the cause says."""
    answers = [one.answer for one in asked]
    stands = cause.bad is BadVote.ELSEWHERE
    bad = 0 if stands else answers.count(Answer.BAD)
    voting = [vote and (stands or answer is not Answer.BAD) for vote, answer in zip(votes, answers, strict=True)]
    everything = sum(voting)
    live = sum(vote and answer is not Answer.AWAITED for vote, answer in zip(voting, answers, strict=True))
    left = len(votes) - bad if cause.bad is BadVote.DROP else len(votes)
    needed = min(cause.needed, left)
    extra = bad if cause.bad is BadVote.TRIP else 0
    nobody = left == 0
    return _Vote(
        good=not nobody and everything >= needed,
        total=nobody or everything + extra >= needed,
        good_live=not nobody and live >= needed,
        total_live=nobody or live + extra >= needed,
        awaited=Answer.AWAITED in answers,
        since_ms=asked[0].since_ms if len(asked) == 1 else None,
    )


def _ripe(cause: Cause, state: CauseState, vote: _Vote, now_ms: int) -> bool:
    """Whether the vote has stood long enough. A vote from before a restart keeps a delay but cannot trip."""
    if cause.bad_trip_delay_ms is None:
        return vote.total_live and due(state.total_since_ms, cause.trip_delay_ms, now_ms)
    by_good = vote.good_live and due(state.good_since_ms, cause.trip_delay_ms, now_ms)
    return by_good or (vote.total_live and due(state.total_since_ms, cause.bad_trip_delay_ms, now_ms))


def _trip(
    rule: InterlockRule, state: InterlockState, events: list[Event], *, index: int, vote: _Vote, now_ms: int
) -> InterlockState:
    key = "condition" if vote.good else "bad_input"
    events.append(Event(kind=EventKind.TRIP, subject=rule.id, reason=key, facts={"cause": index}))
    return replace(
        state,
        tripped=True,
        cause_present=True,
        tripped_ms=now_ms,
        tripped_by=index,
        cause_key=key,
        clear_since_ms=None,
        clear_before_ms=0,
        restore_since_ms=None,
        would_logged=False,
    )


def _log_would_trip(
    rule: InterlockRule, state: InterlockState, events: list[Event], *, ripe: bool, voted: bool
) -> InterlockState:
    if ripe and not state.would_logged:
        events.append(Event(kind=EventKind.WOULD_TRIP, subject=rule.id, person=state.bypassed_by))
    logged = ripe or (state.would_logged and voted)
    if logged == state.would_logged and voted == state.cause_present:
        return state
    return replace(state, would_logged=logged, cause_present=voted)


def _while_tripped(
    rule: InterlockRule, state: InterlockState, events: list[Event], *, voted: bool, awaited: bool, now_ms: int
) -> InterlockState:
    if not rule.latched:
        return _restore(rule, state, events, voted=voted, now_ms=now_ms)
    if voted != state.cause_present:
        kind = EventKind.CAUSE_RETURNED if voted else EventKind.CAUSE_CLEARED
        events.append(Event(kind=kind, subject=rule.id))
        state = replace(state, cause_present=voted, clear_since_ms=None, clear_before_ms=0)
    if not voted and not awaited and state.clear_since_ms is None:
        return replace(state, clear_since_ms=now_ms)
    return state


def _restore(
    rule: InterlockRule, state: InterlockState, events: list[Event], *, voted: bool, now_ms: int
) -> InterlockState:
    since_ms = None if voted else running_since(state.restore_since_ms, now_ms)
    if due(since_ms, rule.restore_delay_ms, now_ms):
        events.append(Event(kind=EventKind.RESTORED, subject=rule.id))
        return replace(state, tripped=False, cause_present=False, restore_since_ms=None)
    return replace(state, cause_present=voted, restore_since_ms=since_ms)


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
    if not state.tripped:
        return "not_tripped"
    if state.cause_present:
        return "cause_present"
    if not has_data:
        return "no_data"
    if clear_for_ms(state, now_ms) < rule.reset_hold_ms:
        return "hold_time"
    return "" if permitted else "permissive"


def let_go(state: InterlockState) -> InterlockState:
    """The latch is released."""
    return replace(state, tripped=False, cause_present=False, clear_since_ms=None, clear_before_ms=0)


def bypass(
    rule: InterlockRule, state: InterlockState, *, duration_ms: int, person: str, now_ms: int
) -> tuple[InterlockState, str]:
    """Put the interlock aside for a time, or refuse with the first reason that applies."""
    reason = ""
    if not rule.bypassable:
        reason = "not_allowed"
    elif duration_ms <= 0:
        reason = "no_duration"
    elif duration_ms > rule.bypass_max_ms:
        reason = "too_long"
    elif state.tripped:
        reason = "tripped"
    elif state.bypassed_until_ms is not None:
        reason = "already_bypassed"
    if reason:
        return state, reason
    return replace(state, bypassed_until_ms=now_ms + duration_ms, bypassed_by=person), ""


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
        events.append(Event(kind=EventKind.BYPASS_OFF, subject=rule.id, reason="restart", person=state.bypassed_by))
    served_ms = state.clear_before_ms + (0 if state.clear_since_ms is None else saved_ms - state.clear_since_ms)
    state = replace(
        state,
        causes=tuple(_cause_after_restart(cause, shift_ms) for cause in state.causes),
        tripped_ms=state.tripped_ms + shift_ms,
        clear_since_ms=None,
        clear_before_ms=served_ms,
        restore_since_ms=shifted(state.restore_since_ms, shift_ms),
        bypassed_until_ms=None,
        bypassed_by="",
        would_logged=False,
    )
    if rule.hold_after_restart and rule.latched and not state.tripped:
        events.append(Event(kind=EventKind.RESTART_HOLD, subject=rule.id))
        state = replace(state, tripped=True, clear_before_ms=0)
    return state, events


def _cause_after_restart(state: CauseState, shift_ms: int) -> CauseState:
    return replace(
        state,
        memories=tuple(replace(one, since_ms=shifted(one.since_ms, shift_ms)) for one in state.memories),
        good_since_ms=shifted(state.good_since_ms, shift_ms),
        total_since_ms=shifted(state.total_since_ms, shift_ms),
    )
