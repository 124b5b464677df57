"""The day by day table: what was true beside what the gateway believed."""

import math

from simulator.daybook import BELIEVED, TRUE, Day, Range, table

WIDTH = 12


def test_a_range_keeps_lowest_highest_and_last() -> None:
    seen = Range()
    for value in (3.0, -1.0, 2.0):
        seen.take(value)
    assert (seen.low, seen.high, seen.last) == (-1.0, 3.0, 2.0)


def test_a_total_is_told_as_its_growth_since_the_day_before() -> None:
    monday, tuesday = Day("Mon"), Day("Tue")
    monday.look({"into_tank_l": 400.0}, {})
    monday.look({"into_tank_l": 1_500.0}, {})
    tuesday.look({"into_tank_l": 4_000.0}, {})
    assert monday.grown("into_tank_l", None) == 1_500.0
    assert tuesday.grown("into_tank_l", monday) == 2_500.0
    assert math.isnan(tuesday.grown("delivered_l", monday))


def test_true_and_believed_are_not_mixed_up() -> None:
    day = Day("Mon")
    day.look({"turbidity_tap_ntu": 12.0}, {"AIT-510": 0.7})
    line = table([day]).splitlines()[-1]
    true, believed = line[WIDTH:].split("|")
    assert true.split() == ["12.00", *["-"] * (len(TRUE) - 1)]
    assert believed.split()[: len(BELIEVED)] == ["-", "0.70", *["-"] * (len(BELIEVED) - 2)]


def test_a_day_ends_with_its_trips_once_each_and_how_many_alarms_called() -> None:
    day = Day("Mon", told={"trip": ["I-02", "I-01", "I-02"], "alarm": ["P1 A", "P2 B", "P2 C", "P3 D"]})
    assert table([day]).splitlines()[-1].endswith("I-02 I-01; 1, 2")
    assert table([Day("Tue")]).splitlines()[-1].endswith("-; 0, 0")


def test_every_day_has_its_line_under_headings_and_units() -> None:
    lines = table([Day("Sat 01 Feb"), Day("Sun 02 Feb")]).splitlines()
    assert [line[:WIDTH].strip() for line in lines] == ["", "day", "", "Sat 01 Feb", "Sun 02 Feb"]
    assert all(line.index("|") == lines[0].index("|") for line in lines)
    assert "mJ/cm2" in lines[2]
