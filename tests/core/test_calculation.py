"""Calculated tags in the scan: worth, worked figures of the plant, order, restart, and what depends on them."""

import math
from collections.abc import Mapping
from dataclasses import replace

import pytest

from gateway.core.alarm import AlarmRule
from gateway.core.calculation import CalculationRule
from gateway.core.condition import Limit, Rate, Side
from gateway.core.days import Offsets
from gateway.core.expression import compile_formula
from gateway.core.interlock import Effect, InterlockRule
from gateway.core.outcome import EventKind
from gateway.core.output import OutputRule
from gateway.core.plant import Plant
from gateway.core.quality import Quality, Reason
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number, Reading, Sample
from gateway.core.scaling import Scaling
from gateway.core.scan import Moment, scan
from gateway.core.state import first_state, rules_of
from gateway.core.tick import Tick
from gateway.core.units import parse_quantity, parse_unit
from gateway.core.validity import AWAITED, HELD, BadWhen, HoldWhen, TagRule, Verdict
from gateway.core.voting import Cause
from gateway.core.working import situation_of
from gateway.store.scan_state import from_bytes, to_bytes

MIDNIGHT_MS = 1_738_713_600_000  # 2025-02-05 00:00 UTC
HOUR_S = 3_600
UNITS = {"UVT": "%", "UVI": "W/m2", "FLOW": "m3/h", "CL2": "mg/L", "TURB": "NTU", "TOTAL": "m3", "HOLD": ""}
TAGS = tuple(
    TagRule(
        tag=tag,
        unit=unit,
        hold_when=HoldWhen(tag="HOLD", limit_ms=14_400_000) if tag == "CL2" else None,
        rolls_over_at=1_000.0 if tag == "TOTAL" else None,
    )
    for tag, unit in UNITS.items()
)


def calculated(
    name: str,
    unit: str,
    formula: str,
    inputs: Mapping[str, str],
    constants: Mapping[str, str] | None = None,
    *,
    uncertain_counts: bool = True,
    top: float | None = None,
) -> CalculationRule:
    units = UNITS | {"MODAL": "min", "CT": "mg.min/L"}
    return CalculationRule(
        about=TagRule(tag=name, unit=unit, uncertain_counts=uncertain_counts),
        inputs=tuple(inputs.values()),
        rolls_over_at=tuple(1_000.0 if tag == "TOTAL" else None for tag in inputs.values()),
        formula=compile_formula(
            formula,
            inputs={word: parse_unit(units[tag]) for word, tag in inputs.items()},
            constants={word: parse_quantity(text) for word, text in (constants or {}).items()},
            unit=parse_unit(unit),
        ),
        scaling=Scaling(range_low=None if top is None else 0.0, range_high=top),
        source=formula,
    )


CT = calculated("CT", "mg.min/L", "residual * modal", {"residual": "CL2", "modal": "MODAL"})
MODAL = calculated(
    "MODAL",
    "min",
    "contact_time(volume, 0.70, max(flow, least))",
    {"flow": "FLOW"},
    {"volume": "4.50 m3", "least": "0.05 m3/h"},
)
DOSE = calculated(
    "DOSE",
    "mJ/cm2",
    "uv_dose(dose, lamp_factor(now, new, uvt, at, ki), uvt, at, kd, rated, max(flow, least))",
    {"now": "UVI", "uvt": "UVT", "flow": "FLOW"},
    {
        "dose": "128 mJ/cm2",
        "new": "118 W/m2",
        "at": "74 %",
        "ki": "0.02 1/%",
        "kd": "0.055 1/%",
        "rated": "2.0 m3/h",
        "least": "0.05 m3/h",
    },
)
MEAN = calculated("MEAN", "NTU", "day_mean(x)", {"x": "TURB"})
SHARE = calculated("SHARE", "%", "day_share(x > limit)", {"x": "TURB"}, {"limit": "5 NTU"})
TODAY = calculated("TODAY", "m3", "day_increase(x)", {"x": "TOTAL"})
VALID = calculated("VALID", "%", "day_valid(x, ct)", {"x": "TURB", "ct": "CT"})
ALL = (CT, MODAL, DOSE, MEAN, SHARE, TODAY, VALID)  # CT stands before what it needs
GOOD = {"UVT": 74.8, "UVI": 103.1, "FLOW": 2.0, "CL2": 5.0, "TURB": 0.7, "TOTAL": 100.0, "HOLD": 0.0}


class Played:
    """The tags above with some calculated ones, second by second."""

    def __init__(self, *rules: CalculationRule, at_s: float = 12 * HOUR_S, offsets: Offsets | None = None) -> None:
        plant = Plant(tags=TAGS, calculated=rules or ALL)
        self.rules = rules_of(plant if offsets is None else replace(plant, offsets=offsets))
        self.now = Tick(monotonic_ms=0, utc_ms=MIDNIGHT_MS + round(at_s * 1_000))
        self.state, _ = first_state(self.rules, self.now)
        self.verdicts: Mapping[str, Verdict] = {}

    def after(self, seconds: float, **readings: float | Reading) -> "Played":
        """Let time pass, and then these readings arrive."""
        ms = round(seconds * 1_000)
        self.now = Tick(monotonic_ms=self.now.monotonic_ms + ms, utc_ms=self.now.utc_ms + ms)
        arrivals = [
            Sample(
                tag=tag,
                reading=Number(reading) if isinstance(reading, float) else reading,
                arrived=self.now,
                source_utc_ms=self.now.utc_ms,
            )
            for tag, reading in readings.items()
        ]
        self.state, outcome = scan(self.rules, self.state, Moment(tick=self.now, arrivals=arrivals))
        self.verdicts = outcome.verdicts
        return self

    def value(self, tag: str) -> float:
        verdict = self.verdicts[tag]
        assert isinstance(verdict, Number), verdict
        return verdict.value


# --- worked figures --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lamps", "dose"), [(0.86, 115), (0.82, 110), (0.75, 100)])
def test_the_uv_dose_is_that_of_the_plant(lamps: float, dose: int) -> None:
    intensity = 118.0 * lamps * math.exp(0.02 * 0.8)
    played = Played().after(1, **{**GOOD, "UVI": intensity, "UVT": 74.8, "FLOW": 2.0})
    assert round(played.value("DOSE")) == dose


@pytest.mark.parametrize(("flow", "modal"), [(2.0, 94.5), (2.1, 90.0), (0.6, 315.0), (0.0, 3_780.0)])
def test_modal_contact_time_and_ct_are_those_of_the_plant(flow: float, modal: float) -> None:
    played = Played().after(1, **{**GOOD, "FLOW": flow, "CL2": 4.8})
    assert played.value("MODAL") == modal
    assert played.value("CT") == pytest.approx(4.8 * modal, rel=1e-11)


def test_a_result_shows_no_trace_of_the_units_it_went_through() -> None:
    assert Played().after(1, **GOOD).value("CT") == 472.5


# --- worth -----------------------------------------------------------------------------------------------------

NO_ANSWER = NoNumber(Reason.NO_ANSWER)
INPUT_BAD = NoNumber(Reason.INPUT_BAD)


def test_a_tag_is_awaited_until_all_its_inputs_are_there() -> None:
    played = Played(MODAL, CT).after(1, CL2=5.0)
    assert played.verdicts["CT"] == AWAITED
    assert played.after(1, FLOW=2.0).value("CT") == 472.5


def test_an_input_without_a_value_makes_the_result_bad_through_every_step() -> None:
    played = Played(MODAL, CT).after(1, CL2=5.0, FLOW=NO_ANSWER)
    assert (played.verdicts["MODAL"], played.verdicts["CT"]) == (INPUT_BAD, INPUT_BAD)


def test_a_held_input_holds_the_result_and_awaited_comes_before_held_and_held_before_bad() -> None:
    played = Played(MODAL, CT).after(1, HOLD=1.0, CL2=5.0)
    assert played.verdicts["CT"] == AWAITED
    assert played.after(1, FLOW=NO_ANSWER).verdicts["CT"] == HELD
    assert played.after(1, FLOW=2.0).verdicts["CT"] == HELD


def test_the_branch_that_is_not_taken_counts_as_well() -> None:
    either = calculated(
        "X", "m3/h", "flow if uvt > least else flow / 2", {"flow": "FLOW", "uvt": "UVT"}, {"least": "1 %"}
    )
    assert Played(either).after(1, FLOW=2.0, UVT=50.0).value("X") == 2.0
    both = calculated("X", "", "1 if 1 > 0 else flow / flow", {"flow": "FLOW"})
    assert Played(both).after(1, FLOW=NO_ANSWER).verdicts["X"] == INPUT_BAD


@pytest.mark.parametrize("reason", [Reason.OVER_RANGE, Reason.UNDER_RANGE, Reason.SPIKE])
def test_an_uncertain_input_is_not_lost(reason: Reason) -> None:
    played = Played(MODAL, CT).after(1, CL2=Number(15.0, Quality.UNCERTAIN, reason), FLOW=2.0)
    assert played.verdicts["CT"] == Number(15.0 * 94.5, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)


def test_a_result_that_may_not_be_uncertain_is_bad_then() -> None:
    strict = calculated("X", "mg/L", "x", {"x": "CL2"}, uncertain_counts=False)
    clipped = Number(15.0, Quality.UNCERTAIN, Reason.OVER_RANGE)
    assert Played(strict).after(1, CL2=clipped).verdicts["X"] == NoNumber(Reason.UNCERTAIN_REFUSED)


def test_what_cannot_be_computed_is_no_number() -> None:
    ratio = calculated("X", "", "x / x", {"x": "FLOW"})
    assert Played(ratio).after(1, FLOW=0.0).verdicts["X"] == NoNumber(Reason.NOT_FINITE)
    power = calculated("X", "", "(x / one) ** 6", {"x": "FLOW"}, {"one": "1 m3/h"})
    assert Played(power).after(1, FLOW=1e60).verdicts["X"] == NoNumber(Reason.NOT_FINITE)


def test_what_no_publication_covers_is_no_number_and_says_so() -> None:
    rule = calculated("X", "", "hocl_fraction(ph * x / x, warmth)", {"x": "FLOW"}, {"ph": "7 pH", "warmth": "40 degC"})
    assert Played(rule).after(1, FLOW=2.0).verdicts["X"] == NoNumber(Reason.NOT_COVERED)


def test_a_result_outside_its_range_is_impossible() -> None:
    narrow = calculated("X", "m3/h", "x * 2", {"x": "FLOW"}, top=5.0)
    played = Played(narrow).after(1, FLOW=2.0)
    assert played.value("X") == 4.0
    assert played.after(1, FLOW=3.0).verdicts["X"] == NoNumber(Reason.OUT_OF_RANGE)


# --- the day ---------------------------------------------------------------------------------------------------


def test_day_figures_go_on_while_an_input_has_no_value_and_are_marked() -> None:
    played = Played(MEAN, SHARE).after(1, TURB=2.0).after(HOUR_S, TURB=8.0).after(HOUR_S, TURB=NO_ANSWER)
    assert played.verdicts["MEAN"] == Number(5.0, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)
    assert played.verdicts["SHARE"] == Number(50.0, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)
    played.after(HOUR_S, TURB=2.0)
    assert played.verdicts["MEAN"] == Number(5.0)


def test_a_clipped_reading_marks_the_mean_for_the_rest_of_the_day_and_not_the_share() -> None:
    played = Played(MEAN, SHARE, at_s=22 * HOUR_S)
    played.after(1, TURB=Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE)).after(HOUR_S, TURB=1.0)
    assert played.verdicts["MEAN"] == Number(20.0, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)
    assert played.verdicts["SHARE"] == Number(100.0)
    assert played.after(2 * HOUR_S).verdicts["MEAN"] == Number(1.0)


def test_a_day_without_a_value_yet_is_worth_what_its_input_is_worth() -> None:
    played = Played(MEAN, SHARE, TODAY).after(1)
    assert {played.verdicts[tag] for tag in ("MEAN", "SHARE", "TODAY")} == {AWAITED}
    played.after(1, TURB=NO_ANSWER, TOTAL=NO_ANSWER)
    assert {played.verdicts[tag] for tag in ("MEAN", "SHARE", "TODAY")} == {INPUT_BAD}


def test_the_valid_share_is_good_whatever_its_inputs_are() -> None:
    played = Played(MODAL, CT, VALID, at_s=0).after(0, **GOOD).after(3 * HOUR_S, FLOW=NO_ANSWER).after(HOUR_S)
    assert played.verdicts["VALID"] == Number(75.0)


def test_the_day_turns_at_local_midnight_and_a_day_of_23_hours_is_whole_after_23() -> None:
    hour = 3_600_000
    clocks_change = MIDNIGHT_MS + 2 * hour  # 02:00 UTC, from one hour ahead to two
    offsets: Offsets = ((-(1 << 62), hour), (clocks_change, 2 * hour))
    played = Played(MEAN, MODAL, CT, VALID, at_s=-2 * HOUR_S, offsets=offsets).after(0, **{**GOOD, "TURB": 9.0})
    played.after(HOUR_S, TURB=1.0)  # local midnight
    assert played.value("MEAN") == 1.0
    played.after(22.5 * HOUR_S, TURB=2.0)
    assert (played.value("MEAN"), played.value("VALID")) == (1.0, 100.0)
    assert played.after(0.25 * HOUR_S).value("MEAN") == pytest.approx((22.5 + 0.5) / 22.75)
    assert played.after(0.25 * HOUR_S).value("MEAN") == 2.0  # the next day, 23 hours after the last


def test_the_total_of_today_survives_roll_over_reset_and_restart() -> None:
    played = Played(TODAY).after(1, TOTAL=990.0).after(60, TOTAL=5.0)
    assert played.value("TODAY") == 15.0
    assert played.after(60, TOTAL=8.0).after(60, TOTAL=0.5).value("TODAY") == 18.5  # reset: it counts from 0
    saved = from_bytes(to_bytes(played.state))
    later = Tick(monotonic_ms=0, utc_ms=played.now.utc_ms + 600_000)
    played.state, _ = resume(played.rules, saved, later, same_boot=False)
    played.now = later
    assert played.after(1, TOTAL=2.5).value("TODAY") == 20.5


def test_a_restart_keeps_the_mean_and_does_not_count_the_time_between() -> None:
    played = Played(MEAN).after(1, TURB=2.0).after(HOUR_S)
    later = Tick(monotonic_ms=5, utc_ms=played.now.utc_ms + 3 * HOUR_S * 1_000)
    played.state, _ = resume(played.rules, from_bytes(to_bytes(played.state)), later, same_boot=False)
    played.now = later
    assert played.after(1).value("MEAN") == 2.0
    assert played.after(1, TURB=4.0).after(HOUR_S).value("MEAN") == 3.0


def test_a_changed_formula_starts_its_day_afresh() -> None:
    played = Played(MEAN).after(1, TURB=2.0).after(HOUR_S)
    other = replace(MEAN, source="day_mean(x) of another tag")
    state, _ = resume(rules_of(Plant(tags=TAGS, calculated=(other,))), played.state, played.now, same_boot=True)
    assert state.calculations["MEAN"].days[0].counted_ms == 0


def test_a_formula_without_a_day_leaves_nothing_in_the_state() -> None:
    assert set(Played().after(1, **GOOD).state.calculations) == {"MEAN", "SHARE", "TODAY", "VALID"}


# --- what depends on them --------------------------------------------------------------------------------------


def test_a_sample_of_a_calculated_tag_changes_nothing() -> None:
    assert Played(MODAL, CT).after(1, CL2=5.0, FLOW=2.0, CT=1.0).value("CT") == 472.5


def test_a_tag_may_be_governed_by_a_calculated_one() -> None:
    on = calculated("ON", "", "1 if flow > least else 0", {"flow": "FLOW"}, {"least": "0.1 m3/h"})
    governed = TagRule(tag="UVI", bad_when=(BadWhen(tag="ON", mask=1, reason=Reason.DEVICE_FAULT),))
    rules = rules_of(Plant(tags=(governed, *(rule for rule in TAGS if rule.tag != "UVI")), calculated=(on,)))
    order = [rule.about.tag if isinstance(rule, CalculationRule) else rule.tag for rule in rules.judged]
    assert order.index("FLOW") < order.index("ON") < order.index("UVI")
    assert sorted(order) == sorted([*UNITS, "ON"])


def test_rules_that_need_each_other_are_judged_once_each() -> None:
    first = calculated("MODAL", "mg.min/L", "x", {"x": "CT"})
    rules = rules_of(Plant(tags=TAGS, calculated=(first, CT)))
    assert len(rules.judged) == len(TAGS) + 2


PERMIT = OutputRule(
    id="PERMIT", service="p", register_tag="R", codes={"on": 1, "off": 0}, safe_level="off", normal_level="on"
)
LOW_CT = InterlockRule(
    id="I-03",
    service="CT low",
    causes=(Cause(inputs=(Limit(tag="CT", side=Side.LOW, limit=450.0),), trip_delay_ms=2_000),),
    effects=(Effect(output="PERMIT", level="off"),),
)


def test_an_interlock_trips_on_a_calculated_tag_with_its_value_as_evidence() -> None:
    played = Played(MODAL, CT)
    played.rules = rules_of(Plant(tags=TAGS, calculated=(MODAL, CT), interlocks=(LOW_CT,), outputs=(PERMIT,)))
    played.state, _ = first_state(played.rules, played.now)
    played.after(1, CL2=5.0, FLOW=2.0).after(1, CL2=4.0)
    played.now = Tick(monotonic_ms=played.now.monotonic_ms + 2_000, utc_ms=played.now.utc_ms + 2_000)
    played.state, outcome = scan(played.rules, played.state, Moment(tick=played.now))
    trip = next(event for event in outcome.events if event.kind is EventKind.TRIP)
    assert trip.subject == "I-03"
    assert trip.facts["value"] == 378.0
    assert trip.facts["unit"] == "mg.min/L"


def test_what_a_release_waits_for_names_the_inputs_behind_a_calculated_tag() -> None:
    rules = rules_of(Plant(tags=TAGS, calculated=(MODAL, CT), interlocks=(LOW_CT,), outputs=(PERMIT,)))
    assert list(rules.critical["PERMIT"]) == ["CT", "CL2", "MODAL", "FLOW"]


def test_a_look_in_the_middle_of_a_scan_sees_calculated_tags_as_well() -> None:
    played = Played().after(1, **GOOD).after(HOUR_S)
    seen = situation_of(played.rules, played.state).view.verdicts
    assert seen == played.verdicts


def test_a_calculated_tag_has_no_rate_of_its_own() -> None:
    played = Played(MODAL, CT)
    fast = AlarmRule(id="FAST", condition=Rate(tag="CT", limit=1.0))
    played.rules = rules_of(Plant(tags=TAGS, calculated=(MODAL, CT), alarms=(fast,)))
    played.state, _ = first_state(played.rules, played.now)
    assert not played.after(1, CL2=5.0, FLOW=2.0).after(1, CL2=9.0).state.alarms["FAST"].active
