"""An alarm review as CSV: one value a line, so that any program can pick what it wants. Values in, text out.

Numbers are plain, parts are of 1, durations in seconds, instants in ISO 8601
with the offset of the site. A value that does not exist is empty.
"""

import csv
from collections.abc import Iterator
from datetime import UTC, datetime, tzinfo
from io import StringIO

from gateway.reports.alarm_review import Review
from gateway.reports.targets import Form, figures
from gateway.reports.wording import Cell, notes, tables

HEAD = ("table", "row", "name", "value", "unit", "target", "source", "met")
_UNITS = {Form.PART: "of 1", Form.DURATION: "s"}
Line = tuple[str, str, str, str, str, str, str, str]


def as_csv(found: Review) -> str:
    """The whole review (RFC 4180)."""
    written = StringIO()
    writer = csv.writer(written)
    writer.writerow(HEAD)
    writer.writerows(_lines(found))
    return written.getvalue()


def _lines(found: Review) -> Iterator[Line]:
    zone = found.site.zone
    head: tuple[tuple[str, Cell], ...] = (
        ("site", (Form.TEXT, found.site.id)),
        ("from", (Form.MOMENT, found.period[0])),
        ("until", (Form.MOMENT, found.period[1])),
        ("gateway_ran", (Form.DURATION, found.running_ms)),
    )
    for name, cell in head:
        yield "review", name, "", *_plain(cell, zone), "", "", ""
    for one in figures(found):
        value = _plain((one.form, one.value), zone)
        yield "figures", one.key, one.what, *value, one.target_text, one.source, one.met.value
    for each in tables(found):
        for number, cells in enumerate(each.rows, 1):
            for name, cell in zip(each.columns, cells, strict=True):
                yield each.key, str(number), name, *_plain(cell, zone), "", "", ""
    for number, note in enumerate(notes(found), 1):
        yield "notes", str(number), "", note, "", "", "", ""


def _plain(cell: Cell, zone: tzinfo) -> tuple[str, str]:
    """Value and unit."""
    form, value = cell
    if value is None or isinstance(value, str):
        return value or "", ""
    if form is Form.MOMENT:
        return datetime.fromtimestamp(value / 1_000, UTC).astimezone(zone).isoformat(), ""
    return repr(value / 1_000 if form is Form.DURATION else value), _UNITS.get(form, "")
