"""Means, shares and windows: the streaming forms equal what is counted by hand, reading by reading."""

import math
from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.treatment.refusal import NotCovered
from gateway.treatment.results import Result, median_of, result_of, running_medians
from gateway.treatment.rolling import NOT_USABLE, SUSPECT, USABLE, Reading, rolling
from gateway.treatment.spaced_readings import spaced
from gateway.treatment.time_weighted import Rule, figures, lasted_above, longest_spell_above
from gateway.treatment.totals import integrated, pulses, total_growth

WORTHS = st.sampled_from([NOT_USABLE, USABLE, USABLE, SUSPECT])
READINGS = st.lists(
    st.tuples(st.integers(1, 400), st.sampled_from([0.0, 0.5, 1.0, 2.0, 5.0, 7.5]), WORTHS), min_size=1, max_size=40
)


def by_hand(
    readings: Sequence[Reading], place: int, window: int, limit: float, longest: int
) -> tuple[float, int, int, int]:
    """Largest, time above, usable and suspect time of the window that ends at one reading, and the mean's integral."""
    now = readings[place][0]
    begin = now - window
    above = usable = suspect = 0
    integral = 0.0
    for (time, value, worth), (until, _, _) in pairwise(readings[: place + 1]):
        lasting = max(0, min(until, time + longest) - max(time, begin))
        if worth:
            usable += lasting
            integral += value * lasting
            above += lasting if value > limit else 0
            suspect += lasting if worth == SUSPECT else 0
    return integral, above, usable, suspect


@settings(max_examples=30, deadline=None)
@given(READINGS, st.integers(1, 3_000), st.integers(50, 600))
def test_a_rolling_window_is_what_is_counted_by_hand_at_every_reading(
    steps: list[tuple[int, float, int]], window: int, longest: int
) -> None:
    readings, now = [], 0
    for pause, value, worth in steps:
        now += pause
        readings.append((now, value, worth))
    for place, rolled in enumerate(rolling(readings, window_ms=window, limit=1.0, longest_ms=longest)):
        mean, largest, above, usable, suspect = rolled
        integral, *expected = by_hand(readings, place, window, 1.0, longest)
        assert [above, usable, suspect] == expected
        if usable:
            assert mean == pytest.approx(integral / usable)
        begin = readings[place][0] - window
        inside = [value for time, value, worth in readings[: place + 1] if worth and time > begin]
        assert largest == max(inside, default=-math.inf)


def test_a_spike_leaves_nothing_behind_once_it_has_left_the_window() -> None:
    readings = [(1_000 * n, 1e17 if n == 5 else 0.1, USABLE) for n in range(400)]
    *_, last = rolling(readings, window_ms=60_000)
    assert last[0] == pytest.approx(0.1)
    assert last[1] == 0.1


def test_a_gap_longer_than_a_reading_may_stand_for_is_not_covered_and_not_compliant() -> None:
    hour = 3_600_000
    *_, last = rolling(
        [(0, 6.0, USABLE), (10 * hour, 1.0, USABLE), (11 * hour, 1.0, USABLE)],
        window_ms=24 * hour,
        limit=5.0,
        longest_ms=hour,
    )
    assert last[2:] == (hour, 2 * hour, 0)


@settings(max_examples=30, deadline=None)
@given(READINGS, st.integers(0, 2_000), st.integers(1, 2_000))
def test_both_halves_of_a_spell_make_the_whole(steps: list[tuple[int, float, int]], begin: int, lasting: int) -> None:
    readings, now = [], 0
    for pause, value, worth in steps:
        now += pause
        readings.append((float(now), value if worth else None))
    middle, end = begin + lasting / 2, begin + lasting
    for rule in Rule:
        whole = figures(readings, begin=begin, end=end, limit=1.0, rule=rule)
        halves = [figures(readings, begin=a, end=b, limit=1.0, rule=rule) for a, b in ((begin, middle), (middle, end))]
        assert whole.covered == pytest.approx(sum(half.covered for half in halves))
        assert whole.integral == pytest.approx(sum(half.integral for half in halves))
        assert whole.above == pytest.approx(sum(half.above for half in halves))
        assert whole.largest == max(half.largest for half in halves)


def test_a_day_of_no_reading_has_no_mean_rather_than_one_of_zero() -> None:
    nothing = figures([(0.0, None)], begin=0, end=1_440, limit=5)
    assert nothing.coverage == 0
    with pytest.raises(ZeroDivisionError):
        _ = nothing.mean


def test_the_fixed_grid_takes_no_reading_twice() -> None:
    readings = [(0.0, 1.0), (0.5, 2.0), (3.9, None), (4.0, 3.0)]
    assert list(spaced(readings, begin=0, end=6, every=1.2)) == [
        (0.0, 1.0),
        (1.2, 2.0),
        (2.4, None),
        (pytest.approx(3.6), None),
        (4.8, 3.0),
    ]
    assert len(list(spaced([], begin=0, end=24, every=1.2))) == 20


def test_an_unbroken_spell_is_broken_by_a_reading_below_and_by_none() -> None:
    readings = [(0.0, 6.0), (10.0, None), (12.0, 6.0), (20.0, 5.0), (30.0, 6.0)]
    assert longest_spell_above(readings, end=33, limit=5) == 10
    assert lasted_above(readings, end=33, limit=5, delay=8) == 8
    assert lasted_above(readings, end=33, limit=5, delay=10) is None


def test_less_than_stays_less_than_through_a_median() -> None:
    results = [result_of(text) for text in ("<1.8", "2.0", "<1.8", "<1.8", "23")]
    assert str(median_of(results)) == "<1.8"
    assert result_of("<1.8") == Result(value=1.8, sign=-1)
    assert [str(one) for one in running_medians(results, 3)] == ["<1.8", "<1.8", "<1.8"]
    with pytest.raises(NotCovered, match="a number, or < or > before one"):
        result_of("about 2")


def test_a_total_goes_on_over_a_roll_over_and_after_a_reset() -> None:
    assert total_growth([9_990.0, 9_999.0, 4.0, 10.0], rolls_over_at=10_000) == 20
    assert total_growth([500.0, 510.0, 0.0, 3.0]) == 13


def test_more_pulses_than_can_have_come_are_refused() -> None:
    assert pulses(65_500, 120, bits=16, most=1_000) == 156
    with pytest.raises(NotCovered, match="at most 1000"):
        pulses(120, 60_000, bits=16, most=1_000)


def test_a_gap_is_not_bridged_by_the_trapezoid() -> None:
    assert integrated([(0, 10.0), (1, 10.0), (5, 10.0), (6, None), (7, 10.0)], longest=2) == (10.0, 1)
