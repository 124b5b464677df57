"""A cause-and-effect matrix as CSV for a spreadsheet (RFC 4180). Values in, text out.

The first column names the table: ``matrix`` (which configuration), ``causes``
(a line for each condition, with what holds for its cause repeated),
``interlocks`` and ``outputs`` (what, and the words for it) and ``notes``. Durations are in seconds; a cell of
an output is the level, and beside it how soon and whether it latches.
"""

import csv
from collections.abc import Iterator
from io import StringIO

from gateway.reports import matrix_words as words
from gateway.reports.matrix import CauseRow, Cell, Matrix

_CAUSES = (
    "interlock",
    "cause",
    "service",
    "condition",
    "limit",
    "vote",
    "delay_s",
    "bad_inputs",
    "bad_delay_s",
    "latched",
    "restore_s",
    "bypass_max_s",
)
_CELLS = ("", "_within_s", "_latched")


def matrix_csv(found: Matrix) -> str:
    """The whole matrix."""
    written = StringIO()
    writer = csv.writer(written)
    writer.writerows(_lines(found))
    return written.getvalue()


def _lines(found: Matrix) -> Iterator[tuple[str, ...]]:
    about = found.about
    head = (
        ("site", about.id),
        ("configuration", about.hash),
        ("version", about.version),
        ("drawn_up", words.when(found).isoformat()),
    )
    yield from (("matrix", *pair) for pair in head)
    outputs = [column.rule.id for column in found.columns]
    yield "causes", *_CAUSES, *(f"{output}{part}" for output in outputs for part in _CELLS)
    for row in found.rows:
        yield from (("causes", *line) for line in _row(row, found, outputs))
    yield from (("interlocks", *pair) for pair in words.services(found))
    yield "outputs", "output", "what", "words"
    for column in found.columns:
        yield from (("outputs", column.rule.id, *pair) for pair in words.about_output(column, found))
    yield from (("notes", str(number), text) for number, text in enumerate((words.HOW_TO_READ, words.SUPERVISORY), 1))


def _row(row: CauseRow, found: Matrix, outputs: list[str]) -> Iterator[tuple[str, ...]]:
    rule, cause = row.rule, row.cause
    first = next(iter(row.cells.values()), None)
    bad_s = "" if first is None or first.bad_within_ms is None else _seconds(first.bad_within_ms)
    rest = (
        words.vote(row),
        _seconds(cause.trip_delay_ms),
        cause.bad.value,
        bad_s,
        _truth(so=rule.latched),
        "" if rule.latched else _seconds(rule.restore_delay_ms),
        _seconds(rule.bypass_max_ms) if rule.bypassable else "",
    )
    effects = [part for output in outputs for part in _cell(row.cells.get(output))]
    for what, limit in words.conditions(row, found):
        yield rule.id, str(row.number), rule.service, what, limit, *rest, *effects


def _cell(cell: Cell | None) -> tuple[str, str, str]:
    return ("", "", "") if cell is None else (cell.level, _seconds(cell.within_ms), _truth(so=cell.latched))


def _seconds(span_ms: int) -> str:
    return f"{span_ms / 1_000:g}"


def _truth(*, so: bool) -> str:
    return "yes" if so else "no"
