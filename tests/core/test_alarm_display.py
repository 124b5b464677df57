"""The nine states a person sees are derived from the flags, for every combination of them."""

from dataclasses import replace
from itertools import product

import pytest

from gateway.core.alarm import AlarmRule, AlarmState, State, SuppressWhen, acknowledge, display, reset, step
from gateway.core.condition import Equals, View
from gateway.core.outcome import Event, EventKind
from gateway.core.sample import Number
from gateway.core.suppression import Hiding, Logic

FLAGS = [False, True]
RULE = AlarmRule(id="A", condition=Equals(tag="T"), latched=True)


def every_state() -> list[AlarmState]:
    return [
        AlarmState(
            active=active,
            latched=latched,
            acked=acked,
            occurrence=3,
            hiding=Hiding(shelved_until_ms=10_000 if shelved else None, suppressed=suppressed, out_of_service=out),
        )
        for active, latched, acked, shelved, suppressed, out in product(FLAGS, repeat=6)
    ]


def by_the_book(state: AlarmState) -> State:
    """The same in other words: precedence first, then the four questions of ISA-18.2."""
    if state.hiding.hidden:
        if state.hiding.out_of_service:
            return State.OOSRV
        return State.SHLVD if state.hiding.shelved_until_ms is not None else State.DSUPR
    if state.active:
        return State.ACKED if state.acked else State.UNACK
    if state.latched:
        return State.LTACK if state.acked else State.LTUNK
    return State.NORM if state.acked else State.RTNUN


@pytest.mark.parametrize("state", every_state())
def test_display_is_total_and_says_what_the_flags_say(state: AlarmState) -> None:
    assert display(state) is by_the_book(state)


def test_every_state_of_the_table_is_reached() -> None:
    assert {display(state) for state in every_state()} == set(State)


@pytest.mark.parametrize("state", every_state())
def test_an_acknowledgement_touches_nothing_but_the_acknowledgement(state: AlarmState) -> None:
    after, event = acknowledge(RULE, state, occurrence=0, now_ms=500)
    if event.kind is EventKind.ACK:
        assert not state.hiding.hidden
        assert not state.acked
        assert (after.acked, after.active, after.latched, after.hiding) == (
            True,
            state.active,
            state.latched,
            state.hiding,
        )
    else:
        assert after == state


@pytest.mark.parametrize("state", every_state())
def test_a_reset_is_granted_to_a_visible_acknowledged_latch_alone(state: AlarmState) -> None:
    after, event = reset(RULE, state, now_ms=0)
    allowed = display(state) is State.LTACK
    assert (event.kind is EventKind.RESET) is allowed
    assert after.latched is (state.latched and not allowed)


@pytest.mark.parametrize("logic", Logic)
@pytest.mark.parametrize("state", every_state())
def test_no_combination_of_flags_is_left_without_a_step(state: AlarmState, logic: Logic) -> None:
    for value in (0.0, 1.0):
        view = View(now_ms=1_000, verdicts={"T": Number(value)}, rates={}, safe_since_ms={})
        after, events = step(RULE, state, view, logic)
        assert display(after) in State
        sounded = [event for event in events if event.kind is EventKind.ALARM]
        assert not (sounded and after.hiding.hidden)
        assert after.occurrence == state.occurrence + len(sounded)


def test_a_suppression_without_logic_any_more_ends() -> None:
    state = AlarmState(active=True, hiding=Hiding(suppressed=True))
    view = View(now_ms=1_000, verdicts={"T": Number(1.0)}, rates={}, safe_since_ms={})
    after, events = step(RULE, state, view, Logic.NONE)
    assert display(after) is State.UNACK
    assert [event.kind for event in events] == [EventKind.UNSUPPRESS, EventKind.ALARM]


# --- what the journal is told -------------------------------------------------------------------------------------


def judged(rule: AlarmRule, state: AlarmState, value: float, logic: Logic = Logic.NONE) -> list[Event]:
    view = View(now_ms=1_000, verdicts={"T": Number(value)}, rates={}, safe_since_ms={})
    return step(rule, state, view, logic)[1]


def test_an_annunciation_says_by_which_delays_priority_and_revision_it_was_judged() -> None:
    rule = replace(RULE, on_delay_ms=500, off_delay_ms=2_500, revision="abc", latched=False)
    (event,) = judged(rule, AlarmState(onset_ms=400), 1.0)
    assert dict(event.facts) == {
        "state_before": "NORM",
        "state_after": "UNACK",
        "priority": "P3",
        "on_delay_s": 0.5,
        "off_delay_s": 2.5,
        "revision": "abc",
        "onset_ms_ago": 600,
    }


@pytest.mark.parametrize(
    ("when", "by"),
    [(SuppressWhen(alarm="OTHER"), "OTHER"), (SuppressWhen(tag="PUMP", equals=0.0), "PUMP at 0")],
)
def test_begin_and_end_of_a_suppression_name_what_silences_it(when: SuppressWhen, by: str) -> None:
    rule = replace(RULE, suppress_when=when)
    (begun,) = judged(rule, AlarmState(), 0.0, Logic.HIDE)
    (ended,) = judged(rule, AlarmState(hiding=Hiding(suppressed=True)), 0.0, Logic.SHOW)
    assert dict(begun.facts) == {"state_before": "NORM", "state_after": "DSUPR", "by": by}
    assert dict(ended.facts) == {"state_before": "DSUPR", "state_after": "NORM", "by": by}


def test_what_moves_behind_a_reason_to_hide_says_which_state_it_would_be_seen_in() -> None:
    (event,) = judged(RULE, AlarmState(hiding=Hiding(out_of_service=True)), 1.0)
    assert (event.kind, event.reason) == (EventKind.HIDDEN_CHANGE, "alarm")
    assert dict(event.facts) == {"state_before": "NORM", "state_after": "UNACK"}
