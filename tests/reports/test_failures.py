"""Failures that raised an alarm: when one begins and ends, what people entered, and which are still open."""

import csv
from datetime import datetime
from io import StringIO
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.core.outcome import EventKind
from gateway.core.request import Action
from gateway.local.messages import JournalEntry
from gateway.reports.failures import HEAD, Failure, failures, failures_csv, failures_text
from tests.reports.journaled import Journaled

CET = ZoneInfo("CET")
SAYS = {"TURB-HIGH": "filter water cloudy"}


def cloudy(bench: Journaled, seconds: int = 10) -> None:
    """Long enough for TURB-HIGH, whose on-delay is 5 s, and not for an interlock."""
    bench.read(TURB=6.0)
    bench.run(seconds)
    bench.read(TURB=0.5)
    bench.run(2)


def of(bench: Journaled, alarm: str = "TURB-HIGH") -> list[Failure]:
    return [one for one in failures(bench.entries) if one.alarm == alarm]


def test_a_failure_lasts_from_its_onset_until_the_alarm_returns() -> None:
    bench = Journaled()
    began_ms = bench.utc_ms
    cloudy(bench)
    (failure,) = of(bench)
    assert (failure.occurrence, failure.priority) == (1, "P3")
    assert failure.onset_utc_ms == began_ms + 1_000
    assert failure.alarmed_utc_ms == began_ms + 6_000
    assert failure.returned_utc_ms == began_ms + 11_000
    assert failure.open


def test_each_time_it_comes_back_is_a_failure_of_its_own_and_each_is_explained_by_its_number() -> None:
    bench = Journaled()
    cloudy(bench)
    cloudy(bench)
    assert bench.ask(Action.EXPLAIN, "TURB-HIGH", occurrence=1, cause="backwash late").granted
    assert bench.ask(Action.EXPLAIN, "TURB-HIGH", cause="lamp", corrective_action="changed").granted
    first, second = of(bench)
    assert ([one.text for one in first.causes], first.actions, first.open) == (["backwash late"], [], True)
    assert ([one.text for one in second.causes], [one.text for one in second.actions]) == (["lamp"], ["changed"])
    assert not second.open


def test_a_later_entry_stands_beside_the_earlier_one_with_who_and_when() -> None:
    bench = Journaled()
    cloudy(bench)
    bench.ask(Action.EXPLAIN, "TURB-HIGH", cause="not known yet")
    bench.run(60)
    bench.ask(Action.EXPLAIN, "TURB-HIGH", cause="the lamp", person="DUTY-MGR", role="DUTY-MGR")
    (failure,) = of(bench)
    assert [(one.text, one.person) for one in failure.causes] == [
        ("not known yet", "VISITOR-OP"),
        ("the lamp", "DUTY-MGR"),
    ]
    assert failure.causes[1].utc_ms == bench.utc_ms


def test_a_refused_explanation_enters_nothing() -> None:
    bench = Journaled()
    cloudy(bench)
    assert not bench.ask(Action.EXPLAIN, "TURB-HIGH", occurrence=9, cause="the lamp").granted
    (failure,) = of(bench)
    assert failure.causes == []


def test_a_failure_that_is_hidden_meanwhile_and_sounds_again_is_one_failure() -> None:
    bench = Journaled()
    bench.read(TURB=6.0)
    bench.run(10)
    bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=20_000)
    bench.run(30)
    assert len(bench.found(EventKind.ALARM, "TURB-HIGH")) == 2
    assert bench.ask(Action.EXPLAIN, "TURB-HIGH", occurrence=2, cause="said of its second sound").granted
    (failure,) = of(bench)
    assert (failure.occurrence, failure.returned_utc_ms) == (1, None)
    assert [one.text for one in failure.causes] == ["said of its second sound"]


def test_a_failure_that_ends_while_it_is_hidden_has_ended() -> None:
    bench = Journaled()
    bench.read(TURB=6.0)
    bench.run(10)
    bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=600_000)
    bench.read(TURB=0.5)
    bench.run(3)
    (failure,) = of(bench)
    assert failure.returned_utc_ms == bench.utc_ms - 2_000


def test_a_latch_that_sounds_again_after_the_cause_is_gone_is_no_new_failure() -> None:
    bench = Journaled()
    bench.silent.add("TURB")
    bench.run(30)
    bench.silent.clear()
    bench.run(5)
    bench.ask(Action.SHELVE, "TURB-BAD", duration_ms=5_000)
    bench.run(10)
    assert len(bench.found(EventKind.ALARM, "TURB-BAD")) == 2
    (failure,) = of(bench, "TURB-BAD")
    assert failure.returned_utc_ms is not None


def test_numbers_that_begin_again_belong_to_the_newest_failure_that_bears_them() -> None:
    bench = Journaled()
    cloudy(bench)
    lost = [msgspec.structs.replace(one, utc_ms=one.utc_ms + 86_400_000) for one in bench.entries]
    bench.ask(Action.EXPLAIN, "TURB-HIGH", occurrence=1, cause="the lamp")
    first, second = failures([*bench.entries[: len(lost)], *lost, bench.entries[-1]])
    assert (first.causes, [one.text for one in second.causes]) == ([], ["the lamp"])


lines = st.lists(
    st.tuples(
        st.sampled_from(["alarm", "return_to_normal", "explained", "hidden_change", "acknowledged", "trip"]),
        st.sampled_from(["A", "B"]),
        st.integers(0, 3),
        st.sampled_from([{}, {"cause": "x"}, {"corrective_action": "y"}, {"cause": "x", "corrective_action": "y"}]),
    ),
    max_size=40,
)


@given(lines)
@settings(deadline=None)
def test_whatever_a_journal_says_later_lines_only_add(told: list[tuple[str, str, int, dict[str, str]]]) -> None:
    entries = [
        JournalEntry(
            n=n, run=1, scan=n, monotonic_ms=n, utc_ms=n, utc_trusted=True, kind=kind, subject=alarm,
            occurrence=occurrence, reason="return_to_normal" if kind == "hidden_change" else "", facts=dict(facts),
        )
        for n, (kind, alarm, occurrence, facts) in enumerate(told, 1)
    ]  # fmt: skip
    before: list[Failure] = []
    for upto in range(len(entries) + 1):
        found = failures(entries[:upto])
        assert len(found) >= len(before)
        for old, new in zip(before, found, strict=False):
            assert (new.alarm, new.occurrence, new.alarmed_utc_ms) == (old.alarm, old.occurrence, old.alarmed_utc_ms)
            assert new.causes[: len(old.causes)] == old.causes
            assert new.actions[: len(old.actions)] == old.actions
            assert old.returned_utc_ms in (None, new.returned_utc_ms)
            assert old.open or not new.open
        before = found


# --- as text and as CSV -------------------------------------------------------------------------------------------


def explained() -> Journaled:
    bench = Journaled()
    cloudy(bench)
    bench.ask(Action.EXPLAIN, "TURB-HIGH", cause='a "fouled" lamp, again', corrective_action="wiped; to be changed")
    bench.read(TURB=6.0)
    bench.run(10)
    return bench


def test_the_text_says_what_is_missing_and_how_many_are_open() -> None:
    text = failures_text(of(explained()), SAYS, CET)
    assert "TURB-HIGH #1 P3: filter water cloudy\n" in text
    assert 'cause: a "fouled" lamp, again (VISITOR-OP, ' in text
    assert "OPEN TURB-HIGH #2 P3: filter water cloudy\n" in text
    assert "has not returned\n    cause: not entered yet\n    corrective action: not entered yet\n" in text
    assert text.endswith("2 failures, 1 of them open\n")


def test_without_a_failure_the_text_says_so() -> None:
    assert failures_text([], SAYS, CET) == "No failure to tell of.\n"


def test_the_csv_has_a_line_for_each_failure_that_reads_back() -> None:
    found = of(explained())
    head, closed, still = csv.reader(StringIO(failures_csv(found, SAYS, CET)))
    assert tuple(head) == HEAD
    row = dict(zip(head, closed, strict=True))
    assert (row["alarm"], row["occurrence"], row["says"], row["open"]) == (
        "TURB-HIGH",
        "1",
        "filter water cloudy",
        "no",
    )
    assert (row["cause"], row["corrective_action"]) == ('a "fouled" lamp, again', "wiped; to be changed")
    assert datetime.fromisoformat(row["onset"]).timestamp() * 1_000 == found[0].onset_utc_ms
    assert dict(zip(head, still, strict=True))["open"] == "yes"
    assert dict(zip(head, still, strict=True))["returned"] == ""


@pytest.mark.parametrize("says", [{}, {"OTHER": "x"}])
def test_an_alarm_that_is_not_declared_any_more_has_no_words(says: dict[str, str]) -> None:
    bench = Journaled()
    cloudy(bench)
    assert failures_text(of(bench), says, CET).startswith("OPEN TURB-HIGH #1 P3\n")
