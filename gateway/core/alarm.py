"""One alarm: active, acknowledged, latched, and what hides it (ISA-18.2; OPC UA Part 9, 5.8.2).

There are really two machines in here. The delays turn what the condition
answers into two triggers, RISE and FALL; ``MOVES`` says what a trigger does in
each of the six visible states, people's acknowledgement and reset included.
The reasons to hide (see ``suppression``) lie over it: hidden is not "not
evaluated", the same moves are made in silence, and when the last reason ends
the trigger EMERGE sounds the alarm at once if its condition or latch stands.

Flags (active, acknowledged, latched) are what is stored; the states are
derived from them. What does not fit the table: an acknowledgement or reset is
refused while hidden, and one that names an old occurrence is refused, before
the table is asked.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum

from gateway.core.condition import NOTHING, Answer, Asked, Condition, Memory, View, ask, memory_after_restart
from gateway.core.delay import due, running_since, shifted
from gateway.core.move import Move
from gateway.core.outcome import Event, EventKind, Fact
from gateway.core.suppression import VISIBLE, Hiding, Logic, end_shelf, follow_logic


class Priority(Enum):
    """What an alarm does to people."""

    P1 = "P1"  # wakes someone
    P2 = "P2"  # the same day
    P3 = "P3"  # the next visit


class OnBad(Enum):
    """What a bad input means to an alarm. There is no "bad counts as normal"."""

    HOLD = "hold"  # the alarm stays as it is; a running delay is given up
    AS_ALARM = "as_alarm"  # counts as in condition


@dataclass(frozen=True, slots=True, kw_only=True)
class SuppressWhen:
    """Logic that silences an alarm: a tag at a value, or another alarm that is active and visible."""

    tag: str = ""
    equals: float = 1.0
    alarm: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmText:
    """What a person needs to know; every enabled alarm has all of it.

    Args:
        says: the state in plain words, as it stands in a message ("filter water cloudy").
        cause: what usually causes it.
        consequence: what happens if nobody acts.
        action: what the person is to do.
        respond_within_ms: how long that may take.
    """

    says: str
    cause: str
    consequence: str
    action: str
    respond_within_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRule:
    """How one alarm is judged. Delays in milliseconds, limits inside ``condition``."""

    id: str
    condition: Condition
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    latched: bool = False
    on_bad: OnBad = OnBad.HOLD
    suppress_when: SuppressWhen | None = None
    release_delay_ms: int = 0
    shelvable: bool = True
    max_shelve_ms: int = 28_800_000
    realarm_ms: int | None = None
    priority: Priority = Priority.P3
    text: AlarmText = AlarmText(says="", cause="", consequence="", action="", respond_within_ms=0)
    value_tag: str = ""  # whose value belongs into the message; empty takes the condition's own tag
    alarm_class: str = ""  # alarms under the same rules of testing, training and reporting
    revision: str = ""  # changes with every key of the alarm; stands in the journal


class State(Enum):
    """What a person sees, with the abbreviations of ISA-18.2."""

    NORM = "NORM"  # normal
    UNACK = "UNACK"  # active, not acknowledged
    ACKED = "ACKED"  # active, acknowledged
    RTNUN = "RTNUN"  # returned to normal before anybody acknowledged
    LTUNK = "LTUNK"  # gone but latched, not acknowledged
    LTACK = "LTACK"  # gone but latched, acknowledged
    SHLVD = "SHLVD"  # shelved by a person, for a time
    DSUPR = "DSUPR"  # suppressed by design
    OOSRV = "OOSRV"  # out of service


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmState:
    """Flags of one alarm; times are monotonic.

    Args:
        active: the condition has lasted its on-delay and not yet been clear for its off-delay.
        acked: nobody needs to acknowledge.
        latched: the latch is set.
        occurrence: how often it has been annunciated.
        onset_ms: since when a running on-delay, or the active alarm, is in condition.
        clear_since_ms: since when a running off-delay is clear.
        activated_ms: when it became active last.
        acked_ms: when it was acknowledged last, for re-alarm.
        hiding: shelf, suppression, out of service.
        memory: of its condition.
    """

    active: bool = False
    acked: bool = True
    latched: bool = False
    occurrence: int = 0
    onset_ms: int | None = None
    clear_since_ms: int | None = None
    activated_ms: int = 0
    acked_ms: int = 0
    hiding: Hiding = VISIBLE
    memory: Memory = NOTHING


_STATES: Mapping[tuple[bool, bool, bool], State] = {
    # active, latched, acknowledged
    (True, False, False): State.UNACK,
    (True, True, False): State.UNACK,
    (True, False, True): State.ACKED,
    (True, True, True): State.ACKED,
    (False, False, False): State.RTNUN,
    (False, True, False): State.LTUNK,
    (False, True, True): State.LTACK,
    (False, False, True): State.NORM,
}


class Trigger(Enum):
    """What can happen to an alarm."""

    RISE = "rise"  # in condition for the on-delay
    FALL = "fall"  # clear for the off-delay, of an alarm without a latch
    FALL_LATCHED = "fall_latched"  # the same of an alarm with one
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    AGAIN = "again"  # still there a re-alarm time after the acknowledgement
    EMERGE = "emerge"  # the last reason to hide has ended


_S, _T, _E = State, Trigger, EventKind

MOVES: Mapping[tuple[State, Trigger], Move[State]] = {
    (_S.NORM, _T.RISE): Move(_S.UNACK, _E.ALARM),
    (_S.NORM, _T.FALL): Move(_S.NORM),
    (_S.NORM, _T.FALL_LATCHED): Move(_S.NORM),
    (_S.NORM, _T.ACKNOWLEDGE): Move(_S.NORM, refused="nothing_to_ack"),
    (_S.NORM, _T.RESET): Move(_S.NORM, refused="nothing_latched"),
    (_S.NORM, _T.AGAIN): Move(_S.NORM),
    (_S.NORM, _T.EMERGE): Move(_S.NORM),
    (_S.UNACK, _T.RISE): Move(_S.UNACK),
    (_S.UNACK, _T.FALL): Move(_S.RTNUN, _E.RTN),
    (_S.UNACK, _T.FALL_LATCHED): Move(_S.LTUNK, _E.RTN),
    (_S.UNACK, _T.ACKNOWLEDGE): Move(_S.ACKED, _E.ACK),
    (_S.UNACK, _T.RESET): Move(_S.UNACK, refused="cause_present"),
    (_S.UNACK, _T.AGAIN): Move(_S.UNACK),
    (_S.UNACK, _T.EMERGE): Move(_S.UNACK, _E.ALARM),
    (_S.ACKED, _T.RISE): Move(_S.ACKED),
    (_S.ACKED, _T.FALL): Move(_S.NORM, _E.RTN),
    (_S.ACKED, _T.FALL_LATCHED): Move(_S.LTACK, _E.RTN),
    (_S.ACKED, _T.ACKNOWLEDGE): Move(_S.ACKED, refused="nothing_to_ack"),
    (_S.ACKED, _T.RESET): Move(_S.ACKED, refused="cause_present"),
    (_S.ACKED, _T.AGAIN): Move(_S.UNACK, _E.ALARM),
    (_S.ACKED, _T.EMERGE): Move(_S.UNACK, _E.ALARM),
    (_S.RTNUN, _T.RISE): Move(_S.UNACK, _E.ALARM),
    (_S.RTNUN, _T.FALL): Move(_S.RTNUN),
    (_S.RTNUN, _T.FALL_LATCHED): Move(_S.RTNUN),
    (_S.RTNUN, _T.ACKNOWLEDGE): Move(_S.NORM, _E.ACK),
    (_S.RTNUN, _T.RESET): Move(_S.RTNUN, refused="not_acked"),
    (_S.RTNUN, _T.AGAIN): Move(_S.RTNUN),
    (_S.RTNUN, _T.EMERGE): Move(_S.NORM),
    (_S.LTUNK, _T.RISE): Move(_S.UNACK, _E.ALARM),
    (_S.LTUNK, _T.FALL): Move(_S.LTUNK),
    (_S.LTUNK, _T.FALL_LATCHED): Move(_S.LTUNK),
    (_S.LTUNK, _T.ACKNOWLEDGE): Move(_S.LTACK, _E.ACK),
    (_S.LTUNK, _T.RESET): Move(_S.LTUNK, refused="not_acked"),
    (_S.LTUNK, _T.AGAIN): Move(_S.LTUNK),
    (_S.LTUNK, _T.EMERGE): Move(_S.LTUNK, _E.ALARM),
    (_S.LTACK, _T.RISE): Move(_S.UNACK, _E.ALARM),
    (_S.LTACK, _T.FALL): Move(_S.LTACK),
    (_S.LTACK, _T.FALL_LATCHED): Move(_S.LTACK),
    (_S.LTACK, _T.ACKNOWLEDGE): Move(_S.LTACK, refused="nothing_to_ack"),
    (_S.LTACK, _T.RESET): Move(_S.NORM, _E.RESET),
    (_S.LTACK, _T.AGAIN): Move(_S.LTACK),
    (_S.LTACK, _T.EMERGE): Move(_S.LTUNK, _E.ALARM),
}

_IN, _CLEAR = Answer.IN, Answer.CLEAR  # looked up once: they are asked for with every alarm in every scan
_ACTIVE = frozenset({State.UNACK, State.ACKED})
_UNACKED = frozenset({State.UNACK, State.RTNUN, State.LTUNK})
_LATCHED = frozenset({State.LTUNK, State.LTACK})


def visible(state: AlarmState) -> State:
    """The state that would be seen if nothing hid it."""
    return _STATES[state.active, state.latched, state.acked]


def display(state: AlarmState) -> State:
    """The ISA-18.2 state: out of service before shelved before suppressed before the rest."""
    if state.hiding.out_of_service:
        return State.OOSRV
    if state.hiding.shelved_until_ms is not None:
        return State.SHLVD
    if state.hiding.suppressed:
        return State.DSUPR
    return visible(state)


def stays(rule: AlarmRule, state: AlarmState, answer: Answer | None, now_ms: int) -> bool:
    """Whether nothing begins, ends, hides or comes due, so that a plain answer leaves the alarm as it is."""
    if answer is None or (state.hiding is not VISIBLE and state.hiding.hidden):
        return False
    since_ms = state.onset_ms
    if not state.active:
        if since_ms is None:
            return answer is not _IN
        return answer is _IN and now_ms - since_ms < rule.on_delay_ms
    if rule.realarm_ms is not None:
        return False
    since_ms = state.clear_since_ms
    if answer is _CLEAR:
        return since_ms is not None and now_ms - since_ms < rule.off_delay_ms
    return since_ms is None


def states(before: AlarmState, after: AlarmState) -> dict[str, Fact]:
    """The state before and after a transition, for the journal; behind a reason to hide, what would be seen."""
    shown = visible if before.hiding.hidden and before.hiding == after.hiding else display
    return {"state_before": shown(before).value, "state_after": shown(after).value}


def suppressor(rule: AlarmRule) -> str:
    """What silences an alarm by design: another alarm, or a tag at a value; empty when nothing does."""
    when = rule.suppress_when
    if when is None:
        return ""
    return when.alarm or f"{when.tag} at {when.equals:g}"


def step(
    rule: AlarmRule, state: AlarmState, view: View, logic: Logic, plain: Answer | None = None
) -> tuple[AlarmState, list[Event]]:
    """One alarm in one scan: end of the shelf, suppression logic, the condition with its delays, re-alarm.

    Args:
        rule: the alarm's rule.
        state: as the last scan, or a request, left it.
        view: what the condition can look at.
        logic: whether its suppression logic says to hide it.
        plain: what one look at its condition showed already; None asks it.
    """
    events: list[Event] = []
    if logic is not Logic.NONE or state.hiding.hidden:
        state = _follow(rule, state, logic, view.now_ms, events)
    asked = ask(rule.condition, state.memory, view) if plain is None else Asked(plain, state.memory)
    if asked.memory is not state.memory and asked.memory != state.memory:
        state = replace(state, memory=asked.memory)
    answer = Answer.IN if asked.answer is Answer.BAD and rule.on_bad is OnBad.AS_ALARM else asked.answer
    if answer in (Answer.HELD, Answer.AWAITED):
        return state, events  # nothing starts, fires or ends
    if answer is Answer.BAD:
        return _give_up(state, on=not state.active, off=True), events  # frozen; delays need proof by good samples
    if answer is Answer.IN:
        state = _in_condition(rule, state, asked, view.now_ms, events)
    elif answer is Answer.CLEAR:
        state = _clear(rule, state, view.now_ms, events)
    else:
        state = _give_up(state, on=not state.active, off=True)  # inside the deadband: neither delay runs
    return _realarm(rule, state, view.now_ms, events), events


def _follow(rule: AlarmRule, state: AlarmState, logic: Logic, now_ms: int, events: list[Event]) -> AlarmState:
    """End a shelf whose time is up, and follow the suppression logic."""
    for change in (end_shelf, follow_logic):
        hiding, said = change(state.hiding, logic, now_ms, rule.release_delay_ms)
        if said is not None:
            came: list[Event] = []
            after = came_out(rule, replace(state, hiding=hiding), now_ms, came)
            events += [_hiding_event(rule, said, state, after), *came]
            state = after
        elif hiding is not state.hiding:
            state = replace(state, hiding=hiding)
    return state


def _hiding_event(rule: AlarmRule, kind: EventKind, before: AlarmState, after: AlarmState) -> Event:
    """The end of a shelf, or the begin or end of a suppression by design."""
    facts = states(before, after)
    if kind is not EventKind.UNSHELVE:
        facts["by"] = suppressor(rule)
    return Event(kind=kind, subject=rule.id, reason="expired" if kind is EventKind.UNSHELVE else "", facts=facts)


def came_out(rule: AlarmRule, state: AlarmState, now_ms: int, events: list[Event]) -> AlarmState:
    """After a hiding reason has ended: sound at once if the condition or a latch stands and nothing hides it now."""
    return state if state.hiding.hidden else _make(rule, state, Trigger.EMERGE, now_ms, events)


def _make(rule: AlarmRule, state: AlarmState, trigger: Trigger, now_ms: int, events: list[Event]) -> AlarmState:
    """Make the move of a trigger and tell of it; behind a reason to hide it is journaled under another name."""
    move = MOVES[visible(state), trigger]
    before = state
    state = replace(
        state,
        active=move.to in _ACTIVE,
        acked=move.to not in _UNACKED,
        latched=move.to in _LATCHED
        or (move.to in _ACTIVE and (rule.latched if trigger is Trigger.RISE else state.latched)),
    )
    if move.tells is None:
        return state
    if state.hiding.hidden:
        facts = states(before, state)
        events.append(Event(kind=EventKind.HIDDEN_CHANGE, subject=rule.id, reason=move.tells.value, facts=facts))
        return state
    facts = states(before, state)
    if move.tells is EventKind.ALARM:
        state = replace(state, occurrence=state.occurrence + 1)
        facts |= _in_force(rule) | {"onset_ms_ago": now_ms - running_since(state.onset_ms, now_ms)}
    events.append(Event(kind=move.tells, subject=rule.id, occurrence=state.occurrence, facts=facts))
    return state


def _in_force(rule: AlarmRule) -> dict[str, Fact]:
    """What an annunciation was judged by, beside its limit."""
    facts: dict[str, Fact] = {
        "priority": rule.priority.value,
        "on_delay_s": rule.on_delay_ms / 1000,
        "off_delay_s": rule.off_delay_ms / 1000,
    }
    named = {"class": rule.alarm_class, "revision": rule.revision}
    return facts | {name: text for name, text in named.items() if text}


def _give_up(state: AlarmState, *, on: bool, off: bool) -> AlarmState:
    """Give up a running on-delay, a running off-delay."""
    onset_ms = None if on else state.onset_ms
    clear_since_ms = None if off else state.clear_since_ms
    if onset_ms == state.onset_ms and clear_since_ms == state.clear_since_ms:
        return state
    return _delayed(state, onset_ms, clear_since_ms)


def _delayed(state: AlarmState, onset_ms: int | None, clear_since_ms: int | None) -> AlarmState:
    """With other delays; written out, since delays begin and end all day and ``replace`` takes twice as long."""
    return AlarmState(
        active=state.active,
        acked=state.acked,
        latched=state.latched,
        occurrence=state.occurrence,
        onset_ms=onset_ms,
        clear_since_ms=clear_since_ms,
        activated_ms=state.activated_ms,
        acked_ms=state.acked_ms,
        hiding=state.hiding,
        memory=state.memory,
    )


def _in_condition(rule: AlarmRule, state: AlarmState, asked: Asked, now_ms: int, events: list[Event]) -> AlarmState:
    state = _give_up(state, on=False, off=True)
    if state.active:
        return state
    onset_ms = running_since(state.onset_ms, now_ms) if asked.since_ms is None else asked.since_ms
    if onset_ms != state.onset_ms:
        state = _delayed(state, onset_ms, state.clear_since_ms)
    if not due(onset_ms, rule.on_delay_ms, now_ms):
        return state
    return _make(rule, replace(state, activated_ms=now_ms), Trigger.RISE, now_ms, events)


def _clear(rule: AlarmRule, state: AlarmState, now_ms: int, events: list[Event]) -> AlarmState:
    if not state.active:
        return _give_up(state, on=True, off=True)
    since_ms = running_since(state.clear_since_ms, now_ms)
    if not due(since_ms, rule.off_delay_ms, now_ms):
        return state if since_ms == state.clear_since_ms else _delayed(state, state.onset_ms, since_ms)
    fall = Trigger.FALL_LATCHED if rule.latched else Trigger.FALL
    return _make(rule, replace(state, onset_ms=None, clear_since_ms=None), fall, now_ms, events)


def _realarm(rule: AlarmRule, state: AlarmState, now_ms: int, events: list[Event]) -> AlarmState:
    if rule.realarm_ms is None or display(state) is not State.ACKED or now_ms - state.acked_ms < rule.realarm_ms:
        return state
    return _make(rule, state, Trigger.AGAIN, now_ms, events)


def acknowledge(rule: AlarmRule, state: AlarmState, *, occurrence: int, now_ms: int) -> tuple[AlarmState, Event]:
    """A person has seen an occurrence; 0 means the newest."""
    if not state.hiding.hidden and occurrence not in (0, state.occurrence):
        return state, _refusal(rule, EventKind.ACK_REFUSED, occurrence, "old_occurrence")
    return _asked(rule, replace(state, acked_ms=now_ms), state, Trigger.ACKNOWLEDGE, now_ms)


def reset(rule: AlarmRule, state: AlarmState, *, now_ms: int) -> tuple[AlarmState, Event]:
    """Let go of the latch."""
    return _asked(rule, state, state, Trigger.RESET, now_ms)


def _asked(
    rule: AlarmRule, carried_out: AlarmState, as_it_is: AlarmState, trigger: Trigger, now_ms: int
) -> tuple[AlarmState, Event]:
    """What a person's trigger does: one event, and nothing changed when it is refused."""
    refused = "hidden" if as_it_is.hiding.hidden else MOVES[visible(as_it_is), trigger].refused
    if refused:
        kind = EventKind.ACK_REFUSED if trigger is Trigger.ACKNOWLEDGE else EventKind.RESET_REFUSED
        return as_it_is, _refusal(rule, kind, as_it_is.occurrence, refused)
    events: list[Event] = []
    state = _make(rule, carried_out, trigger, now_ms, events)
    return state, events[0]


def _refusal(rule: AlarmRule, kind: EventKind, occurrence: int, reason: str) -> Event:
    return Event(kind=kind, subject=rule.id, occurrence=occurrence, reason=reason)


def after_restart(state: AlarmState, shift_ms: int) -> AlarmState:
    """Everything survives; stamps are carried into the new run's monotonic time."""
    hiding = state.hiding
    return replace(
        state,
        onset_ms=shifted(state.onset_ms, shift_ms),
        clear_since_ms=shifted(state.clear_since_ms, shift_ms),
        activated_ms=state.activated_ms + shift_ms,
        acked_ms=state.acked_ms + shift_ms,
        hiding=replace(
            hiding,
            shelved_until_ms=shifted(hiding.shelved_until_ms, shift_ms),
            logic_off_since_ms=shifted(hiding.logic_off_since_ms, shift_ms),
        ),
        memory=memory_after_restart(state.memory, shift_ms),
    )
