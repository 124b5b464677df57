"""The record of a year: what its months say, side by side, and totals that are the sums of the months. Pure."""

import math
from collections.abc import Iterator, Mapping, Sequence

from gateway.records.sheet import NOTHING, Cell, Sheet, Table, Words, plain, rounded, table

_CHECKS = "Verification and calibration"  # tables of a month that a year repeats, by their heading
_OPEN = {"Alarms": "cause not yet entered", "Gaps of more than 15 minutes": "NOT ENTERED"}


def year_sheet(year: int, months: Sequence[Sheet], filed: Mapping[str, Mapping[str, str]] | None = None) -> Sheet:
    """Twelve months in one table, and their totals.

    Args:
        year: which.
        months: their sheets, in order; those without a record are left out.
        filed: texts of the cells of the months that were certified, by month and key; None when they are not known.
    """
    cells = {cell.key: cell for month in months for cell in month.cells()}
    names = sorted({key.split("/")[1] for key in cells if key.endswith("/total") and "complete" not in key})
    shares = sorted({key.split("/")[1] for key in cells if key.endswith("/total") and "complete" in key})
    limits = sorted({key.split("/")[2] for key in cells if "/not-kept/" in key})
    rows = []
    for month in months:
        found = [cells.get(f"{month.key}/{name}/total") for name in (*names, *shares)]
        rows.append((Cell(text=month.key), *(Cell(text=one.text if one else NOTHING) for one in found)))
    sums = [
        math.fsum(cells[key].exact or 0.0 for m in months if (key := f"{m.key}/{name}/total") in cells)
        for name in names
    ]
    kept = [
        (
            Cell(text=limit),
            *(Cell(text=cells[key].text if (key := f"{m.key}/not-kept/{limit}") in cells else NOTHING) for m in months),
        )
        for limit in limits
    ]
    total = [Cell(text=rounded(v, 2), key=f"{year}/{name}/total", exact=v) for name, v in zip(names, sums, strict=True)]
    rows.append((Cell(text="sum, or largest use"), *total, *plain(*([""] * len(shares)))))
    said = (
        "Sums of volumes equal the sums of the months above, unrounded. Provisional months make a provisional year.",
        *(f"{month.key}: {month.head[1]}" for month in months),
        "Not held here, to be attached: cross-connection and backflow tests, operator certificates.",
    )
    return Sheet(
        key=f"{year}",
        title=f"Operating record {year}{months[0].title[months[0].title.index(',') :] if months else ''}",
        head=months[-1].head[:1] if months else (),
        parts=(
            table("Months", ("month", *names, *shares), rows),
            table("Limits: how often not kept, of how many judged", ("limit", *(m.key for m in months)), kept),
            _extremes(year, months),
            *_checks(months),
            _open(months),
            *([] if filed is None else [_as_filed(months, filed)]),
            Words(heading="About this record", lines=said),
        ),
    )


def _extremes(year: int, months: Sequence[Sheet]) -> Table:
    """The largest and smallest reading of each quantity, with the day; of equal ones the first."""
    found: dict[str, list[tuple[str, Cell]]] = {}
    for month in months:
        for cell in month.cells():
            name = cell.key.split("/")[1]
            if name.endswith(("-max", "-min")) and cell.exact is not None and "diversion" not in name:
                found.setdefault(name, []).append((month.key, cell))
    rows = []
    for name, cells in sorted(found.items()):
        pick = max if name.endswith("-max") else min
        period, worst = pick(cells, key=lambda one: one[1].exact or 0.0)
        day = worst.key.rsplit("/", 1)[1]
        rows.append(
            (
                Cell(text=name.replace("-", " ")),
                Cell(text=worst.text, key=f"{year}/{name}/extreme", exact=worst.exact),
                Cell(text=f"{period}-{int(day):02}"),
            )
        )
    return table("Extremes of the year", ("what", "value", "day"), rows)


def _rows(months: Sequence[Sheet], heading: str) -> Iterator[tuple[Table, tuple[Cell, ...]]]:
    for month in months:
        for part in month.parts:
            if isinstance(part, Table) and part.heading == heading:
                yield from ((part, row) for row in part.rows if row[0].text != "none")


def _checks(months: Sequence[Sheet]) -> Iterator[Table]:
    rows = list(_rows(months, _CHECKS))
    columns = rows[0][0].columns if rows else ("when",)
    yield table(f"{_CHECKS} of the year", columns, [row for _, row in rows])


def _open(months: Sequence[Sheet]) -> Table:
    rows = [
        plain(heading, row[0].text, row[1].text, missing)
        for heading, missing in _OPEN.items()
        for _, row in _rows(months, heading)
        if missing in {cell.text for cell in row}
    ]
    return table("Still open at the end", ("of", "which", "when or what", "still missing"), rows)


def _as_filed(months: Sequence[Sheet], filed: Mapping[str, Mapping[str, str]]) -> Table:
    """Whether the totals that are summed here are those that were certified."""
    rows = []
    for month in months:
        totals = {cell.key: cell.text for cell in month.cells() if cell.key.endswith("/total")}
        if month.key not in filed:
            rows.append(plain(month.key, "not certified", ""))
            continue
        other = [
            f"{key} {text}, certified {filed[month.key].get(key, 'nothing')}"
            for key, text in totals.items()
            if filed[month.key].get(key) != text
        ]
        rows.append(plain(month.key, "DIFFERS" if other else f"equal, {len(totals)} totals", "; ".join(other)))
    return table("Totals beside the certified months", ("month", "verdict", "which"), rows)
