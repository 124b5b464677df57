"""What goes on after a restart, and what a changed configuration drops or starts fresh."""

from dataclasses import replace

from gateway.core.alarm import AlarmRule
from gateway.core.condition import Equals, Limit, Side
from gateway.core.interlock import Effect, InterlockRule
from gateway.core.outcome import Event, EventKind
from gateway.core.plant import Plant
from gateway.core.request import Action
from gateway.core.restart import resume
from gateway.core.state import ScanState, rules_of
from gateway.core.validity import TagRule, ValidWhen
from gateway.core.voting import Cause
from tests.core.plants import ALARMS, INTERLOCKS, OUTPUTS, PLANT, RELEASES, TAGS, Bench, plant_with
from tests.core.timeline import play


def resumed(
    bench: Bench, plant: Plant = PLANT, *, away_ms: int = 2_000, wall_ms: int | None = None, same_boot: bool = True
) -> tuple[Bench, list[Event]]:
    again = Bench(plant, monotonic_ms=bench.monotonic_ms + away_ms)
    again.utc_ms = bench.utc_ms + (away_ms if wall_ms is None else wall_ms)
    again.state, events = resume(again.rules, bench.state, again.tick(), same_boot=same_boot)
    again.events = list(events)
    again.reads = dict(bench.reads)
    return again, events


def test_alarms_acknowledgements_latches_shelves_and_trips_go_on() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0, ZSC=1.0)
    bench.run(16)
    bench.ask(Action.ACKNOWLEDGE, "TURB-HIGH")
    bench.ask(Action.SHELVE, "CHLORINE-LOW", duration_ms=60_000)
    again, _ = resumed(bench)
    assert again.state.alarms["TURB-HIGH"].acked
    assert again.state.alarms["TURB-HIGH"].active
    assert again.state.alarms["CHLORINE-LOW"].hiding.shelved_until_ms == bench.monotonic_ms + 60_000
    assert again.state.interlocks["I-TURB"].tripped
    assert again.state.outputs["product"].latches == ("I-TURB",)
    assert again.state.scan == bench.state.scan


def test_a_running_delay_goes_on_over_the_gap_by_the_wall_clock() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(10)
    again, _ = resumed(bench, away_ms=3_000)
    again.controlled()
    assert not again.found(EventKind.TRIP)
    again.run(2)
    assert again.found(EventKind.TRIP, "I-TURB")  # 9 s, 3 s away, and 3 s more


def test_a_gap_in_which_the_wall_clock_went_back_counts_as_no_time() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(10)
    again, _ = resumed(bench, away_ms=3_000, wall_ms=-3_600_000)
    again.run(5)
    assert not again.found(EventKind.TRIP)
    again.run(1)
    assert again.found(EventKind.TRIP, "I-TURB")
    assert not again.found(EventKind.CLOCK_STEP)


def test_after_another_boot_the_monotonic_clock_begins_anywhere() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(10)
    again, _ = resumed(bench, away_ms=-900_000, wall_ms=3_000, same_boot=False)
    again.controlled()
    assert not again.found(EventKind.TRIP)
    again.run(2)
    assert again.found(EventKind.TRIP, "I-TURB")


def test_a_bypass_ends_with_the_run_and_is_told() -> None:
    bench = Bench()
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=600_000)
    again, events = resumed(bench)
    assert [(one.subject, one.reason) for one in events if one.kind is EventKind.BYPASS_OFF] == [("I-TURB", "restart")]
    assert again.state.interlocks["I-TURB"].bypassed_until_ms is None


def test_an_offer_ends_with_the_run_and_its_number_is_never_given_again() -> None:
    bench = Bench()
    bench.controlled()
    bench.run(61)
    bench.ask(Action.GRAB_SAMPLE, measured={"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1})
    first = bench.ask(Action.RELEASE, "product")
    again, _ = resumed(bench)
    assert again.ask(Action.RELEASE, "product", confirm=first.confirm).reason == "not_ready"
    again.controlled()
    again.run(61)
    assert again.ask(Action.RELEASE, "product", confirm=first.confirm).reason == "offer_gone"
    assert again.ask(Action.RELEASE, "product").confirm > first.confirm


def test_a_grab_sample_from_before_the_restart_still_counts_for_the_trip_it_followed() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0, ZSC=1.0)
    bench.run(16)
    bench.read(TURB=0.5)
    bench.ask(Action.GRAB_SAMPLE, measured={"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1})
    again, _ = resumed(bench)
    again.controlled()
    again.run(61)
    assert again.release("product").granted


def test_a_time_of_silence_before_the_stop_goes_on_after_it() -> None:
    bench = Bench()
    bench.deliver()
    bench.silent = {"TURB"}
    bench.run(10)
    again, _ = resumed(bench, away_ms=3_600_000)
    again.silent = {"TURB"}
    again.run(4)
    assert not again.found(EventKind.ALARM, "TURB-BAD")
    again.run(1)
    assert again.found(EventKind.ALARM, "TURB-BAD")


# --- another configuration ----------------------------------------------------------------------------------------


def saved() -> Bench:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0, ZSC=1.0)
    bench.run(16)
    return bench


def test_new_tags_alarms_and_interlocks_begin_fresh() -> None:
    new = plant_with(
        tags=(*TAGS, TagRule(tag="NEW", stale_after_ms=15_000)),
        alarms=(*ALARMS, AlarmRule(id="NEW", condition=Equals(tag="NEW"))),
        interlocks=(*INTERLOCKS, InterlockRule(id="I-NEW", causes=(Cause(inputs=(Equals(tag="NEW"),)),))),
        first_out_groups={"all": ("NEW", "TURB-HIGH")},
    )
    again, _ = resumed(saved(), new)
    again.run(3)
    assert not again.state.interlocks["I-NEW"].tripped
    assert again.state.interlocks["I-TURB"].tripped


def test_what_the_rules_no_longer_name_is_dropped() -> None:
    water = tuple(one for one in INTERLOCKS if one.id != "I-TURB")
    less = plant_with(
        tags=tuple(one for one in TAGS if one.tag != "DIVERTED"),
        alarms=tuple(one for one in ALARMS if one.id not in ("CLOUDY", "TURB-BAD", "CHLORINE-LOW")),
        interlocks=water,
        first_out_groups={},
    )
    again, _ = resumed(saved(), less)
    again.run(3)
    assert set(again.state.alarms) == {"TURB-HIGH", "STUCK"}
    assert "DIVERTED" not in again.state.tags
    assert "I-TURB" not in again.state.interlocks


def test_a_latch_of_an_interlock_that_is_gone_stays_until_it_is_released() -> None:
    less = plant_with(
        interlocks=tuple(one for one in INTERLOCKS if one.id != "I-TURB"),
        alarms=tuple(one for one in ALARMS if one.id != "CLOUDY"),
    )
    again, _ = resumed(saved(), less)
    again.read(TURB=0.5)
    again.controlled()
    again.run(5)
    assert again.level("product") == "withdrawn"
    again.ask(Action.GRAB_SAMPLE, measured={"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1})
    assert again.release("product").granted
    assert again.level("product") == "permitted"


def test_an_interlock_of_another_shape_begins_fresh_and_its_output_stays_latched() -> None:
    two = Cause(inputs=(Limit(tag="TURB", side=Side.HIGH, limit=10.0), Equals(tag="STS-510")), needed=2)
    changed = plant_with(
        interlocks=tuple(replace(one, causes=(two,)) if one.id == "I-TURB" else one for one in INTERLOCKS)
    )
    again, _ = resumed(saved(), changed)
    again.controlled()
    again.run(3)
    assert not again.state.interlocks["I-TURB"].tripped
    assert again.level("product") == "withdrawn"


def test_a_tag_with_other_governors_begins_fresh() -> None:
    governed = tuple(
        replace(one, valid_when=(*one.valid_when, ValidWhen(tag="FLOW", minimum=0.0))) if one.tag == "ZSC" else one
        for one in reversed(TAGS)
    )
    again, _ = resumed(saved(), plant_with(tags=tuple(sorted(governed, key=lambda one: one.tag == "ZSC"))))
    assert len(again.state.tags["ZSC"].governors) == 1
    again.run(2)


def test_a_new_permission_is_latched_and_a_new_stop_is_held_by_an_old_trip() -> None:
    wash = replace(OUTPUTS[1], id="wash", register_tag="GW-wash")
    spare = replace(OUTPUTS[0], id="spare", register_tag="GW-spare")
    effects = (Effect(output="product", level="withdrawn"), Effect(output="wash", level="stop"))
    more = plant_with(
        outputs=(*OUTPUTS, wash, spare),
        interlocks=tuple(replace(one, effects=effects) if one.id == "I-TURB" else one for one in INTERLOCKS),
        releases=(*RELEASES, replace(RELEASES[1], output="wash")),
    )
    again, events = resumed(saved(), more)
    assert [one.subject for one in events if one.kind is EventKind.START_LATCHED] == ["spare"]
    again.run(1)
    assert (again.level("spare"), again.level("wash")) == ("withdrawn", "stop")


def test_an_interlock_that_has_lost_its_latch_restores_itself_and_its_output_waits_for_the_release() -> None:
    bench = saved()
    bench.read(TURB=0.5)
    bench.run(2)
    loose = plant_with(
        interlocks=tuple(
            replace(one, latched=False, restore_delay_ms=5_000) if one.id == "I-TURB" else one for one in INTERLOCKS
        )
    )
    again, _ = resumed(bench, loose)
    again.controlled()
    again.run(20)
    assert again.kinds(again.events, "I-TURB") == [EventKind.RESTORED]
    assert again.level("product") == "withdrawn"
    again.run(60)
    again.ask(Action.GRAB_SAMPLE, measured={"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1})
    assert again.release("product").granted


def test_a_suppression_whose_logic_is_gone_ends() -> None:
    bench = Bench()
    bench.read(CHLORINE=1.0, STS_510=2.0)
    bench.run(3)
    assert bench.state.alarms["CHLORINE-LOW"].hiding.suppressed
    plain = plant_with(
        alarms=tuple(replace(one, suppress_when=None) if one.id == "CHLORINE-LOW" else one for one in ALARMS)
    )
    again, _ = resumed(bench, plain)
    again.run(6)
    assert again.found(EventKind.ALARM, "CHLORINE-LOW")


def test_resuming_twice_without_a_scan_between_is_resuming_once() -> None:
    bench = saved()
    rules = rules_of(PLANT)

    def once(state: ScanState, more_ms: int) -> ScanState:
        tick = replace(bench.tick(), monotonic_ms=bench.monotonic_ms + more_ms, utc_ms=bench.utc_ms + more_ms)
        return resume(rules, state, tick, same_boot=True)[0]

    twice, straight = once(once(bench.state, 2_000), 5_000), once(bench.state, 5_000)
    assert twice.interlocks == straight.interlocks
    assert twice.alarms == straight.alarms
    assert twice.tags == straight.tags


def test_an_unlatched_interlock_does_not_return_after_a_restart_before_its_input_has_delivered() -> None:
    player = play(
        {
            "tags": {"lvl": {"stale_after_s": 600}},
            "interlocks": {
                "FULL": {
                    "inputs": [{"tag": "lvl", "type": "high", "limit": 95}],
                    "latched": False,
                    "restore_delay_s": 10,
                }
            },
            "steps": [
                {"t": 0, "tag": "lvl", "v": 97},
                {"t": 5, "tag": "lvl", "v": 90},
                {"t": 8, "sys": "down"},
                {"t": 10, "sys": "up"},
                {"t": 40, "tag": "lvl", "v": 90},
            ],
            "end_t": 60,
        }
    )
    assert [(one["t"], one["ev"]) for one in player.events] == [(0, "TRIP"), (40, "RESTORED")]


def test_a_rate_over_a_restart_is_per_minute_of_wall_time() -> None:
    player = play(
        {
            "tags": {"ph": {}},
            "alarms": {"FAST": {"tag": "ph", "type": "rate", "limit": 1.5}},
            "steps": [
                {"t": 0, "tag": "ph", "v": 7.0},
                {"t": 30, "sys": "down"},
                {"t": 50, "sys": "up"},
                {"t": 60, "tag": "ph", "v": 8.0},
                {"t": 90, "tag": "ph", "v": 9.0},
            ],
            "end_t": 100,
        }
    )
    assert [(one["t"], one["ev"]) for one in player.events] == [(90, "ALARM")]
