"""Figures of the local day: weighted by time, over midnight, and what a running total may do."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.day_figures import FRESH, DayFunction, DayState, advance, after_restart, figure
from gateway.core.days import Day
from gateway.treatment.totals import growth

HOUR_MS = 3_600_000


class Played:
    """One figure, driven by (hours, value): the value there is at the end of so many more hours of the day."""

    def __init__(self, kind: DayFunction, *, rolls_over_at: float | None = None, at_h: float = 0.0) -> None:
        self.kind = kind
        self.rolls_over_at = rolls_over_at
        self.state = FRESH
        self.at_ms = round(at_h * HOUR_MS)

    def after(self, hours: float, value: float | None, *, clipped: bool = False) -> "Played":
        elapsed_ms = round(hours * HOUR_MS)
        self.at_ms += elapsed_ms
        self.state = advance(
            self.kind,
            self.state,
            value,
            clipped=clipped,
            day=self.day,
            elapsed_ms=elapsed_ms,
            rolls_over_at=self.rolls_over_at,
        )
        return self

    @property
    def day(self) -> Day:
        return Day(number=self.at_ms // (24 * HOUR_MS), elapsed_ms=self.at_ms % (24 * HOUR_MS))

    @property
    def figure(self) -> float | None:
        found = figure(self.kind, self.state, self.day)
        return None if found is None else round(found, 9)

    def restarted(self, down_h: float) -> "Played":
        self.state = after_restart(self.kind, self.state)
        self.at_ms += round(down_h * HOUR_MS)
        return self


# --- mean and share --------------------------------------------------------------------------------------------


def test_a_value_weighs_as_long_as_it_lasted() -> None:
    mean = Played(DayFunction.MEAN).after(0, 1.0).after(3, 5.0).after(1, 0.0)
    assert mean.figure == 2.0  # three hours of 1, one of 5


def test_time_without_a_value_does_not_count() -> None:
    mean = Played(DayFunction.MEAN).after(0, 1.0).after(1, None).after(10, 3.0).after(1, None)
    assert mean.figure == 2.0


def test_without_any_time_yet_the_mean_is_the_value_of_now() -> None:
    assert Played(DayFunction.MEAN).after(0, 7.0).figure == 7.0


def test_without_any_value_there_is_no_mean() -> None:
    assert Played(DayFunction.MEAN).after(5, None).figure is None


def test_a_new_day_begins_with_the_value_that_lasted_over_midnight() -> None:
    mean = Played(DayFunction.MEAN, at_h=22).after(0, 4.0).after(3, 8.0)
    assert mean.figure == 4.0
    assert mean.state.counted_ms == HOUR_MS
    assert mean.after(1, None).figure == 6.0


def test_a_clipped_value_marks_the_mean_until_the_day_ends() -> None:
    mean = Played(DayFunction.MEAN, at_h=20).after(0, 20.0, clipped=True).after(1, 1.0)
    assert mean.state.clipped
    assert not mean.after(5, 1.0).state.clipped


def test_downtime_is_no_time_of_the_mean() -> None:
    mean = Played(DayFunction.MEAN).after(0, 1.0).after(1, 1.0).restarted(5).after(0, 3.0).after(1, None)
    assert mean.figure == 2.0


@given(st.lists(st.tuples(st.integers(1, 10_000), st.floats(-1e300, 1e300)), min_size=1, max_size=50))
def test_the_mean_lies_among_its_values(pieces: list[tuple[int, float]]) -> None:
    state = FRESH
    day = Day(number=1, elapsed_ms=10**9)
    for elapsed_ms, value in [*pieces, (1, 0.0)]:
        state = advance(DayFunction.MEAN, state, value, clipped=False, day=day, elapsed_ms=elapsed_ms)
    values = [value for _, value in pieces]
    slack = 1e-9 * max(abs(value) for value in values)
    assert min(values) - slack <= state.figure <= max(values) + slack


# --- valid share -----------------------------------------------------------------------------------------------


def test_the_valid_share_is_of_the_whole_day_so_far() -> None:
    valid = Played(DayFunction.VALID, at_h=6).after(0, 1.0).after(2, None)  # nothing is known of the first six hours
    assert valid.figure == 0.25
    assert valid.after(8, 5.0).after(0, 5.0).figure == 0.125


def test_downtime_is_not_valid() -> None:
    valid = Played(DayFunction.VALID).after(0, 1.0).after(1, 1.0).restarted(2).after(0, 1.0).after(1, 1.0)
    assert valid.figure == 0.5


def test_the_valid_share_of_a_day_that_begins_is_that_of_now() -> None:
    assert Played(DayFunction.VALID).after(0, 3.0).figure == 1.0
    assert Played(DayFunction.VALID).after(0, None).figure == 0.0


def test_a_clock_that_was_set_back_gives_no_more_than_all() -> None:
    valid = Played(DayFunction.VALID, at_h=1).after(0, 1.0).after(9, 1.0)
    valid.at_ms -= 8 * HOUR_MS
    assert valid.figure == 1.0


# --- totals ----------------------------------------------------------------------------------------------------


def test_a_total_counts_from_the_start_of_the_day() -> None:
    total = Played(DayFunction.INCREASE, at_h=20).after(0, 100.0).after(2, 103.0).after(1, 104.0)
    assert total.figure == 4.0
    assert total.after(2, 105.5).figure == 1.5  # past midnight


def test_growth_that_nobody_saw_counts_with_the_next_good_reading() -> None:
    total = Played(DayFunction.INCREASE).after(1, 10.0).after(1, None).after(5, None).after(1, 16.0)
    assert total.figure == 6.0


def test_growth_over_a_restart_is_not_lost() -> None:
    assert Played(DayFunction.INCREASE).after(1, 10.0).restarted(3).after(0, 14.0).figure == 4.0


def test_growth_over_a_midnight_that_nobody_saw_counts_in_the_day_of_the_next_reading() -> None:
    assert Played(DayFunction.INCREASE, at_h=22).after(0, 10.0).restarted(5).after(0, 14.0).figure == 4.0


def test_a_total_that_was_never_read_has_not_grown_by_anything() -> None:
    assert Played(DayFunction.INCREASE).after(5, None).figure is None


@pytest.mark.parametrize(
    ("before", "now", "rolls_over_at", "grown"),
    [
        (10.0, 10.0, None, 0.0),
        (10.0, 12.5, None, 2.5),
        (999_990.0, 20.0, 1_000_000.0, 30.0),  # rolled over
        (999_990.0, 20.0, None, 20.0),  # reset: it cannot roll over
        (500_000.0, 20.0, 1_000_000.0, 20.0),  # reset: half its count is no growth
        (500.0, 0.0, None, 0.0),
        (500.0, 50.0, None, 50.0),
        (500.0, 51.0, None, 0.0),  # has fallen for no reason known
        (500.0, 499.9, None, 0.0),  # a correction
        (500.0, -3.0, None, 0.0),
        (65_535.0, 0.0, 65_536.0, 1.0),
    ],
)
def test_a_total_grows_rolls_over_is_reset_or_is_corrected(
    before: float, now: float, rolls_over_at: float | None, grown: float
) -> None:
    assert growth(before, now, rolls_over_at) == grown


@given(st.lists(st.integers(0, 6_000), min_size=1, max_size=40))
def test_a_total_that_rolls_over_again_and_again_loses_nothing(steps: list[int]) -> None:
    total = Played(DayFunction.INCREASE, rolls_over_at=65_536.0).after(0, 0.0)
    true = 0
    for step in steps:
        true += step
        total.after(0.1, float(true % 65_536))
    assert total.figure == true


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=20), st.sampled_from(DayFunction))
def test_no_value_makes_the_state_infinite(values: list[float], kind: DayFunction) -> None:
    played = Played(kind)
    for value in values:
        played.after(1.0, value)
    assert math.isfinite(played.state.figure)
    assert played.state.value is None or math.isfinite(played.state.value)


def test_a_total_steps_in_hundredths_without_a_trace_of_binary_fractions() -> None:
    total = Played(DayFunction.INCREASE)
    for count in range(1_440):
        total.after(1 / 60 if count else 0, round(12_345.67 + count * 0.01, 2))
    assert total.state == DayState(day=0, value=12_360.06, figure=14.39)
