"""Criteria files: read, told all faults at once, and made from a table of published limits.

A table (CSV) has the columns of ``COLUMNS``; each of its jurisdictions becomes
one file, so that another jurisdiction needs no code. Decides no figure.
"""

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from pydantic import ValidationError

from gateway.configuration.criteria_tables import as_criteria, shape_of
from gateway.configuration.document import Node, read_document
from gateway.configuration.schema.permit import Criteria, Limit, Permit

COLUMNS = [
    "jurisdiction",
    "class_or_use",
    "parameter",
    "statistic",
    "limit",
    "unit",
    "window",
    "allowed_fraction",
    "applies_to",
    "source",
    "seen",
    "confidence",
    "note",
]
CONFIRM = "confirm with your authority"
_LABELS = re.compile(r",?( as (summarised |quoted )?in)? ?\[(M|S[0-9]+)\]")  # references to a list of the table's own


class CriteriaRefused(Exception):  # noqa: N818 - named for what is the case
    """A criteria file or table cannot be used; the text has every fault on a line."""


def read_criteria(file: Path) -> Criteria:
    """A criteria file.

    Raises:
        CriteriaRefused: it cannot be read, or does not say what it has to.
    """
    found = read_document(file, str(file))
    if found.faults:
        raise CriteriaRefused("\n".join(map(str, found.faults)))
    try:
        return Criteria.model_validate_json(json.dumps({key: _plain(node) for key, node in found.root.items()}))
    except ValidationError as error:
        told = [f"{file}: {'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors()]
        raise CriteriaRefused("\n".join(told)) from error


def _plain(node: Node) -> object:
    if isinstance(node.value, dict):
        return {key: _plain(one) for key, one in node.value.items()}
    return [_plain(one) for one in node.value] if isinstance(node.value, list) else node.value


def limits_of(permit: Permit, criteria: Criteria | None) -> dict[str, tuple[Limit, ...]]:
    """The limits that hold: those of the criteria that the permit uses, and its own in the place of equal names.

    Raises:
        CriteriaRefused: the permit uses a limit that the criteria do not have.
    """
    given = dict(criteria.limits) if criteria is not None else {}
    missing = [name for name in permit.use if name not in given]
    if missing:
        raise CriteriaRefused(f"permit {permit.id} uses {', '.join(missing)}; the criteria have {', '.join(given)}")
    chosen = {name: one for name, one in given.items() if name in permit.use or not permit.use}
    return {**chosen, **permit.limits}


def criteria_texts(table: str, place: str) -> dict[str, str]:
    """Criteria files by name, out of a table of published limits.

    Args:
        table: CSV with the columns of ``COLUMNS``, or of one of the ``SHAPES`` of ``criteria_tables``.
        place: of the table, for messages.

    Raises:
        CriteriaRefused: a column is missing, or a row does not say what it has to; all faults at once.
    """
    reader = csv.DictReader(io.StringIO(table))
    given = [(line, {key: text or "" for key, text in row.items() if key}) for line, row in enumerate(reader, 2)]
    shape = shape_of(list(reader.fieldnames or ()))
    if shape is not None:
        name = Path(place).stem.replace("_", " ")
        return _texts([(line, one) for line, row in given for one in as_criteria(shape, row, name)], place)
    missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
    if missing:
        raise CriteriaRefused(f"{place}: columns {', '.join(missing)} are missing; needed are {', '.join(COLUMNS)}")
    return _texts(given, place)


def _texts(rows: Sequence[tuple[int, Mapping[str, str]]], place: str) -> dict[str, str]:
    faults = [f"{place}, line {line}: {fault}" for line, row in rows for fault in _faults(row)]
    if faults:
        raise CriteriaRefused("\n".join(faults))
    names = dict.fromkeys(row["jurisdiction"] for _, row in rows)
    return {_slug(name): _file(name, [row for _, row in rows if row["jurisdiction"] == name], place) for name in names}


def _faults(row: Mapping[str, str]) -> Iterator[str]:
    for name in ("jurisdiction", "parameter", "statistic", "source"):
        if not row[name]:
            yield f"{name} is empty; it has to be said"
    if row["seen"] not in {"seen", "memory"}:
        yield f"seen is {row['seen']!r}; write seen or memory"
    if row["allowed_fraction"] and _number(row["allowed_fraction"]) is None:
        yield f"allowed_fraction is {row['allowed_fraction']!r}; write a number from 0 to 1, or nothing"


def _number(text: str) -> float | None:
    return float(text) if re.fullmatch(r"-?[0-9]+([.][0-9]+)?", text) else None


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")[:40].strip("_")


def _file(jurisdiction: str, rows: Sequence[Mapping[str, str]], place: str) -> str:
    head = [f"# Made from {place} by 'purplegate criteria'. Recalled limits (seen: false): {CONFIRM}."]
    lines = [*head, f"jurisdiction: {json.dumps(jurisdiction, ensure_ascii=False)}", "limits:"]
    taken: set[str] = set()
    for row in rows:
        stem = _slug(f"{row['parameter'][:18]} {row['statistic'][:16]}")[:36]
        name = next(one for one in (stem, *(f"{stem}_{i}" for i in range(2, 99))) if one not in taken)
        taken.add(name)
        lines += [f"  {name}:", *_entry(row)]
    return "\n".join(lines) + "\n"


def _entry(row: Mapping[str, str]) -> Iterator[str]:
    number = _number(row["limit"])
    said: dict[str, str | float | bool | None] = {
        "parameter": row["parameter"],
        "statistic": row["statistic"],
        "limit": number,
        "text": "" if number is not None else row["limit"],
        "unit": row["unit"],
        "window": row["window"],
        "allowed_fraction": _number(row["allowed_fraction"]),
        "use": _LABELS.sub("", row["class_or_use"]),
        "applies_to": row["applies_to"],
        "source": _LABELS.sub("", row["source"]),
        "seen": row["seen"] == "seen",
        "note": _LABELS.sub("", row["note"]),
    }
    mark = "    - "
    for key, value in said.items():
        if value is not None and value != "":
            yield f"{mark}{key}: {json.dumps(value, ensure_ascii=False)}"
            mark = "      "
