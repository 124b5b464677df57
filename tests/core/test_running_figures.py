"""Figures with a memory in formulas: the age of water, rolling windows, and what a restart means for them."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.core import rolling_figures
from gateway.core.calculation import CalculationRule
from gateway.core.expression import BadFormula, compile_formula
from gateway.core.quality import Quality, Reason
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number
from gateway.core.tick import Tick
from gateway.core.units import parse_quantity, parse_unit
from gateway.core.window import width_ms
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.test_calculation import HOUR_S, Played, calculated

CONTACT = {"volume": "3.15 m3", "window": "2 h", "limit": "5 NTU"}
AGE = calculated("AGE", "min", "plug_flow_time(volume, flow)", {"flow": "FLOW"}, {"volume": "3.15 m3"})


def over_two_hours(name: str, formula: str, unit: str = "NTU") -> CalculationRule:
    words = {word: text for word, text in CONTACT.items() if word in formula}
    return calculated(name, unit, formula, {"x": "TURB"}, words)


MEAN = over_two_hours("MEAN", "rolling_mean(x, window)")
TOP = over_two_hours("TOP", "rolling_max(x, window)")
SHARE = over_two_hours("SHARE", "rolling_share(x > limit, window)", "%")


def every_minute(played: Played, minutes: int, **readings: float) -> Played:
    for _ in range(minutes):
        played.after(60, **readings)
    return played


def test_the_water_that_leaves_is_as_old_as_what_has_displaced_it_took() -> None:
    played = every_minute(Played(AGE), 30, FLOW=2.1)
    assert played.verdicts["AGE"] == Number(29.0, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN), "the least it can be"
    every_minute(played, 70, FLOW=2.1)
    assert played.verdicts["AGE"] == Number(90.0)
    every_minute(played, 30, FLOW=0.0)
    assert played.value("AGE") == pytest.approx(119, abs=1)
    every_minute(played, 120, FLOW=1.05)
    assert 120 < played.value("AGE") < 180


def test_an_unknown_flow_begins_the_account_anew() -> None:
    played = every_minute(Played(AGE), 100, FLOW=2.1).after(60, FLOW=NoNumber(Reason.NO_ANSWER))
    assert isinstance(played.verdicts["AGE"], NoNumber)
    assert every_minute(played, 2, FLOW=2.1).value("AGE") == 1.0


def test_with_a_most_flow_a_lost_reading_counts_as_that_and_the_account_goes_on() -> None:
    words = {"volume": "3.15 m3", "most": "4.2 m3/h"}
    rule = calculated("AGE", "min", "plug_flow_time(volume, flow, most)", {"flow": "FLOW"}, words)
    played = every_minute(Played(rule), 100, FLOW=2.1)
    assert played.verdicts["AGE"] == Number(90.0)
    played.after(60, FLOW=NoNumber(Reason.NO_ANSWER)).after(540)
    lost = played.verdicts["AGE"]
    assert isinstance(lost, Number)
    assert lost.quality is Quality.UNCERTAIN
    assert lost.value == pytest.approx(100 - 1 - 18, abs=1), "9 min at twice the flow have displaced 18 min of water"
    assert every_minute(played, 1, FLOW=2.1).value("AGE") < 90


def test_rolling_figures_are_weighted_by_time_and_uncertain_until_the_window_is_full() -> None:
    played = every_minute(Played(MEAN, TOP, SHARE), 90, TURB=1.0)
    assert played.verdicts["MEAN"] == Number(1.0, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)
    every_minute(every_minute(played, 60, TURB=1.0), 12, TURB=7.0)
    played.after(60, TURB=1.0)
    assert played.verdicts["TOP"] == Number(7.0)
    assert played.value("MEAN") == pytest.approx(1 + 6 * 12 / 120, rel=0.02)
    assert played.value("SHARE") == pytest.approx(100 * 12 / 120, rel=0.02)
    every_minute(played, 122, TURB=1.0)
    assert played.verdicts["TOP"] == Number(1.0)
    assert played.value("SHARE") == 0


def test_a_restart_keeps_the_window_and_lets_the_time_away_pass_but_knows_no_water() -> None:
    played = every_minute(every_minute(Played(AGE, TOP), 150, FLOW=2.1, TURB=1.0), 1, FLOW=2.1, TURB=9.0)
    for away_min, largest in ((30, 9.0), (150, 1.0)):
        now = Tick(monotonic_ms=0, utc_ms=played.now.utc_ms + away_min * 60_000)
        again = Played(AGE, TOP)
        again.state, _ = resume(again.rules, from_bytes(to_bytes(played.state)), now, same_boot=False)
        again.now = now
        every_minute(again, 2, FLOW=2.1, TURB=1.0)
        assert again.value("TOP") == largest
        assert again.verdicts["AGE"] == Number(1.0, Quality.UNCERTAIN, Reason.INPUT_UNCERTAIN)


def test_both_kinds_of_memory_stand_beside_each_other_in_one_formula() -> None:
    text = "rolling_mean(x, window) - day_mean(x) + rolling_max(x, window) + x"
    played = every_minute(Played(over_two_hours("X", text)), 1, TURB=3.0)
    assert played.value("X") == 3.0 - 3.0 + 3.0 + 3.0
    every_minute(played, 60, TURB=5.0)
    mean = 3.0 + 2.0 * 59 / 60
    assert played.value("X") == pytest.approx(mean - mean + 5.0 + 5.0, rel=0.01)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("rolling_mean(x)", r"rolling_mean with 1 arguments at column 1"),
        ("rolling_mean(x, x)", "NTU as argument 1 in the window"),
        ("rolling_mean(x, 24)", "no unit as argument 1 in the window"),
        ("rolling_mean(x, window / 1000)", "a window of another length"),
        ("rolling_mean(x, window * 1000000)", "a window of another length"),
        ("rolling_mean(day_mean(x), window)", "day_mean inside rolling_mean"),
        ("day_mean(rolling_max(x, window))", "rolling_max inside another memory"),
        ("plug_flow_time(x)", "plug_flow_time with 1 arguments"),
        ("plug_flow_time(x, x)", "NTU as argument 1 in plug_flow_time"),
        ("rolling_share(x, window)", "NTU in rolling_share"),
    ],
)
def test_a_memory_that_cannot_be_is_refused(text: str, told: str) -> None:
    words = {"window": parse_quantity("2 h")} if "window" in text else {}
    with pytest.raises(BadFormula, match=told):
        compile_formula(text, inputs={"x": parse_unit("NTU")}, constants=words, unit=parse_unit("NTU"))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([None, 0.0, 1.0, 8.0]), st.integers(1, 900)), min_size=1, max_size=50),
    st.integers(60, 3_000),
)
def test_a_remembered_window_is_the_exact_one_but_for_its_oldest_part(
    steps: list[tuple[float | None, int]], window_s: int
) -> None:
    state, window_ms, seconds = rolling_figures.FRESH, window_s * 1_000, []
    state = rolling_figures.advance(state, steps[0][0], clipped=False, elapsed_ms=0, window_ms=window_ms)
    for (value, lasting_s), (after, _) in zip(steps, [*steps[1:], (None, 0)], strict=True):
        seconds += [value] * lasting_s
        state = rolling_figures.advance(state, after, clipped=False, elapsed_ms=lasting_s * 1_000, window_ms=window_ms)
    kept_s = sum(part.counted_ms for part in state.parts) / 1_000
    inside = sum(value is not None for value in seconds[-window_s:])
    longest_s = max(lasting_s for _, lasting_s in steps)
    assert inside <= kept_s <= inside + width_ms(window_ms) / 1_000 + longest_s
    values = [value for value in seconds[-window_s:] if value is not None]
    largest = rolling_figures.largest(state)
    assert (-math.inf if largest is None else largest) >= max(values, default=-math.inf)
    assert len(state.parts) <= window_ms // width_ms(window_ms) + 2


def test_an_hour_of_the_day_is_not_what_a_window_goes_by() -> None:
    played = every_minute(Played(MEAN, at_s=23 * HOUR_S), 130, TURB=2.0)
    assert played.verdicts["MEAN"] == Number(2.0), "midnight has passed within it"
