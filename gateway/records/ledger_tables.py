"""Exceedances, diversions and grab samples that stand in, as tables of a record. Pure."""

from collections.abc import Iterator, Sequence

from gateway.core.outcome import EventKind
from gateway.records.day import Day, Given, pieces_of
from gateway.records.exceedances import HIGH, LOW, Exceedance, beyond, exceedances
from gateway.records.ledger import Diversion, diversions, readings_within
from gateway.records.period_spans import inside, joined, whole
from gateway.records.series import Series, Span, State
from gateway.records.sheet import NOTHING, Cell, Table, at, minutes, plain, rounded, table

_EXCEEDED = (
    "limit",
    "from",
    "to",
    "min beyond",
    "worst",
    "at",
    "delivered min",
    "cause",
    "corrective action",
    "told by telephone",
)
_DIVERTED = ("begin", "end", "minutes", "m3", "cause", "in or out of spec", "released by", "readings at the end")


def exceedance_table(given: Given, days: Sequence[Day], key: str) -> Table:
    """Every spell beyond a figure of the permit."""
    found = exceedances(given, days, given.telephone_within_min)
    rows = [_exceeded(given, one, key, i) for i, one in enumerate(found, 1)]
    return table("Readings beyond a figure of the permit", _EXCEEDED, rows)


def _exceeded(given: Given, one: Exceedance, key: str, i: int) -> tuple[Cell, ...]:
    zone = given.zone
    sign = ("< " if one.limit.statistic in LOW else "> ") if one.clipped else ""
    return (
        Cell(text=f"{one.limit_name}: {one.limit.limit:g} {one.limit.unit}"),
        *plain(at(one.span[0], zone), at(one.span[1], zone)),
        Cell(text=minutes(one.beyond_ms), key=f"{key}/exceeded-min/{i}", exact=one.beyond_ms / 60_000),
        Cell(text=f"{sign}{one.worst:.4g} {one.limit.unit}", key=f"{key}/exceeded-worst/{i}", exact=one.worst),
        Cell(text=at(one.worst_ms, zone)),
        Cell(text=minutes(one.delivered_ms), key=f"{key}/exceeded-delivered-min/{i}", exact=one.delivered_ms / 60_000),
        Cell(text=one.cause or "cause not yet entered"),
        Cell(text=one.action or "not yet entered"),
        Cell(text=_notice(given, one)),
    )


def _notice(given: Given, one: Exceedance) -> str:
    if one.notice is not None:
        late = " LATE" if one.due_ms is not None and one.notice.utc_ms > one.due_ms else ""
        return f"{at(one.notice.utc_ms, given.zone)}, {one.notice.to}, by {one.notice.person}{late}"
    if one.due_ms is None:
        return f"not required: {'short suspect spike' if one.delivered else 'nothing delivered'}"
    return f"NOT ENTERED, due by {at(one.due_ms, given.zone)}"


def diversion_tables(given: Given, days: Sequence[Day], key: str) -> Iterator[Table]:
    """The ledger, and its sums by cause."""
    name = given.record.diverted_total
    tag = given.record.totals[name].total if name in given.record.totals and name else ""
    spans = joined([span for day in days for span in day.diverting])
    total, rolls_at, output = given.series.get(tag), given.rolls_over_at.get(tag), given.record.product_output or ""
    found = diversions(spans, given.journal, total, rolls_at, output)
    told = [(one, in_spec(given, days, one.span)) for one in found]
    rows = [_diverted(given, one, spec, key, i) for i, (one, spec) in enumerate(told, 1)]
    yield table("Diversions", _DIVERTED, rows)
    yield table(
        "Diversions by cause",
        ("cause", "in or out of spec", "times", "minutes", "m3"),
        [_sum(key, cause, spec, told) for cause, spec in dict.fromkeys((one.cause, spec) for one, spec in told)],
    )


def _diverted(given: Given, one: Diversion, spec: str, key: str, i: int) -> tuple[Cell, ...]:
    ms = one.span[1] - one.span[0]
    return (
        *plain(at(one.span[0], given.zone), at(one.span[1], given.zone)),
        Cell(text=minutes(ms), key=f"{key}/diversion-min/{i}", exact=ms / 60_000),
        Cell(text=_m3(one.volume_m3), key=f"{key}/diversion-m3/{i}", exact=one.volume_m3),
        *plain(one.cause, spec, one.released_by or "by rule or not released", _readings(given, one.span[1])),
    )


def _m3(volume: float | None) -> str:
    return NOTHING if volume is None else rounded(volume, 2)


def _sum(key: str, cause: str, spec: str, told: Sequence[tuple[Diversion, str]]) -> tuple[Cell, ...]:
    mine = [one for one, its in told if (one.cause, its) == (cause, spec)]
    ms = sum(one.span[1] - one.span[0] for one in mine)
    known = [one.volume_m3 for one in mine if one.volume_m3 is not None]
    volume = sum(known) if known else None
    stem = f"{cause}, {spec}".replace("/", " ")
    return (
        *plain(cause, spec, str(len(mine))),
        Cell(text=minutes(ms), key=f"{key}/diverted-min/{stem}", exact=ms / 60_000),
        Cell(text=_m3(volume), key=f"{key}/diverted-m3/{stem}", exact=volume),
    )


def in_spec(given: Given, days: Sequence[Day], span: Span) -> str:
    """Whether readings kept to the figures of the permit in a span, whether delivered or not, while producing."""
    producing = any(begin < span[1] and span[0] < end for day in days for begin, end in day.producing)
    if given.record.producing is not None and not producing:
        return "not producing"
    worst = "in spec"
    day = next((one.day for one in days if one.span[0] <= span[0] < one.span[1]), days[0].day)
    for keys in given.record.quantities.values():
        limits = [
            one for one in given.limits_on(day, keys.parameter).values()
            if one.limit is not None and one.statistic in LOW | HIGH
        ]  # fmt: skip
        for _, _, value, state in pieces_of(given, keys, span) if limits else ():
            if state > State.UNDER:
                worst = "not known"
            elif any(beyond(one, value) for one in limits):
                return "out of spec"
    return worst


def _readings(given: Given, at_ms: int) -> str:
    """What the quantities read at a moment."""
    found = []
    for name, keys in given.record.quantities.items():
        for _, _, value, state in pieces_of(given, keys, (at_ms, at_ms + 1)):
            shown = rounded(value, keys.digits) if state <= State.UNDER else State(state).name
            found.append(f"{name} {shown}")
    return ", ".join(found)


def grab_table(given: Given, days: Sequence[Day]) -> Table:
    """Grab samples: what they gave, and what the instrument of the quantity read then."""
    rows = []
    for line in given.journal:
        if line.kind != EventKind.GRAB_SAMPLE.value or not inside(given, days, line.utc_ms):
            continue
        for name, keys in given.record.quantities.items():
            if keys.grab is None or keys.grab not in line.facts:
                continue
            (_, _, value, state), *_ = pieces_of(given, keys, (line.utc_ms, line.utc_ms + 1))
            usable = state <= State.UNDER
            rows.append(
                plain(
                    at(line.utc_ms, given.zone),
                    name,
                    f"{line.facts[keys.grab]}",
                    rounded(value, keys.digits) if usable else State(state).name,
                    "no" if usable else "where a limit allows a substitute",
                    line.person,
                )
            )
    return table("Grab samples", ("when", "of", "sample", "instrument then", "stands in", "person"), rows)


def store_table(given: Given, days: Sequence[Day], key: str) -> Table:
    """Storage that ordinarily stays empty."""
    rows = []
    for name, keys in given.record.stores.items():
        usable = readings_within(given.series.get(keys.level, Series()), whole(days, given))
        used = [(t, v) for t, v in usable if v > keys.used_above_percent]
        top = max(used, key=lambda one: one[1], default=None)
        m3 = top[1] / 100 * keys.volume_m3 if top else 0.0
        when = (
            (at(used[0][0], given.zone), at(used[-1][0], given.zone), at(top[0], given.zone)) if top else ("", "", "")
        )
        rows.append(
            (
                Cell(text=f"{keys.service} used"),
                Cell(text=f"{rounded(m3, 1)} m3", key=f"{key}/{name}-used-m3/total", exact=m3),
                *plain(*when),
            )
        )
    return table("Storage that ordinarily stays empty", ("what", "most held", "from", "last", "most at"), rows)
