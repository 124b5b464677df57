"""Anchors kept in a file, one a line, so that a finding can go on when the display has moved.

Decides what such a line looks like and refuses one that it does not understand,
with file and line. Lines are only ever added.
"""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from gateway.drivers.driver import Table
from gateway.probe.finder import Anchor

_Word = Annotated[int, msgspec.Meta(ge=0, le=65_535)]
_Address = Annotated[str, msgspec.Meta(pattern=r"^[0-9]{1,5}$")]
_TableName = Literal["holding", "input"]
_LONGEST_FILE_BYTES = 64_000_000


class AnchorLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One line.

    Args:
        at: when it was read, UTC, for people.
        device: where, and which unit; anchors of two devices have nothing in common.
        displayed: what the display showed.
        within: what it may have moved meanwhile.
        words: by table, the first address of each piece and its words.
    """

    at: str
    device: str
    displayed: str
    words: dict[_TableName, dict[_Address, list[_Word]]]
    within: float = 0.0


class AnchorsUnusable(Exception):  # noqa: N818 - named for what is the case
    """The file cannot be read or has a line that is no anchor; says where."""


def read_anchors(path: Path) -> list[tuple[AnchorLine, Anchor]]:
    """All anchors of a file; none when there is no such file.

    Raises:
        AnchorsUnusable: see there.
    """
    try:
        if path.exists() and path.stat().st_size > _LONGEST_FILE_BYTES:
            raise AnchorsUnusable(f"{path}: larger than {_LONGEST_FILE_BYTES} bytes; this is no file of anchors")
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as fault:
        raise AnchorsUnusable(f"{path}: cannot be read: {fault}") from fault
    lines = enumerate(text.splitlines(), start=1)
    return [_anchor(path, number, line) for number, line in lines if line.strip()]


def _anchor(path: Path, number: int, line: str) -> tuple[AnchorLine, Anchor]:
    try:
        read = msgspec.json.decode(line, type=AnchorLine)
        return read, Anchor(displayed=read.displayed, within=read.within, words=_by_address(read.words))
    except (msgspec.MsgspecError, ValueError) as fault:
        raise AnchorsUnusable(
            f"{path}:{number}: no anchor: {fault}; lines are written by probe find, take this one out"
        ) from fault


def _by_address(words: Mapping[_TableName, Mapping[str, list[int]]]) -> dict[Table, dict[int, int]]:
    return {
        Table(table): {int(first) + i: word for first, piece in pieces.items() for i, word in enumerate(piece)}
        for table, pieces in words.items()
    }


def add_anchor(path: Path, anchor: Anchor, *, at: str, device: str) -> None:
    """Add a line and see it on the disk.

    Raises:
        AnchorsUnusable: it cannot be written.
    """
    line = AnchorLine(
        at=at,
        device=device,
        displayed=anchor.displayed,
        within=anchor.within,
        words={_NAMES[table]: _pieces(words) for table, words in anchor.words.items()},
    )
    try:
        with path.open("ab") as file:
            file.write(msgspec.json.encode(line) + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as fault:
        raise AnchorsUnusable(f"{path}: cannot be written: {fault}") from fault


_NAMES: dict[Table, _TableName] = {Table.HOLDING: "holding", Table.INPUT: "input"}


def _pieces(words: Mapping[int, int]) -> dict[str, list[int]]:
    pieces: dict[str, list[int]] = {}
    first = 0
    for address in sorted(words):
        if address - 1 not in words:
            first = address
            pieces[str(first)] = []
        pieces[str(first)].append(words[address])
    return pieces
