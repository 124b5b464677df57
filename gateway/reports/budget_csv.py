"""A response budget as CSV: one way to trip a line. Values in, text out (RFC 4180).

Seconds and litres are plain numbers. What does not exist is empty.
"""

import csv
from collections.abc import Sequence
from io import StringIO

from gateway.reports.budget import Budget, remedies, stretches

_PARTS = ("sample_line", "t90", "poll", "reply", "delay", "scan", "write", "stroke")
HEAD = (
    "interlock",
    "service",
    "watches",
    *(f"{part}_s" for part in _PARTS),
    "safe_s",
    "water_s",
    "held_l",
    "peak_m3_h",
    "passes_l",
    "race",
    "would_help",
)


def budget_csv(rows: Sequence[Budget]) -> str:
    """The whole budget."""
    written = StringIO()
    writer = csv.writer(written)
    writer.writerow(HEAD)
    writer.writerows(_line(row) for row in rows)
    return written.getvalue()


def _line(row: Budget) -> tuple[str, ...]:
    response = row.response
    lasts = {part.key: part.lasts_s for part in stretches(response)}
    runs = response.peak_m3_h is not None
    return (
        response.interlock,
        response.service,
        response.watches,
        *(_plain(lasts[part]) for part in _PARTS),
        _plain(response.safe_s),
        _plain(row.water_s),
        _plain(row.held_l if runs else None),
        _plain(response.peak_m3_h),
        _plain(row.passes_l),
        row.race.value,
        "; ".join(remedies(row)),
    )


def _plain(value: float | None) -> str:
    return "" if value is None else repr(round(value, 3))
