"""What goes upstream and what does not, and how far a receiver can be wrong."""

import itertools
from bisect import bisect_right

from hypothesis import given
from hypothesis import strategies as st

from gateway.publishers.payload import SampleRow
from gateway.uplink.thinning import ReportRule, Thinning

HOUR_MS = 3_600_000
RULES = {"A": ReportRule(deadband=1.0, at_least_ms=HOUR_MS)}


def row(n: int, value: float | str | None, *, tag: str = "A", at_ms: int | None = None, reason: str = "") -> SampleRow:
    quality = "bad" if value is None else "good"
    why = reason or ("no_answer" if value is None else "ok")
    return SampleRow(
        n=n, tag=tag, utc_ms=n * 1_000 if at_ms is None else at_ms, quality=quality, reason=why, value=value
    )


def picked(rows: list[SampleRow]) -> list[int]:
    return [one.n for one in Thinning(RULES).pick(rows)]


def test_the_first_reading_of_a_tag_is_reported() -> None:
    assert picked([row(1, 5.0)]) == [1]


def test_a_change_within_the_dead_band_is_not_and_one_beyond_is() -> None:
    assert picked([row(1, 5.0), row(2, 6.0), row(3, 4.0), row(4, 5.9), row(5, 6.1)]) == [1, 5]


def test_it_is_compared_with_the_last_reported_one_so_that_a_drift_cannot_hide() -> None:
    assert picked([row(n, 0.3 * n) for n in range(1, 10)]) == [1, 5, 9]


def test_a_tag_without_a_rule_is_reported_at_every_change() -> None:
    assert picked([row(1, 5.0, tag="B"), row(2, 5.0, tag="B"), row(3, 5.001, tag="B")]) == [1, 2, 3]
    assert picked([row(1, 5.0, tag="B"), row(2, 5.0, tag="B"), row(3, 5.0, tag="B")]) == [1]


def test_another_quality_or_reason_is_always_reported() -> None:
    assert picked([row(1, 5.0), row(2, None), row(3, None), row(4, None, reason="stale"), row(5, 5.0)]) == [
        1,
        2,
        3,
        4,
        5,
    ]


def test_a_text_is_reported_when_it_changes() -> None:
    assert picked([row(1, "fw 1"), row(2, "fw 1"), row(3, "fw 2")]) == [1, 2, 3]
    assert picked([row(1, "fw 1"), row(2, "fw 1")]) == [1]


def test_without_a_change_it_is_reported_after_a_while() -> None:
    rows = [row(n, 5.0, at_ms=n * 600_000) for n in range(1, 14)]
    assert picked(rows) == [1, 7, 13]


def test_a_clock_that_was_set_back_does_not_silence_a_tag() -> None:
    assert picked([row(1, 5.0, at_ms=10 * HOUR_MS), row(2, 5.0, at_ms=HOUR_MS), row(3, 5.0, at_ms=HOUR_MS + 5)]) == [
        1,
        2,
    ]


def test_the_reading_before_a_jump_is_reported_with_it_in_its_place() -> None:
    assert picked([row(1, 5.0), row(2, 5.1), row(3, 0.0, tag="B"), row(4, 12.0)]) == [1, 2, 3, 4]


def test_the_reading_before_a_jump_may_be_of_an_earlier_batch() -> None:
    thinning = Thinning(RULES)
    assert [one.n for one in thinning.pick([row(1, 5.0), row(2, 5.1)])] == [1]
    assert [one.n for one in thinning.pick([row(3, 12.0)])] == [2, 3]


def test_a_slow_drift_costs_no_second_reading() -> None:
    assert picked([row(1, 5.0), row(2, 5.9), row(3, 6.1)]) == [1, 3]


def test_after_forgetting_every_tag_is_reported_once_more() -> None:
    thinning = Thinning(RULES)
    thinning.pick([row(1, 5.0)])
    thinning.forget()
    assert [one.n for one in thinning.pick([row(2, 5.0), row(3, 5.0)])] == [2]


VALUES = st.lists(st.one_of(st.none(), st.floats(-50, 50, width=32)), min_size=2, max_size=80)


@given(VALUES, st.lists(st.integers(1, 10), max_size=10))
def test_held_until_the_next_a_reported_reading_is_never_further_off_than_the_dead_band(
    values: list[float | None], sizes: list[int]
) -> None:
    rows = [row(n, value) for n, value in enumerate(values, start=1)]
    thinning = Thinning(RULES)
    told: list[SampleRow] = []
    left = iter(rows)
    for size in [*sizes, len(rows)]:
        told += thinning.pick(itertools.islice(left, size))
    told.sort(key=lambda one: one.n)
    assert len({one.n for one in told}) == len(told), "nothing is reported twice"
    for one in rows:
        held = told[bisect_right([t.n for t in told], one.n) - 1]
        assert held.quality == one.quality
        if one.value is not None:
            assert isinstance(held.value, float)
            assert isinstance(one.value, float)
            assert abs(held.value - one.value) <= 1.0


@given(st.lists(st.floats(-50, 50, width=32), min_size=2, max_size=80))
def test_a_line_between_reported_readings_is_never_further_off_than_three_dead_bands(values: list[float]) -> None:
    rows = [row(n, value) for n, value in enumerate(values, start=1)]
    told = Thinning(RULES).pick(rows)
    for before, after in itertools.pairwise(told):
        assert isinstance(before.value, float)
        assert isinstance(after.value, float)
        for one in rows[before.n : after.n - 1]:
            share = (one.n - before.n) / (after.n - before.n)
            line = before.value + share * (after.value - before.value)
            assert isinstance(one.value, float)
            assert abs(line - one.value) <= 3.0 + 1e-6
