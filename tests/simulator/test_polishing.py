"""Ozone, UV and hypochlorite dosing: the equations of scenario section 4, and what the pumps make of them."""

import pytest

from simulator import dosing, ozone, ultraviolet
from simulator.almanac import local_ms
from simulator.dosing import Dosing
from simulator.ozone import Ozone
from simulator.ultraviolet import Lamps

FIRST_MS = local_ms("2025-02-01 00:00")


def settled(purity_percent: float | None, *, on: bool = True, flow_m3_h: float = 1.5) -> Ozone:
    state = Ozone()
    for _ in range(3_000):
        state = ozone.step(state, flow_m3_h=flow_m3_h, on=on, purity_percent=purity_percent, dt_s=10.0)
    return state


@pytest.mark.parametrize(
    ("purity_percent", "factor"), [(93.0, 1.0), (100.0, 1.0), (55.0, 0.525), (21.0, 0.1), (5.0, 0.1)]
)
def test_the_oxygen_decides_how_much_ozone_there_is(purity_percent: float, factor: float) -> None:
    assert ozone.oxygen_factor(purity_percent) == pytest.approx(factor)


def test_a_sound_skid_gives_eight_milligrams_and_the_transmittance_of_the_scenario() -> None:
    state = settled(None, flow_m3_h=2.0)
    assert state.dose_mg_l == pytest.approx(8.0)
    assert state.production_g_h == pytest.approx(16.0)
    assert state.uvt_percent == pytest.approx(74.8)
    assert state.dissolved_mg_l == pytest.approx(0.25)
    assert state.fault_code == 0


def test_poor_oxygen_takes_transmittance_and_dissolved_ozone_down() -> None:
    state = settled(55.0)
    assert state.dose_mg_l == pytest.approx(4.2)
    assert state.uvt_percent == pytest.approx(62 + 1.6 * 4.2)
    assert state.dissolved_mg_l == 0.02
    assert state.fault_code == 0
    assert settled(45.0).fault_code == 11


def test_a_skid_that_is_off_leaves_the_water_as_it_comes() -> None:
    state = settled(None, on=False)
    assert (state.running, state.dose_mg_l, state.oxygen_l_min, state.power_w) == (False, 0.0, 0.0, 0.0)
    assert state.uvt_percent == pytest.approx(62.0)


def test_transmittance_follows_with_the_contactors_water_and_not_at_all_without_flow() -> None:
    state = Ozone()
    for _ in range(108):
        state = ozone.step(state, flow_m3_h=2.0, on=False, purity_percent=None, dt_s=10.0)
    assert state.uvt_percent == pytest.approx(62 + 12.8 * 0.368, abs=0.1)  # 1080 s is one time constant at 2.0 m3/h
    still = ozone.step(state, flow_m3_h=0.0, on=False, purity_percent=None, dt_s=10.0)
    assert still.uvt_percent == state.uvt_percent


@pytest.mark.parametrize(("day", "factor", "dose"), [(1, 0.86, 115), (11, 0.82, 110), (28.5, 0.75, 100)])
def test_dose_falls_with_the_lamps_as_the_scenario_says(day: float, factor: float, dose: float) -> None:
    at_ms = FIRST_MS + round((day - 1) * 86_400_000)
    assert ultraviolet.lamp_factor(at_ms) == pytest.approx(factor)
    given = ultraviolet.dose_mj_cm2(Lamps(), at_ms=at_ms, uvt_percent=74.8, flow_m3_h=2.0)
    assert given == pytest.approx(dose, abs=0.6)


def test_e04_a_hundred_at_full_flow_is_reached_about_the_28th() -> None:
    at_ms = FIRST_MS
    while ultraviolet.dose_mj_cm2(Lamps(), at_ms=at_ms, uvt_percent=74.8, flow_m3_h=2.0) > 100:
        at_ms += 3_600_000
    assert abs(at_ms - local_ms("2025-02-28 12:00")) < 2 * 86_400_000


def test_intensity_is_what_a_person_computes_by_hand() -> None:
    shown = ultraviolet.intensity_w_m2(Lamps(), at_ms=FIRST_MS, uvt_percent=74.0)
    assert shown == pytest.approx(118 * 0.86)


def test_dark_lamps_give_nothing_and_coming_back_is_a_start() -> None:
    dark = ultraviolet.step(Lamps(), power=False)
    assert ultraviolet.dose_mj_cm2(dark, at_ms=FIRST_MS, uvt_percent=74.8, flow_m3_h=2.0) == 0
    assert ultraviolet.intensity_w_m2(dark, at_ms=FIRST_MS, uvt_percent=74.8) == 0
    assert dark.starts == Lamps().starts
    assert ultraviolet.step(dark, power=True) == Lamps(starts=Lamps().starts + 1)


def pumped(before: Dosing, **other: object) -> Dosing:
    asked: dict[str, object] = {
        "wanted_mg_l": 8.6,
        "flow_m3_h": 2.0,
        "power": True,
        "gas_locked": False,
        "manual": False,
        "dt_s": 3_600.0,
    }
    return dosing.step(before, **{**asked, **other})  # type: ignore[arg-type]


def test_the_set_point_is_dose_times_flow_over_the_strength() -> None:
    after = pumped(Dosing())
    assert after.setpoint_ml_h == pytest.approx(8.6 * 2.0 / 0.125)
    assert after.delivered_ml_h == after.setpoint_ml_h
    assert after.delivered_mg_l(2.0) == pytest.approx(8.6)
    assert Dosing().stock_l - after.stock_l == pytest.approx(after.setpoint_ml_h / 1_000)
    assert after.strokes - Dosing().strokes == pytest.approx(after.setpoint_ml_h / dosing.STROKE_ML)


def test_a_gas_locked_pump_strokes_and_delivers_nothing_and_uses_no_stock() -> None:
    after = pumped(Dosing(), gas_locked=True)
    assert after.setpoint_ml_h > 0
    assert after.delivered_ml_h == 0
    assert after.strokes > Dosing().strokes
    assert after.stock_l == Dosing().stock_l


def test_a_pump_left_in_manual_keeps_its_last_set_point() -> None:
    automatic = pumped(Dosing())
    left = pumped(automatic, manual=True, flow_m3_h=2.0)
    assert pumped(left, manual=True, flow_m3_h=0.5).setpoint_ml_h == left.setpoint_ml_h
    assert pumped(left, flow_m3_h=0.5).setpoint_ml_h == pytest.approx(left.setpoint_ml_h / 4)


def test_without_power_or_stock_nothing_is_dosed() -> None:
    assert pumped(Dosing(), power=False).delivered_ml_h == 0
    assert pumped(Dosing(), power=False).strokes == Dosing().strokes
    assert pumped(Dosing(stock_l=0.0)).delivered_ml_h == 0
