"""What holds of a review whatever the journal."""

from dataclasses import fields
from datetime import UTC

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from gateway.core.outcome import EventKind
from gateway.reports.alarm_review import DAY_MS, Review
from gateway.reports.review_csv import as_csv
from gateway.reports.review_html import as_html
from gateway.reports.review_text import as_text
from gateway.reports.rolling import between, levels, peak, steps
from gateway.reports.spans import common, length_ms, united, without
from tests.reports.journals import Journal, days, ms, site

KINDS = [
    EventKind.ALARM,
    EventKind.ALARM,
    EventKind.ALARM,
    EventKind.RTN,
    EventKind.ACK,
    EventKind.RESET,
    EventKind.SHELVE,
    EventKind.UNSHELVE,
    EventKind.SUPPRESS,
    EventKind.UNSUPPRESS,
    EventKind.OUT_OF_SERVICE,
    EventKind.IN_SERVICE,
    EventKind.HIDDEN_CHANGE,
    EventKind.STOP,
    EventKind.START,
]
SPANS = st.lists(st.tuples(st.integers(0, 100), st.integers(0, 100)), max_size=8).map(united)


@st.composite
def journals(draw: st.DrawFn) -> Journal:
    """Any lines, close together or far apart; starts with and without the saved state."""
    at_ms = ms("1 00:00:00") + draw(st.integers(0, DAY_MS))
    written = Journal().start(at_ms)
    for _ in range(draw(st.integers(0, 60))):
        at_ms += draw(st.sampled_from([0, 1_000, 20_000, 60_000, 600_000])) + draw(st.integers(0, 3_000_000))
        kind = draw(st.sampled_from(KINDS))
        if kind is EventKind.START:
            written.start(at_ms, state=draw(st.sampled_from(["resumed", "none saved"])))
        else:
            subject = draw(st.sampled_from("ABCDE"))
            written.line(at_ms, kind.value, subject, reason=draw(st.sampled_from(["", "alarm"])))
    return written


def bare(found: Review) -> dict[str, object]:
    """Everything but the site, which is compared by identity of its rules."""
    return {one.name: getattr(found, one.name) for one in fields(found) if one.name != "site"}


@given(journals(), st.integers(1, 4), st.integers(0, 3))
def test_parts_make_the_whole(written: Journal, first: int, more: int) -> None:
    found = days(written, first, first + more)
    count = len(found.annunciations)
    assert sum(day.annunciations for day in found.days) == sum(found.hours_of_day) == count
    assert sum(found.priorities.values()) == sum(one.count for one in found.top) == count  # only five alarms
    everything, *each = found.answering
    assert everything.count == sum(one.count for one in each) == count
    for one in found.answering:
        assert len(one.waits_ms) + one.waiting + one.never == one.count
        assert min(one.waiting, one.never) >= 0
    gone_ms = sum(gap.span[1] - gap.span[0] for gap in found.gaps)
    assert found.running_ms + gone_ms == found.period[1] - found.period[0]
    assert sum(day.running_ms for day in found.days) == found.running_ms
    assert sum(day.flood_ms for day in found.days) == found.flood_ms <= found.running_ms


@given(journals())
def test_a_longer_window_never_holds_less(written: Journal) -> None:
    found = days(written, 1, 4)
    assert found.peak_minute.count <= found.peak_ten_minutes.count <= found.peak_hour.count
    assert (found.peak_ten_minutes.count > 10) == bool(found.floods)
    assert found.busy_ten_minutes_ms <= found.flood_ms


@given(journals(), st.integers(1, 3))
def test_a_period_and_the_next_are_together_what_both_are_at_once(written: Journal, split: int) -> None:
    before, after, both = days(written, 1, split), days(written, split + 1, 4), days(written, 1, 4)
    assert before.annunciations + after.annunciations == both.annunciations
    assert before.flood_ms + after.flood_ms == both.flood_ms
    assert before.days + after.days == both.days
    assert max(before.peak_hour.count, after.peak_hour.count) == both.peak_hour.count


@given(journals(), st.integers(1, 5_000))
def test_a_wall_clock_that_was_wrong_and_is_set_changes_nothing(written: Journal, wrong_s: int) -> None:
    """Each run is dated by the clock as it was last trusted."""
    last_of_run = {entry.run: entry.n for entry in written.entries}
    stepped = Journal()
    stepped.entries = [
        entry if entry.n == last_of_run[entry.run] else replace(entry, utc_ms=entry.utc_ms - wrong_s * 1_000)
        for entry in written.entries
    ]
    assert bare(days(stepped, 1, 4)) == bare(days(written, 1, 4))


@given(journals())
def test_answers_and_returns_are_no_annunciations(written: Journal) -> None:
    kept = Journal()
    kept.entries = [one for one in written.entries if one.kind not in {"acknowledged", "return_to_normal"}]
    found, without_them = days(written, 1, 4), days(kept, 1, 4)
    assert found.floods == without_them.floods
    assert found.chattering == without_them.chattering
    assert found.top == without_them.top


@settings(max_examples=30)
@given(journals(), st.integers(1, 4))
def test_every_form_can_be_written(written: Journal, last: int) -> None:
    found = days(written, 1, last, reviewed=site(UTC))
    assert as_text(found).startswith("Alarm review of The <Plant>")
    assert as_csv(found).startswith("table,row,name,value")
    assert as_html(found).endswith("</html>\n")


# --- what they are made of ----------------------------------------------------------------------------------------


@given(SPANS, SPANS)
def test_spans_are_sets_of_instants(some: list[tuple[int, int]], others: list[tuple[int, int]]) -> None:
    def instants(spans: list[tuple[int, int]]) -> set[int]:
        return {at for begin, end in spans for at in range(begin, end)}

    assert instants(common(some, others)) == instants(some) & instants(others)
    assert instants(without((10, 90), some)) == set(range(10, 90)) - instants(some)
    assert length_ms(some) == len(instants(some))


@given(st.lists(st.integers(0, 60), max_size=20).map(sorted), st.integers(1, 20))
def test_a_window_holds_what_lies_in_it(times: list[int], window: int) -> None:
    found = levels(times, window)
    held = {at: count for (begin, end), count in steps(found, (0, 100)) for at in range(begin, end)}
    for at in range(100):
        assert held.get(at, 0) == sum(at - window < time <= at for time in times)
    assert peak(found, (0, 100)).count == max(held.values(), default=0)


@given(st.lists(st.integers(0, 60), max_size=30).map(sorted), st.integers(1, 20))
def test_a_flood_begins_above_one_figure_and_ends_below_another(times: list[int], window: int) -> None:
    found = levels(times, window)
    in_it, told = False, []
    for at in range(100):
        count = sum(at - window < time <= at for time in times)
        in_it = count > 4 or (in_it and count >= 2)
        told.append(in_it)
    spans = between(found, above=4, below=2)
    assert told == [any(begin <= at < end for begin, end in spans) for at in range(100)]
