"""Tanks, pumps and filters: figures worked by hand, and what has no answer."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.treatment.filters import (
    TITLE_22_LOADING_M_S,
    clean_head_loss,
    empty_bed_contact_time_s,
    loading_m_s,
    ripened_at,
    time_to_terminal,
)
from gateway.treatment.pumps import active_volume_m3, cycle_s, most_starts_per_h, starts_per_h
from gateway.treatment.refusal import NotCovered
from gateway.treatment.storage import (
    pump_out_due,
    sludge_fraction,
    supply_left_s,
    time_to_overflow_s,
    time_to_pump_out,
)
from gateway.treatment.trend import line_through

AMOUNTS = st.floats(0.01, 100)


@given(AMOUNTS, AMOUNTS, st.floats(0.01, 0.99))
def test_a_pump_starts_most_often_when_half_of_what_it_delivers_comes_in(
    volume_m3: float, pump_m3_s: float, share: float
) -> None:
    half = starts_per_h(volume_m3, pump_m3_s, pump_m3_s / 2)
    assert half == pytest.approx(most_starts_per_h(volume_m3, pump_m3_s))
    assert starts_per_h(volume_m3, pump_m3_s, share * pump_m3_s) <= half * (1 + 1e-9)
    assert active_volume_m3(pump_m3_s, half) == pytest.approx(volume_m3)


def test_a_pump_that_does_not_keep_up_has_no_cycle() -> None:
    with pytest.raises(NotCovered, match=r"below the pump's 0\.004"):
        cycle_s(0.9, 0.004, 0.004)


def test_the_loading_of_title_22_is_twelve_metres_an_hour() -> None:
    metres_an_hour = TITLE_22_LOADING_M_S * 3_600
    assert metres_an_hour == pytest.approx(5 * 2.4448, rel=1e-4)
    assert loading_m_s(2.0 / 3_600, 0.5) * 3_600 == pytest.approx(4.0)
    assert empty_bed_contact_time_s(0.5, 2.0 / 3_600) == pytest.approx(900)


def test_head_loss_at_half_the_flow_counts_twice() -> None:
    assert clean_head_loss(8.0, 1.0, 2.0) == 16.0


def test_the_line_through_head_losses_says_when_the_filter_must_be_washed() -> None:
    readings = [(hour, 0.4 + 0.05 * hour + 0.01 * (-1) ** hour) for hour in range(13)]
    assert time_to_terminal(readings, 1.5, now=12, at_most=48) == pytest.approx(10, abs=0.3)
    assert time_to_terminal(readings, 0.9, now=12, at_most=48) == 0
    with pytest.raises(NotCovered, match="at most 5"):
        time_to_terminal(readings, 1.5, now=12, at_most=5)
    with pytest.raises(NotCovered, match="does not rise"):
        time_to_terminal([(0, 1.0), (1, 0.9)], 1.5, now=1, at_most=48)
    with pytest.raises(NotCovered, match="at least two"):
        line_through([(1, 2.0), (1, 3.0)])


def test_a_filter_has_ripened_when_its_turbidity_stayed_low_without_a_break() -> None:
    turbidity = [(0.0, 3.0), (10.0, 0.3), (20.0, 0.2), (25.0, None), (30.0, 0.2), (40.0, 0.2), (45.0, 0.1)]
    assert ripened_at(turbidity, 0.3, 15) == 45
    assert ripened_at(turbidity, 0.3, 10) == 20
    assert ripened_at(turbidity, 0.3, 20) == math.inf


def test_a_tank_overflows_in_the_time_that_its_free_volume_takes() -> None:
    assert time_to_overflow_s(1.5, 3 / 3_600, 1 / 3_600) == pytest.approx(45 * 60)
    assert time_to_overflow_s(-0.1, 0.0, 1.0) == 0
    with pytest.raises(NotCovered, match="does not move that way"):
        time_to_overflow_s(1.5, 1 / 3_600, 1 / 3_600)


def test_a_supply_lasts_as_long_as_use_exceeds_make_up() -> None:
    assert supply_left_s(12, 1.5 / 3_600, 0.5 / 3_600) == pytest.approx(12 * 3_600)
    assert supply_left_s(-1, 1.0, 0.0) == 0
    with pytest.raises(NotCovered, match="does not move that way"):
        supply_left_s(12, 0.5, 0.5)


def test_sludge_must_go_by_whichever_rule_comes_first() -> None:
    fraction = sludge_fraction(0.20, 0.05, 1.25)
    assert fraction == pytest.approx(0.2)
    assert not pump_out_due(fraction, sludge_to_outlet_m=0.4, scum_to_baffle_m=0.2)
    assert pump_out_due(fraction, sludge_to_outlet_m=0.3, scum_to_baffle_m=0.2)
    assert pump_out_due(fraction, sludge_to_outlet_m=0.4, scum_to_baffle_m=0.07)
    assert pump_out_due(0.25, sludge_to_outlet_m=0.4, scum_to_baffle_m=0.2)
    with pytest.raises(NotCovered, match="sludge and scum"):
        sludge_fraction(1.0, 0.3, 1.25)


def test_the_line_through_sludge_measurements_says_when() -> None:
    assert time_to_pump_out([(0, 0.0), (180, 0.09), (360, 0.18)], now=360, at_most=720) == pytest.approx(140)
