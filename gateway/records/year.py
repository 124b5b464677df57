"""The record of a year: what its months say, side by side, and totals that are the sums of the months. Pure."""

import math
from collections.abc import Sequence

from gateway.records.sheet import NOTHING, Cell, Sheet, Words, plain, rounded, table


def year_sheet(year: int, months: Sequence[Sheet]) -> Sheet:
    """Twelve months in one table, and their totals.

    Args:
        year: which.
        months: their sheets, in order; those without a record are left out.
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
            Words(heading="About this record", lines=said),
        ),
    )
