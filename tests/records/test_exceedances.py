"""Spells beyond a limit, diversions by cause, grab samples that stand in, and water on its way to the valve."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from gateway.configuration.schema.permit import Chemical, Limit, Quantity
from gateway.core.entry import ChemicalDelivery, ProofTest, TelephoneNotice
from gateway.local.messages import JournalEntry
from gateway.records.compliance import judged
from gateway.records.day import Given
from gateway.records.day import day_of as figures_of_day
from gateway.records.exceedances import Exceedance, exceedances
from gateway.records.passage import at_the_tap
from gateway.records.period import day_sheet
from gateway.records.series import Series, State
from gateway.records.sheet import Cell, Table
from tests.records.months import LIMITS, RECORD, given_of, limit, ms
from tests.records.test_rules import STEP_MS, cells, day_series

DAY = date(2025, 2, 26)
HIGH = ("10:00:00", "10:20:00", 12.0, State.GOOD)


def at(text: str) -> int:
    return ms(f"2025-02-26 {text}")


def told(given: Given) -> list[Exceedance]:
    return exceedances(given, [figures_of_day(given, DAY)], given.telephone_within_min)


def line(n: int, when: str, kind: str, subject: str, *, person: str = "", **facts: str | float) -> JournalEntry:
    occurrence = 1 if kind in {"alarm", "explained"} else 0
    return JournalEntry(
        n=n, run=1, scan=n, monotonic_ms=0, utc_ms=at(when), utc_trusted=True, kind=kind, subject=subject,
        occurrence=occurrence, person=person, facts=facts,
    )  # fmt: skip


def table_of(given: Given, heading: str) -> list[Mapping[str, Cell]]:
    parts = [one for one in day_sheet(given, DAY).parts if isinstance(one, Table)]
    found = next(one for one in parts if one.heading == heading)
    return [dict(zip(found.columns, row, strict=True)) for row in found.rows]


def delivering(series: dict[str, Series], begin: str, end: str) -> dict[str, Series]:
    for i, now in enumerate(series["Z"].times):
        if at(begin) <= now < at(end):
            series["Z"].values[i] = 1.0
    return series


def test_a_spell_is_told_with_its_worst_reading_and_how_long_and_short_breaks_do_not_end_it() -> None:
    series = day_series(("10:05:00", "10:05:30", 9.0, State.GOOD), ("10:10:00", "10:10:06", 12.5, State.GOOD), HIGH)
    above_ten, *_ = [one for one in told(given_of(series)) if one.limit_name == "turbidity-max"]
    assert (above_ten.span, above_ten.beyond_ms) == ((at("10:00"), at("10:20")), 20 * 60_000 - 30_000)
    assert (above_ten.worst, above_ten.worst_ms) == (12.5, at("10:10"))
    assert (above_ten.delivered_ms, above_ten.due_ms) == (0, None)


def test_a_call_is_due_from_the_first_delivered_minute_until_it_is_entered() -> None:
    series = delivering(day_series(HIGH), "10:05", "10:10")
    (one,) = [each for each in told(given_of(series)) if each.limit_name == "turbidity-max"]
    assert (one.delivered_ms, one.due_ms) == (300_000, at("11:05"))
    (row, _) = table_of(given_of(series), "Readings beyond a figure of the permit")
    assert row["told by telephone"].text == "NOT ENTERED, due by 2025-02-26 11:05:00"
    call = TelephoneNotice(
        n=9, utc_ms=at("11:30"), from_utc_ms=at("10:05"), to="Authority", text="", person="DUTY-MGR"
    )  # fmt: skip
    (row, _) = table_of(given_of(series, entries=(call,)), "Readings beyond a figure of the permit")
    assert row["told by telephone"].text == "2025-02-26 11:30:00, Authority, by DUTY-MGR LATE"


def test_a_bubble_is_listed_and_asks_for_no_call() -> None:
    series = delivering(day_series(("10:00:00", "10:00:12", 18.0, State.SUSPECT)), "09:00", "11:00")
    assert {(one.worst, one.due_ms) for one in told(given_of(series))} == {(18.0, None)}
    longer = delivering(day_series(("10:00:00", "10:02:00", 18.0, State.SUSPECT)), "09:00", "11:00")
    assert {one.due_ms for one in told(given_of(longer))} == {at("11:00")}


def test_interlock_cause_and_corrective_action_stand_beside_the_spell_of_their_instrument() -> None:
    journal = (
        line(1, "10:00:20", "trip", "I-01", tag="T"),
        line(2, "10:00:20", "alarm", "CLOUDY", tag="T"),
        line(3, "10:00:30", "alarm", "OTHER", tag="X"),
        line(4, "12:00:00", "explained", "CLOUDY", cause="filter soaked", corrective_action="washed"),
        line(5, "12:00:00", "explained", "OTHER", cause="of something else"),
    )
    (row, _) = table_of(replace(given_of(day_series(HIGH)), journal=journal), "Readings beyond a figure of the permit")
    assert row["cause"].text == "I-01 tripped; filter soaked"
    assert row["corrective action"].text == "washed"


def test_a_diversion_has_the_cause_the_journal_gives_and_is_summed_by_it() -> None:
    series = day_series(("10:00:00", "10:20:00", 12.0, State.GOOD), ("14:00:00", "14:30:00", 0.0, State.HELD))
    series["D"] = Series()
    for now in range(at("00:00"), ms("2025-02-27 00:00"), STEP_MS):
        shut = at("10:00:24") <= now < at("13:00") or at("14:00") <= now < at("14:31") or now >= at("22:00")
        series["D"].add(now, State.GOOD, float(shut))
    journal = (
        line(1, "10:00:12", "level", "product", because="I-01"),
        line(2, "12:59:58", "released", "product", person="VISITOR-OP"),
        line(3, "12:59:58", "level", "product", because=""),
        line(4, "13:59:50", "level", "product", because="T held"),
        line(5, "21:59:50", "level", "product", because="I-13"),
    )
    assert RECORD.delivering is not None
    record = RECORD.model_copy(
        update={"diverting": RECORD.delivering.model_copy(update={"tag": "D"}), "product_output": "product"}
    )
    given = replace(given_of(series), journal=journal, record=record)
    rows = table_of(given, "Diversions")
    assert [(one["cause"].text, one["in or out of spec"].text) for one in rows] == [
        ("I-01", "out of spec"), ("T held", "not known"), ("I-13", "in spec"),
    ]  # fmt: skip
    assert rows[0]["released by"].text == "VISITOR-OP"
    assert rows[0]["readings at the end"].text == "turbidity 0.70"
    sums = table_of(given, "Diversions by cause")
    assert [(one["cause"].text, one["minutes"].text) for one in sums] == [
        ("I-01", "179.6"), ("T held", "31.0"), ("I-13", "120.0"),
    ]  # fmt: skip


def test_delivered_is_the_water_that_left_later_by_the_valve_not_the_minute_of_the_reading() -> None:
    flow = [(at("00:00"), at("23:00"), 1.0, State.GOOD)]
    assert at_the_tap(flow, [(at("12:00"), at("14:00"))], 2.5) == [(at("09:30"), at("11:30"))]
    stopped = [
        (at("00:00"), at("10:00"), 1.0, State.GOOD),
        (at("10:00"), at("11:00"), 0.0, State.GOOD),
        (at("11:00"), at("20:00"), 2.0, State.GOOD),
    ]
    assert at_the_tap(stopped, [(at("12:00"), at("13:00"))], 2.0) == [(at("10:00"), at("12:00"))]
    record = RECORD.model_copy(
        update={
            "quantities": {"turbidity": Quantity(tag="T", parameter="turbidity", to_valve_m3=1.8)}, "valve_flow": "F",
        }
    )  # fmt: skip
    passed_early = delivering(day_series(HIGH), "09:00", "10:10")  # at 0.9 m3/h the cloudy water comes two hours later
    assert [one.delivered_ms for one in told(replace(given_of(passed_early), record=record))] == [0, 0]
    came_late = delivering(day_series(HIGH), "12:10", "13:00")
    assert [one.delivered_ms for one in told(replace(given_of(came_late), record=record))] == [600_000, 600_000]


def verdict(series: dict[str, Series], one: Limit, *journal: JournalEntry) -> tuple[str, str]:
    record = RECORD.model_copy(update={"quantities": {"turbidity": Quantity(tag="T", parameter="turbidity", grab="t")}})
    given = replace(given_of(series), limits={"it": (one,)}, record=record, journal=journal)
    (found,) = judged(given, [figures_of_day(given, DAY)], ())
    return found.verdict, found.told


def test_more_than_15_minutes_above_without_a_break_do_not_keep_a_continuous_limit_and_15_do() -> None:
    continuous = limit("turbidity", "time_above_continuous", 5.0, window="15 min")
    assert verdict(day_series(("10:00:00", "10:15:00", 6.0, State.GOOD)), continuous)[0] == "kept"
    assert verdict(day_series(("10:00:00", "10:15:06", 6.0, State.GOOD)), continuous)[0] == "NOT kept"
    broken = day_series(("10:09:00", "10:09:06", 1.0, State.GOOD), ("10:00:00", "10:20:00", 6.0, State.GOOD))
    assert verdict(broken, continuous) == ("kept", "worst 10.9 min without a break on 2025-02-26")


def test_a_rolling_window_reaches_into_the_day_before_where_a_calendar_day_does_not() -> None:
    series = {"T": Series(), "F": Series(), "Z": Series()}
    for now in range(ms("2025-02-25 00:00"), ms("2025-02-27 00:00"), STEP_MS):
        cloudy = ms("2025-02-25 20:00") <= now < at("04:00")
        series["T"].add(now, State.GOOD, 4.0 if cloudy else 1.0)
        series["F"].add(now, State.GOOD, 0.9)
        series["Z"].add(now, State.GOOD, 0.0)
    calendar = limit("turbidity", "mean_24h", 1.75, window="calendar day")
    rolls = limit("turbidity", "mean_24h", 1.75, window="rolling 24 h")
    assert verdict(series, calendar) == ("kept", "worst 1.5 on 2025-02-26")
    assert verdict(series, rolls) == ("NOT kept", "worst 2 on 2025-02-26")  # 8 of 24 h at 4, the rest at 1
    share = limit("turbidity", "time_above", 3.0, window="rolling 24 h", allowed_fraction=0.3)
    assert verdict(series, share) == ("NOT kept", "worst 33.33 % of the window on 2025-02-26")


def test_spaced_readings_count_one_each_and_a_grab_sample_stands_in_only_where_the_limit_says_so() -> None:
    failed = day_series(("06:00:00", "12:30:00", 0.0, State.BAD))
    grabs = [line(n, f"{h:02}:{m:02}:00", "grab_sample", "", t=1.0) for n, (h, m) in enumerate(
        [(6, 0), (7, 0), (8, 0), (9, 0), (10, 0), (11, 0), (12, 0)], 1
    )]  # fmt: skip
    plain = limit("turbidity", "mean_24h", 2.0, readings_every_h=4.0)
    allowed = limit("turbidity", "mean_24h", 2.0, readings_every_h=4.0, substitute={"every_h": 1.2, "at_most_h": 24})
    briefly = limit("turbidity", "mean_24h", 2.0, readings_every_h=4.0, substitute={"every_h": 1.2, "at_most_h": 1})
    assert verdict(failed, plain, *grabs)[0] == "insufficient data (0 of 1)"
    assert verdict(failed, allowed)[0] == "insufficient data (0 of 1)"
    assert verdict(failed, briefly, *grabs)[0] == "insufficient data (0 of 1)", (
        "the clock of the substitute has run out"
    )
    assert verdict(failed, allowed, *grabs)[0] == "kept"
    share = limit("turbidity", "time_above", 5.0, allowed_fraction=0.05, readings_every_h=1.2)
    one_of_20 = day_series(("07:11:00", "07:13:00", 6.0, State.GOOD))
    two_of_20 = day_series(("07:11:00", "08:25:00", 6.0, State.GOOD))
    assert [verdict(series, share)[0] for series in (one_of_20, two_of_20)] == ["kept", "NOT kept"]


def test_a_grab_sample_counts_in_the_maximum() -> None:
    assert verdict(day_series(), LIMITS["turbidity-max"][0], line(1, "09:00:00", "grab_sample", "", t=10.5))[0] == (
        "NOT kept"
    )


def test_peak_chemicals_and_proof_tests_are_told() -> None:
    series = day_series(("09:59:30", "10:01:30", 1.6, State.GOOD))
    series["L"] = Series()
    series["L"].add(at("00:10"), State.GOOD, 60.0)
    series["L"].add(at("23:00"), State.GOOD, 58.5)
    quantity = Quantity(tag="T", parameter="turbidity", peak_over_s=60, beside=("L",))
    record = RECORD.model_copy(
        update={"quantities": {"turbidity": quantity}, "chemicals": {"hypo": Chemical(level="L", delivered_as="hypo")}}
    )
    entries = (
        ChemicalDelivery(
            n=1, utc_ms=at("08:00"), chemical="hypo", amount=50, level_before=20, level_after=70, unit="L",
            strength_percent=12, batch="B7", person="p",
        ),
        ProofTest(
            n=2, utc_ms=at("09:00"), function="I-08", passed=False, text="stuck", next_due_utc_ms=at("20:00"),
            person="p",
        ),
    )  # fmt: skip
    given = replace(given_of(series, entries=entries), record=record)
    (peak,) = table_of(given, "Peaks")
    assert (peak["largest"].exact, peak["begin"].text) == (1.6, "2025-02-26 10:00:00")
    (level,) = table_of(given, "Chemicals: level of the tanks")
    assert (level["first"].exact, level["last"].exact) == (60.0, 58.5)
    (filled,) = table_of(given, "Chemicals: deliveries")
    assert (filled["amount"].text, filled["tank"].text, filled["batch"].text) == ("50 L", "20 to 70 L", "B7")
    (proof,) = table_of(given, "Proof tests done and due")
    assert (proof["result"].text, proof["next due"].text) == ("FAILED", "2025-02-26 OVERDUE")
    assert cells(day_sheet(given, DAY))["turbidity-least"] == "0.70"
