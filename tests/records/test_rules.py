"""What may count for what: the rules of the record at days built by hand."""

from dataclasses import replace
from datetime import date

import pytest

from gateway.core.entry import LaboratoryResult, Result, Verification
from gateway.local.messages import JournalEntry
from gateway.records import as_csv, as_html
from gateway.records.as_pdf import as_pdf
from gateway.records.certificate import changed_cells
from gateway.records.coliform import awaited_days, day_of, known_results, most_in_30_days, windows
from gateway.records.compliance import judged
from gateway.records.day import day_of as figures_of_day
from gateway.records.day import limit_on
from gateway.records.period import day_sheet
from gateway.records.series import Series, State
from gateway.records.sheet import CAUTION, Sheet
from gateway.treatment.results import Result as Ranked
from tests.records.months import LIMITS, ZONE, given_of, limit, ms

DAY = date(2025, 2, 26)
STEP_MS = 6_000
E01_MS = 4_116_000  # 68.6 min
SAMPLES = (
    "3 <1.8 5|4 <1.8 6|5 2.0 7|6 <1.8 10|7 <1.8 11|10 4.5 12|11 4.0 13|12 7.8 14|13 2.0 17|14 33 18|17 <1.8 19|"
    "18 2.0 20|19 <1.8 21|20 <1.8 24|21 <1.8 25|24 <1.8 26|25 <1.8 27|26 13 28|27 <1.8 31|28 <1.8 32"
)


def day_series(*planted: tuple[str, str, float, State], value: float = 0.7) -> dict[str, Series]:
    """A day that produces throughout, with stretches of other values and states, each from and to a local time."""
    begin, end = ms("2025-02-26 00:00"), ms("2025-02-27 00:00")
    stretches = [(ms(f"2025-02-26 {a}"), ms(f"2025-02-26 {b}"), v, s) for a, b, v, s in planted]
    series = {tag: Series() for tag in "TFZQ"}
    for now in range(begin, end, STEP_MS):
        inside = next(((v, s) for a, b, v, s in stretches if a <= now < b), (value, State.GOOD))
        series["T"].add(now, inside[1], inside[0] if inside[1] <= State.UNDER else 0.0)
        series["F"].add(now, State.GOOD, 0.9)
        series["Z"].add(now, State.GOOD, 0.0)
        series["Q"].add(now, State.GOOD, 1.0)
    return series


def cells(sheet: Sheet) -> dict[str, str]:
    return {cell.key.removeprefix(f"{sheet.key}/").removesuffix("/26"): cell.text for cell in sheet.cells()}


def printed(*planted: tuple[str, str, float, State]) -> dict[str, str]:
    return cells(day_sheet(given_of(day_series(*planted)), DAY))


def test_cloudy_water_for_68_6_minutes_is_4_76_percent_of_the_day_and_more_of_the_valid_minutes() -> None:
    found = printed(("10:00:00", "11:08:36", 6.0, State.GOOD), ("13:00:00", "14:30:00", 0.0, State.BAD))
    assert found["turbidity-above-5-min"] == "68.6"
    assert found["turbidity-above-5-of-day"] == "4.76 %"
    assert found["turbidity-above-5-of-valid"] == "5.08 %"
    assert found["turbidity-bad-min"] == "90.0"
    assert found["turbidity-delivered-above-5-min"] == "0.0"
    assert found["verdict/turbidity-time"] == "kept"


def test_a_standard_of_a_calibration_appears_nowhere() -> None:
    sheet = day_sheet(given_of(day_series(("10:00:00", "10:40:00", 20.0, State.HELD))), DAY)
    found = cells(sheet)
    assert (found["turbidity-max"], found["turbidity-held-min"], found["turbidity-mean"]) == ("0.70", "40.0", "0.70")
    assert not [cell for cell in sheet.cells() if cell.exact is not None and abs(cell.exact - 20) < 1e-9]


def test_a_hold_of_a_device_holds_each_of_its_instruments() -> None:
    def line(at: str, kind: str) -> JournalEntry:
        return JournalEntry(
            n=1, run=1, scan=1, monotonic_ms=0, utc_ms=ms(f"2025-02-26 {at}"), utc_trusted=True, kind=kind,
            subject="AN1", facts={"tags": "S, T"},
        )  # fmt: skip

    given = replace(given_of(day_series()), journal=(line("10:00", "hold_on"), line("10:42", "hold_off")))
    assert cells(day_sheet(given, DAY))["turbidity-held-min"] == "42.0"


def test_below_75_percent_valid_there_is_no_mean_but_the_count() -> None:
    found = printed(("00:00:00", "06:00:06", 0.0, State.BAD))
    assert found["turbidity-mean"] == "insufficient data (1079.9 of 1440.0 min)"
    assert found["verdict/turbidity-mean"] == "insufficient data (0 of 1)"
    assert printed(("00:00:00", "06:00:00", 0.0, State.BAD))["turbidity-mean"] == "0.70"


def test_a_bubble_is_told_apart_and_a_clipped_reading_keeps_its_sign() -> None:
    bubble = printed(("10:00:00", "10:00:12", 18.0, State.SUSPECT))
    assert (bubble["turbidity-max"], bubble["turbidity-suspect-max"]) == ("0.70", "18.00")
    assert bubble["verdict/turbidity-max"] == "kept"
    assert printed(("10:00:00", "10:00:12", 20.0, State.OVER))["turbidity-max"] == "> 20.00"


def test_a_failed_check_puts_everything_since_the_last_pass_in_doubt() -> None:
    def check(n: int, at: str, *, passed: bool) -> Verification:
        return Verification(
            n=n, tag="T", utc_ms=ms(at), standard=1.0, as_found=1.0 if passed else 1.4, as_left=1.0, band="10 %",
            band_absolute=0.0, band_relative=0.1, passed=passed, kind="verification", standard_lot="",
            next_due_utc_ms=0, person="x",
        )  # fmt: skip

    entries = (check(1, "2025-02-20 08:00", passed=True), check(2, "2025-02-26 12:00", passed=False))
    found = cells(day_sheet(given_of(day_series(), entries=entries), DAY))
    assert (found["turbidity-suspect-min"], found["turbidity-valid-min"]) == ("720.0", "1440.0")


def test_limits_are_compared_unrounded_and_by_the_day_they_hold() -> None:
    just_above = day_series(value=2.0004)
    given = given_of(just_above)
    (mean, *_) = judged(given, [figures_of_day(given, DAY)], ())
    assert mean.verdict == "NOT kept"
    assert cells(day_sheet(given, DAY))["turbidity-mean"] == "2.00"
    old = limit("turbidity", "mean_24h", 2.0, valid_until=date(2025, 2, 26))
    new = limit("turbidity", "mean_24h", 1.0, valid_from=date(2025, 2, 27))
    assert (limit_on((old, new), DAY), limit_on((old, new), date(2025, 2, 27))) == (old, new)


def laboratory() -> list[LaboratoryResult]:
    found = []
    for n, line in enumerate(SAMPLES.split("|"), 1):
        day, text, told = line.split()
        reported = ms(f"2025-02-{int(told):02}") if int(told) <= 28 else ms(f"2025-03-{int(told) - 28:02}")
        result = Result(
            qualifier="<" if text[0] == "<" else "", value=float(text.strip("<")), unit="MPN/100 mL", text=text
        )
        found.append(
            LaboratoryResult(
                n=n, parameter="total_coliform", point="outlet", sampled_utc_ms=ms(f"2025-02-{int(day):02} 09:00"),
                reported_utc_ms=reported + 57_600_000, result=result, method="m", laboratory="l", person="p",
            )
        )  # fmt: skip
    return found


def test_the_laboratory_list_gives_a_worst_median_of_4_in_three_windows_with_both_dates() -> None:
    known = known_results(laboratory(), "total_coliform", ms("2025-03-31"))
    worst = [one for one in windows(known) if one.median is not None and one.median.value > 2.2]
    assert [one.median for one in worst] == [Ranked(value=4.0)] * 3
    dates = [(day_of(o.entry.sampled_utc_ms, ZONE).day, day_of(o.entry.reported_utc_ms, ZONE).day) for o in worst]
    assert dates == [(14, 18), (17, 19), (18, 20)]
    assert most_in_30_days(known, 23, ZONE) == 1


def test_two_results_are_awaited_on_the_first_of_march_and_none_on_the_fourth() -> None:
    days = [date(2025, 2, day) for day in range(1, 29)]
    working = ("mon", "tue", "wed", "thu", "fri")
    by_first = known_results(laboratory(), "total_coliform", ms("2025-03-02"))
    assert awaited_days(by_first, days, working, ZONE) == [date(2025, 2, 27), date(2025, 2, 28)]
    by_fourth = known_results(laboratory(), "total_coliform", ms("2025-03-05"))
    assert awaited_days(by_fourth, days, working, ZONE) == []


def test_the_same_day_prints_as_the_same_bytes_with_the_caution_and_a_change_is_told_cell_by_cell() -> None:
    sheet, other = (
        day_sheet(given_of(day_series(*planted)), DAY) for planted in ((), (("10:00:00", "10:00:12", 3.0, State.GOOD),))
    )
    again = day_sheet(given_of(day_series()), DAY)
    for form in (as_csv.as_csv, as_html.as_html, as_pdf):
        assert form(sheet) == form(again)
        assert form(sheet) != form(other)
    assert CAUTION.encode() in as_html.as_html(sheet)
    by_csv = changed_cells(as_csv.keyed_cells(as_csv.as_csv(sheet)), as_csv.keyed_cells(as_csv.as_csv(other)))
    by_html = changed_cells(as_html.keyed_cells(as_html.as_html(sheet)), as_html.keyed_cells(as_html.as_html(other)))
    assert by_csv == by_html
    assert by_csv["2025-02-26/turbidity-max/26"] == ("0.70", "3.00")


@pytest.mark.parametrize("name", LIMITS)
def test_every_limit_stands_in_the_record_with_its_source(name: str) -> None:
    assert name.encode() in as_html.as_html(day_sheet(given_of(day_series()), DAY))
