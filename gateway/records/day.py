"""One site day: what had to be measured, and every figure of it, unrounded. Pure.

A day lasts from local midnight to the next, 23, 24 or 25 hours. What a reading
may count for is decided in ``series`` and ``figures``.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo

from gateway.configuration.schema.permit import Limit, Quantity, Record, Standing
from gateway.core.entry import Entry, Verification, doubtful_spans
from gateway.core.outcome import EventKind
from gateway.local.messages import JournalEntry
from gateway.records.figures import Figures, figures_of
from gateway.records.ledger import grown
from gateway.records.series import Piece, Series, Span, State, marked, spans_at_least, within
from gateway.reports.alarm_review import local_days

_NOT_KNOWN = Series()


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
    totals = [tag for one in record.totals.values() for tag in (one.total, one.flow) if tag is not None]
    columns = [one.tag for one in record.quantities.values()]
    return list(dict.fromkeys([*columns, *standings, *totals, *(one.level for one in record.stores.values())]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """A volume of a day, m3; estimated where it is integrated flow because the totaliser gave nothing."""

    value: float | None
    estimated: bool
    integrated: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One quantity of one day, of the water that was treated and of that which was delivered."""

    treated: Figures
    delivered: Figures
    spaced: Mapping[float, Sequence[float | None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day."""

    day: date
    span: Span
    producing: Sequence[Span]
    delivering: Sequence[Span]
    diverting: Sequence[Span]
    unknown_ms: int
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
    columns = {
        name: _column(given, one, day, (span, end - begin), required) for name, one in given.record.quantities.items()
    }
    return Day(
        day=day,
        span=(begin, end),
        producing=producing,
        delivering=delivering,
        diverting=diverting,
        unknown_ms=max(sum(b - a for a, b in unknown), sum(b - a for a, b in not_known)),
        columns=columns,
        volumes={name: _volume(given, name, span) for name in given.record.totals},
    )


def _standing(given: Given, standing: Standing | None, span: Span) -> tuple[list[Span], list[Span]]:
    if standing is None:
        return [], []
    series = given.series.get(standing.tag, _NOT_KNOWN)
    return spans_at_least(series.pieces(span, round(standing.longest_s * 1_000)), standing.at_least)


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
    since: int | None = None
    for line in journal:
        if line.subject != tag:
            continue
        if line.kind == EventKind.HOLD_ON.value and since is None:
            since = line.utc_ms
        elif line.kind == EventKind.HOLD_OFF.value and since is not None:
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
    holding = given.limits_on(day, quantity.parameter).values()
    limits = sorted({one.limit for one in holding if one.limit is not None})
    pieces = list(pieces_of(given, quantity, span))
    mine = list(within(iter(pieces), required[quantity.during]))
    delivered = within(iter(pieces), required["delivering"])
    spacings = sorted({one.readings_every_h for one in holding if one.readings_every_h is not None})
    return Column(
        treated=figures_of(mine, day_ms=day_ms, limits=limits),
        delivered=figures_of(delivered, day_ms=day_ms, limits=limits),
        spaced={hours: _at_instants(mine, span, hours) for hours in spacings},
    )


def _at_instants(pieces: Sequence[Piece], span: Span, every_h: float) -> list[float | None]:
    """The value that stood at each instant of a grid, while it was required; None where none counted."""
    every_ms = every_h * 3_600_000
    instants = [span[0] + k * every_ms for k in range(int((span[1] - span[0]) // every_ms + 1))]
    found: list[float | None] = []
    at = 0
    for instant in instants:
        while at < len(pieces) and pieces[at][1] <= instant:
            at += 1
        if at < len(pieces) and pieces[at][0] <= instant < span[1]:
            found.append(pieces[at][2] if pieces[at][3] <= State.UNDER else None)
    return found


def _volume(given: Given, name: str, span: Span) -> Volume:
    keys = given.record.totals[name]
    total = given.series.get(keys.total, _NOT_KNOWN)
    value = grown(total, span, given.rolls_over_at.get(keys.total))
    integrated = None
    if keys.flow is not None:
        pieces = list(given.series.get(keys.flow, _NOT_KNOWN).pieces(span, 60_000))
        if any(state <= State.UNDER for *_, state in pieces):
            integrated = sum(v * (e - b) for b, e, v, state in pieces if state <= State.UNDER) / 3_600_000
    return Volume(value=integrated if value is None else value, estimated=value is None, integrated=integrated)
