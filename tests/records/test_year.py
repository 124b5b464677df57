"""The record of a year: sums and extremes of its months, what is still open, and the totals beside those certified."""

from array import array

from gateway.records.as_csv import as_csv, keyed_cells
from gateway.records.period import month_sheet
from gateway.records.series import State
from gateway.records.sheet import Sheet, Table
from gateway.records.year import year_sheet
from tests.records.months import given_of
from tests.records.test_rules import day_series

FOUR_WEEKS_MS = 28 * 86_400_000


def month(number: int, *planted: tuple[str, str, float, State]) -> Sheet:
    """February or March with readings of its 26th day."""
    series = day_series(*planted)
    for one in series.values():
        one.times = array("q", (at + (number - 2) * FOUR_WEEKS_MS for at in one.times))
    series["Q"].values = array("d", (number * i / 1_000 for i in range(len(series["Q"].times))))
    return month_sheet(given_of(series), 2025, number)


MONTHS = [
    month(2, ("10:00:00", "10:05:00", 6.0, State.GOOD), ("13:00:00", "14:30:00", 0.0, State.BAD)),
    month(3, ("11:00:00", "11:05:00", 4.0, State.GOOD)),
]


def rows(sheet: Sheet, heading: str) -> list[list[str]]:
    (found,) = [part for part in sheet.parts if isinstance(part, Table) and part.heading == heading]
    return [[cell.text for cell in row] for row in found.rows]


def test_the_sum_of_a_year_is_that_of_its_days_and_its_extremes_are_those_of_its_days() -> None:
    sheet = year_sheet(2025, MONTHS)
    cells = {cell.key: cell for cell in sheet.cells()}
    days = [c for m in MONTHS for c in m.cells() if "/treated-m3/" in c.key and not c.key.endswith("total")]
    total = cells["2025/treated-m3/total"].exact
    assert total is not None
    assert total > 50.0
    assert abs(total - sum(c.exact or 0.0 for c in days)) < 1e-6
    largest = [c for m in MONTHS for c in m.cells() if "/turbidity-max/" in c.key and c.exact is not None]
    worst = max(largest, key=lambda c: c.exact or 0.0)
    assert cells["2025/turbidity-max/extreme"].exact == worst.exact
    period, _, day = worst.key.split("/")
    assert ["turbidity max", worst.text, f"{period}-{int(day):02}"] in rows(sheet, "Extremes of the year")


def test_gaps_without_a_code_are_told_as_still_open() -> None:
    told = rows(year_sheet(2025, MONTHS), "Still open at the end")
    assert told == [["Gaps of more than 15 minutes", "T", "2025-02-26 13:00:00", "NOT ENTERED"]]


def test_totals_are_held_beside_the_certified_months() -> None:
    filed = {m.key: keyed_cells(as_csv(m)) for m in MONTHS}
    heading = "Totals beside the certified months"
    equal = rows(year_sheet(2025, MONTHS, filed), heading)
    assert [row[1].split(",")[0] for row in equal] == ["equal", "equal"]
    filed["2025-02"]["2025-02/treated-m3/total"] = "1.00"
    del filed["2025-03"]
    february, march = rows(year_sheet(2025, MONTHS, filed), heading)
    assert (february[1], "certified 1.00" in february[2], march[1]) == ("DIFFERS", True, "not certified")
