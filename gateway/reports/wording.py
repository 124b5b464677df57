"""A review as words: figures as text, its tables, and its notes. What every way to write it shares. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from gateway.core.alarm import Priority
from gateway.reports.alarm_review import TEN_MINUTES_MS, Counted, Review
from gateway.reports.spans import Span
from gateway.reports.targets import MEDIAN, NINE_OF_TEN, SAYS_LITTLE_BELOW_MS, Form, steady_state, upset

SUPERVISORY = (
    "Supervisory only: this review judges the alarms, not the water. Hard-wired and local protection stays; "
    "local codes, the permit and licensed practice decide."
)
_NOT_CHECKED = (
    "Targets are as quoted in trade literature or from memory; none was checked against the text of the standard."
)
_LEFT_OUT = (
    "Not in these figures, because the record does not hold it: calls marked as not useful, and whether and when "
    "a message was received. Each P1 and P2 is counted as the message that it asks for."
)
_DAY_S = 86_400
_TENTH = 0.1  # a smaller part is shown with one more digit

Value = str | float | None
Cell = tuple[Form, Value]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table.

    Args:
        key: its name for machines.
        title: in words.
        columns: heads; the first names the row.
        rows: cells, each a value and how to read it.
        empty: what to say when there is no row.
    """

    key: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    empty: str


def moment(at_ms: float, zone: tzinfo) -> str:
    """An instant in site time, to the second."""
    return datetime.fromtimestamp(at_ms / 1_000, UTC).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")


def day_name(at_ms: int, zone: tzinfo) -> str:
    """The local day of an instant."""
    return datetime.fromtimestamp(at_ms / 1_000, UTC).astimezone(zone).strftime("%Y-%m-%d")


def period_text(found: Review) -> str:
    """First and last day, both within."""
    zone = found.site.zone
    return f"{day_name(found.period[0], zone)} to {day_name(found.period[1] - 1, zone)} ({zone})"


def running_text(found: Review) -> str:
    """How much of the period there is a record of."""
    whole_ms = found.period[1] - found.period[0]
    return f"{lasting(found.running_ms)} of {lasting(whole_ms)}"


def lasting(span_ms: float) -> str:
    """A duration in the two units that matter."""
    seconds = round(span_ms / 1_000)
    days, rest = divmod(seconds, _DAY_S)
    hours, rest = divmod(rest, 3_600)
    minutes, seconds = divmod(rest, 60)
    parts = [(days, "d"), (hours, "h"), (minutes, "min"), (seconds, "s")]
    first = next((place for place, (count, _) in enumerate(parts) if count), 3)
    return " ".join(f"{count} {unit}" for count, unit in parts[first : first + 2] if count) or "0 s"


def columns(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Lines of a table for a terminal, each column as wide as its longest cell."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()


def shown(form: Form, value: Value, zone: tzinfo) -> str:
    """A value for a reader; a dash where there is none."""
    if value is None or isinstance(value, str):
        return "-" if value is None else value
    if form is Form.MOMENT:
        return moment(value, zone)
    if form is Form.PART:
        return f"{value:.1%}" if value in (0, 1) or value >= _TENTH else f"{value:.2%}"
    if form is Form.DURATION:
        return lasting(value)
    return f"{value:d}" if isinstance(value, int) else f"{value:.3g}"


def tables(found: Review) -> tuple[Table, ...]:
    """Every table, in the order in which to read them."""
    return (
        _gaps(found),
        _floods(found),
        _top(found),
        _chattering(found),
        _counted(found.fleeting, found, "fleeting", "Fleeting alarms", "No alarm was fleeting."),
        _standing(found),
        _priorities(found),
        _answers(found),
        _hiding(found),
        _counted(found.unheard, found, "hidden", "Hidden annunciations", "Nothing would have been heard."),
        _days(found),
        _hours(found),
    )


def notes(found: Review) -> tuple[str, ...]:
    """What a reader must know beside the figures; the last says what the whole is not."""
    said = (caution(found), *_of_the_figures(found), _LEFT_OUT, *_of_the_record(found), _NOT_CHECKED, SUPERVISORY)
    return tuple(note for note in said if note)


def caution(found: Review) -> str:
    """What must be known before any figure; empty when there is nothing of the kind."""
    if not found.running_ms:
        return "The gateway is not known to have run in this period: there is nothing to review."
    if found.running_ms < SAYS_LITTLE_BELOW_MS:
        return f"Figures over less than 30 days say little; these are over {lasting(found.running_ms)}."
    return ""


def _of_the_figures(found: Review) -> Iterator[str]:
    if found.gaps:
        yield "Rates are per time in which the gateway ran; what happened in the gaps is not known and not counted."
    rate = found.rate(len(found.annunciations), TEN_MINUTES_MS)
    if rate is not None:
        yield f"Steady state on the scale of EEMUA 191: {steady_state(rate)}."
    if 0 < len({one.alarm for one in found.annunciations}) <= len(found.top):
        yield "No more than ten alarms have called, so the share of the ten most frequent is everything."
    yield "Times to acknowledge are of what was acknowledged, also after the period; see beside them what was not."


def _of_the_record(found: Review) -> Iterator[str]:
    if found.configurations:
        yield (
            f"The configuration changed {_times(found.configurations)} in the period, in {found.changed_keys} keys "
            "that the journal names; whether each was approved, it cannot know."
        )
    if found.clock_steps:
        yield f"The wall clock was set {_times(found.clock_steps)}; within a run, time is the running clock's."
    for run in found.untrusted_runs:
        yield f"The clock of run {run} was never trusted: its lines may belong to other dates."
    for first, last in found.missing:
        lines = f"Line {first} is" if first == last else f"Lines {first} to {last} are"
        yield f"{lines} gone from the journal or damaged: what they told is not counted."
    for name in found.replaced:
        yield f"A damaged record was set aside as {name}; what only it holds is not counted."


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _text(text: str) -> Cell:
    return Form.TEXT, text


def _count(count: int) -> Cell:
    return Form.COUNT, count


def _says(found: Review, alarm: str) -> Cell:
    rule = found.site.alarms.get(alarm)
    return _text(rule.text.says if rule is not None else "(not declared any more)")


def _share(found: Review, count: int) -> Cell:
    return Form.PART, found.share(count)


def _from_to(span: Span) -> tuple[Cell, Cell, Cell]:
    return (Form.MOMENT, span[0]), (Form.MOMENT, span[1]), (Form.DURATION, span[1] - span[0])


def _gaps(found: Review) -> Table:
    return Table(
        key="gaps",
        title="Time without a running gateway",
        columns=("from", "to", "for", "because"),
        rows=tuple((*_from_to(gap.span), _text(gap.why)) for gap in found.gaps),
        empty="The gateway ran all the time.",
    )


def _floods(found: Review) -> Table:
    rows = [
        (*_from_to(one.span), _count(one.count), _count(one.peak), _text(upset(one.peak)), _text(one.first))
        for one in found.floods
    ]
    return Table(
        key="floods",
        title="Floods",
        columns=("begin", "end", "for", "annunciations", "most in 10 min", "EEMUA 191", "first alarm"),
        rows=tuple(rows),
        empty="There was no flood.",
    )


def _top(found: Review) -> Table:
    rows = [
        (_text(one.alarm), _text(one.priority), _count(one.count), _share(found, one.count), _says(found, one.alarm))
        for one in found.top
    ]
    return Table(
        key="top",
        title="The ten most frequent alarms",
        columns=("alarm", "priority", "annunciations", "share", "says"),
        rows=tuple(rows),
        empty="Nothing was annunciated.",
    )


def _chattering(found: Review) -> Table:
    rows = [
        (_text(one.alarm), _count(one.episodes), _count(one.count), _says(found, one.alarm)) for one in found.chattering
    ]
    return Table(
        key="chattering",
        title="Chattering alarms",
        columns=("alarm", "episodes", "annunciations in them", "says"),
        rows=tuple(rows),
        empty="No alarm chattered.",
    )


def _counted(counted: Sequence[Counted], found: Review, key: str, title: str, empty: str) -> Table:
    rows = [(_text(one.alarm), _text(one.priority), _count(one.count), _says(found, one.alarm)) for one in counted]
    return Table(key=key, title=title, columns=("alarm", "priority", "times", "says"), rows=tuple(rows), empty=empty)


def _standing(found: Review) -> Table:
    rows = [
        (
            _text(one.alarm),
            (Form.MOMENT, one.span[0]),
            _text("still") if one.open else (Form.MOMENT, one.span[1]),
            (Form.DURATION, one.span[1] - one.span[0]),
            _says(found, one.alarm),
        )
        for one in found.standing
    ]
    return Table(
        key="standing",
        title="Standing alarms",
        columns=("alarm", "active since", "until", "for", "says"),
        rows=tuple(rows),
        empty="No alarm was active for over 24 h.",
    )


def _priorities(found: Review) -> Table:
    return Table(
        key="priorities",
        title="Priorities",
        columns=("priority", "annunciations", "share", "declared today", "share of declared"),
        rows=tuple(_priority(found, one.value) for one in Priority),
        empty="",
    )


def _priority(found: Review, name: str) -> tuple[Cell, ...]:
    count, declared, whole = found.priorities.get(name, 0), found.declared.get(name, 0), sum(found.declared.values())
    of_declared = declared / whole if whole else None
    return _text(name), _count(count), _share(found, count), _count(declared), (Form.PART, of_declared)


def _answers(found: Review) -> Table:
    rows = [
        (
            _text(one.priority or "all"),
            _count(one.count),
            _count(len(one.waits_ms)),
            (Form.DURATION, one.quantile_ms(MEDIAN)),
            (Form.DURATION, one.quantile_ms(NINE_OF_TEN)),
            _count(one.waiting),
            _count(one.never),
        )
        for one in found.answering
    ]
    return Table(
        key="answers",
        title="Acknowledgements",
        columns=("priority", "annunciations", "acknowledged", "median", "90% within", "still waiting", "never"),
        rows=tuple(rows),
        empty="",
    )


def _hiding(found: Review) -> Table:
    rows = [
        (_text(one.how.value), _count(one.begun), _count(one.alarms), (Form.DURATION, one.hidden_ms), _count(one.most))
        for one in found.hiding
    ]
    return Table(
        key="hiding",
        title="Shelved, suppressed, out of service",
        columns=("reason", "times begun", "alarms", "together for", "most at once"),
        rows=tuple(rows),
        empty="",
    )


def _days(found: Review) -> Table:
    rows = [
        (
            _text(day_name(one.span[0], found.site.zone)),
            (Form.DURATION, one.running_ms),
            _count(one.annunciations),
            _count(one.messages),
            _count(one.peak),
            (Form.DURATION, one.flood_ms),
            _count(one.standing),
        )
        for one in found.days
    ]
    return Table(
        key="days",
        title="Days",
        columns=("day", "gateway ran", "annunciations", "P1 and P2", "most in 10 min", "in flood", "standing"),
        rows=tuple(rows),
        empty="",
    )


def _hours(found: Review) -> Table:
    return Table(
        key="hours",
        title="Hours of the local day",
        columns=("hour", "annunciations"),
        rows=tuple((_text(f"{hour:02d}"), _count(count)) for hour, count in enumerate(found.hours_of_day)),
        empty="",
    )
