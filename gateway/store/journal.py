"""What was decided, asked and answered: append-only, each row chained to the one before by its hash.

Decides whether a row may be added (numbers without gaps) and whether the
chain is whole. Never changes or removes a row, and gives no numbers itself.

A row's hash is SHA-256 over the hash before it (32 zero octets for the first)
and the row's octets. The newest number and hash stand in a table of their own,
so that a cut-off end is noticed. Whoever may rewrite both tables whole can
forge all of it; against that, compare with hashes that have left the box
(``verify(..., known=...)``).
"""

import hashlib
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import msgspec

from gateway.local.messages import ChunkHeader, JournalEntry
from gateway.store.database import Reader, Transaction, rows
from gateway.store.errors import NotStorable, OutOfSequence
from gateway.store.findings import Fault, Finding
from gateway.store.seal import seal

STREAM = "journal"
FIRST_HASH = bytes(32)  # what stands before the first row
_PAGE_ROWS = 1_000
_LEAST_ENTRY_BYTES = 64

_encoder = msgspec.json.Encoder(order="sorted")
_decoder = msgspec.json.Decoder(JournalEntry)


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The newest row: its number and hash; n 0 when there is none."""

    n: int = 0
    hash: bytes = FIRST_HASH


def canonical(entry: JournalEntry) -> bytes:
    """The one way to write an entry: JSON, keys sorted, defaults left out.

    Raises:
        NotStorable: it would not read back equal (a fact that is NaN or infinite, a broken character).
    """
    try:
        octets = _encoder.encode(entry)
        same = _decoder.decode(octets) == entry
    except (msgspec.MsgspecError, UnicodeError, OverflowError) as error:
        raise NotStorable(
            f"journal entry {entry.n} ({entry.kind} {entry.subject}) cannot be written: {error}"
        ) from error
    if not same:
        raise NotStorable(
            f"journal entry {entry.n} ({entry.kind} {entry.subject}) would not read back as it is; "
            f"facts are texts, finite numbers and booleans: {entry.facts!r}"
        )
    return octets


def append(transaction: Transaction, new: Iterable[JournalEntry]) -> bytes:
    """Add entries at the end.

    Args:
        transaction: of the writer.
        new: numbered on from the newest entry, without gaps.

    Returns:
        The hash of the last one, which stands for everything up to it.

    Raises:
        OutOfSequence: a number does not follow.
        NotStorable: see ``canonical``.
    """
    head = newest(transaction)
    n, last_hash = head.n, head.hash
    for entry in new:
        if entry.n != n + 1:
            raise OutOfSequence(f"journal entry {entry.n} does not follow {n}; the next one is {n + 1}")
        octets = canonical(entry)
        n, last_hash = entry.n, _chained(last_hash, octets)
        transaction.execute(
            "INSERT INTO journal (n, hash, seal, entry) VALUES (?, ?, ?, ?)",
            (n, last_hash, seal(n, last_hash, octets), octets),
        )
    transaction.execute("INSERT OR REPLACE INTO journal_head (one, n, hash) VALUES (1, ?, ?)", (n, last_hash))
    return last_hash


def newest(reader: Reader) -> Head:
    """The newest row. Where head record and rows disagree the larger number counts, with the head record's hash.

    So a journal that somebody has cut or lengthened goes on, and ``verify`` still shows the place.
    """
    head, last = _head(reader), _last(reader)
    if head is None:
        return last
    return Head(n=max(head.n, last.n), hash=head.hash)


def read_after(reader: Reader, n: int, limit_bytes: int) -> list[tuple[ChunkHeader, bytes]]:
    """What follows position ``n``, as chunks; a chunk is a run of entries of one process run and one configuration.

    Damaged entries are never handed over. Reading stops before one; starting right before one skips it, so that
    the first chunk then does not follow ``n`` (``gap_after`` says why).

    Args:
        reader: read-only connection.
        n: position, 0 for the beginning.
        limit_bytes: of all bodies; one entry is handed over even when it is larger.
    """
    sound = _sound_run(reader, n, limit_bytes)
    grouped = groupby(sound, key=lambda pair: (pair[0].run, pair[0].configuration))
    return [_chunk(list(group)) for _, group in grouped]


def read_entries(reader: Reader, n: int, limit: int) -> list[JournalEntry]:
    """Sound entries after position ``n``, at most ``limit``."""
    return [entry for entry, _ in map(_sound, rows(reader, _SELECT, (n, limit))) if entry is not None]


def gap_after(reader: Reader, n: int) -> str:
    """Why the first chunk after position ``n`` does not follow it; empty when it does or nothing is there."""
    first = next((entry for entry, _ in _sound_run(reader, n, 1)), None)
    if first is None or first.n == n + 1:
        return ""
    return f"journal entries {n + 1} to {first.n - 1} are gone or damaged"


def verify(reader: Reader, *, known: Mapping[int, bytes] | None = None) -> list[Finding]:
    """Check the whole chain; may run while the journal grows.

    Args:
        reader: read-only connection.
        known: hashes by number that were noted outside of this file; they catch a chain forged as a whole.

    Returns:
        Everything that is wrong, in order; empty when the journal is whole.
    """
    check = _Check(known=dict(known or {}))
    while True:
        for row in _pages(reader, check.last.n):
            check.look_at(row)
        head = _head(reader)
        # Rows that came since the last page were committed before this head record was read.
        if not rows(reader, "SELECT 1 FROM journal WHERE n > ? LIMIT 1", (check.last.n,)):
            check.finish(head)
            return check.findings


# --- one row ---------------------------------------------------------------------------------------------------

_SELECT = "SELECT n, hash, seal, entry FROM journal WHERE n > ? ORDER BY n LIMIT ?"
_Row = tuple[Any, ...]
_Sound = tuple[JournalEntry, bytes]


def _chained(before: bytes, octets: bytes) -> bytes:
    return hashlib.sha256(before + octets).digest()


def _sound(row: _Row) -> tuple[JournalEntry | None, bytes]:
    """The entry of a row, or None when it is not what was written."""
    n, row_hash, sealed, octets = row
    if seal(n, row_hash, octets) != sealed:
        return None, b""
    try:
        entry = _decoder.decode(octets)
    except (msgspec.MsgspecError, UnicodeError, TypeError):
        return None, b""
    return (entry, octets) if entry.n == n else (None, b"")


def _sound_run(reader: Reader, n: int, limit_bytes: int) -> Iterator[_Sound]:
    """Sound entries without a gap between them, the first of them wherever it is."""
    room, following = limit_bytes, 0
    for row in rows(reader, _SELECT, (n, limit_bytes // _LEAST_ENTRY_BYTES + _PAGE_ROWS)):
        entry, octets = _sound(row)
        if entry is None or (following and (entry.n != following or len(octets) > room)):
            if following:
                return
            continue
        yield entry, octets
        room, following = room - len(octets) - 1, entry.n + 1


def _chunk(pairs: list[_Sound]) -> tuple[ChunkHeader, bytes]:
    first, last = pairs[0][0], pairs[-1][0]
    body = b"\n".join(octets for _, octets in pairs)
    return (
        ChunkHeader(
            stream=STREAM,
            run=first.run,
            first_n=first.n,
            last_n=last.n,
            first_utc_ms=min(entry.utc_ms for entry, _ in pairs),
            last_utc_ms=max(entry.utc_ms for entry, _ in pairs),
            configuration=first.configuration,
            checksum=zlib.crc32(body),
            size_bytes=len(body),
        ),
        body,
    )


def _head(reader: Reader) -> Head | None:
    found = rows(reader, "SELECT n, hash FROM journal_head")
    return Head(n=found[0][0], hash=found[0][1]) if found else None


def _last(reader: Reader) -> Head:
    found = rows(reader, "SELECT n, hash FROM journal ORDER BY n DESC LIMIT 1")
    return Head(n=found[0][0], hash=found[0][1]) if found else Head()


# --- the whole chain -------------------------------------------------------------------------------------------


def _pages(reader: Reader, after_n: int) -> Iterator[_Row]:
    if after_n == 0:
        yield from rows(reader, "SELECT n, hash, seal, entry FROM journal WHERE n < 1 ORDER BY n")
    while page := rows(reader, _SELECT, (after_n, _PAGE_ROWS)):
        yield from page
        after_n = page[-1][0]


class _Check:
    """Goes through the rows in order and notes what is wrong."""

    def __init__(self, *, known: dict[int, bytes]) -> None:
        self.findings: list[Finding] = []
        self.last = Head()
        self._known = known

    def look_at(self, row: _Row) -> None:
        n, row_hash, _, octets = row
        if n < 1:
            self._note(Fault.INSERTED, n, f"entry {n}: entries are numbered from 1, this one was put in")
            return
        if n > self.last.n + 1:
            self._note(Fault.DELETED, self.last.n + 1, f"entries {self.last.n + 1} to {n - 1} are gone")
        elif _chained(self.last.hash, octets) != row_hash:
            self._note(
                Fault.EDITED, n, f"entry {n} does not follow entry {n - 1}: one of them, or its hash, was changed"
            )
        self._look_inside(row)
        if n in self._known and self._known.pop(n) != row_hash:
            self._note(Fault.EDITED, n, f"entry {n}: its hash is not the one noted outside, so 1 to {n} were rewritten")
        self.last = Head(n=n, hash=row_hash)

    def _look_inside(self, row: _Row) -> None:
        entry, _ = _sound(row)
        if entry is None:
            self._note(Fault.DAMAGED, row[0], f"entry {row[0]} does not match its checksum or bears another number")

    def finish(self, head: Head | None) -> None:
        last = self.last
        if head is None and last.n:
            self._note(Fault.HEAD, last.n, f"the head record is gone; the newest entry is {last.n}")
        if head is not None and head.n > last.n:
            self._note(
                Fault.TRUNCATED,
                last.n + 1,
                f"entries {last.n + 1} to {head.n} are gone; the head record names {head.n}",
            )
        if head is not None and head.n < last.n:
            self._note(
                Fault.INSERTED, head.n + 1, f"entries {head.n + 1} to {last.n} were put in behind the newest, {head.n}"
            )
        if head is not None and head.n == last.n and head.hash != last.hash:
            self._note(Fault.HEAD, last.n, f"the head record has another hash than the newest entry, {last.n}")
        for n in sorted(self._known):
            self._note(Fault.TRUNCATED, n, f"entry {n} was noted outside and is not there")

    def _note(self, fault: Fault, n: int, text: str) -> None:
        self.findings.append(Finding(fault=fault, n=n, text=text))
