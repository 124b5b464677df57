"""Nothing is written before a person has commissioned the outputs, and nothing is concluded from what nobody wrote."""

import json
import zlib
from dataclasses import replace

import pytest

from gateway.core.alarm import AlarmRule
from gateway.core.commissioning import CommissioningRule
from gateway.core.condition import Unwritable
from gateway.core.outcome import Event, EventKind
from gateway.core.output import COMMISSIONING, START, Readback
from gateway.core.plant import Plant
from gateway.core.request import Action, Origin
from gateway.core.restart import resume
from gateway.core.state import first_state, rules_of
from gateway.core.tick import Tick
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.plants import ALARMS, GOOD_GRAB, PERMIT, PLANT, STOP, UTC_MS, Bench, plant_with
from tests.core.plants import COMMISSIONING as RULE

NOW = Tick(monotonic_ms=1_000_000, utc_ms=UTC_MS)


def new_site(plant: Plant = PLANT) -> Bench:
    """As it is on its first start."""
    return Bench(plant, state=first_state(rules_of(plant), NOW)[0])


def restarted(bench: Bench, plant: Plant = PLANT, *, away_ms: int = 2_000) -> tuple[Bench, list[Event]]:
    now = Tick(monotonic_ms=bench.monotonic_ms + away_ms, utc_ms=bench.utc_ms + away_ms)
    state, events = resume(rules_of(plant), from_bytes(to_bytes(bench.state)), now, same_boot=True)
    again = Bench(plant, state=state, monotonic_ms=now.monotonic_ms)
    again.utc_ms = now.utc_ms
    again.reads = dict(bench.reads)
    return again, events


# --- observing ----------------------------------------------------------------------------------------------------


def test_a_new_site_polls_judges_and_alarms_and_writes_nothing() -> None:
    bench = new_site()
    bench.read(TURB=12.0)
    bench.run(20)
    assert not bench.outcome.writes
    assert bench.found(EventKind.TRIP, "I-TURB")
    assert bench.found(EventKind.ALARM, "TURB-HIGH")
    assert bench.level("product") == "withdrawn"


def test_while_observing_nothing_is_released() -> None:
    bench = new_site()
    bench.controlled()
    bench.run(61)
    assert bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB).granted
    answer = bench.ask(Action.RELEASE, "product")
    assert (answer.granted, answer.reason) == (False, "observing")
    assert "commissioned first" in answer.text
    assert bench.found(EventKind.RELEASE_REFUSED, "product")[-1].reason == "observing"


@pytest.mark.parametrize(
    ("codes", "written", "blank"),
    [
        pytest.param(
            {"product": 7, "feed": STOP, "supply": STOP}, {"product": 0, "feed": 0, "supply": 0}, False, id="other"
        ),
        pytest.param({"product": PERMIT, "feed": STOP, "supply": STOP}, {}, False, id="baseline"),
        pytest.param(
            {"product": 0, "feed": 0, "supply": 0}, {"product": PERMIT, "feed": 0, "supply": 0}, True, id="blank"
        ),
    ],
)
def test_nothing_follows_from_what_the_controller_holds_while_nobody_writes_it(
    codes: dict[str, int], written: dict[str, int], *, blank: bool
) -> None:
    told = new_site()
    before = {name: one.latches for name, one in told.state.outputs.items()}
    told.scan(Readback(codes=codes, written=written, blank=blank))
    told.run(3)
    never = {EventKind.FOREIGN_WRITE, EventKind.REESTABLISHED, EventKind.CONTROLLER_RESTARTED}
    assert not never & {event.kind for event in told.events}
    assert {name: one.latches for name, one in told.state.outputs.items()} == before


def test_what_is_not_commanded_needs_no_proof_and_no_read_back() -> None:
    unwritable = AlarmRule(id="UNWRITABLE", condition=Unwritable(output="product"), on_delay_ms=5_000)
    plant = plant_with(alarms=(*ALARMS, unwritable))
    observing, writing = new_site(plant), Bench(plant)
    for bench in (observing, writing):
        bench.read(ZSC=0.0)  # the valve stands at product, as whoever operates the plant wants it
        bench.run(40)
    assert not observing.found(EventKind.TRIP, "I-VALVE")
    assert not observing.found(EventKind.ALARM, "UNWRITABLE")
    assert not observing.outcome.hurried
    assert writing.found(EventKind.TRIP, "I-VALVE")  # the same water, once it is commanded
    assert writing.found(EventKind.ALARM, "UNWRITABLE")
    assert writing.outcome.hurried == {"ZSC"}


# --- commissioning ------------------------------------------------------------------------------------------------


def test_a_person_in_a_role_commissions_with_a_reason_and_the_record_says_so() -> None:
    bench = new_site()
    answer = bench.ask(Action.COMMISSION, reason="loops checked")
    assert answer.granted
    assert "GW-HB, GW-PERMIT, GW-feed, GW-supply" in answer.text
    assert bench.outcome.writes
    (event,) = bench.found(EventKind.COMMISSIONED)
    assert (event.person, event.facts["because"]) == ("VISITOR-OP", "loops checked")
    assert event.facts["registers"] == "GW-HB, GW-PERMIT, GW-feed, GW-supply"
    kept = bench.state.commissioned
    assert kept is not None
    assert (kept.person, kept.role, kept.utc_ms, kept.reason) == (
        "VISITOR-OP",
        "VISITOR-OP",
        bench.utc_ms,
        "loops checked",
    )


def test_after_commissioning_a_permission_still_waits_for_its_release() -> None:
    bench = new_site()
    bench.run(5)
    assert bench.ask(Action.COMMISSION).granted
    bench.run(5)
    assert bench.level("product") == "withdrawn"
    bench.deliver()
    assert bench.outcome.writes


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"role": "COMPLIANCE", "person": "FILES"}, "commissioning_role"),
        ({"origin": Origin.REMOTE}, "commission_on_site"),
        ({"origin": Origin.LOGIC}, "commission_on_site"),
        ({"reason": " "}, "no_reason"),
        ({"person": ""}, "nobody"),
    ],
)
def test_who_may_not_commission_is_told_why_and_nothing_is_written(fields: dict[str, object], reason: str) -> None:
    bench = new_site()
    answer = bench.ask(Action.COMMISSION, "", **fields)
    assert (answer.granted, answer.reason) == (False, reason)
    assert not bench.outcome.writes
    assert bench.found(EventKind.REQUEST_REFUSED)[-1].reason == reason


def test_a_site_without_an_output_block_has_nothing_to_commission() -> None:
    bench = new_site(replace(PLANT, commissioning=None))
    assert bench.ask(Action.COMMISSION).reason == "no_outputs"
    assert bench.ask(Action.DECOMMISSION).reason == "no_outputs"


def test_it_is_commissioned_once() -> None:
    bench = new_site()
    assert bench.ask(Action.COMMISSION).granted
    assert bench.ask(Action.COMMISSION).reason == "already_so"


def test_a_stop_that_stands_in_the_controller_when_it_is_commissioned_is_taken_over() -> None:
    bench = new_site()
    bench.read_back({"product": 0, "feed": 0, "supply": 0})
    bench.ask(Action.COMMISSION)
    bench.read_back({"product": 0, "feed": STOP, "supply": 0})
    bench.scan()
    assert bench.found(EventKind.REESTABLISHED, "feed")
    assert (bench.level("feed"), bench.level("supply")) == ("stop", "idle")


def test_the_time_for_a_proof_begins_when_the_level_is_commanded() -> None:
    bench = new_site()
    bench.read(ZSC=0.0)
    bench.run(300)
    bench.ask(Action.COMMISSION)
    bench.run(29)
    assert not bench.found(EventKind.TRIP, "I-VALVE")
    bench.run(2)
    assert bench.found(EventKind.TRIP, "I-VALVE")


# --- back to observing --------------------------------------------------------------------------------------------


def test_going_back_withdraws_the_permission_and_leaves_the_stops() -> None:
    bench = Bench()
    bench.deliver()
    answer = bench.ask(Action.DECOMMISSION, reason="controller is exchanged")
    assert answer.granted
    assert not bench.outcome.writes
    assert bench.outcome.levels == {"product": "withdrawn", "feed": "idle", "supply": "idle"}
    assert bench.state.outputs["product"].latches == (COMMISSIONING,)
    assert bench.found(EventKind.DECOMMISSIONED)[0].facts["because"] == "controller is exchanged"
    assert bench.ask(Action.DECOMMISSION).reason == "already_so"


def test_a_stop_in_force_stays_and_a_resume_code_does_not() -> None:
    bench = Bench()
    bench.controlled()
    bench.run(31)
    bench.read(ZSC=0.0)
    bench.run(31)  # the valve does not move: both stops
    bench.read(ZSC=1.0)
    bench.run(2)
    assert bench.release("feed").granted
    assert (bench.level("feed"), bench.level("supply")) == ("resume", "stop")
    bench.ask(Action.DECOMMISSION)
    assert (bench.level("feed"), bench.level("supply")) == ("idle", "stop")


def test_an_offered_release_is_gone() -> None:
    bench = Bench()
    bench.controlled()
    bench.run(61)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    offered = bench.ask(Action.RELEASE, "product")
    bench.ask(Action.DECOMMISSION)
    assert bench.ask(Action.RELEASE, "product", confirm=offered.confirm).reason == "observing"


def test_commissioned_again_it_takes_a_release_like_after_a_trip() -> None:
    bench = Bench()
    bench.deliver()
    bench.ask(Action.DECOMMISSION)
    bench.read(ZSC=1.0)
    bench.run(61)
    bench.ask(Action.COMMISSION)
    bench.controlled()
    bench.run(1)
    assert bench.level("product") == "withdrawn"
    assert bench.ask(Action.RELEASE, "product").reason == "not_ready"  # a sample since then
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    assert bench.release("product").granted


# --- restarts -----------------------------------------------------------------------------------------------------


def test_it_survives_a_restart_and_the_permission_may_return_by_itself() -> None:
    bench = Bench()
    bench.deliver()
    again, events = restarted(bench)
    assert again.state.commissioned == bench.state.commissioned
    assert [event.kind for event in events if event.subject == "product"] == [EventKind.PROVING]


@pytest.mark.parametrize(
    ("rule", "why"),
    [
        (replace(RULE, fingerprint="five registers"), "what is written where has changed"),
        (None, "no outputs are declared any more"),
    ],
)
def test_it_lapses_when_what_is_written_where_has_changed(rule: CommissioningRule | None, why: str) -> None:
    bench = Bench()
    bench.deliver()
    again, events = restarted(bench, replace(PLANT, commissioning=rule))
    (lapsed,) = [event for event in events if event.kind is EventKind.COMMISSIONING_LAPSED]
    assert (lapsed.reason, lapsed.facts["was_by"]) == (why, "VISITOR-OP")
    (latched,) = [event for event in events if event.kind is EventKind.START_LATCHED]
    assert latched.reason == "observe-only"
    again.run(200)
    assert not again.outcome.writes
    assert again.level("product") == "withdrawn"
    assert not again.found(EventKind.RETURNED)


def test_other_roles_do_not_let_it_lapse() -> None:
    bench = Bench()
    again, _ = restarted(bench, replace(PLANT, commissioning=replace(RULE, roles=frozenset({"DUTY-MGR"}))))
    assert again.state.commissioned is not None


def test_a_saved_state_from_before_there_was_commissioning_counts_as_observing() -> None:
    bench = Bench()
    bench.deliver()
    old = json.loads(zlib.decompress(to_bytes(bench.state)))
    del old["commissioned"]
    state = from_bytes(zlib.compress(json.dumps(old).encode()))
    resumed, events = resume(bench.rules, state, bench.tick(), same_boot=True)
    assert resumed.commissioned is None
    assert [(one.kind, one.reason) for one in events] == [(EventKind.START_LATCHED, "observe-only")]
    assert resumed.outputs["product"].latches == (START,)
