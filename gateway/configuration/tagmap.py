"""The tags of a site as a table for a spreadsheet, and back.

One row for each tag that is read from a device, one column for each key; the
names of the keys carry their units. Comma-separated as in RFC 4180, UTF-8, a
decimal point. An export says everything that holds after the register maps are
merged; an import checks the whole site with the new tags before anything is
written, and touches ``tags.yaml`` alone. Decides nothing about tags: a table is
held against the same schema and the same rules as the files.

How a cell is written:

* A number or true/false as it is; lists and keys within keys as compact JSON.
* Text as it is, with an apostrophe before it where a spreadsheet would make
  something else of it (a formula, a number without its leading zeros) or where
  it would be taken for an empty or a null cell. One apostrophe at the beginning
  of a cell is always taken away again.
* An empty cell gives no key: the default holds, or with a point what its map
  says. With a point, ``null`` says that there is none, whatever the map says.
"""

import csv
import io
import json
import os
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel

from gateway.configuration.document import DEEPEST, LONGEST_FILE_BYTES, Node, Scalar, children, parse_document
from gateway.configuration.fault import Fault, Refused, in_order
from gateway.configuration.plant import all_faults
from gateway.configuration.reading import configuration_hash, read_draft, read_site
from gateway.configuration.schema import Site, Tag

TAGS_FILE = "tags.yaml"
HEADING = ("tag", *Tag.model_fields)

_DANGEROUS = ("=", "+", "-", "@", "'", "\t", "\r", "\n")
_DECIMAL_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+")
_NOT_RAW_IN_YAML = re.compile("[\x7f-\x9f\u2028\u2029\ufeff]")
_SURROGATE = re.compile("[\ud800-\udfff]")
_SEPARATORS = {";": "semicolons", "\t": "tabs"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import has done.

    Args:
        tags: how many there are now.
        previous: the file that was replaced, kept beside the new one; None when there was none.
        warnings: what is unwise in the site now.
    """

    tags: int
    previous: Path | None
    warnings: tuple[Fault, ...]


def export_table(folder: Path) -> str:
    """The tags of a site as a table.

    Raises:
        Refused: the folder cannot be read.
    """
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(HEADING)
    for name, tag in read_site(folder).tags.items():
        cells = (_cell(getattr(tag, key), says_all=tag.point is not None) for key in Tag.model_fields)
        writer.writerow([_text_cell(name), *cells])
    return file.getvalue()


def import_table(folder: Path, content: bytes, name: str, *, replace: bool) -> Imported:
    """Put the tags of a table into the place of those of a site.

    Args:
        folder: the site folder.
        content: the table.
        name: what to call it in faults.
        replace: whether a ``tags.yaml`` that is there may be replaced.

    Raises:
        Refused: every fault of the table and of the site with it; nothing has been changed.
        OSError: the folder cannot be written; nothing has been changed.
    """
    node, faults = _Table(name).read(content)
    if faults:
        raise Refused(in_order(faults))
    draft = read_draft(folder, tags=node)
    wrong, warnings = all_faults(draft)
    wrong = in_order([*wrong, *_in_the_way(folder, replace=replace)])
    if wrong or draft.site is None:
        raise Refused(wrong)
    text = _yaml(node, name)
    _refuse_lost(folder, text, draft.site, name)
    return Imported(tags=len(draft.site.tags), previous=_put(folder / TAGS_FILE, text), warnings=warnings)


# --- writing a table -------------------------------------------------------------------------------------------


def _cell(value: Any, *, says_all: bool) -> str:
    """A value of a tag; with ``says_all`` an empty one is written out, since an empty cell would mean the map's."""
    if value is None:
        return "null" if says_all else ""
    if isinstance(value, str):
        return _text_cell(value) if value or says_all else ""
    plain = _plain(value)
    if plain in ([], {}) and not says_all:
        return ""
    return json.dumps(plain, ensure_ascii=False, separators=(",", ":"))


def _text_cell(text: str) -> str:
    changes = text in {"", "null"} or text.startswith(_DANGEROUS) or _loses_digits(text)
    return f"'{text}" if changes else text


def _loses_digits(text: str) -> bool:
    """Whether a spreadsheet would take text for a number and write it otherwise."""
    try:
        float(text)
    except ValueError:
        return text.lower() in {"true", "false"}
    return not (text.isascii() and text.isdigit() and (text == "0" or text[0] != "0"))


def _plain(value: Any) -> Any:
    """A value of the schema as JSON has it, whole numbers without a fraction."""
    if isinstance(value, BaseModel):
        return _plain(value.model_dump(mode="json", exclude_defaults=True))
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    whole = isinstance(value, float) and value.is_integer() and repr(value) != "-0.0"
    return int(value) if whole else value


# --- reading a table -------------------------------------------------------------------------------------------


class _Unclear(ValueError):  # noqa: N818 - named for what is the case
    """A cell that could mean two things."""


class _Table:
    """Reads one table into the section ``tags``; faults are collected with their rows, the heading being row 1."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._faults: list[Fault] = []

    def read(self, content: bytes) -> tuple[Node, list[Fault]]:
        rows = self._rows(content)
        heading = rows[0] if rows else []
        tags: dict[str, Node] = {}
        if self._heading_fits(heading):
            for number, row in enumerate(rows[1:], start=2):
                self._row(number, dict(zip(heading, row, strict=False)), len(row) > len(heading), tags)
            if not tags and not self._faults:
                self._fault(2, "", "no tag", "a row for each tag", "Begin with an export.")
        return Node(file=self._name, line=1, value=tags), self._faults

    def _rows(self, content: bytes) -> list[list[str]]:
        if len(content) > LONGEST_FILE_BYTES:
            self._fault(1, "", f"{len(content)} bytes", f"at most {LONGEST_FILE_BYTES} bytes", "")
            return []
        try:
            text = content.decode("utf-8-sig")
            return list(csv.reader(io.StringIO(text, newline=""), strict=True))
        except UnicodeDecodeError:
            self._fault(1, "", "a file that is not UTF-8", "UTF-8 text", "Save it as CSV UTF-8.")
        except csv.Error as error:
            self._fault(1, "", f"broken quotes ({error})", "cells as in RFC 4180", "Save it as CSV again.")
        return []

    def _heading_fits(self, heading: Sequence[str]) -> bool:
        if not self._faults and not heading:
            self._fault(1, "", "an empty file", f"a heading with {', '.join(HEADING[:4])} ...", "Begin with an export.")
        separator = _SEPARATORS.get(next((mark for mark in _SEPARATORS if mark in "".join(heading)), ""))
        if separator is not None:
            self._fault(
                1,
                "",
                f"columns separated by {separator}",
                "commas, and a decimal point in numbers",
                "Save it with commas and points; the region set in the spreadsheet decides which it writes.",
            )
        elif not self._faults:
            self._columns(heading)
        return not self._faults

    def _columns(self, heading: Sequence[str]) -> None:
        for position, column in enumerate(heading):
            if column not in HEADING:
                nearest = get_close_matches(column, HEADING, n=1)
                advice = f"Did you mean {nearest[0]}?" if nearest else "Remove it."
                self._fault(1, column, "an unknown column", f"the columns {', '.join(HEADING)}", advice)
            elif column in heading[:position]:
                self._fault(1, column, "the column a second time", "each column once", "Remove one.")
        if "tag" not in heading:
            self._fault(1, "", "no column tag", "a column tag with the name of each tag", "Add it.")

    def _row(self, number: int, cells: Mapping[str, str], too_long: bool, tags: dict[str, Node]) -> None:  # noqa: FBT001
        if not any(cells.values()):
            return
        name = cells["tag"].removeprefix("'") if "tag" in cells else ""
        if too_long:
            self._fault(number, name, "more cells than columns", "one cell a column", "Put quotes around commas.")
        if not name:
            self._fault(number, "tag", "no name", "the name of a tag", "Name the tag, or empty the row.")
        elif name in tags:
            found, allowed = "the tag a second time", f"each tag once; the first is in row {tags[name].line}"
            self._fault(number, name, found, allowed, "Remove one.")
        else:
            keys = {key: self._value(number, name, key, cell) for key, cell in cells.items() if key != "tag" and cell}
            tags[name] = Node(file=self._name, line=number, value=keys, path=(name,))

    def _value(self, row: int, tag: str, column: str, cell: str) -> Node:
        path = (tag, column)
        try:
            return self._node(_meaning(column, cell), row, path)
        except _Unclear as why:
            self._fault(row, f"{tag}.{column}", *why.args)
            return Node(file=self._name, line=row, value=None, usable=False, path=path)

    def _node(self, value: Any, row: int, path: tuple[str | int, ...]) -> Node:
        if len(path) > DEEPEST:
            raise _Unclear(f"values nested deeper than {DEEPEST}", f"{DEEPEST} levels", "")
        texts = [value] if isinstance(value, str) else value if isinstance(value, dict) else []
        if any(_SURROGATE.search(text) for text in texts):
            raise _Unclear("half a character (a lone surrogate)", "whole characters", "Write the character itself.")
        if isinstance(value, dict):
            value = {key: self._node(inner, row, (*path, key)) for key, inner in value.items()}
        elif isinstance(value, list):
            value = [self._node(inner, row, (*path, number)) for number, inner in enumerate(value)]
        return Node(file=self._name, line=row, value=value, path=path)

    def _fault(self, row: int, key: str, found: str, allowed: str, advice: str) -> None:
        fault = Fault(file=self._name, line=row, key=key, found=found, allowed=allowed, advice=advice)
        self._faults.append(fault)


def _is_text(column: str) -> bool:
    """Whether a column holds text or one of some words."""
    kind = Tag.model_fields[column].annotation
    choices = get_args(kind)
    return str in (kind, *choices) or (bool(choices) and all(isinstance(choice, str) for choice in choices))


def _meaning(column: str, cell: str) -> Any:
    """What a cell that is not empty says; text that is no value is left to the schema to refuse."""
    if cell == "null":
        return None
    bare = cell.removeprefix("'")
    if _is_text(column):
        return bare
    if _DECIMAL_COMMA.fullmatch(bare):
        raise _Unclear(f"{bare}, a decimal comma", "a decimal point", f"Write {bare.replace(',', '.')}.")
    if bare in {"TRUE", "FALSE"}:
        return bare == "TRUE"
    try:
        return json.loads(bare, object_pairs_hook=_once_each, parse_constant=_no_number)
    except _Unclear:
        raise
    except (ValueError, RecursionError):  # no JSON, or more digits or brackets than Python takes
        if bare.startswith(("[", "{")):
            advice = "Look at brackets, quotes and commas; an export shows how it is written."
            raise _Unclear("broken JSON", "a list or keys as JSON", advice) from None
        return bare


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    keys = dict(pairs)
    if len(keys) < len(pairs):
        raise _Unclear("a key twice in one cell", "each key once", "Remove one.")
    return keys


def _no_number(word: str) -> str:
    return word  # NaN or Infinity: text, which the schema refuses where it wants a number


# --- writing tags.yaml -----------------------------------------------------------------------------------------


def _in_the_way(folder: Path, *, replace: bool) -> Iterator[Fault]:
    """What would be lost, or stand twice, with a new ``tags.yaml``."""
    path = folder / TAGS_FILE
    there = read_draft(folder).sources
    tags = children(there).get("tags")
    if tags is not None and tags.file != TAGS_FILE:
        found, advice = f"the section tags, in {tags.file}", f"Move it into {TAGS_FILE} first."
        yield Fault(file=tags.file, line=tags.line, key="tags", found=found, allowed=TAGS_FILE, advice=advice)
    for section, node in children(there).items():
        if node.file == TAGS_FILE and section != "tags":
            found, advice = f"the section {section}, which would be lost", "Move it into another file first."
            key = str(section)
            yield Fault(file=TAGS_FILE, line=node.line, key=key, found=found, allowed="tags alone", advice=advice)
    if path.exists() and not replace:
        advice = "Say --replace; the file is kept beside the new one."
        yield Fault(file=TAGS_FILE, line=1, key="", found="a file that is there already", allowed="none", advice=advice)


def _yaml(tags: Node, name: str) -> str:
    origin = "".join(letter if letter.isascii() and letter.isprintable() else "?" for letter in name)
    lines = [f'# Written by "purplegate tagmap import" from {origin}.', "", "tags:"]
    for tag, node in children(tags).items():
        lines.append(f"  {_flow(str(tag))}:")
        lines += [f"    {key}: {_flow(_content(child))}" for key, child in children(node).items()]
    return "\n".join(lines) + "\n"


def _content(node: Node) -> Any:
    if isinstance(node.value, dict):
        return {key: _content(child) for key, child in node.value.items()}
    return [_content(child) for child in node.value] if isinstance(node.value, list) else node.value


def _flow(value: Any) -> str:
    """A value in one line, as JSON but with numbers written out and nothing raw that YAML takes for a line end."""
    if isinstance(value, dict):
        return f"{{{', '.join(f'{_flow(key)}: {_flow(inner)}' for key, inner in value.items())}}}"
    if isinstance(value, list):
        return f"[{', '.join(_flow(inner) for inner in value)}]"
    return _scalar(value)


def _scalar(value: Scalar) -> str:
    if isinstance(value, float):
        return format(Decimal(repr(value)), "f")
    text = json.dumps(value, ensure_ascii=False)
    return _NOT_RAW_IN_YAML.sub(lambda found: f"\\u{ord(found.group()):04x}", text)


def _refuse_lost(folder: Path, text: str, site: Site, name: str) -> None:
    """What was checked is what will be read, or nothing is written."""
    written = parse_document(text, TAGS_FILE)
    again = read_draft(folder, tags=written.root["tags"]).site if written.complete and written.root else None
    if written.faults or again is None or configuration_hash(again) != configuration_hash(site):
        found = "a value that cannot be written in a site folder"
        faults = [Fault(file=name, line=1, key="", found=found, allowed="numbers of up to 40 digits, and plain text")]
        raise Refused([*faults, *written.faults])


def _put(path: Path, text: str) -> Path | None:
    """Replace a file in one step, and keep what was there under a name that no reader takes for a site file."""
    handle, made = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fchmod(file.fileno(), path.stat().st_mode & 0o777 if path.exists() else 0o644)
            os.fsync(file.fileno())
        previous = _keep(path) if path.exists() else None
        Path(made).replace(path)
    except BaseException:
        Path(made).unlink(missing_ok=True)
        raise
    return previous


def _keep(path: Path) -> Path:
    number = 1
    while True:
        kept = path.with_name(f"{path.name}.previous-{number}")
        try:
            kept.hardlink_to(path)
        except FileExistsError:
            number += 1
        else:
            return kept
