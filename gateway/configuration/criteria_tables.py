"""Published tables of other columns than those of criteria, as rows of criteria. Pure; decides no figure.

Gas limits, log reductions and operating figures name no jurisdiction: theirs is
the name of the table. What may stand in for a monitor that failed becomes a
limit whose figure is the spacing of what stands in.
"""

import re
from collections.abc import Iterator, Mapping

Row = Mapping[str, str]

SHAPES = {
    "gas limits": ("gas", "limit_type", "value", "unit", "averaging"),
    "log reductions": ("kind", "source_water_or_process", "use", "organism", "log10_low", "log10_high"),
    "monitor failure": ("jurisdiction", "parameter", "fallback", "interval", "interval_unit", "max_duration"),
    "operating figures": ("unit_process", "parameter", "low", "high", "unit"),
}
"""By which columns a table is known."""


def shape_of(columns: list[str]) -> str | None:
    """Which of the tables has these columns; None for none of them."""
    return next((name for name, needed in SHAPES.items() if set(needed) <= set(columns)), None)


def as_criteria(shape: str, row: Row, table: str) -> Iterator[dict[str, str]]:
    """A row in the columns of criteria: two where it gives a range.

    Args:
        shape: of the table, one of ``SHAPES``.
        row: by column.
        table: its name, for tables without a jurisdiction.
    """
    said = {"jurisdiction": row.get("jurisdiction", table), "allowed_fraction": "", "window": "", "applies_to": ""}
    said |= {name: row.get(name) or "" for name in ("source", "seen", "confidence", "note", "unit")}
    yield from ({**said, **one} for one in _PARTS[shape](row))


def _gas(row: Row) -> Iterator[dict[str, str]]:
    yield {
        "parameter": row["gas"],
        "statistic": _word(row["limit_type"]),
        "limit": row["value"],
        "window": row["averaging"],
        "class_or_use": "workplace air",
    }


def _log(row: Row) -> Iterator[dict[str, str]]:
    about = {"parameter": row["organism"], "class_or_use": row["use"], "applies_to": row["source_water_or_process"]}
    yield from _range(row["log10_low"], row["log10_high"], {**about, "unit": "log10"}, _word(row["kind"]))


def _operating(row: Row) -> Iterator[dict[str, str]]:
    about = {"parameter": row["parameter"], "class_or_use": "", "applies_to": row["unit_process"]}
    yield from _range(row["low"], row["high"], about, "figure")


def _range(low: str, high: str, about: Row, stem: str) -> Iterator[dict[str, str]]:
    if low == high:
        yield {**about, "statistic": stem, "limit": low}
        return
    for end, figure in (("lowest", low), ("highest", high)):
        if figure:
            yield {**about, "statistic": f"{stem}_{end}", "limit": figure}


def _failure(row: Row) -> Iterator[dict[str, str]]:
    yield {
        "parameter": row["parameter"],
        "statistic": _word(f"failed_{row['fallback']}"),
        "limit": row["interval"],
        "unit": row["interval_unit"],
        "window": "" if row["max_duration"] == "n/a" else f"at most {row['max_duration']}",
        "class_or_use": "while a monitor is out of order",
        "jurisdiction": f"{row['jurisdiction']}, failed monitors",
    }


def _word(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")[:30].rstrip("_")


_PARTS = {"gas limits": _gas, "log reductions": _log, "monitor failure": _failure, "operating figures": _operating}
