"""What people enter afterwards: figures with qualifiers, bands, corrections, and what a failed check puts in doubt."""

import pytest

from gateway.core.entry import Doubt, NotThat, Verification, band_of, doubtful_spans, in_force, result_of, within

DAY_MS = 86_400_000
UNIT = "MPN/100 mL"


def check(n: int, day: float, *, found: float, left: float | None = None, corrects: int = 0) -> Verification:
    """A check against 10.0 within 10 %."""
    return Verification(
        n=n,
        tag="AIT",
        utc_ms=round(day * DAY_MS),
        standard=10.0,
        as_found=found,
        as_left=found if left is None else left,
        band="10 %",
        band_absolute=0.0,
        band_relative=0.1,
        passed=abs(found - 10.0) <= 1.0,
        kind="verification",
        standard_lot="",
        next_due_utc_ms=0,
        person="P",
        corrects=corrects,
    )


def doubt(first: float, last: float, failed: int) -> Doubt:
    return Doubt(tag="AIT", from_utc_ms=round(first * DAY_MS), to_utc_ms=round(last * DAY_MS), failed=failed)


@pytest.mark.parametrize(
    ("text", "qualifier", "value", "kept"),
    [("<1.8", "<", 1.8, "<1.8"), (" > 2419.6 ", ">", 2419.6, "> 2419.6"), ("2", "", 2.0, "2"), ("2.0", "", 2.0, "2.0")],
)
def test_a_result_keeps_its_qualifier_and_its_digits(text: str, qualifier: str, value: float, kept: str) -> None:
    result = result_of(text, UNIT)
    assert (result.qualifier, result.value, result.unit, result.text) == (qualifier, value, UNIT, kept)


@pytest.mark.parametrize(
    "text", ["", "<", "1,8", "-1", "< -1", "<<2", "1e3", "nan", "inf", "1.2.3", "\u0661", "9" * 400]
)
def test_what_is_no_result_is_refused_with_what_to_do(text: str) -> None:
    with pytest.raises(NotThat, match="is no result; write a figure"):
        result_of(text, UNIT)


@pytest.mark.parametrize(
    ("text", "absolute", "relative", "unit"),
    [("0.1 mg/L or 15 %", 0.1, 0.15, "mg/L"), ("within 10 %", 0.0, 0.1, ""), ("15% or 0.1 mg/L", 0.1, 0.15, "mg/L")],
)
def test_a_band_is_read_as_people_write_it(text: str, absolute: float, relative: float, unit: str) -> None:
    band = band_of(text)
    assert (band.absolute, band.relative, band.unit) == (absolute, relative, unit)


@pytest.mark.parametrize("text", ["", "wide", "0.1", "0 %", "-5 %", "5 % or 6 %", "5 % or"])
def test_what_is_no_band_is_refused(text: str) -> None:
    with pytest.raises(NotThat, match="is no band"):
        band_of(text)


@pytest.mark.parametrize(
    ("standard", "shown", "passes"),
    [(0.2, 0.3, True), (0.2, 0.31, False), (1.0, 1.15, True), (1.0, 0.85, True), (1.0, 1.16, False), (5.0, 4.2, False)],
)
def test_the_wider_part_of_the_band_counts_and_its_edge_is_within(standard: float, shown: float, passes: bool) -> None:  # noqa: FBT001 - a case
    assert within(band_of("0.1 mg/L or 15 %"), standard=standard, shown=shown) is passes


def test_a_corrected_entry_is_not_in_force_nor_one_whose_correction_was_corrected() -> None:
    first, second, third = check(1, 1, found=10), check(2, 1, found=10, corrects=1), check(3, 1, found=10, corrects=2)
    assert in_force([first, second]) == (second,)
    assert in_force([first, second, third]) == (third,)


@pytest.mark.parametrize(
    ("checks", "spans"),
    [
        pytest.param([check(1, 1, found=10.5), check(2, 8, found=9.5)], [], id="all passed"),
        pytest.param(
            [check(1, 1, found=10), check(2, 8, found=12), check(3, 10, found=10)], [doubt(1, 10, 2)], id="until a pass"
        ),
        pytest.param([check(1, 1, found=10), check(2, 8, found=12)], [doubt(1, 30, 2)], id="until now"),
        pytest.param([check(2, 8, found=12, left=10)], [doubt(0, 8, 2)], id="no pass before"),
        pytest.param(
            [check(1, 1, found=10), check(2, 8, found=12), check(3, 9, found=13), check(4, 10, found=10)],
            [doubt(1, 10, 2)],
            id="failed twice",
        ),
        pytest.param(
            [check(1, 1, found=10), check(2, 8, found=12, left=10), check(3, 15, found=12, left=10)],
            [doubt(1, 8, 2), doubt(8, 15, 3)],
            id="left good each time",
        ),
        pytest.param(
            [check(1, 1, found=10), check(2, 8, found=10), check(3, 8.01, found=12, left=10)],
            [doubt(1, 8.01, 3)],
            id="the first of two standards passed",
        ),
        pytest.param(
            [check(1, 1, found=10), check(2, 8, found=12), check(3, 8, found=10.2, corrects=2)], [], id="corrected"
        ),
    ],
)
def test_a_failed_check_puts_in_doubt_what_came_since_the_last_good_one(
    checks: list[Verification], spans: list[Doubt]
) -> None:
    assert list(doubtful_spans(reversed(checks), 30 * DAY_MS)) == spans
