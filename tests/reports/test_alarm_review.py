"""Figures of an alarm review where simple counting is wrong."""

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from gateway.core.alarm import Priority
from gateway.reports.alarm_review import DAY_MS, HOUR_MS, MINUTE_MS, TEN_MINUTES_MS, Review, local_days, review
from gateway.reports.annunciations import Hidden
from gateway.reports.targets import Met, figures, steady_state, upset
from tests.reports.journals import Journal, days, journal, ms, rule, site


def burst(written: Journal, first: str, count: int, *, every_s: int = 10, subject: str = "A") -> Journal:
    for number in range(count):
        written.line(ms(first) + number * every_s * 1_000, "alarm", subject)
    return written


def met(found: Review, key: str) -> Met:
    return next(one.met for one in figures(found) if one.key == key)


# --- counting -----------------------------------------------------------------------------------------------------


def test_only_annunciations_count() -> None:
    found = days(
        journal(
            ("1 10:00:00", "alarm", "A"),
            ("1 10:05:00", "acknowledged", "A"),
            ("1 10:06:00", "return_to_normal", "A"),
            ("1 10:07:00", "reset_refused", "A"),
            ("1 10:08:00", "flood_begin", ""),
            ("1 10:09:00", "trip", "I"),
        )
    )
    assert len(found.annunciations) == 1
    assert found.rate(1, DAY_MS) == 1.0
    assert found.rate(1, HOUR_MS) == pytest.approx(1 / 24)


def test_an_empty_period_has_no_figures_but_the_reason() -> None:
    found = days(Journal(), until="")
    assert (found.annunciations, found.floods, found.running_ms) == ((), (), 0)
    assert [gap.why for gap in found.gaps] == ["there is no record"]
    told = {one.key: one.met for one in figures(found)}
    assert told["per_10_min_mean"] is told["time_in_flood"] is told["top_ten_share"] is Met.UNKNOWN
    assert told["chattering"] is told["per_10_min_peak"] is Met.UNKNOWN


def test_a_quiet_period_meets_everything_that_can_be_told() -> None:
    found = days(journal(), 1, 8)
    assert {one.met for one in figures(found)} == {Met.YES, Met.UNKNOWN, Met.NO_TARGET}
    assert found.rate(0, DAY_MS) == 0.0


def test_a_rate_needs_a_gateway_that_ran_as_long_as_what_it_is_told_per() -> None:
    written = Journal().start(ms("1 10:00:00")).line(ms("1 10:30:00"), "alarm", "A").line(ms("1 11:00:00"), "stop")
    found = days(written)
    assert found.rate(1, HOUR_MS) == 1.0
    assert found.rate(1, DAY_MS) is None


@pytest.mark.parametrize(
    ("day", "expected"),
    [(1, 1), (2, 2), (3, 0)],
)
def test_the_first_midnight_belongs_to_a_day_and_the_next_one_does_not(day: int, expected: int) -> None:
    found = days(
        journal(("1 23:59:59", "alarm", "A"), ("2 00:00:00", "alarm", "B"), ("2 23:59:59", "alarm", "C")), day, day
    )
    assert len(found.annunciations) == expected


def test_days_are_the_sites_own() -> None:
    reviewed = site(ZoneInfo("America/Denver"))  # seven hours behind
    found = days(journal(("2 06:59:59", "alarm", "A"), ("2 07:00:00", "alarm", "B")), 1, 2, reviewed=reviewed)
    assert [day.annunciations for day in found.days] == [1, 1]
    assert [hour for hour, count in enumerate(found.hours_of_day) if count] == [0, 23]


@pytest.mark.parametrize(("day", "hours"), [(date(2025, 3, 30), 23), (date(2025, 3, 29), 24), (date(2025, 10, 26), 25)])
def test_a_day_is_as_long_as_the_clocks_make_it(day: date, hours: int) -> None:
    (span,) = local_days(day, day, ZoneInfo("CET"))
    assert span[1] - span[0] == hours * HOUR_MS


# --- windows and floods -------------------------------------------------------------------------------------------


def test_windows_roll_over_the_borders_of_the_clock() -> None:
    found = days(
        journal(*[(f"1 10:{minute}:30", "alarm", "A") for minute in range(55, 60)], ("1 11:04:29", "alarm", "B"))
    )
    assert (found.peak_ten_minutes.count, found.peak_ten_minutes.at_ms) == (6, ms("1 11:04:29"))
    later = days(journal(("1 10:55:30", "alarm", "A"), ("1 11:05:30", "alarm", "B")))
    assert later.peak_ten_minutes.count == 1


@pytest.mark.parametrize(("count", "floods"), [(10, 0), (11, 1)])
def test_a_flood_begins_with_more_than_ten_in_ten_minutes(count: int, floods: int) -> None:
    assert len(days(burst(journal(), "1 10:00:00", count)).floods) == floods


def test_a_flood_ends_when_fewer_than_five_are_left_in_the_window() -> None:
    (flood,) = days(burst(journal(), "1 10:00:00", 11, every_s=10)).floods
    # The eleventh begins it; when the seventh leaves the window four are left.
    assert flood.span == (ms("1 10:01:40"), ms("1 10:11:00"))
    assert (flood.count, flood.peak, flood.first) == (11, 11, "A")


def test_a_flood_across_the_border_of_the_period_is_found_whole_and_its_time_is_cut() -> None:
    written = burst(journal(), "1 23:58:30", 11, every_s=10)
    assert [one.at_ms for one in days(written, 2, 2).annunciations] == [ms("2 00:00:00"), ms("2 00:00:10")]
    before, after = days(written, 1, 1), days(written, 2, 2)
    assert before.floods == ()  # it begins with the eleventh, ten seconds after midnight
    assert [flood.span for flood in after.floods] == [(ms("2 00:00:10"), ms("2 00:09:30"))]
    assert after.floods[0].count == 11
    earlier = burst(journal(), "1 23:55:00", 11, every_s=10)
    first, second = days(earlier, 1, 1), days(earlier, 2, 2)
    assert first.floods == second.floods
    assert (first.flood_ms, second.flood_ms) == (200_000, 360_000)
    assert second.annunciations == ()


def test_time_in_flood_is_counted_while_the_gateway_runs() -> None:
    written = burst(journal(), "1 10:00:00", 11, every_s=1)
    written.line(ms("1 10:05:00"), "stop").start(ms("1 10:08:00"))
    found = days(written)
    assert found.floods[0].span == (ms("1 10:00:10"), ms("1 10:10:06"))
    assert found.flood_ms == (ms("1 10:05:00") - ms("1 10:00:10")) + (ms("1 10:10:06") - ms("1 10:08:00"))


# --- bad actors ---------------------------------------------------------------------------------------------------


def test_the_most_frequent_stand_first_and_equals_by_name() -> None:
    found = days(
        journal(
            ("1 10:00:00", "alarm", "C"),
            ("1 12:00:00", "alarm", "B"),
            ("1 14:00:00", "alarm", "C"),
            ("1 16:00:00", "alarm", "A"),
        )
    )
    assert [(one.alarm, one.priority, one.count) for one in found.top] == [
        ("C", "P3", 2),
        ("A", "P1", 1),
        ("B", "P2", 1),
    ]
    assert found.share(found.top[0].count) == 0.5


@pytest.mark.parametrize(
    ("seconds", "episodes", "count"),
    [
        ([0, 30, 59], 1, 3),
        ([0, 30, 60], 0, 0),  # the first has just left the window
        ([0, 10], 0, 0),
        ([0, 10, 20, 75, 130], 1, 5),  # goes on as long as the window is never empty
        ([0, 10, 20, 81, 141, 151, 161], 2, 6),
    ],
)
def test_three_within_a_minute_are_chattering(seconds: list[int], episodes: int, count: int) -> None:
    written = journal()
    for second in seconds:
        written.line(ms("1 10:00:00") + second * 1_000, "alarm", "A")
    found = days(written).chattering
    if not episodes:
        assert found == ()
        return
    assert [(one.alarm, one.episodes, one.count) for one in found] == [("A", episodes, count)]


def test_two_alarms_do_not_chatter_together() -> None:
    found = days(journal(("1 10:00:00", "alarm", "A"), ("1 10:00:10", "alarm", "B"), ("1 10:00:20", "alarm", "A")))
    assert found.chattering == ()


@pytest.mark.parametrize(
    ("lines", "fleeting"),
    [
        pytest.param([("1 10:01:00", "return_to_normal", "A")], 1, id="back after a minute"),
        pytest.param([("1 10:01:01", "return_to_normal", "A")], 0, id="later"),
        pytest.param(
            [("1 10:00:20", "acknowledged", "A"), ("1 10:00:30", "return_to_normal", "A")], 0, id="somebody acted"
        ),
        pytest.param(
            [("1 10:00:30", "return_to_normal", "A"), ("1 10:00:40", "acknowledged", "A")], 1, id="acted afterwards"
        ),
        pytest.param([("1 10:00:20", "shelved", "A")], 0, id="shelved"),
        pytest.param([], 0, id="still there"),
    ],
)
def test_fleeting_is_back_within_a_minute_before_anybody_acted(
    lines: list[tuple[str, str, str]], fleeting: int
) -> None:
    found = days(journal(("1 10:00:00", "alarm", "A"), *lines))
    assert sum(one.count for one in found.fleeting) == fleeting


def test_an_alarm_stands_after_a_day_until_it_returns() -> None:
    found = days(journal(("1 10:00:00", "alarm", "A"), ("3 09:00:00", "return_to_normal", "A")), 1, 4)
    assert [day.standing for day in found.days] == [0, 1, 1, 0]
    assert [(one.alarm, one.span, one.open) for one in found.standing] == [
        ("A", (ms("1 10:00:00"), ms("3 09:00:00")), False)
    ]


@pytest.mark.parametrize(
    "lines",
    [
        pytest.param([("1 20:00:00", "acknowledged", "A")], id="acknowledged"),
        pytest.param([("1 20:00:00", "acknowledged", "A"), ("2 04:00:00", "alarm", "A")], id="called again meanwhile"),
        pytest.param([("1 20:00:00", "stop", ""), ("1 21:00:00", "start", "")], id="over a restart"),
    ],
)
def test_what_stands_goes_on_standing(lines: list[tuple[str, str, str]]) -> None:
    written = journal(("1 10:00:00", "alarm", "A"))
    for at, kind, subject in lines:
        written = written.start(ms(at)) if kind == "start" else written.line(ms(at), kind, subject)
    found = days(written, 1, 2)
    assert [one.open for one in found.standing] == [True]
    assert [day.standing for day in found.days] == [0, 1]


@pytest.mark.parametrize("kind", ["return_to_normal", "shelved", "suppressed", "out_of_service", "reset"])
def test_what_returns_or_is_hidden_or_reset_stands_no_more(kind: str) -> None:
    assert days(journal(("1 10:00:00", "alarm", "A"), ("1 20:00:00", kind, "A")), 1, 3).standing == ()


def test_what_stood_before_the_period_stands_in_it() -> None:
    found = days(journal(("1 10:00:00", "alarm", "A")), 5, 6)
    assert [day.standing for day in found.days] == [1, 1]
    assert found.annunciations == ()
    assert found.active_peak.count == 1


# --- acknowledgements ---------------------------------------------------------------------------------------------


def waits(found: Review, priority: str = "") -> tuple[list[int], int, int]:
    one = next(one for one in found.answering if one.priority == priority)
    return [wait_ms // 1_000 for wait_ms in one.waits_ms], one.waiting, one.never


def test_an_occurrence_acknowledged_after_the_period_counts_with_its_whole_time() -> None:
    written = journal(("1 23:00:00", "alarm", "A"), ("2 01:00:00", "acknowledged", "A"))
    assert waits(days(written, 1, 1)) == ([7_200], 0, 0)
    assert waits(days(written, 2, 2)) == ([], 0, 0)


def test_an_acknowledgement_belongs_to_the_occurrence_it_names() -> None:
    written = journal(
        ("1 10:00:00", "alarm", "A"), ("1 10:10:00", "return_to_normal", "A"), ("1 11:00:00", "alarm", "A")
    )
    written.line(ms("1 11:00:30"), "acknowledged", "A", occurrence=2)
    assert waits(days(written)) == ([30], 0, 1)


def test_what_was_replaced_hidden_or_forgotten_is_never_acknowledged() -> None:
    written = journal(
        ("1 10:00:00", "alarm", "A"), ("1 10:30:00", "return_to_normal", "A"), ("1 11:00:00", "alarm", "A")
    )
    written.line(ms("1 12:00:00"), "alarm", "B").line(ms("1 12:10:00"), "suppressed", "B")
    written.line(ms("1 13:00:00"), "stop").start(ms("1 13:00:10"), state="none saved")
    written.line(ms("1 14:00:00"), "alarm", "C").line(ms("1 14:05:00"), "return_to_normal", "C")
    found = days(written)
    assert waits(found) == ([], 1, 3)  # C returned and can still be acknowledged
    assert [waits(found, one.value) for one in Priority] == [([], 0, 2), ([], 0, 1), ([], 1, 0)]


def test_quantiles_are_waits_that_were_waited() -> None:
    written = journal()
    for number in range(1, 11):
        written.line(ms("1 10:00:00") + number * HOUR_MS, "alarm", "A")
        written.line(ms("1 10:00:00") + number * (HOUR_MS + MINUTE_MS), "acknowledged", "A")
    (everything, *_) = days(written).answering
    assert everything.quantile_ms(0.5) == 5 * MINUTE_MS
    assert everything.quantile_ms(0.9) == 9 * MINUTE_MS


# --- hiding -------------------------------------------------------------------------------------------------------


def test_reasons_to_hide_are_counted_apart_and_cut_at_the_period() -> None:
    written = journal(
        ("1 22:00:00", "shelved", "A"),
        ("2 02:00:00", "unshelved", "A"),
        ("2 01:00:00", "suppressed", "B"),
        ("2 05:00:00", "out_of_service", "C"),
        ("2 06:00:00", "shelve_refused", "C"),
    )
    written.line(ms("2 01:30:00"), "hidden_change", "A", reason="alarm")
    written.line(ms("2 01:40:00"), "hidden_change", "A", reason="return_to_normal")
    found = days(written, 2, 2)
    assert [(one.how, one.begun, one.alarms, one.hidden_ms // HOUR_MS, one.most) for one in found.hiding] == [
        (Hidden.SHELVED, 0, 1, 2, 1),
        (Hidden.SUPPRESSED, 1, 1, 23, 1),
        (Hidden.OUT_OF_SERVICE, 1, 1, 19, 1),
    ]
    assert [(one.alarm, one.count) for one in found.unheard] == [("A", 1)]
    assert (found.refused, len(found.annunciations)) == (1, 0)


# --- the gateway's own life ---------------------------------------------------------------------------------------


def test_rates_leave_out_time_without_a_running_gateway() -> None:
    written = Journal().start(ms("1 06:00:00")).line(ms("1 10:00:00"), "alarm", "A").line(ms("1 12:00:00"), "stop")
    written.start(ms("1 18:00:00")).line(ms("1 20:00:00"), "alarm", "A")
    found = days(written, until="1 21:00:00")
    assert found.running_ms == 9 * HOUR_MS
    assert found.rate(2, TEN_MINUTES_MS) == pytest.approx(2 / 54)
    assert [(gap.span, gap.why) for gap in found.gaps] == [
        ((ms("1 00:00:00"), ms("1 06:00:00")), "the record begins later"),
        ((ms("1 12:00:00"), ms("1 18:00:00")), "it was stopped"),
        ((ms("1 21:00:00"), ms("2 00:00:00")), "the record ends here"),
    ]


@pytest.mark.parametrize(
    ("saved", "until"),
    [
        pytest.param("1 11:00:00", "1 11:00:00", id="the next start knows how long it lived"),
        pytest.param("", "1 10:00:00", id="an old record does not: its last line is all there is"),
        pytest.param("1 19:00:00", "1 18:00:00", id="never beyond the next start"),
    ],
)
def test_a_run_that_was_cut_off_lasts_as_long_as_it_is_known_to_have_lived(saved: str, until: str) -> None:
    written = Journal().start(ms("1 00:00:00")).line(ms("1 10:00:00"), "alarm", "A")
    written.start(ms("1 18:00:00"), facts={"last_saved_utc_ms": ms(saved)} if saved else {})
    written.line(ms("1 18:30:00"), "stop")
    *cut_off, stopped = [(gap.span, gap.why) for gap in days(written).gaps]
    whole = until == "1 18:00:00"
    assert cut_off == ([] if whole else [((ms(until), ms("1 18:00:00")), "it ended without a stop")])
    assert stopped == ((ms("1 18:30:00"), ms("2 00:00:00")), "it was stopped")


def test_a_restart_in_the_middle_keeps_what_was_open() -> None:
    written = journal(("1 10:00:00", "alarm", "A"), ("1 10:10:00", "stop", "")).start(ms("1 10:20:00"))
    written.line(ms("1 10:30:00"), "acknowledged", "A").line(ms("1 10:40:00"), "return_to_normal", "A")
    assert waits(days(written)) == ([1_800], 0, 0)


def test_an_occurrence_number_that_begins_again_is_another_occurrence() -> None:
    written = journal(("1 10:00:00", "alarm", "A"))
    written.line(ms("1 10:10:00"), "stop").start(ms("1 10:20:00"), state="none saved")
    written.line(ms("1 10:30:00"), "alarm", "A", occurrence=1).line(ms("1 10:31:00"), "acknowledged", "A", occurrence=1)
    found = days(written)
    assert len(found.annunciations) == 2
    assert waits(found) == ([60], 0, 1)


def test_an_alarm_that_a_new_configuration_has_dropped_is_open_no_more() -> None:
    written = journal(("1 10:00:00", "alarm", "GONE"), ("1 10:00:00", "alarm", "A"), ("1 11:00:00", "stop", ""))
    written.start(ms("1 11:00:10"), configuration="two")
    found = days(written, 1, 3)
    assert [one.alarm for one in found.standing] == ["A"]
    assert (found.configurations, found.changed_keys) == (1, 0)
    written.line(ms("1 11:00:10"), "limit_change", "alarms.A.condition.limit")
    assert days(written, 1, 3).changed_keys == 1
    assert days(written, 2, 3).changed_keys == days(written, 2, 3).configurations == 0


def test_a_step_of_the_wall_clock_makes_no_flood_and_hides_none() -> None:
    spread = Journal().start(ms("1 09:00:00"))
    for number in range(6):
        spread.line(ms("1 10:00:00") + number * 1_000, "alarm", "A")
    spread.clock_step(ms("1 10:30:00"), by_ms=-1_795_000)  # until then it was half an hour ahead
    for number in range(6):
        spread.line(ms("1 10:30:10") + number * 1_000, "alarm", "A")
    found = days(spread)
    stamps = [entry.utc_ms for entry in spread.entries if entry.kind == "alarm"]
    assert max(stamps) - min(stamps) < TEN_MINUTES_MS
    assert (found.floods, found.peak_ten_minutes.count, found.clock_steps) == ((), 6, 1)
    assert found.annunciations[0].at_ms == ms("1 10:00:00")


def test_a_run_whose_clock_was_never_trusted_is_told() -> None:
    written = Journal().start(ms("1 09:00:00"))
    written.entries.clear()
    written.line(ms("1 10:00:00"), "alarm", "A", trusted=False)
    assert days(written).untrusted_runs == (1,)
    assert days(written.line(ms("1 10:00:10"), "alarm", "A")).untrusted_runs == ()


def test_lines_that_are_gone_and_records_set_aside_are_told() -> None:
    written = journal(("1 10:00:00", "alarm", "A"), ("1 10:01:00", "alarm", "B"), ("1 10:02:00", "alarm", "C"))
    written.line(ms("1 10:03:00"), "store_replaced", facts={"set_aside": "plant.db.damaged"})
    del written.entries[2]
    found = days(written)
    assert (found.missing, found.replaced) == (((3, 3),), ("plant.db.damaged",))


# --- targets ------------------------------------------------------------------------------------------------------


def test_the_split_of_priorities_is_that_of_annunciations() -> None:
    written = journal()
    for number, name in enumerate(["A"] + ["B"] * 3 + ["C"] * 16):
        written.line(ms("1 00:30:00") + number * HOUR_MS, "alarm", name)
    found = days(written)
    assert [found.share(found.priorities[one.value]) for one in Priority] == [0.05, 0.15, 0.8]
    assert [met(found, f"share_{one.value.lower()}") for one in Priority] == [Met.YES] * 3
    worse = days(written.line(ms("1 21:00:00"), "alarm", "A"))
    assert [met(worse, f"share_{one.value.lower()}") for one in Priority] == [Met.NO, Met.YES, Met.NO]
    assert found.declared == {"P1": 1, "P2": 1, "P3": 1}
    assert days(written, reviewed=site(alarms=[rule("A", Priority.P2)])).declared == {"P2": 1}


@pytest.mark.parametrize(("count", "expected"), [(144, Met.YES), (145, Met.NO)])
def test_one_in_ten_minutes_is_the_most(count: int, expected: Met) -> None:
    """HSE CHIS6 and EEMUA 191: at most one in ten minutes, on average; a day has 144 of them."""
    assert met(days(burst(journal(), "1 00:00:00", count, every_s=500)), "per_10_min_mean") is expected


@pytest.mark.parametrize(
    ("rate", "word"),
    [(0.9, "acceptable"), (2, "manageable"), (5, "over-demanding"), (10, "over-demanding"), (10.1, "unacceptable")],
)
def test_the_steady_state_has_the_words_of_eemua_191(rate: float, word: str) -> None:
    """1 in 10 min acceptable, 1 in 5 min manageable, 1 in 2 min over-demanding, over 1 a minute unacceptable."""
    assert steady_state(rate) == word


@pytest.mark.parametrize(("count", "word"), [(9, "manageable"), (20, "hard"), (101, "excessive")])
def test_an_upset_has_the_words_of_eemua_191(count: int, word: str) -> None:
    """Below 10 manageable, 20 to 100 hard, over 100 excessive, in the first ten minutes."""
    assert upset(count) == word


def test_standing_is_below_five_on_any_day() -> None:
    written = journal()
    for number in range(5):
        written.line(ms("1 10:00:00") + number * HOUR_MS, "alarm", f"S{number}")
    assert met(days(written, 1, 2), "standing") is Met.NO
    assert met(days(written.line(ms("1 20:00:00"), "return_to_normal", "S0"), 1, 2), "standing") is Met.YES


def test_the_review_is_of_the_days_asked_for() -> None:
    found = review(site(), [], first=date(2025, 2, 1), last=date(2025, 2, 28), until_utc_ms=0)
    assert found.period == (ms("1 00:00:00"), ms("29 00:00:00"))
    assert len(found.days) == 28
