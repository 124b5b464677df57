"""Credits of a train, of a dose, and the air that people breathe: at their edges."""

import math

import pytest

from gateway.treatment import current_loop, gases, result_rules, turbidity_report, uv_credit, water_chemistry
from gateway.treatment.log_credits import Barrier, train_credits
from gateway.treatment.refusal import NotCovered
from gateway.treatment.results import result_of
from gateway.treatment.uv_credit import SetPoint

TRAIN = [
    Barrier(name="membrane", credits={"virus": 1.5, "protozoa": 2.0}),
    Barrier(name="ultraviolet", credits={"virus": 4.0, "protozoa": 4.0}),
    Barrier(name="chlorine", credits={"virus": 4.0}),
]
TARGETS = {"virus": 8.5, "protozoa": 6.0}


def test_the_credits_of_barriers_add_up_to_a_target() -> None:
    found = train_credits(TRAIN, TARGETS)
    assert (found["virus"].total, found["virus"].met) == (9.5, True)
    assert (found["protozoa"].total, found["protozoa"].met) == (6.0, True)


@pytest.mark.parametrize("kept", [False, None])
def test_a_barrier_outside_its_envelope_or_unknown_gives_nothing_at_all(kept: bool | None) -> None:  # noqa: FBT001
    failing = [TRAIN[0], Barrier(name="ultraviolet", credits=TRAIN[1].credits, kept=kept), TRAIN[2]]
    found = train_credits(failing, TARGETS)["virus"]
    assert (found.total, found.met, found.lost) == (5.5, False, ("ultraviolet",))


def test_a_reactor_outside_its_set_point_has_no_dose_and_at_it_the_whole() -> None:
    at = SetPoint(intensity_w_m2=11.0, flow_m3_s=0.001, dose_mj_cm2=80.0)
    assert uv_credit.dose_by_set_point(at, 11.0, 0.001) == 80
    assert uv_credit.dose_by_set_point(at, 10.99, 0.001) == 0
    assert uv_credit.dose_by_set_point(at, 12.0, 0.0011) == 0
    assert uv_credit.dose_by_set_point(at, 12.0, 0.001, lamps_on=False) == 0


def test_a_collimated_beam_loses_on_its_way_through_the_sample() -> None:
    assert uv_credit.collimated_dose(0.5, 0.0, 2.0, 60.0) == 30.0
    assert uv_credit.mean_over_depth(0.3, 1.0) == pytest.approx((1 - 10**-0.3) / (0.3 * math.log(10)))
    assert uv_credit.mean_over_depth(1e-12, 1.0) == pytest.approx(1.0)


def test_transmittance_and_absorbance_undo_each_other() -> None:
    for percent in (100.0, 74.8, 55.0, 1.0):
        there = water_chemistry.absorbance_per_cm(percent)
        assert water_chemistry.transmittance_percent(there) == pytest.approx(percent)
    with pytest.raises(NotCovered):
        water_chemistry.absorbance_per_cm(0.0)


def test_an_electrode_of_54_4_mv_has_92_percent_of_its_slope() -> None:
    assert water_chemistry.electrode_share(54.43, 25.0) == pytest.approx(0.92, abs=1e-4)


@pytest.mark.parametrize(
    ("oxygen", "hazardous"), [(19.4, True), (19.5, False), (20.9, False), (23.5, False), (23.6, True)]
)
def test_air_is_hazardous_below_and_above_but_not_at_the_limits(oxygen: float, hazardous: bool) -> None:  # noqa: FBT001
    assert gases.oxygen_hazardous(oxygen) == hazardous


def test_ten_percent_of_the_explosive_limit_is_not_in_excess_of_it() -> None:
    assert not gases.flammable_hazardous(gases.percent_lel(0.5, 5.0))
    assert gases.flammable_hazardous(10.1)
    with pytest.raises(NotCovered):
        gases.time_weighted_ppm([(20, 0.1), (5, 0.1)])


@pytest.mark.parametrize(
    ("turbidity", "reported"),
    [(0.0, 0.0), (0.325, 0.35), (0.024, 0.0), (1.04, 1.0), (1.05, 1.1), (39.5, 40.0), (97.5, 100.0), (344.0, 340.0),
     (975.0, 1_000.0), (1_049.0, 1_000.0)],
)  # fmt: skip
def test_turbidity_is_printed_by_its_increments_a_half_going_up(turbidity: float, reported: float) -> None:
    assert turbidity_report.reported_ntu(turbidity) == reported


@pytest.mark.parametrize(
    ("current", "state"),
    [(3.6, "failure_low"), (3.61, "between_failure_and_saturation_low"), (3.8, "saturated_low_valid"),
     (4.0, "measuring"), (20.0, "measuring"), (20.5, "saturated_high_valid"),
     (20.51, "between_saturation_and_failure_high"), (21.0, "failure_high")],
)  # fmt: skip
def test_a_bound_belongs_to_the_band_that_the_recommendation_gives_it(current: float, state: str) -> None:
    assert current_loop.loop_state(current).value == state


def test_a_cluster_of_coliform_in_the_middle_of_a_month_is_not_forgotten() -> None:
    month = [result_of(one) for one in ["<1.8"] * 10 + [4, 4, 4, 4] + ["<1.8"] * 16]
    assert not result_rules.medians_kept(month)
    assert result_rules.medians_kept(month[:10] + month[14:])


def test_two_results_above_23_count_within_thirty_and_not_further_apart() -> None:
    near = [result_of(one) for one in [24] + ["<1.8"] * 28 + [24]]
    far = [result_of(one) for one in [24] + ["<1.8"] * 29 + [24]]
    assert not result_rules.at_most_once_above(near)
    assert result_rules.at_most_once_above(far)


def test_a_result_above_its_own_limit_is_above_a_limit_at_it() -> None:
    assert not result_rules.never_above([result_of(">240")])
    assert result_rules.never_above([result_of("240"), result_of("<1.8")])
