"""The tick list of a release: every item that is false is named, and one false item is enough."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from gateway.core.outcome import EventKind
from gateway.core.permissive import tick_list
from gateway.core.quality import Reason
from gateway.core.request import Action, Answer, Item
from gateway.core.restart import resume
from gateway.core.working import situation_of
from tests.core.plants import GOOD_GRAB, PRODUCT_RELEASE, RELEASES, REMOTE, STOP, Bench, plant_with


def ready_for_release() -> Bench:
    """A turbidity trip a good minute after its cause is gone, sampled, at divert."""
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0, ZSC=1.0)
    bench.run(16)
    assert bench.level("product") == "withdrawn"
    bench.read(TURB=0.5)
    bench.run(61)
    assert bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB).granted
    return bench


def missing(answer: Answer) -> list[str]:
    return [item.text for item in answer.items if not item.satisfied]


def test_with_every_item_true_the_release_is_offered_and_then_carried_out() -> None:
    bench = ready_for_release()
    assert missing(bench.ask(Action.RELEASE, "product")) == []
    assert bench.level("product") == "withdrawn"  # the first step changes nothing
    assert bench.release("product").granted
    assert bench.level("product") == "permitted"
    assert not bench.state.interlocks["I-TURB"].tripped


def not_long_enough(bench: Bench) -> None:
    bench.read(TURB=12.0)
    bench.run(1)
    bench.read(TURB=0.5)
    bench.run(30)


def still_there(bench: Bench) -> None:
    bench.read(TURB=12.0)
    bench.run(2)


def stale_sample(bench: Bench) -> None:
    bench.state = replace(bench.state, grab=None)


def cloudy_sample(bench: Bench) -> None:
    bench.ask(Action.GRAB_SAMPLE, measured={**GOOD_GRAB, "turbidity_ntu": 2.1})


def thin_sample(bench: Bench) -> None:
    bench.ask(Action.GRAB_SAMPLE, measured={**GOOD_GRAB, "total_chlorine_mg_l": 1.9})


def half_sample(bench: Bench) -> None:
    bench.ask(Action.GRAB_SAMPLE, measured={"turbidity_ntu": 0.8})


def valve_at_product(bench: Bench) -> None:
    bench.read(ZSC=0.0)


def valve_unknown(bench: Bench) -> None:
    bench.read(ZSC=Reason.NO_ANSWER)


def bypassed(bench: Bench) -> None:
    assert bench.ask(Action.BYPASS, "I-CHLORINE", duration_ms=600_000).granted


def held(bench: Bench) -> None:
    bench.read(HOLD_801=1.0)
    bench.run(1)


def feed_stopped(bench: Bench) -> None:
    bench.state = replace(
        bench.state, outputs={**bench.state.outputs, "feed": replace(bench.state.outputs["feed"], latches=("I-VALVE",))}
    )


CAUSE = "I-TURB cloudy water: cause gone for 1 min"
SAMPLE = "grab sample since the trip or start: turbidity at most 2, total chlorine at least 2"


@pytest.mark.parametrize(
    ("spoil", "named"),
    [
        pytest.param(not_long_enough, [CAUSE], id="cause gone, not for long enough"),
        pytest.param(still_there, [CAUSE], id="cause still there"),
        pytest.param(stale_sample, [SAMPLE], id="no grab sample"),
        pytest.param(cloudy_sample, [SAMPLE], id="sample too cloudy"),
        pytest.param(thin_sample, [SAMPLE], id="sample with too little chlorine"),
        pytest.param(half_sample, [SAMPLE], id="sample without chlorine"),
        pytest.param(valve_at_product, ["valve proven at divert"], id="valve not at divert"),
        pytest.param(valve_unknown, ["valve proven at divert"], id="valve position unknown"),
        pytest.param(bypassed, ["no interlock bypassed"], id="another interlock bypassed"),
        pytest.param(held, ["no instrument held"], id="an instrument held"),
        pytest.param(feed_stopped, ["feed released first"], id="feed not released"),
    ],
)
def test_one_false_item_blocks_and_is_named(spoil: Callable[[Bench], None], named: list[str]) -> None:
    bench = ready_for_release()
    spoil(bench)
    answer = bench.ask(Action.RELEASE, "product")
    assert (answer.granted, answer.reason, missing(answer)) == (False, "not_ready", named)
    assert answer.confirm == 0
    refused = bench.found(EventKind.RELEASE_REFUSED, "product")[-1]
    assert refused.facts["missing"] == "; ".join(named)
    assert bench.level("product") == "withdrawn"


def test_an_item_that_becomes_false_between_the_two_steps_blocks_the_second() -> None:
    bench = ready_for_release()
    offered = bench.ask(Action.RELEASE, "product")
    bench.read(ZSC=0.0)
    answer = bench.ask(Action.RELEASE, "product", confirm=offered.confirm)
    assert (answer.granted, answer.reason) == (False, "not_ready")
    assert bench.level("product") == "withdrawn"


def test_a_sample_from_before_the_trip_does_not_count() -> None:
    bench = Bench()
    bench.deliver()
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    bench.read(TURB=12.0, ZSC=1.0)
    bench.run(16)
    bench.read(TURB=0.5)
    bench.run(61)
    assert missing(bench.ask(Action.RELEASE, "product")) == [SAMPLE]


def test_a_sample_entered_in_the_very_scan_of_the_trip_was_taken_before_it() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0, ZSC=1.0)
    bench.run(15)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    assert bench.found(EventKind.TRIP, "I-TURB")
    bench.read(TURB=0.5)
    bench.run(61)
    assert missing(bench.ask(Action.RELEASE, "product")) == [SAMPLE]


def test_an_exempt_interlock_does_not_stand_in_the_way_and_stays_latched() -> None:
    rule = replace(PRODUCT_RELEASE, exempt=frozenset({"I-VALVE"}), after_outputs=())
    bench = Bench(plant_with(releases=(rule, *RELEASES[1:])))
    bench.deliver()
    bench.read(TURB=12.0)  # and the valve does not move
    bench.run(47)
    assert bench.found(EventKind.TRIP, "I-VALVE")
    bench.read(TURB=0.5, ZSC=1.0)
    bench.run(61)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    assert bench.release("product").granted
    assert bench.state.interlocks["I-VALVE"].tripped
    assert bench.level("feed") == "stop"


def flushing_bench(*, with_grab: bool, no_sample_after: frozenset[str] = frozenset()) -> Bench:
    grab = PRODUCT_RELEASE.grab if with_grab else ()
    rule = replace(PRODUCT_RELEASE, flush_tag="DIVERTED", flush_m3=1.0, grab=grab, no_sample_after=no_sample_after)
    bench = Bench(plant_with(releases=(rule, *RELEASES[1:])))
    bench.controlled()
    bench.run(61)
    return bench


def test_so_much_diverted_water_replaces_a_sample() -> None:
    bench = flushing_bench(with_grab=True)
    bench.read(DIVERTED=36.0)  # 10 L a second
    bench.run(99)
    assert missing(bench.ask(Action.RELEASE, "product")) == [f"at least 1 m3 diverted since the trip, or {SAMPLE}"]
    assert bench.release("product").granted  # a hundred and one seconds


def test_no_sample_replaces_the_flushing_of_water_that_is_still_on_its_way() -> None:
    bench = flushing_bench(with_grab=True, no_sample_after=frozenset({"I-TURB"}))
    bench.read(DIVERTED=0.0)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    assert bench.release("product").granted  # at the start a sample is enough
    bench.read(TURB=12.0)
    bench.run(20)
    bench.read(TURB=0.5)
    bench.run(62)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    waits_for = "at least 1 m3 diverted since the trip (I-TURB: a sample does not show the water still on its way)"
    assert missing(bench.ask(Action.RELEASE, "product")) == [waits_for]
    bench.read(DIVERTED=36.0)
    bench.run(101)
    assert bench.release("product").granted


def test_flushed_water_counts_from_the_newest_latch_and_never_backwards() -> None:
    bench = flushing_bench(with_grab=False)
    bench.read(DIVERTED=36.0)
    bench.run(50)
    bench.read(DIVERTED=-36.0)
    bench.run(20)
    assert bench.state.outputs["product"].flushed_m3 == pytest.approx(0.5)
    bench.read(DIVERTED=0.0, TURB=12.0)
    bench.run(16)
    assert bench.state.outputs["product"].flushed_m3 == 0.0


def test_a_reading_of_no_worth_flushes_nothing() -> None:
    bench = flushing_bench(with_grab=False)
    bench.read(DIVERTED=Reason.OUT_OF_RANGE)
    bench.run(50)
    assert bench.state.outputs["product"].flushed_m3 == 0.0


# --- who, and from where -----------------------------------------------------------------------------------------


def test_another_role_is_refused_whatever_the_items_say() -> None:
    bench = ready_for_release()
    answer = bench.ask(Action.RELEASE, "product", role="COMPLIANCE")
    assert (answer.granted, answer.reason, missing(answer)) == (False, "role", [])
    assert bench.level("product") == "withdrawn"


def test_from_afar_it_may_be_done_only_where_the_rule_says_so() -> None:
    bench = ready_for_release()
    assert bench.release("product", **REMOTE).granted
    feed = Bench()
    feed.read_back({"product": 0, "feed": STOP, "supply": 0})
    feed.run(5)
    answer = feed.ask(Action.RELEASE, "feed", **REMOTE)
    assert (answer.granted, answer.reason) == (False, "on_site_only")
    assert feed.ask(Action.RELEASE, "feed").granted


def test_after_the_valve_has_failed_the_product_is_released_on_site_only() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(47)
    bench.read(TURB=0.5, ZSC=1.0)
    bench.run(61)
    assert bench.release("feed").granted
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    answer = bench.ask(Action.RELEASE, "product", **REMOTE)
    assert (answer.granted, answer.reason) == (False, "on_site_only")
    assert bench.release("product").granted


# --- a time of nothing is still "now" -----------------------------------------------------------------------------


def without_times() -> Bench:
    rules = tuple(replace(one, clear_ms=0, grab=(), requirements=(), after_outputs=()) for one in RELEASES)
    bench = Bench(plant_with(releases=rules))
    bench.controlled()
    bench.run(2)
    return bench


def test_a_cause_that_stands_blocks_a_release_that_asks_for_no_time() -> None:
    bench = without_times()
    assert bench.release("product").granted
    bench.read(TURB=12.0)
    bench.run(16)
    answer = bench.ask(Action.RELEASE, "product")
    assert (answer.reason, missing(answer)) == ("not_ready", ["I-TURB cloudy water: cause gone"])


def test_readings_that_are_not_good_now_block_a_release_after_a_start_that_asks_for_no_time() -> None:
    bench = without_times()
    bench.read(CHLORINE=Reason.NO_ANSWER)
    bench.run(1)
    answer = bench.ask(Action.RELEASE, "product")
    assert (answer.reason, len(missing(answer))) == ("not_ready", 1)


def test_time_served_before_a_restart_needs_a_reading_after_it() -> None:
    bench = ready_for_release()
    again = Bench(monotonic_ms=bench.monotonic_ms + 2_000)
    again.utc_ms = bench.utc_ms + 2_000
    again.state, _ = resume(bench.rules, bench.state, again.tick(), same_boot=True)
    again.silent = {"TURB"}
    again.controlled()
    assert missing(again.ask(Action.RELEASE, "product")) == [CAUSE]
    again.silent = set()
    again.run(1)
    assert missing(again.ask(Action.RELEASE, "product")) == []


# --- what a person reads ------------------------------------------------------------------------------------------


def test_the_list_says_how_long_it_takes_at_the_earliest() -> None:
    bench = ready_for_release()
    not_long_enough(bench)
    item = next(one for one in bench.ask(Action.RELEASE, "product").items if not one.satisfied)
    assert (item.detail, item.wait_ms) == ("so far 0 min", 60_000 - 30_000)


def test_the_list_outside_a_scan_is_the_list_of_the_last_scan() -> None:
    bench = ready_for_release()
    bench.read(ZSC=0.0)
    asked = bench.ask(Action.RELEASE, "product")
    situation = situation_of(bench.rules, bench.state)
    assert [without_time(item) for item in tick_list(PRODUCT_RELEASE, situation)] == [
        without_time(item) for item in asked.items
    ]


def without_time(item: Item) -> tuple[str, bool]:
    return item.text, item.satisfied
