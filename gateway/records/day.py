"""One site day: what had to be measured, and every figure of it, unrounded. Pure.

A day lasts from local midnight to the next, 23, 24 or 25 hours. What a reading
may count for is decided in ``series`` and ``figures``.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, tzinfo

from gateway.configuration.schema.permit import Limit, Quantity, Record, Standing
from gateway.core.entry import Entry, Verification, doubtful_spans
from gateway.core.outcome import EventKind
from gateway.local.messages import JournalEntry
from gateway.records.figures import Figures, figures_of
from gateway.records.ledger import grown
from gateway.records.passage import at_the_tap
from gateway.records.series import Piece, Series, Span, State, marked, spans_at_least, within
from gateway.records.windows import Rolled, largest_mean, longest_above, rolled, window_ms
from gateway.reports.alarm_review import local_days

_NOT_KNOWN = Series()
_DAY_MS = 86_400_000
_STANDS_MS = 60_000
AFTER_MS = 12 * 3_600_000  # read behind a period, for water on its way to the valve


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """All that a record is made of.

    Args:
        site: its name.
        zone: its time.
        permit: its number.
        limits: by name, in their versions.
        record: what it is made of.
        series: by tag.
        journal: all of its lines.
        entries: what people entered.
        rolls_over_at: by totaliser, where it has such a place.
        as_of_ms: until when things are known.
        configuration: hash of the one in force when the record is made.
        units: by tag.
        telephone_within_min: minutes within which delivery beyond a limit is told by telephone.
        due_day: of the next month, on which a month's record is due.
        certification: in the regulator's words; empty for the program's.
    """

    site: str
    zone: tzinfo
    permit: str
    limits: Mapping[str, Sequence[Limit]]
    record: Record
    series: Mapping[str, Series]
    journal: Sequence[JournalEntry]
    entries: Sequence[Entry]
    rolls_over_at: Mapping[str, float | None]
    as_of_ms: int
    configuration: str
    units: Mapping[str, str]
    telephone_within_min: float = 60.0
    due_day: int = 10
    certification: str = ""

    def limits_on(self, day: date, parameter: str) -> dict[str, Limit]:
        """The limits of a parameter that hold on a day, by name."""
        found = {name: limit_on(versions, day) for name, versions in self.limits.items()}
        return {name: one for name, one in found.items() if one is not None and one.parameter == parameter}


def limit_on(versions: Sequence[Limit], day: date) -> Limit | None:
    """The version of a limit that holds on a day: the last one that has begun and not ended."""
    holding = [
        one
        for one in versions
        if (one.valid_from is None or one.valid_from <= day) and (one.valid_until is None or day <= one.valid_until)
    ]
    return max(holding, key=lambda one: one.valid_from or date.min, default=None)


def tags_of(record: Record) -> list[str]:
    """Every tag the record is made of."""
    standings = [one.tag for one in (record.producing, record.delivering, record.diverting) if one is not None]
    standings += [record.valve_flow] if record.valve_flow is not None else []
    totals = [tag for one in record.totals.values() for tag in (one.total, one.flow) if tag is not None]
    columns = [tag for one in record.quantities.values() for tag in (one.tag, *one.beside)]
    levels = [*(one.level for one in record.stores.values()), *(one.level for one in record.chemicals.values())]
    return list(dict.fromkeys([*columns, *standings, *totals, *levels]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """A volume of a day, m3; estimated where it is integrated flow because the totaliser gave nothing."""

    value: float | None
    estimated: bool
    integrated: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One quantity of one day.

    Args:
        treated: of the water that was treated.
        delivered: of that which was delivered.
        spaced: by limit, the readings that stood at the instants of its spacing.
        rolled: by limit, the windows that roll on.
        longest_above_ms: by figure, the longest unbroken time above it, where a limit asks for it.
        peak: largest mean of equal parts and when it began, where it is asked for.
        beside: what other tags read at the smallest value.
        by_hand: grab samples of the required time.
    """

    treated: Figures
    delivered: Figures
    spaced: Mapping[str, Sequence[float | None]]
    rolled: Mapping[str, Rolled] = field(default_factory=dict)
    longest_above_ms: Mapping[float, int] = field(default_factory=dict)
    peak: tuple[float, int] | None = None
    beside: Mapping[str, float] = field(default_factory=dict)
    by_hand: Sequence[float] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day; ``left`` has, by quantity, when the water was at the instrument that later left by the valve."""

    day: date
    span: Span
    producing: Sequence[Span]
    delivering: Sequence[Span]
    diverting: Sequence[Span]
    unknown_ms: int
    left: Mapping[str, Sequence[Span]]
    columns: Mapping[str, Column]
    volumes: Mapping[str, Volume]

    @property
    def length_ms(self) -> int:
        """23, 24 or 25 hours."""
        return self.span[1] - self.span[0]


def day_span(day: date, zone: tzinfo) -> Span:
    """From its midnight to the next."""
    return local_days(day, day, zone)[0]


def day_of(given: Given, day: date) -> Day:
    """All figures of a day, as far as the record is known."""
    begin, end = day_span(day, given.zone)
    span = (begin, max(begin, min(end, given.as_of_ms)))
    producing, unknown = _standing(given, given.record.producing, span)
    producing = producing if given.record.producing is not None else [span]
    delivering, not_known = _standing(given, given.record.delivering, span)
    diverting, _ = _standing(given, given.record.diverting, span)
    required = {"producing": producing, "delivering": common(producing, delivering)}
    left = {name: _left(given, one, span, required["delivering"]) for name, one in given.record.quantities.items()}
    columns = {
        name: _column(given, one, day, (span, end - begin), {**required, "left": left[name]})
        for name, one in given.record.quantities.items()
    }
    return Day(
        day=day,
        span=(begin, end),
        producing=producing,
        delivering=delivering,
        diverting=diverting,
        unknown_ms=max(sum(b - a for a, b in unknown), sum(b - a for a, b in not_known)),
        left=left,
        columns=columns,
        volumes={name: _volume(given, name, span) for name in given.record.totals},
    )


def _standing(given: Given, standing: Standing | None, span: Span) -> tuple[list[Span], list[Span]]:
    if standing is None:
        return [], []
    series = given.series.get(standing.tag, _NOT_KNOWN)
    return spans_at_least(series.pieces(span, round(standing.longest_s * 1_000)), standing.at_least)


def _left(given: Given, quantity: Quantity, span: Span, delivering: Sequence[Span]) -> Sequence[Span]:
    """When the water was at an instrument that was delivered, as far as it has reached the valve meanwhile."""
    if not quantity.to_valve_m3 or given.record.valve_flow is None:
        return delivering
    later = span[0], min(span[1] + AFTER_MS, max(given.as_of_ms, span[1]))
    leaving, _ = _standing(given, given.record.delivering, later)
    flow = given.series.get(given.record.valve_flow, _NOT_KNOWN).pieces(later, _STANDS_MS)
    return common(at_the_tap(flow, leaving, quantity.to_valve_m3), [span])


def common(one: Sequence[Span], other: Sequence[Span]) -> list[Span]:
    """The time in both."""
    found = [(max(a, c), min(b, d)) for a, b in one for c, d in other]
    return sorted(span for span in found if span[0] < span[1])


def pieces_of(given: Given, quantity: Quantity, span: Span) -> Iterator[Piece]:
    """What stood, with holds of people and doubt after failed checks marked."""
    series = given.series.get(quantity.tag, _NOT_KNOWN)
    pieces = series.pieces(span, round(quantity.longest_s * 1_000))
    pieces = marked(pieces, held_by_people(given.journal, quantity.tag, given.as_of_ms), State.HELD)
    return marked(pieces, in_doubt(given, quantity.tag), State.SUSPECT)


def held_by_people(journal: Sequence[JournalEntry], tag: str, until_ms: int) -> list[Span]:
    """When a person held an instrument, by the journal."""
    found: list[Span] = []
    since, subject = None, ""
    for line in journal:
        if line.kind == EventKind.HOLD_ON.value and since is None:
            if tag in {line.subject, *str(line.facts.get("tags", "")).split(", ")}:
                since, subject = line.utc_ms, line.subject
        elif line.kind == EventKind.HOLD_OFF.value and since is not None and line.subject == subject:
            found.append((since, line.utc_ms))
            since = None
    return found if since is None else [*found, (since, until_ms)]


def in_doubt(given: Given, tag: str) -> list[Span]:
    """When failed checks put a tag in doubt."""
    checks = [one for one in given.entries if isinstance(one, Verification) and one.tag == tag]
    return [(one.from_utc_ms, one.to_utc_ms) for one in doubtful_spans(checks, given.as_of_ms)]


def _column(
    given: Given, quantity: Quantity, day: date, spans: tuple[Span, int], required: Mapping[str, Sequence[Span]]
) -> Column:
    span, day_ms = spans
    holding = given.limits_on(day, quantity.parameter)
    limits = sorted({one.limit for one in holding.values() if one.limit is not None})
    pieces = list(pieces_of(given, quantity, span))
    mine = list(within(iter(pieces), required[quantity.during]))
    treated = figures_of(mine, day_ms=day_ms, limits=limits)
    grabs = grabs_of(given.journal, quantity)
    unbroken = [one.limit for one in holding.values() if one.statistic == "time_above_continuous"]
    rolling_on = {name: one for name, one in holding.items() if "rolling" in one.window}
    smallest_ms = treated.smallest.utc_ms if treated.smallest else None
    return Column(
        treated=treated,
        delivered=figures_of(within(iter(pieces), required["left"]), day_ms=day_ms, limits=limits),
        spaced={
            name: _at_instants(mine, span, one.readings_every_h, _stand_in(one, mine, grabs))
            for name, one in holding.items()
            if one.readings_every_h is not None
        },
        rolled={name: _rolled(given, quantity, one, span) for name, one in rolling_on.items()},
        longest_above_ms={figure: longest_above(mine, figure) for figure in unbroken if figure is not None},
        peak=largest_mean(mine, round(quantity.peak_over_s * 1_000)) if quantity.peak_over_s else None,
        beside={} if smallest_ms is None else _beside(given, quantity, smallest_ms),
        by_hand=[value for at, value in grabs if any(b <= at < e for b, e in required[quantity.during])],
    )


def grabs_of(journal: Sequence[JournalEntry], quantity: Quantity) -> list[tuple[int, float]]:
    """When grab samples of a quantity were taken, and what they gave."""
    return [
        (line.utc_ms, float(line.facts[quantity.grab]))
        for line in journal
        if line.kind == EventKind.GRAB_SAMPLE.value and quantity.grab and quantity.grab in line.facts
    ]


def _rolled(given: Given, quantity: Quantity, limit: Limit, span: Span) -> Rolled:
    """Windows that end within a day; what had to be measured before it is asked of the same tags."""
    window = window_ms(limit.window) or _DAY_MS
    if window > _DAY_MS:  # no more than a day is read before the period
        return Rolled(mean=None, share=None, at_ms=span[0])
    since = span[0] - window, span[1]
    required: Sequence[Span] = [since]
    if given.record.producing is not None:
        required, _ = _standing(given, given.record.producing, since)
    if quantity.during == "delivering":
        required = common(required, _standing(given, given.record.delivering, since)[0])
    pieces = list(within(pieces_of(given, quantity, since), required))
    return rolled(pieces, span, window_ms=window, limit=limit.limit or 0.0)


def _beside(given: Given, quantity: Quantity, at_ms: int) -> dict[str, float]:
    """What the tags beside a quantity read newest at a moment."""
    found: dict[str, float] = {}
    for tag in quantity.beside:
        series = given.series.get(tag, _NOT_KNOWN)
        at = bisect_right(series.times, at_ms) - 1
        if at >= 0 and series.states[at] <= State.UNDER:
            found[tag] = series.values[at]
    return found


def _stand_in(
    limit: Limit, pieces: Sequence[Piece], grabs: Sequence[tuple[int, float]]
) -> Callable[[float], float | None]:
    """The grab sample that stands in at an instant without a reading, as far as the limit allows one."""
    if limit.substitute is None or not grabs:
        return lambda _: None
    every_ms, most_ms = limit.substitute.every_h * 3_600_000, limit.substitute.at_most_h * 3_600_000
    valid = [end for _, end, _, state in pieces if state <= State.UNDER]

    def stands(instant: float) -> float | None:
        at = bisect_right(valid, instant) - 1
        failed_ms = valid[at] if at >= 0 else pieces[0][0]
        fresh = [value for taken, value in grabs if instant - every_ms < taken <= instant]
        return fresh[-1] if fresh and instant - failed_ms <= most_ms else None

    return stands


def _at_instants(
    pieces: Sequence[Piece], span: Span, every_h: float, stand_in: Callable[[float], float | None]
) -> list[float | None]:
    """The value that stood at each instant of a grid, while it was required; None where none counted."""
    every_ms = every_h * 3_600_000
    instants = [span[0] + k * every_ms for k in range(int((span[1] - span[0]) // every_ms + 1))]
    found: list[float | None] = []
    at = 0
    for instant in instants:
        while at < len(pieces) and pieces[at][1] <= instant:
            at += 1
        if at < len(pieces) and pieces[at][0] <= instant < span[1]:
            found.append(pieces[at][2] if pieces[at][3] <= State.UNDER else stand_in(instant))
    return found


def _volume(given: Given, name: str, span: Span) -> Volume:
    keys = given.record.totals[name]
    total = given.series.get(keys.total, _NOT_KNOWN)
    value = grown(total, span, given.rolls_over_at.get(keys.total))
    integrated = None
    if keys.flow is not None:
        pieces = list(given.series.get(keys.flow, _NOT_KNOWN).pieces(span, _STANDS_MS))
        if any(state <= State.UNDER for *_, state in pieces):
            integrated = sum(v * (e - b) for b, e, v, state in pieces if state <= State.UNDER) / 3_600_000
    return Volume(value=integrated if value is None else value, estimated=value is None, integrated=integrated)
