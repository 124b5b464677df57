"""Jumps and contradicting neighbours: what is only marked, for how long, and what it does to decisions."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.condition import BadQuality, Limit, Side
from gateway.core.doubt import Partner, Spike
from gateway.core.interlock import Effect, InterlockRule
from gateway.core.outcome import EventKind
from gateway.core.quality import Quality, Reason
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number, Reading
from gateway.core.state import ScanState
from gateway.core.validity import (
    AWAITED,
    HELD,
    HoldWhen,
    TagRule,
    TagState,
    ValidWhen,
    Verdict,
    after_restart,
)
from gateway.core.voting import BadVote, Cause
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.plants import PLANT, Bench
from tests.core.test_validity import Tag

JUMPY = TagRule(tag="A", stale_after_ms=60_000, spike=Spike(step=5.0, confirm_ms=15_000))


def spike(value: float) -> Verdict:
    return Number(value, Quality.UNCERTAIN, Reason.SPIKE)


def partner(value: float) -> Verdict:
    return Number(value, Quality.UNCERTAIN, Reason.PARTNER)


# --- jumps --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("readings", "doubted"),
    [
        pytest.param([(0, 18.0)], [], id="the first reading is believed"),
        pytest.param([(0, 0.5), (5, 5.5)], [], id="a jump by the step is none"),
        pytest.param([(0, 0.5), (5, 5.6)], [5], id="a jump by more is not believed at once"),
        pytest.param([(0, 18.0), (5, 0.5)], [5], id="nor is one downwards"),
        pytest.param([(0, 0.5), (5, 18.0), (10, 17.0), (15, 0.6), (20, 0.5)], [5, 10], id="back without a trace"),
        pytest.param([(0, 0.5), (5, 18.0), (19.999, 18.0), (20, 18.0), (25, 18.0)], [5, 19.999], id="it lasts"),
        pytest.param([(0, 0.5), (5, 18.0), (60, 18.0)], [5], id="proven by the next reading, however late"),
        pytest.param([(0, 0.5), (5, 8.0), (15, 16.0), (20, 16.0), (30, 16.0)], [5, 15, 20], id="a second jump"),
        pytest.param([(0, 0.5), (5, 8.0), (10, 20.0), (15, 1.0), (20, 1.0)], [5, 10], id="back after two"),
        pytest.param([(0, 0.5), (5, 18.0), (10, 14.0), (15, 10.0), (20, 6.0)], [5, 10, 15], id="a slope"),
        pytest.param([(0, 0.5), (5, 18.0), (25, 18.0), (30, 0.5)], [5, 30], id="back too late is a new jump"),
        pytest.param([(0, 0.5), (60, 18.0)], [], id="across a gap nothing is next to anything"),
        pytest.param([(0, 0.5), (5, 18.0), (65, 18.0)], [5], id="a gap ends a doubt"),
    ],
)
def test_a_jump_is_doubted_until_its_level_has_lasted(
    readings: list[tuple[float, float]], doubted: list[float]
) -> None:
    tag = Tag(JUMPY)
    marked = []
    for at_s, value in readings:
        tag.reads(round(at_s * 1000), value)
        verdict = tag.at(round(at_s * 1000))
        assert isinstance(verdict, Number)
        assert verdict.value == value, "a doubted reading keeps its value"
        if verdict.reason is Reason.SPIKE:
            assert verdict == spike(value)
            marked.append(at_s)
        else:
            assert verdict == Number(value)
    assert marked == doubted


def test_bad_and_clipped_readings_are_neither_a_level_nor_a_jump() -> None:
    tag = Tag(JUMPY)
    clipped = Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE)
    tag.reads(0, 0.5)
    tag.reads(5_000, NoNumber(Reason.NO_ANSWER))
    tag.reads(10_000, clipped)
    assert tag.at(10_000) == clipped
    tag.reads(15_000, 15.0)
    assert tag.at(15_000) == spike(15.0)
    tag.reads(20_000, clipped)
    assert tag.at(20_000) == clipped  # at least so much: that goes before a doubt
    tag.reads(25_000, 0.5)
    assert tag.at(25_000) == Number(0.5)


def test_a_doubted_reading_is_refused_where_uncertain_ones_do_not_count_and_makes_no_rate() -> None:
    tag = Tag(replace(JUMPY, uncertain_counts=False))
    tag.reads(0, 0.5)
    tag.reads(5_000, 18.0)
    assert tag.at(5_000) == NoNumber(Reason.UNCERTAIN_REFUSED)
    tag.reads(10_000, 0.6)
    assert tag.at(10_000) == Number(0.6)
    assert tag.state.rate_per_min == pytest.approx(0.6)


@given(st.lists(st.tuples(st.integers(1, 70_000), st.floats(0, 20)), max_size=12))
def test_only_marks_never_values_depend_on_the_rule(steps: list[tuple[int, float]]) -> None:
    plain, jumpy = Tag(replace(JUMPY, spike=None)), Tag(JUMPY)
    ms = 0
    for gap_ms, value in steps:
        ms += gap_ms
        for tag in (plain, jumpy):
            tag.reads(ms, value)
        without, with_ = plain.at(ms), jumpy.at(ms)
        assert isinstance(without, Number)
        assert with_ in (without, spike(without.value))


def test_the_time_of_a_jump_counts_wall_time_over_a_restart() -> None:
    tag = Tag(JUMPY)
    tag.reads(0, 0.5)
    tag.reads(5_000, 18.0)
    # Down for 10 s of the monotonic clock, 6 s on the wall.
    tag.state = after_restart(tag.state, down_ms=10_000, shift_ms=4_000, wall_went_back=False)
    tag.reads(23_999, 18.0)
    assert tag.at(23_999) == spike(18.0)
    tag.reads(24_000, 18.0)
    assert tag.at(24_000) == Number(18.0)


# --- partners -----------------------------------------------------------------------------------------------------

A = TagRule(tag="A", stale_after_ms=15_000, partners=(Partner(tag="B", deviation=1.0, after_ms=3_000),))
B = TagRule(tag="B", stale_after_ms=15_000, partners=(Partner(tag="A", deviation=1.0, after_ms=3_000),))


def bench_of(*rules: TagRule) -> Bench:
    bench = Bench(replace(PLANT, tags=(*PLANT.tags, *rules)))
    bench.reads.update({"A": Number(5.0), "B": Number(5.0), "FLOW-A": Number(1.0), "HOLD-A": Number(0.0)})
    bench.run(2)
    return bench


def worth(bench: Bench, tag: str) -> Verdict:
    return bench.outcome.verdicts[tag]


@pytest.mark.parametrize("rules", [(A, B), (B, A)], ids=["listed first", "listed last"])
def test_two_that_name_each_other_are_both_doubted_after_the_time_and_cleared_at_once(
    rules: tuple[TagRule, ...],
) -> None:
    bench = bench_of(*rules)
    bench.read(A=6.0)
    bench.run(3)
    assert (worth(bench, "A"), worth(bench, "B")) == (Number(6.0), Number(5.0))
    bench.run(1)
    assert (worth(bench, "A"), worth(bench, "B")) == (partner(6.0), partner(5.0))
    bench.read(A=5.9)
    bench.run(1)
    assert (worth(bench, "A"), worth(bench, "B")) == (Number(5.9), Number(5.0))


def test_a_break_starts_the_time_again() -> None:
    bench = bench_of(A, B)
    bench.read(A=7.0)
    bench.run(3)
    bench.read(A=5.5)
    bench.run(1)
    bench.read(A=7.0)
    bench.run(3)
    assert worth(bench, "A") == Number(7.0)
    bench.run(1)
    assert worth(bench, "A") == partner(7.0)


@pytest.mark.parametrize(
    ("change", "own"),
    [
        pytest.param({"B": Reason.NO_ANSWER}, NoNumber(Reason.NO_ANSWER), id="bad"),
        pytest.param({"FLOW_A": 0.0}, NoNumber(Reason.NO_SAMPLE_FLOW), id="without sample flow"),
        pytest.param({"HOLD_A": 1.0}, HELD, id="held"),
    ],
)
@pytest.mark.parametrize("first", [True, False], ids=["listed last", "listed first"])
def test_a_partner_of_no_worth_has_no_say(change: dict[str, float | Reason], own: Verdict, first: bool) -> None:  # noqa: FBT001 - a parameter of the test
    governed = replace(
        B, valid_when=(ValidWhen(tag="FLOW-A", minimum=1.0),), hold_when=HoldWhen(tag="HOLD-A", limit_ms=10**6)
    )
    governors = (TagRule(tag="FLOW-A"), TagRule(tag="HOLD-A"))
    bench = bench_of(*governors, *((A, governed) if first else (governed, A)))
    bench.read(A=9.0)
    bench.run(4)
    assert worth(bench, "A") == partner(9.0)
    bench.read(**change)
    bench.run(2)  # whoever is judged first sees what the other was worth a scan ago
    assert worth(bench, "B") == own
    assert worth(bench, "A") == Number(9.0)


def test_a_partner_that_has_not_delivered_has_no_say() -> None:
    bench = Bench(replace(PLANT, tags=(*PLANT.tags, A, replace(B, stale_after_ms=None))))
    bench.reads["A"] = Number(9.0)
    bench.run(10)
    assert worth(bench, "B") is AWAITED
    assert worth(bench, "A") == Number(9.0)


def test_a_stale_partner_has_no_say() -> None:
    bench = bench_of(A, B)
    bench.read(A=9.0)
    bench.silent.add("B")
    bench.run(13)
    assert worth(bench, "A") == partner(9.0)
    bench.run(4)
    assert worth(bench, "B") == NoNumber(Reason.STALE)
    assert worth(bench, "A") == Number(9.0)


def test_of_two_doubts_the_contradiction_is_told_and_a_clipped_reading_keeps_its_own_mark() -> None:
    bench = bench_of(replace(A, spike=Spike(step=2.0, confirm_ms=60_000)), B)
    bench.read(A=9.0)
    bench.run(1)
    assert worth(bench, "A") == spike(9.0)
    bench.run(3)
    assert worth(bench, "A") == partner(9.0)
    bench.reads["A"] = Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE)
    bench.run(5)
    assert worth(bench, "A") == bench.reads["A"]
    assert worth(bench, "B") == partner(5.0)


def test_two_that_may_not_be_used_uncertain_stay_refused_while_they_contradict_each_other() -> None:
    bench = bench_of(replace(A, uncertain_counts=False), replace(B, uncertain_counts=False))
    bench.read(A=9.0)
    bench.run(4)
    for _ in range(5):
        bench.run(1)
        assert worth(bench, "A") == worth(bench, "B") == NoNumber(Reason.UNCERTAIN_REFUSED)


def test_after_a_restart_a_contradiction_counts_from_its_beginning() -> None:
    bench = bench_of(A, B)
    bench.read(A=9.0)
    bench.run(4)
    assert (worth(bench, "A"), worth(bench, "B")) == (partner(9.0), partner(5.0))
    bench.state, _ = resume(bench.rules, from_bytes(to_bytes(bench.state)), bench.tick(), same_boot=True)
    for _ in range(3):
        bench.run(1)
        assert (worth(bench, "A"), worth(bench, "B")) == (Number(9.0), Number(5.0))
    bench.run(2)
    assert (worth(bench, "A"), worth(bench, "B")) == (partner(9.0), partner(5.0))


def test_a_saved_state_without_the_partners_of_now_starts_afresh() -> None:
    bench = bench_of(replace(A, partners=()), B)
    with_partner = bench_of(A, B)
    state, _ = resume(with_partner.rules, bench.state, bench.tick(), same_boot=True)
    assert state.tags["A"].contradicted_since_ms == (None,)


def test_what_is_remembered_of_doubts_comes_back_from_its_bytes() -> None:
    bench = bench_of(replace(A, spike=Spike(step=2.0, confirm_ms=60_000)), B)
    bench.read(A=9.0)
    bench.run(2)
    state: ScanState = bench.state
    remembered: TagState = state.tags["A"]
    assert remembered.level is not None
    assert remembered.level.before == 5.0
    assert remembered.contradicted_since_ms != (None,)
    assert remembered.has_say
    assert from_bytes(to_bytes(state)) == state


# --- a bubble (E12 of the demo's scenario) ------------------------------------------------------------------------


def bubbly() -> Bench:
    """Turbidity as at the demo site: polled every 5 s, trips above 10 NTU after 15 s, clips at 20 NTU."""
    plant = replace(
        PLANT,
        tags=tuple(
            replace(rule, spike=Spike(step=3.0, confirm_ms=15_000)) if rule.tag == "TURB" else rule
            for rule in PLANT.tags
        ),
        interlocks=(
            *(rule for rule in PLANT.interlocks if not rule.id.startswith("I-TURB")),
            InterlockRule(
                id="I-TURB",
                service="cloudy water",
                causes=(
                    Cause(
                        inputs=(Limit(tag="TURB", side=Side.HIGH, limit=10.0, deadband=0.5),),
                        trip_delay_ms=15_000,
                        bad=BadVote.ELSEWHERE,
                    ),
                ),
                effects=(Effect(output="product", level="withdrawn"),),
            ),
            InterlockRule(
                id="I-TURB-BAD",
                service="turbidity unknown",
                causes=(Cause(inputs=(BadQuality(tag="TURB"),), trip_delay_ms=1_000),),
                effects=(Effect(output="product", level="withdrawn"),),
            ),
        ),
    )
    bench = Bench(plant)
    bench.deliver()
    return bench


def polled_every_5_s(bench: Bench, readings: list[Reading]) -> list[Verdict]:
    """The verdict in every second."""
    verdicts = []
    for reading in readings:
        bench.reads["TURB"] = reading
        bench.silent.discard("TURB")
        for _ in range(5):
            bench.scan()
            verdicts.append(worth(bench, "TURB"))
            bench.silent.add("TURB")
    return verdicts


def test_a_bubble_of_two_samples_is_kept_flagged_and_trips_nothing() -> None:
    bench = bubbly()
    before = len(bench.events)
    quiet = Number(0.5)
    verdicts = polled_every_5_s(bench, [quiet, Number(18.0), Number(18.0), quiet, quiet, quiet, quiet])
    assert verdicts == [quiet] * 5 + [spike(18.0)] * 10 + [quiet] * 20
    assert EventKind.TRIP not in bench.kinds(bench.events[before:])
    assert bench.level("product") == "permitted"


def test_cloudy_water_that_lasts_trips_on_time_whether_it_is_believed_yet_or_not() -> None:
    bench = bubbly()
    verdicts = polled_every_5_s(bench, [Number(0.5), Number(18.0), Number(18.0), Number(18.0), Number(18.0)])
    assert verdicts[5:20] == [spike(18.0)] * 15
    (trip,) = bench.found(EventKind.TRIP, "I-TURB")
    assert trip.facts["value"] == 18.0
    assert bench.level("product") == "withdrawn"
