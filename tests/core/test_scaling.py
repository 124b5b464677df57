"""What a raw number is worth on its own: bands of a loop, ends of a span, sentinels."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Text
from gateway.core.scaling import EXACT_UP_TO, Scaling, loop_current_ma, reader, to_reading

LEVEL = Scaling(range_low=0.0, range_high=100.0, loop_low_count=6_400, loop_high_count=32_000)
TURBIDITY = Scaling(range_low=0.0, range_high=20.0, clips_at_top=True)
COUNTS_PER_MA = 1_600


def good(value: float) -> Reading:
    return Number(value)


UNDER = Number(0.0, Quality.UNCERTAIN, Reason.UNDER_RANGE)
OVER = Number(100.0, Quality.UNCERTAIN, Reason.OVER_RANGE)
BROKEN = NoNumber(Reason.LOOP_FAULT)


@pytest.mark.parametrize(
    ("current_ma", "expected"),
    [
        (0.0, BROKEN),
        (3.2, BROKEN),
        (3.5, BROKEN),
        (3.6, BROKEN),
        (3.65, UNDER),
        (3.7, UNDER),
        (3.8, UNDER),
        (3.9, good(0.0)),
        (4.0, good(0.0)),
        (8.0, good(25.0)),
        (12.0, good(50.0)),
        (16.0, good(75.0)),
        (20.0, good(100.0)),
        (20.4, good(100.0)),
        (20.5, OVER),
        (20.95, OVER),
        (21.0, BROKEN),
        (21.5, BROKEN),
        (24.0, BROKEN),
    ],
)
def test_a_loop_is_read_by_its_namur_bands(current_ma: float, expected: Reading) -> None:
    assert to_reading(round(current_ma * COUNTS_PER_MA), LEVEL) == expected


@pytest.mark.parametrize(
    ("count", "expected"),
    [(5_759, BROKEN), (5_760, BROKEN), (5_761, UNDER), (33_599, OVER), (33_600, BROKEN), (33_601, BROKEN)],
)
def test_the_ends_of_the_bands_are_exact_to_one_count(count: int, expected: Reading) -> None:
    assert to_reading(count, LEVEL) == expected


@given(st.integers(5_761, 33_599), st.integers(5_761, 33_599))
def test_more_current_never_reads_as_less(first: int, second: int) -> None:
    low, high = (to_reading(count, LEVEL) for count in sorted((first, second)))
    assert isinstance(low, Number)
    assert isinstance(high, Number)
    assert 0.0 <= low.value <= high.value <= 100.0


@pytest.mark.parametrize(
    ("raw", "scaling", "expected"),
    [
        (0.71, TURBIDITY, good(0.71)),
        (19.99, TURBIDITY, good(19.99)),
        (20.0, TURBIDITY, Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE)),
        (3e38, TURBIDITY, Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE)),
        (-0.1, TURBIDITY, good(-0.1)),
        (-0.3, TURBIDITY, NoNumber(Reason.OUT_OF_RANGE)),
        (math.nan, TURBIDITY, NoNumber(Reason.NOT_FINITE)),
        (math.inf, TURBIDITY, NoNumber(Reason.NOT_FINITE)),
        (-math.inf, TURBIDITY, NoNumber(Reason.NOT_FINITE)),
        (1e308, Scaling(scale=1e308), NoNumber(Reason.NOT_FINITE)),
        (210, Scaling(scale=0.01, range_low=0.0, range_high=15.0), good(2.1)),
        (1_514, Scaling(scale=0.01, range_low=0.0, range_high=15.0), good(15.14)),
        (1_516, Scaling(scale=0.01, range_low=0.0, range_high=15.0), NoNumber(Reason.OUT_OF_RANGE)),
        (65_535, Scaling(scale=0.1, sentinels=frozenset({65_535.0})), NoNumber(Reason.SENTINEL)),
        (65_534, Scaling(scale=0.1, sentinels=frozenset({65_535.0})), good(6_553.4)),
        (10, Scaling(scale=2.0, offset=-5.0), good(15.0)),
        (
            -1,
            Scaling(range_low=0.0, range_high=10.0, clips_at_bottom=True),
            Number(0.0, Quality.UNCERTAIN, Reason.UNDER_RANGE),
        ),
        (42_405, Scaling(), good(42_405.0)),
        (3, Scaling(states=frozenset({0, 1, 3})), good(3.0)),
        (2, Scaling(states=frozenset({0, 1, 3})), NoNumber(Reason.UNKNOWN_STATE)),
        (1.5, Scaling(states=frozenset({1, 2})), NoNumber(Reason.UNKNOWN_STATE)),
        (65_535, Scaling(states=frozenset({1}), sentinels=frozenset({65_535.0})), NoNumber(Reason.SENTINEL)),
        (2**53, Scaling(), good(2.0**53)),
        (2**53 + 1, Scaling(), Number(2.0**53, Quality.UNCERTAIN, Reason.ROUNDED)),
        (-(2**53) - 2, Scaling(), Number(-(2.0**53) - 2, Quality.UNCERTAIN, Reason.ROUNDED)),
        (2**63, Scaling(scale=0.001), Number(2.0**63 * 0.001, Quality.UNCERTAIN, Reason.ROUNDED)),
        (2**63, Scaling(range_low=0.0, range_high=1e9), NoNumber(Reason.OUT_OF_RANGE)),
        (
            2**63,
            Scaling(range_low=0.0, range_high=1e9, clips_at_top=True),
            Number(1e9, Quality.UNCERTAIN, Reason.OVER_RANGE),
        ),
        (1e300, Scaling(), good(1e300)),  # a float was no count
        ("FS-501", Scaling(scale=2.0, range_low=0.0, range_high=1.0), Text("FS-501")),
    ],
)
def test_a_number_is_scaled_clipped_or_refused(raw: float | str, scaling: Scaling, expected: Reading) -> None:
    reading = to_reading(raw, scaling)
    if isinstance(expected, Number) and isinstance(reading, Number):
        assert reading.value == pytest.approx(expected.value)
        assert (reading.quality, reading.reason) == (expected.quality, expected.reason)
    else:
        assert reading == expected


@given(
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(-1e6, 1e6),
    st.floats(-1e6, 1e6),
    st.sampled_from([(True, True), (True, False), (False, True), (False, False)]),
)
def test_whatever_comes_a_reading_is_a_finite_number_near_its_span_or_none(
    raw: float, scale: float, offset: float, clips: tuple[bool, bool]
) -> None:
    scaling = Scaling(
        scale=scale, offset=offset, range_low=-5.0, range_high=20.0, clips_at_top=clips[0], clips_at_bottom=clips[1]
    )
    reading = to_reading(raw, scaling)
    if isinstance(reading, Number):
        assert -5.25 <= reading.value <= 20.25


@given(
    raw=st.one_of(
        st.floats(),
        st.integers(-(2**63), 2**64 - 1),
        st.sampled_from(
            [0.0, 1.0, 100.0, 101.0, -1.0, 9999.0, EXACT_UP_TO, EXACT_UP_TO + 1, -EXACT_UP_TO - 1, "fw 2.11"]
        ),
        st.floats(-2.0, 102.0),
    ),
    scale=st.sampled_from([1.0, 0.1, -1.0, 1e300]),
    span=st.sampled_from([(None, None), (0.0, 100.0), (None, 100.0), (0.0, None)]),
    clips=st.booleans(),
    states=st.sampled_from([frozenset[int](), frozenset({0, 1})]),
)
def test_the_glance_of_a_reader_sees_what_the_long_look_sees(
    raw: float | str,
    scale: float,
    span: tuple[float | None, float | None],
    clips: bool,  # noqa: FBT001 - hypothesis passes by name
    states: frozenset[int],
) -> None:
    low, high = span
    scaling = Scaling(
        scale=scale,
        range_low=low,
        range_high=high,
        clips_at_top=clips,
        clips_at_bottom=clips,
        sentinels=frozenset({9999.0, 1.0}),
        states=states,
    )
    assert reader(scaling)(raw) == to_reading(raw, scaling)


@given(st.integers(0, 65_535))
def test_a_current_comes_back_to_its_count(count: int) -> None:
    current_ma = loop_current_ma(count, 6_400, 32_000)
    assert round(current_ma * COUNTS_PER_MA) == count


@pytest.mark.parametrize(
    "keys",
    [
        {"range_low": 5.0, "range_high": 5.0},
        {"range_low": 0.0, "range_high": 1.0, "loop_low_count": 6_400},
        {"range_low": 0.0, "range_high": 1.0, "loop_low_count": 6_400, "loop_high_count": 6_400},
        {"loop_low_count": 6_400, "loop_high_count": 32_000},
    ],
)
def test_a_scaling_that_means_nothing_cannot_be_made(keys: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"span|loop"):
        Scaling(**keys)  # type: ignore[arg-type]
