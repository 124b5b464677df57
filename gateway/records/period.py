"""The record of a day or of a month as a sheet: what stands where, and under which key. Pure."""

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date, timedelta

from gateway.configuration.criteria import CONFIRM
from gateway.core.entry import GapReason, LaboratoryResult, Note, Verification, doubtful_spans, in_force
from gateway.core.outcome import EventKind
from gateway.records import coliform
from gateway.records.compliance import Judged, judged
from gateway.records.day import Day, Given, day_of, pieces_of
from gateway.records.figures import Extreme, Figures
from gateway.records.ledger import missing
from gateway.records.ledger_tables import diversion_tables, exceedance_table, grab_table, store_table
from gateway.records.period_spans import inside, joined, lasting, whole
from gateway.records.series import Span, State, within
from gateway.records.sheet import (
    CAUTION,
    NOTHING,
    Cell,
    Plot,
    Sheet,
    Table,
    Words,
    at,
    minutes,
    percent,
    plain,
    rounded,
    table,
)
from gateway.records.supply_tables import beside_table, chemical_tables, make_up_table, peak_table, proof_table

_PARTS = 480  # of a plot
_SHORT_STOP_MS = 60_000  # a restart so short makes no gap of 15 minutes
_HOUR_MS = 3_600_000


def month_sheet(given: Given, year: int, month: int) -> Sheet:
    """The record of a month (job of the compliance officer: filed by a day of the next month)."""
    first = date(year, month, 1)
    last = (first + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    return _sheet(given, [first + timedelta(days=k) for k in range((last - first).days + 1)], f"{first:%Y-%m}")


def day_sheet(given: Given, day: date) -> Sheet:
    """The daily operating record."""
    return _sheet(given, [day], f"{day:%Y-%m-%d}")


def _sheet(given: Given, dates: Sequence[date], key: str) -> Sheet:
    days = [day_of(given, day) for day in dates]
    results = [one for one in given.entries if isinstance(one, LaboratoryResult)]
    known = [
        one
        for sampling in given.record.sampling
        for one in coliform.known_results(results, sampling.parameter, given.as_of_ms)
    ]
    verdicts = judged(given, days, known)
    parts: list[Table | Words | Plot] = [
        _compliance(verdicts, key),
        exceedance_table(given, days, key),
        *_plots(given, days),
        _day_table(days, key),
        *(_quantity_table(given, name, days, key) for name in given.record.quantities),
        peak_table(given, days, key),
        beside_table(given, days, key),
        _volumes(given, days, key),
        make_up_table(given, days, key),
        *diversion_tables(given, days, key),
        store_table(given, days, key),
        *chemical_tables(given, days, key),
        grab_table(given, days),
        *(_laboratory(given, one.parameter, known, days) for one in given.record.sampling),
        *_alarms(given, days),
        *_checks(given, days),
        proof_table(given, days),
        *_gaps(given, days, key),
        _interventions(given, days),
        _changes(given, days),
        _notes(given, days),
        Words(heading="How it was computed", lines=_RULES),
        Words(heading="Certification", lines=_certification(given)),
    ]
    return Sheet(
        key=key, title=f"Operating record {key}, {given.site}", head=_head(given, days, known), parts=tuple(parts)
    )


def _head(given: Given, days: Sequence[Day], known: Sequence[LaboratoryResult]) -> tuple[str, ...]:
    awaited = [
        (one.parameter, day)
        for one in given.record.sampling
        for day in coliform.awaited_days(
            [r for r in known if r.parameter == one.parameter], [d.day for d in days], one.days, given.zone
        )
    ]
    unfinished = given.as_of_ms < days[-1].span[1]
    why = (
        [f"{len(awaited)} laboratory results awaited ({', '.join(f'{day:%d %b}' for _, day in awaited[:6])})"]
        if awaited
        else []
    )
    why += ["the period is not over in the record"] if unfinished else []
    status = f"PROVISIONAL: {'; '.join(why)}" if why else "FINAL as to its data"
    known_at = at(given.as_of_ms, given.zone, "%Y-%m-%d %H:%M")
    return (
        f"Permit {given.permit}; {days[0].day} to {days[-1].day}, site time; as known {known_at}",
        status,
        f"Configuration {given.configuration[:16]}",
        *_due(given, days),
    )


def _due(given: Given, days: Sequence[Day]) -> tuple[str, ...]:
    if len(days) == 1:
        return ()
    following = days[-1].day + timedelta(days=1)
    return (f"Due at the authority on {following.replace(day=given.due_day)}",)


_RULES = (
    "Means are weighted by time over the valid minutes of the time in which a quantity had to be measured.",
    "With less than 75 % of that time valid there is no mean, and the count is printed. Maxima are of single readings.",
    "What was delivered is the water that left by the valve, followed from the instrument by the volume between them.",
    "Grab samples count in maxima and minima; in a share or mean of spaced readings only where a limit allows it.",
    "Readings that reach the office late are here at their own time: the record is made at the plant.",
    "Time held, calibrating, or without a usable value counts in no figure and is told; nothing is filled in.",
    "Readings marked as suspect count in means and shares; their maximum, and the mean without them, stand apart.",
    "A clipped reading is printed with > or <. Shares of time are told of the day and of the valid minutes.",
    "Figures are compared unrounded with limits, and rounded (half away from zero) for print only.",
)


def _certification(given: Given) -> tuple[str, ...]:
    said = given.certification or (
        "I have examined this record and asked those who entered its figures. To the best of my knowledge it is true, "
        "accurate and complete. (The program's own words; those of the authority go under 'certification' of the "
        "permit.)"
    )
    return (said, "Name: ______________________   Role: ______________________   Date and signature: ____________")


def _compliance(verdicts: Sequence[Judged], key: str) -> Table:
    rows = [
        (
            Cell(text=one.name),
            Cell(text=_limit_words(one)),
            Cell(text=one.verdict, key=f"{key}/verdict/{one.name}"),
            Cell(text=f"{one.count} of {one.of}", key=f"{key}/not-kept/{one.name}", exact=one.count),
            Cell(
                text="; ".join(
                    [
                        *([one.told] if one.told else []),
                        *([", ".join(f"{d:%d %b}" for d in one.when)] if one.when else []),
                    ]
                )
            ),
            Cell(text=one.limit.source + ("" if one.limit.seen else f" (recalled: {CONFIRM})")),
        )
        for one in verdicts
    ]
    return table("Limits", ("limit", "what", "verdict", "not kept", "worst; when", "source"), rows)


def _limit_words(one: Judged) -> str:
    limit = one.limit
    figure = limit.text or ("" if limit.limit is None else f"{limit.limit:g} {limit.unit}")
    part = f", at most {limit.allowed_fraction:.0%}" if limit.allowed_fraction is not None else ""
    return f"{limit.parameter}, {limit.statistic.replace('_', ' ')}: {figure}{part}"


def _day_table(days: Sequence[Day], key: str) -> Table:
    rows = []
    for day in days:
        n = f"{day.day.day}"
        told = {
            "hours": day.length_ms / _HOUR_MS,
            "producing-min": lasting(day.producing) / 60_000,
            "delivering-min": lasting(day.delivering) / 60_000,
            "diverting-min": lasting(day.diverting) / 60_000,
            "unknown-min": day.unknown_ms / 60_000,
        }
        cells = [Cell(text=rounded(v, 1), key=f"{key}/{name}/{n}", exact=v) for name, v in told.items()]
        rows.append((Cell(text=str(day.day)), *cells))
    return table("Days", ("day", "hours", "producing min", "delivering min", "diverting min", "not known min"), rows)


def _quantity_table(given: Given, name: str, days: Sequence[Day], key: str) -> Table:
    keys = given.record.quantities[name]
    limits = sorted({limit for day in days for limit in day.columns[name].treated.above_ms})
    rows = [(Cell(text=str(day.day)), *_quantity_cells(given, name, day, key, limits)) for day in days]
    each = [
        word
        for limit in limits
        for word in (f"min above {limit:g}", "of day", "of valid", f"delivered above {limit:g}", f"min below {limit:g}")
    ]
    columns = (
        "day",
        "mean",
        "without suspect",
        "max",
        "at",
        "suspect max",
        "min",
        "mean delivered",
        "max delivered",
        "valid min",
        "required min",
        "held min",
        "no value min",
        "suspect min",
        *each,
    )
    return table(f"{keys.parameter} ({keys.tag}, {given.units.get(keys.tag, '')}), while {keys.during}", columns, rows)


def _quantity_cells(given: Given, name: str, day: Day, key: str, limits: Sequence[float]) -> Iterator[Cell]:
    digits, column, n = given.record.quantities[name].digits, day.columns[name], day.day.day
    one, other = column.treated, column.delivered
    zone = given.zone

    def cell(what: str, value: float | None, text: str | None = None) -> Cell:
        shown = text if text is not None else NOTHING if value is None else rounded(value, digits)
        return Cell(text=shown, key=f"{key}/{name}-{what}/{n}", exact=value)

    yield cell("mean", one.mean, None if one.mean is not None else _too_little(one))
    yield cell("mean-certain", one.mean_without_suspect)
    yield cell(
        "max",
        one.largest.value if one.largest else None,
        _clipped(one.largest, digits, ">"),
    )
    yield Cell(text=at(one.largest.utc_ms, zone, "%H:%M:%S") if one.largest else NOTHING)
    yield cell("suspect-max", one.suspect_largest.value if one.suspect_largest else None)
    yield cell(
        "min",
        one.smallest.value if one.smallest else None,
        _clipped(one.smallest, digits, "<"),
    )
    yield cell("delivered-mean", other.mean, None if other.mean is not None else _too_little(other))
    yield cell("delivered-max", other.largest.value if other.largest else None)
    for what, ms in (
        ("valid", one.valid_ms),
        ("required", one.required_ms),
        ("held", one.held_ms),
        ("bad", one.bad_ms + one.stale_ms),
        ("suspect", one.suspect_ms),
    ):
        yield cell(f"{what}-min", ms / 60_000, minutes(ms))
    for limit in limits:
        above, known = one.above_ms.get(limit, 0), limit in one.above_ms
        yield cell(f"above-{limit:g}-min", above / 60_000, minutes(above))
        yield cell(f"above-{limit:g}-of-day", above / day.length_ms, percent(above / day.length_ms))
        part = one.share_of_valid(limit) if known else None
        yield cell(f"above-{limit:g}-of-valid", part, percent(part))
        yield cell(
            f"delivered-above-{limit:g}-min",
            other.above_ms.get(limit, 0) / 60_000,
            minutes(other.above_ms.get(limit, 0)),
        )
        yield cell(f"below-{limit:g}-min", one.below_ms.get(limit, 0) / 60_000, minutes(one.below_ms.get(limit, 0)))


def _clipped(one: Extreme | None, digits: int, sign: str) -> str | None:
    if one is None:
        return None
    return f"{sign} {rounded(one.value, digits)}" if one.clipped else rounded(one.value, digits)


def _too_little(one: Figures) -> str:
    if not one.required_ms:
        return "not required"
    return f"insufficient data ({minutes(one.valid_ms)} of {minutes(one.required_ms)} min)"


def _volumes(given: Given, days: Sequence[Day], key: str) -> Table:
    names = list(given.record.totals)
    rows = []
    for day in days:
        found = [day.volumes[name] for name in names]
        rows.append(
            (
                Cell(text=str(day.day)),
                *(
                    Cell(
                        text=NOTHING if one.value is None else rounded(one.value, 2) + (" E" if one.estimated else ""),
                        key=f"{key}/{name}-m3/{day.day.day}",
                        exact=one.value,
                    )
                    for name, one in zip(names, found, strict=True)
                ),
            )
        )
    totals = [sum(day.volumes[name].value or 0.0 for day in days) for name in names]
    rows.append(
        (
            Cell(text="total"),
            *(
                Cell(text=rounded(v, 2), key=f"{key}/{name}-m3/total", exact=v)
                for name, v in zip(names, totals, strict=True)
            ),
        )
    )
    return table("Volumes, m3 (E: estimated, integrated flow where the totaliser gave nothing)", ("day", *names), rows)


def _laboratory(given: Given, parameter: str, known: Sequence[LaboratoryResult], days: Sequence[Day]) -> Table:
    mine = [one for one in known if one.parameter == parameter]
    medians = {one.entry.n: one for one in coliform.windows(mine)}
    rows = []
    for one in sorted(mine, key=lambda one: one.sampled_utc_ms):
        day = coliform.day_of(one.sampled_utc_ms, given.zone)
        if not days[0].day <= day <= days[-1].day:
            continue
        window = medians.get(one.n)
        median = (
            f"not yet ({window.count} of 7)"
            if window and window.median is None
            else f"{window.median}"
            if window
            else ""
        )
        text = f"not sampled: {one.not_sampled}" if one.not_sampled else one.result.text
        stem = f"{days[0].day:%Y-%m}/{parameter}"
        rows.append(
            (
                Cell(text=at(one.sampled_utc_ms, given.zone, "%Y-%m-%d %H:%M")),
                Cell(text=one.point),
                Cell(text=text, key=f"{stem}/{day.day}", exact=one.result.value),
                Cell(text=at(one.reported_utc_ms, given.zone, "%Y-%m-%d")),
                Cell(text=median, key=f"{stem}-median/{day.day}"),
                *plain(one.method, one.laboratory, str(one.n)),
            )
        )
    heading = f"Laboratory: {parameter}; the median is of the last seven completed results"
    return table(
        heading,
        (
            "sampled",
            "point",
            "result",
            "reported",
            "median of 7, known on the day reported",
            "method",
            "laboratory",
            "entry",
        ),
        rows,
    )


def _alarms(given: Given, days: Sequence[Day]) -> Iterator[Table]:
    lines = [one for one in given.journal if inside(given, days, one.utc_ms)]
    began = [one for one in lines if one.kind == EventKind.ALARM.value]
    acked = {(one.subject, one.occurrence): one for one in given.journal if one.kind == EventKind.ACK.value}
    ended = {(one.subject, one.occurrence): one for one in given.journal if one.kind == EventKind.RTN.value}
    told = {(one.subject, one.occurrence): one for one in given.journal if one.kind == EventKind.EXPLAINED.value}
    rows = []
    for one in began:
        which = one.subject, one.occurrence
        ack, end, why = acked.get(which), ended.get(which), told.get(which)
        cause = str(why.facts.get("cause", "")) if why else ""
        rows.append(
            plain(
                at(one.utc_ms, given.zone),
                f"{one.subject} {one.occurrence}",
                at(end.utc_ms, given.zone) if end else "stands",
                f"{ack.person}, after {minutes(ack.utc_ms - one.utc_ms)} min" if ack else "not acknowledged",
                cause or "cause not yet entered",
            )
        )
    counts = Counter(one.subject for one in began)
    summary = [plain(name, str(count)) for name, count in counts.most_common()]
    yield table("Alarms by count", ("alarm", "times"), summary)
    yield table("Alarms", ("begin", "alarm", "end", "acknowledged", "cause"), rows)


def _checks(given: Given, days: Sequence[Day]) -> Iterator[Table]:
    checks = in_force([e for e in given.entries if isinstance(e, Verification)])
    rows = [
        plain(
            at(one.utc_ms, given.zone, "%Y-%m-%d %H:%M"),
            one.tag,
            one.kind,
            f"{one.standard:g}",
            f"{one.as_found:g}",
            f"{one.as_left:g}",
            one.band,
            "passed" if one.passed else "FAILED",
            one.standard_lot,
            one.person,
            at(one.next_due_utc_ms, given.zone, "%Y-%m-%d") if one.next_due_utc_ms else "",
        )
        for one in sorted(checks, key=lambda one: one.utc_ms)
        if inside(given, days, one.utc_ms)
    ]
    columns = (
        "when",
        "instrument",
        "kind",
        "standard",
        "as found",
        "as left",
        "band",
        "verdict",
        "lot",
        "person",
        "next due",
    )
    yield table("Verification and calibration", columns, rows)
    period = whole(days, given)
    doubts = [
        one
        for one in doubtful_spans(checks, given.as_of_ms)
        if one.from_utc_ms < period[1] and period[0] < one.to_utc_ms
    ]
    in_doubt = [
        plain(
            one.tag,
            at(one.from_utc_ms, given.zone) if one.from_utc_ms else "the beginning",
            at(one.to_utc_ms, given.zone),
            str(one.failed),
        )
        for one in doubts
    ]
    yield table("Readings in doubt since a failed check", ("instrument", "from", "to", "failed check, entry"), in_doubt)


def _gaps(given: Given, days: Sequence[Day], key: str) -> Iterator[Table]:
    reasons = in_force([one for one in given.entries if isinstance(one, GapReason)])
    down = [(begin, end) for begin, end in _down(given) if end - begin > _SHORT_STOP_MS]
    rows, complete = [], []
    for name, keys in given.record.quantities.items():
        standing = "producing" if keys.during == "producing" else "delivering"
        spans = joined(
            [span for day in days for span in (day.producing if standing == "producing" else day.delivering)]
        )
        pieces = list(within(pieces_of(given, keys, whole(days, given)), spans))
        substitute = _substitute_h(given, days[0].day, keys.parameter)
        for one in missing(keys.tag, pieces, down, reasons):
            until = at(one.span[0] + round(substitute * _HOUR_MS), given.zone) if substitute else ""
            rows.append(
                plain(
                    keys.tag,
                    at(one.span[0], given.zone),
                    at(one.span[1], given.zone),
                    minutes(one.span[1] - one.span[0]),
                    one.state.name,
                    one.suggested,
                    one.entered or "NOT ENTERED",
                    until,
                )
            )
        required = sum(day.columns[name].treated.required_ms for day in days)
        valid = sum(day.columns[name].treated.valid_ms for day in days)
        part = valid / required if required else None
        complete.append(
            (
                Cell(text=f"{name} ({keys.tag})"),
                Cell(text=percent(part), key=f"{key}/{name}-complete/total", exact=part),
                Cell(text=minutes(valid)),
                Cell(text=minutes(required)),
            )
        )
    yield table("Completeness", ("quantity", "valid of required", "valid min", "required min"), complete)
    yield table(
        "Gaps of more than 15 minutes",
        ("tag", "from", "to", "minutes", "state", "suggested code", "code entered", "grab samples may stand in until"),
        rows,
    )


def _substitute_h(given: Given, day: date, parameter: str) -> float | None:
    found = [one.substitute.at_most_h for one in given.limits_on(day, parameter).values() if one.substitute is not None]
    return min(found, default=None)


def _down(given: Given) -> Iterator[Span]:
    """When the gateway did not run: from the last line before a start to the start."""
    for before, line in zip(given.journal, given.journal[1:], strict=False):
        if line.kind == EventKind.START.value:
            yield before.utc_ms, line.utc_ms


_OPENED = {
    EventKind.BYPASS_ON.value,
    EventKind.BYPASS_OFF.value,
    EventKind.HOLD_ON.value,
    EventKind.HOLD_OFF.value,
    EventKind.FOREIGN_WRITE.value,
    EventKind.EXPOSURE.value,
    EventKind.CLOCK_STEP.value,
}


def _interventions(given: Given, days: Sequence[Day]) -> Table:
    lines = [one for one in given.journal if one.kind in _OPENED and inside(given, days, one.utc_ms)]
    rows = [
        plain(
            at(one.utc_ms, given.zone),
            one.kind.replace("_", " "),
            one.subject,
            one.person,
            one.reason,
            ", ".join(f"{k} {v}" for k, v in one.facts.items()),
        )
        for one in lines
    ]
    return table(
        "Holds, bypasses, foreign writes, exposures, clock", ("when", "what", "of", "person", "reason", "facts"), rows
    )


def _changes(given: Given, days: Sequence[Day]) -> Table:
    found = []
    for before, line in zip(given.journal, given.journal[1:], strict=False):
        if (
            line.configuration != before.configuration
            and before.configuration
            and line.configuration
            and inside(given, days, line.utc_ms)
        ):
            found.append(plain(at(line.utc_ms, given.zone), before.configuration[:16], line.configuration[:16]))
    return table("Changes of configuration", ("when", "before", "after"), found)


def _notes(given: Given, days: Sequence[Day]) -> Table:
    notes = in_force([one for one in given.entries if isinstance(one, Note)])
    rows = [
        plain(at(one.utc_ms, given.zone), one.person, one.tag, one.text)
        for one in notes
        if inside(given, days, one.utc_ms)
    ]
    return table("Notes", ("when", "person", "about", "text"), rows)


def _plots(given: Given, days: Sequence[Day]) -> Iterator[Plot]:
    span = days[0].span[0], days[-1].span[1]
    known = whole(days, given)
    every = 1 if len(days) <= 1 else max(1, len(days) // 14)
    ticks = [(day.span[0], f"{day.day.day}") for day in days[::every]]
    if len(days) == 1:
        ticks = [(span[0] + h * _HOUR_MS, at(span[0] + h * _HOUR_MS, given.zone, "%H:%M")) for h in range(0, 24, 3)]
    divert = [(b, e, "divert") for b, e in joined([one for day in days for one in day.diverting])]
    for keys in given.record.quantities.values():
        lows: list[float | None] = [None] * _PARTS
        highs: list[float | None] = [None] * _PARTS
        width = (span[1] - span[0]) / _PARTS
        bands: list[tuple[int, int, str]] = []
        for begin, end, value, state in pieces_of(given, keys, known):
            if state > State.UNDER:
                kind = "held" if state == State.HELD else "bad"
                if bands and bands[-1][1:] == (begin, kind):
                    bands[-1] = (bands[-1][0], end, kind)
                else:
                    bands.append((begin, end, kind))
                continue
            for part in range(int((begin - span[0]) / width), min(_PARTS - 1, int((end - 1 - span[0]) / width)) + 1):
                low, high = lows[part], highs[part]
                lows[part] = value if low is None or value < low else low
                highs[part] = value if high is None or value > high else high
        limits = {one.limit for one in given.limits_on(days[0].day, keys.parameter).values() if one.limit is not None}
        wide = [band for band in bands if band[1] - band[0] >= width / 4]
        yield Plot(
            heading=f"{keys.parameter}, {given.units.get(keys.tag, '')} ({keys.tag})",
            span=span,
            lows=tuple(lows),
            highs=tuple(highs),
            limits=tuple(sorted(limits)),
            bands=(*wide, *divert),
            ticks=tuple(ticks),
        )


__all__ = ["CAUTION", "day_sheet", "month_sheet"]
