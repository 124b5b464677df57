"""Rows to enter as people write them, by command or in a file (CSV), made what the scan reads. Decides nothing.

Faults are found by the very function that judges at the scan, and all of them before anything is sent.

The first line names the columns: ``kind`` and the fields of the kinds in it;
what a kind does not have stays empty. Times are the site's, such as
``2025-02-03 08:30``, or with their offset, ``2025-10-26 02:30+01:00``.
"""

import csv
import hashlib
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from gateway.core.entering import EVERY_KIND, FIELDS, IDENTITY, TIMES, Known, faults_told
from gateway.core.entry import EntryKind
from gateway.core.plant import Plant

_COLUMNS = tuple(
    dict.fromkeys(["kind", *(one for pair in FIELDS.values() for part in pair for one in part), *EVERY_KIND])
)
_LINES_LIMIT = 500  # what the field process takes at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A row and where it stands, for what is said about it."""

    row: dict[str, str]
    place: str


@dataclass(slots=True)
class Table:
    """What a file holds: its rows, and everything that cannot be read."""

    rows: list[Placed] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def table_of(content: bytes, name: str, zone: ZoneInfo) -> Table:
    """The rows of a file; with a fault it is not to be entered.

    Args:
        content: of the file, UTF-8, separated by comma or semicolon.
        name: of the file, for the faults.
        zone: of the site.
    """
    table = Table()
    try:
        text = content.decode("utf-8-sig")
        separator = ";" if ";" in text.partition("\n")[0] else ","
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        lines = [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except (UnicodeDecodeError, csv.Error) as error:
        table.faults.append(f"{name}: cannot be read as a table ({error}); save it as CSV, UTF-8")
        return table
    table.faults += _faults_of_shape(lines, name)
    if not table.faults:
        columns = [cell.strip() for cell in lines[0][1]]
        for number, cells in lines[1:]:
            _read(table, dict(zip(columns, cells, strict=False)), f"{name}:{number}", zone)
        table.faults += _twice(table.rows)
    return table


def _faults_of_shape(lines: Sequence[tuple[int, list[str]]], name: str) -> Iterator[str]:
    if len(lines) <= 1:
        yield f"{name}: has no rows; write a first line with the columns, {', '.join(_COLUMNS)}, and rows below it"
        return
    columns = [cell.strip() for cell in lines[0][1]]
    if "kind" not in columns:
        yield f"{name}:1: there is no column kind; it says what each row is: {', '.join(one.value for one in FIELDS)}"
    for column in columns:
        if column not in _COLUMNS or columns.count(column) > 1:
            problem = "stands there twice" if column in _COLUMNS else f"is unknown; known: {', '.join(_COLUMNS)}"
            yield f"{name}:1: column {column!r} {problem}"
    for number, cells in lines[1:]:
        if len(cells) > len(columns):
            yield f"{name}:{number}: {len(cells)} cells, {len(columns)} columns; put quotes around a text with commas"
    if len(lines) - 1 > _LINES_LIMIT:
        yield f"{name}: {len(lines) - 1} rows; at most {_LINES_LIMIT} are entered at once, so split the file"


def _read(table: Table, cells: Mapping[str, str], place: str, zone: ZoneInfo) -> None:
    given = {name: cell.strip() for name, cell in cells.items() if cell.strip()}
    row, faults = with_times(given, zone)
    table.faults += [f"{place}: column {name}: {text}" for name, text in faults]
    table.rows.append(Placed(row=with_identity(row), place=place))


def _twice(rows: Sequence[Placed]) -> Iterator[str]:
    first: dict[str, str] = {}
    for one in rows:
        identity = one.row[IDENTITY]
        if identity in first:
            yield f"{one.place}: is the same as {first[identity]}; leave one of them out"
        first.setdefault(identity, one.place)


def fields_of(kind: str) -> tuple[str, ...]:
    """The fields that an entry of a kind may have, those that it needs first.

    Raises:
        ValueError: there is no such kind.
        KeyError: it is entered otherwise.
    """
    needed, optional = FIELDS[EntryKind(kind)]
    return (*needed, *optional, *EVERY_KIND)


def identity_of(row: Mapping[str, str]) -> str:
    """By which a row is known when it is entered again."""
    return row[IDENTITY]


def faults_of(
    rows: Sequence[Placed], plant: Plant, *, utc_ms: int, entered: Mapping[str, str]
) -> list[tuple[str, str, str]]:
    """What the scan would refuse beside times that cannot be read: place of the row, field, and what is wrong.

    Args:
        rows: to be entered.
        plant: rules of the site.
        utc_ms: now, by the site's clock.
        entered: number to kind of every entry.
    """
    units = {rule.tag: rule.unit for rule in plant.points}
    known = Known(rules=plant.entries, units=units, utc_ms=utc_ms, entered=entered)
    found = faults_told([one.row for one in rows], known)
    return [
        (rows[place].place, fault.field, fault.text)
        for place, fault in found
        if not _unread_time(rows[place].row, fault.field)
    ]


def _unread_time(row: Mapping[str, str], name: str) -> bool:
    """Whether a field is a time that could not be read, which ``with_times`` has told."""
    return name in TIMES and bool(row.get(name)) and not row[name].isdigit()


def with_times(given: Mapping[str, str], zone: ZoneInfo) -> tuple[dict[str, str], list[tuple[str, str]]]:
    """A row with its times as milliseconds UTC, and what is wrong with them, by field."""
    row, faults = dict(given), []
    for name in TIMES & given.keys():
        try:
            row[name] = str(utc_ms_of(given[name], zone))
        except ValueError as why:
            faults.append((name, str(why)))
    return row, faults


def with_identity(row: Mapping[str, str]) -> dict[str, str]:
    """The row with what makes it the same row when it is entered again."""
    octets = json.dumps(sorted(row.items()), ensure_ascii=True).encode("ascii")
    return {**row, IDENTITY: hashlib.sha256(octets).hexdigest()[:32]}


def utc_ms_of(text: str, zone: ZoneInfo) -> int:
    """A site time in milliseconds UTC.

    Raises:
        ValueError: it is none, or the site's clock shows it never, or twice.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{text!r} is no time; write for instance 2025-02-03 08:30, in site time") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
        if moment.utcoffset() != moment.replace(fold=1).utcoffset():
            raise ValueError(_changing(text, moment))
    return round(moment.timestamp() * 1_000)


def _changing(text: str, moment: datetime) -> str:
    later = moment.replace(fold=1).utcoffset() or timedelta()
    if later < (moment.utcoffset() or timedelta()):
        return f"{text!r} comes twice, as the clock is set back; say which, as {moment.isoformat(' ', 'minutes')}"
    return f"{text!r} never comes, as the clock is set forward then; say the time before or after"
