"""Interlocks that are put aside by people for a time, and those that only watch."""

from dataclasses import replace

import pytest

from gateway.core.alarm import AlarmRule
from gateway.core.condition import BypassEnds, BypassExpired
from gateway.core.outcome import EventKind
from gateway.core.request import Action, Origin
from gateway.core.restart import resume
from tests.core.plants import ALARMS, INTERLOCKS, Bench, plant_with

CALLS = (
    AlarmRule(id="ENDS", condition=BypassEnds(within_ms=15_000)),
    AlarmRule(id="ENDED", condition=BypassExpired(for_ms=20_000)),
)


def with_first(**changed: object) -> Bench:
    """The plant with another rule for cloudy water, delivering."""
    first, *others = INTERLOCKS
    rule = replace(first, **changed)  # type: ignore[arg-type]
    bench = Bench(plant_with(interlocks=(rule, *others), alarms=(*ALARMS, *CALLS)))
    bench.deliver()
    return bench


# --- bypasses -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "fields", "reason"),
    [
        pytest.param({}, {}, "", id="anybody of the site"),
        pytest.param({"bypass_roles": frozenset({"DUTY-MGR"})}, {}, "bypass_role", id="another role"),
        pytest.param({"bypass_roles": frozenset({"VISITOR-OP"})}, {}, "", id="the role"),
        pytest.param({}, {"origin": Origin.REMOTE}, "bypass_on_site", id="from afar"),
        pytest.param({"bypass_remote_allowed": True}, {"origin": Origin.REMOTE}, "", id="from afar, where allowed"),
        pytest.param({"shadow": True}, {}, "shadow", id="in shadow"),
        pytest.param({"bypassable": False}, {}, "not_allowed", id="never"),
    ],
)
def test_who_may_put_an_interlock_aside(rule: dict[str, object], fields: dict[str, object], reason: str) -> None:
    answer = with_first(**rule).ask(Action.BYPASS, "I-TURB", duration_ms=60_000, **fields)
    assert (answer.granted, answer.reason) == (not reason, reason)


def test_people_are_called_before_a_bypass_ends_and_again_when_nobody_has_ended_it() -> None:
    bench = with_first()
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=60_000, reason="dosing pump in manual")
    state = bench.state.interlocks["I-TURB"]
    assert (state.bypassed_by, state.bypassed_because) == ("VISITOR-OP", "dosing pump in manual")
    bench.run(44)
    assert not bench.found(EventKind.ALARM)
    bench.run(1)
    (warned,) = bench.found(EventKind.ALARM, "ENDS")
    assert warned.facts["put_aside"] == "I-TURB bypassed by VISITOR-OP for 0 min more"
    bench.run(14)
    assert not bench.found(EventKind.ALARM, "ENDED")
    bench.run(1)
    assert [event.reason for event in bench.found(EventKind.BYPASS_OFF)] == ["expired"]
    assert bench.found(EventKind.ALARM, "ENDED")
    assert not bench.state.alarms["ENDS"].active
    bench.run(20)
    assert not bench.state.alarms["ENDED"].active


def test_a_bypass_that_somebody_ends_calls_nobody_afterwards() -> None:
    bench = with_first()
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=60_000)
    bench.run(50)
    assert bench.ask(Action.END_BYPASS, "I-TURB").granted
    bench.run(30)
    assert not bench.found(EventKind.ALARM, "ENDED")


def test_another_bypass_takes_the_call_for_the_one_that_ended_by_itself_back() -> None:
    bench = with_first()
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=5_000)
    bench.run(5)
    assert bench.state.alarms["ENDED"].active
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=60_000)
    assert not bench.state.alarms["ENDED"].active


def test_the_call_for_a_bypass_that_ended_survives_a_restart_and_the_bypass_does_not() -> None:
    bench = with_first()
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=5_000)
    bench.ask(Action.BYPASS, "I-CHLORINE", duration_ms=60_000)
    bench.run(5)
    state, events = resume(bench.rules, bench.state, bench.tick(), same_boot=True)
    assert [(one.subject, one.reason) for one in events if one.kind is EventKind.BYPASS_OFF] == [
        ("I-CHLORINE", "restart")
    ]
    bench.state = state
    bench.run(1)
    assert bench.state.alarms["ENDED"].active


def test_every_alarm_says_what_is_put_aside_at_its_moment() -> None:
    bench = with_first()
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=600_000)
    bench.read(TURB=6.0)
    bench.run(10)
    (alarm,) = bench.found(EventKind.ALARM, "TURB-HIGH")
    assert alarm.facts["put_aside"] == "I-TURB bypassed by VISITOR-OP for 9 min more"


# --- in shadow ----------------------------------------------------------------------------------------------------


def test_in_shadow_it_votes_and_tells_that_it_would_trip_and_moves_nothing() -> None:
    bench = with_first(shadow=True)
    before = bench.state.outputs
    bench.read(TURB=12.0)
    bench.run(60)
    assert [event.reason for event in bench.found(EventKind.WOULD_TRIP, "I-TURB")] == ["condition"]
    assert not bench.found(EventKind.TRIP)
    assert bench.state.outputs["product"].latches == before["product"].latches == ()
    assert bench.level("product") == "permitted"
    assert not bench.found(EventKind.ALARM, "CLOUDY")  # the alarm of an interlock that has tripped
    assert not bench.found(EventKind.EXPOSURE)


def test_in_shadow_each_cause_that_comes_again_is_told_again() -> None:
    bench = with_first(shadow=True)
    for turbidity in (12.0, 0.5, 12.0):
        bench.read(TURB=turbidity)
        bench.run(20)
    assert len(bench.found(EventKind.WOULD_TRIP, "I-TURB")) == 2


def test_in_shadow_it_comes_back_from_no_restart_latched() -> None:
    bench = with_first(shadow=True, hold_after_restart=True)
    state, events = resume(bench.rules, bench.state, bench.tick(), same_boot=True)
    assert not state.interlocks["I-TURB"].tripped
    assert EventKind.RESTART_HOLD not in [event.kind for event in events]


def test_what_was_tripped_before_it_went_into_shadow_still_asks_for_a_release() -> None:
    bench = with_first()
    bench.read(TURB=12.0)
    bench.run(20)
    again = with_first(shadow=True)
    again.state, _ = resume(again.rules, bench.state, again.tick(), same_boot=True)
    again.run(5)
    assert again.state.outputs["product"].latches == ("I-TURB",)
    assert again.level("product") == "withdrawn"
