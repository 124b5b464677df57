"""Chemicals, share of drinking water, peaks, readings beside the smallest value, and proof tests, as tables. Pure."""

from collections.abc import Sequence

from gateway.core.entry import ChemicalDelivery, ProofTest, in_force
from gateway.records.day import Day, Given
from gateway.records.ledger import readings_within
from gateway.records.period_spans import inside
from gateway.records.series import Series
from gateway.records.sheet import NOTHING, Cell, Table, at, percent, plain, rounded, table


def make_up_table(given: Given, days: Sequence[Day], key: str) -> Table:
    """How much of what users got was drinking water."""
    made, supplied = given.record.make_up_total, given.record.supplied_total
    rows = []
    if made in given.record.totals and supplied in given.record.totals:
        each = [(f"{day.day.day}", str(day.day), _m3([day], made), _m3([day], supplied)) for day in days]
        for n, name, part, of in [*each, ("all", "all", _m3(days, made), _m3(days, supplied))]:
            share = part / of if of else None
            rows.append((Cell(text=name), Cell(text=percent(share), key=f"{key}/make-up-share/{n}", exact=share)))
    return table("Share of drinking water in the supply", ("day", "share"), rows)


def _m3(days: Sequence[Day], name: str | None) -> float:
    return sum(day.volumes[name].value or 0.0 for day in days if name is not None)


def peak_table(given: Given, days: Sequence[Day], key: str) -> Table:
    """The largest mean of a quantity's equal parts, such as the minute of the most feed."""
    rows = [
        (
            Cell(text=str(day.day)),
            Cell(text=f"{keys.parameter}, mean of {keys.peak_over_s:g} s"),
            Cell(
                text=NOTHING if peak is None else f"{rounded(peak[0], keys.digits)} {given.units.get(keys.tag, '')}",
                key=f"{key}/{name}-peak/{day.day.day}",
                exact=None if peak is None else peak[0],
            ),
            Cell(text="" if peak is None else at(peak[1], given.zone)),
        )
        for name, keys in given.record.quantities.items()
        for day in days
        if keys.peak_over_s
        for peak in [day.columns[name].peak]
    ]
    return table("Peaks", ("day", "what", "largest", "begin"), rows)


def beside_table(given: Given, days: Sequence[Day], key: str) -> Table:
    """What else was read when a quantity was at its smallest, as flow and transmittance at the least dose."""
    rows = [
        (
            Cell(text=str(day.day)),
            Cell(text=keys.parameter),
            Cell(
                text=rounded(smallest.value, keys.digits), key=f"{key}/{name}-least/{day.day.day}", exact=smallest.value
            ),
            Cell(text=at(smallest.utc_ms, given.zone)),
            Cell(
                text=", ".join(
                    f"{tag} {value:.4g} {given.units.get(tag, '')}".rstrip()
                    for tag, value in day.columns[name].beside.items()
                )
            ),
        )
        for name, keys in given.record.quantities.items()
        if keys.beside
        for day in days
        for smallest in [day.columns[name].treated.smallest]
        if smallest is not None
    ]
    return table("Readings at the smallest value", ("day", "what", "smallest", "at", "read then"), rows)


def chemical_tables(given: Given, days: Sequence[Day], key: str) -> tuple[Table, Table]:
    """Tank levels day by day, and deliveries as entered."""
    levels = []
    for name, keys in given.record.chemicals.items():
        series, unit = given.series.get(keys.level, Series()), given.units.get(keys.level, "")
        for day in days:
            usable = [value for _, value in readings_within(series, day.span)]
            first, last = (usable[0], usable[-1]) if usable else (None, None)
            levels.append(
                (
                    *plain(str(day.day), name),
                    Cell(text=_level(first, unit), key=f"{key}/{name}-first/{day.day.day}", exact=first),
                    Cell(text=_level(last, unit), key=f"{key}/{name}-last/{day.day.day}", exact=last),
                )
            )
    delivered = [
        plain(
            at(one.utc_ms, given.zone),
            one.chemical,
            f"{one.amount:g} {one.unit}",
            f"{one.strength_percent:g} %",
            f"{one.level_before:g} to {one.level_after:g} {one.unit}",
            one.batch,
            one.person,
        )
        for one in in_force([each for each in given.entries if isinstance(each, ChemicalDelivery)])
        if inside(given, days, one.utc_ms)
    ]
    columns = ("when", "chemical", "amount", "strength", "tank", "batch", "person")
    return (
        table("Chemicals: level of the tanks", ("day", "chemical", "first", "last"), levels),
        table("Chemicals: deliveries", columns, delivered),
    )


def _level(value: float | None, unit: str) -> str:
    return NOTHING if value is None else f"{rounded(value, 1)} {unit}".rstrip()


def proof_table(given: Given, days: Sequence[Day]) -> Table:
    """Proof tests done in the period, and those that are due or overdue at its end."""
    tests = sorted(
        in_force([one for one in given.entries if isinstance(one, ProofTest)]), key=lambda one: (one.utc_ms, one.n)
    )
    newest = {one.function: one for one in tests}
    end = days[-1].span[1]
    rows = [
        plain(
            at(one.utc_ms, given.zone),
            one.function,
            "passed" if one.passed else "FAILED",
            _due(given, one, end) if newest[one.function] is one else "done again since",
            one.text,
            one.person,
        )
        for one in tests
        if inside(given, days, one.utc_ms) or (newest[one.function] is one and 0 < one.next_due_utc_ms <= end)
    ]
    return table("Proof tests done and due", ("when", "function", "result", "next due", "text", "person"), rows)


def _due(given: Given, one: ProofTest, end: int) -> str:
    if not one.next_due_utc_ms:
        return ""
    return at(one.next_due_utc_ms, given.zone, "%Y-%m-%d") + (" OVERDUE" if one.next_due_utc_ms <= end else "")
