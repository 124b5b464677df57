"""A review as text, as CSV and as a page."""

import csv
from datetime import datetime
from html.parser import HTMLParser
from io import StringIO
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import pytest

from gateway.core.alarm import Priority
from gateway.reports.alarm_review import Review
from gateway.reports.review_csv import HEAD, as_csv
from gateway.reports.review_html import as_html
from gateway.reports.review_text import as_text
from gateway.reports.svg import Mark, Tick, columns, ranked
from gateway.reports.targets import Form, Met, figures
from gateway.reports.wording import lasting, notes, shown
from tests.reports.journals import Journal, days, journal, ms, rule, site

CET = ZoneInfo("CET")
VOID = {"meta"}


@pytest.fixture
def found() -> Review:
    """Two days with something in every table."""
    written = journal(("1 01:00:00", "alarm", "B"), ("1 02:00:00", "shelved", "C"), ("1 03:00:00", "unshelved", "C"))
    written.line(ms("1 02:30:00"), "hidden_change", "C", reason="alarm")
    for number in range(12):
        written.line(ms("1 10:00:00") + number * 10_000, "alarm", "A")
        written.line(ms("1 10:00:05") + number * 10_000, "return_to_normal", "A")
    written.line(ms("1 10:05:00"), "acknowledged", "A")
    written.line(ms("1 12:00:00"), "stop").start(ms("1 18:00:00"))
    alarms = [rule("A", Priority.P1, "filter <water> & more"), rule("B", Priority.P2)]
    return days(written, 1, 2, reviewed=site(CET, alarms))


# --- text ---------------------------------------------------------------------------------------------------------


def test_the_text_says_figures_targets_sources_and_what_to_do_with_them(found: Review) -> None:
    text = as_text(found)
    for part in (
        "Alarm review of The <Plant> (plant), 2025-02-01 to 2025-02-02 (CET)",
        "The gateway ran 1 d 17 h of 2 d. Figures over less than 30 days say little",
        "at most 1 (HSE CHIS6 / EEMUA 191)",
        "2025-02-01 11:01:40  2025-02-01 11:11:10",  # the flood, in local time
        "Fleeting alarms:",
        "filter <water> & more",
        "it was stopped",
        "calls marked as not useful",
        "Supervisory only",
        "local codes",
    ):
        assert part in text
    assert not [line for line in text.splitlines() if line != line.rstrip()]


def test_an_empty_period_says_why_and_shows_no_figure_that_is_none() -> None:
    text = as_text(days(Journal(), until=""))
    assert "there is nothing to review" in text
    assert "there is no record" in text
    assert "cannot be told" in text
    assert "None" not in text
    assert "nan" not in text


@pytest.mark.parametrize(
    ("span_ms", "words"),
    [(0, "0 s"), (999, "1 s"), (59_400, "59 s"), (60_000, "1 min"), (3_661_000, "1 h 1 min"), (90_000_000, "1 d 1 h")],
)
def test_a_duration_has_the_two_units_that_matter(span_ms: int, words: str) -> None:
    assert lasting(span_ms) == words


@pytest.mark.parametrize(
    ("form", "value", "words"),
    [
        (Form.PART, 0.0, "0.0%"),
        (Form.PART, 0.0123, "1.23%"),
        (Form.PART, 0.5, "50.0%"),
        (Form.PART, 1.0, "100.0%"),
        (Form.RATE, 0.14321, "0.143"),
        (Form.RATE, 0.0, "0"),
        (Form.COUNT, 1234, "1234"),
        (Form.COUNT, None, "-"),
        (Form.MOMENT, 0, "1970-01-01 01:00:00"),
    ],
)
def test_a_value_is_shown_as_its_form_wants(form: Form, value: float | None, words: str) -> None:
    assert shown(form, value, CET) == words


# --- CSV ----------------------------------------------------------------------------------------------------------


def test_csv_has_one_value_a_line_and_the_very_figures(found: Review) -> None:
    head, *lines = csv.reader(StringIO(as_csv(found)))
    assert tuple(head) == HEAD
    assert {len(line) for line in lines} == {len(HEAD)}
    told = {row: (value, unit, met) for table, row, _, value, unit, _, _, met in lines if table == "figures"}
    for one in figures(found):
        value, _, met = told[one.key]
        scale = 1_000 if one.form is Form.DURATION else 1
        assert (float(value) if value else None) == (None if one.value is None else one.value / scale)
        assert met == one.met.value
    assert told["time_in_flood"][1:] == ("of 1", "met") or told["time_in_flood"][1:] == ("of 1", "not met")


def test_instants_in_csv_bear_the_offset_of_the_site(found: Review) -> None:
    lines = list(csv.reader(StringIO(as_csv(found))))
    (begin,) = [value for table, _, name, value, *_ in lines if (table, name) == ("floods", "begin")]
    assert datetime.fromisoformat(begin).timestamp() * 1_000 == found.floods[0].span[0]
    assert begin == "2025-02-01T11:01:40+01:00"


def test_every_table_and_note_is_in_the_csv(found: Review) -> None:
    lines = list(csv.reader(StringIO(as_csv(found))))
    assert [value for table, _, _, value, *_ in lines if table == "notes"] == list(notes(found))
    assert {table for table, *_ in lines} >= {"review", "gaps", "floods", "top", "chattering", "fleeting", "priorities"}
    assert len([1 for table, *_ in lines if table == "hours"]) == 48


# --- the page -----------------------------------------------------------------------------------------------------


class Page(HTMLParser):
    """Tags, attributes and text of a page; refuses what is not closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_page_is_whole_and_needs_nothing_beside_it(found: Review) -> None:
    text = as_html(found)
    page = Page(text)
    assert not {"script", "img", "link", "iframe", "object"} & set(page.tags)
    assert not {"src", "href", "onload", "onclick"} & {name for name, _ in page.attributes}
    assert "url(" not in text
    assert "@import" not in text
    assert page.tags.count("svg") == 4
    assert "@media print" in text


def test_what_a_site_says_is_text_on_the_page_and_never_markup(found: Review) -> None:
    text = as_html(found)
    assert "<Plant>" not in text
    assert "<water>" not in text
    assert "filter <water> & more" in "".join(Page(text).words)


def test_the_page_says_everything_that_the_text_says(found: Review) -> None:
    words = " ".join(Page(as_html(found)).words)
    for one in figures(found):
        assert one.what in words
        assert one.target_text in words
        assert one.source in words
    for note in notes(found):
        assert note in words
    assert Met.NO.value in words


def test_floods_and_gaps_are_marked_on_the_plot(found: Review) -> None:
    text = as_html(found)
    assert text.count('<rect class="flood"') == 1
    assert text.count('<rect class="gap"') == 2  # the record begins an hour after the local midnight
    assert '<line class="limit"' in text


def test_a_page_of_nothing_can_be_written() -> None:
    assert Page(as_html(days(Journal(), 1, 28, until=""))).tags.count("svg") == 3


def test_columns_are_as_high_as_their_values() -> None:
    plot = ET.fromstring(columns("Title & more", [0, 5, 10], [Tick(at=0.5, text="<1>")], limit=8))  # noqa: S314 - ours
    heights = [float(one.attrib["height"]) for one in plot.iter("rect") if one.attrib["class"] == "bar"]
    assert heights[1] == pytest.approx(2 * heights[0])
    assert plot.attrib["aria-label"] == "Title & more"
    assert [one.text for one in plot.iter("text")] == ["0", "5", "10", "<1>"]


@pytest.mark.parametrize(("most", "top"), [(0, "1"), (1, "1"), (3, "3"), (11, "12"), (99, "100"), (1_201, "1600")])
def test_the_axis_ends_at_a_round_number(most: int, top: str) -> None:
    plot = ET.fromstring(columns("", [most], []))  # noqa: S314 - ours
    assert [one.text for one in plot.iter("text")][-1] == top


def test_a_mark_is_seen_however_short() -> None:
    plot = ET.fromstring(columns("", [1], [], marks=[Mark(begin=0.5, end=0.500_001, kind="flood")]))  # noqa: S314 - ours
    (mark,) = [one for one in plot.iter("rect") if one.attrib["class"] == "flood"]
    assert float(mark.attrib["width"]) >= 1


def test_ranked_bars_are_as_long_as_their_values() -> None:
    plot = ET.fromstring(ranked("", [("A&B", 10, "10"), ("C", 5, "5")]))  # noqa: S314 - ours
    widths = [float(one.attrib["width"]) for one in plot.iter("rect")]
    assert widths[0] == pytest.approx(2 * widths[1])
