"""Every accepted sample, in immutable chunks, one a commit.

Decides whether a chunk may be added (numbers without gaps) and which chunks
are sound enough to be handed over. Never looks inside one (``chunk`` does),
except to join small old ones into larger ones, which keeps every number.
"""

import zlib
from collections.abc import Iterator, Sequence

from gateway.local.messages import ChunkHeader
from gateway.store import positions
from gateway.store.chunk import STREAM, Contents, SampleRow, ScanTick, columns_of, pack, unpack
from gateway.store.configurations import number_of
from gateway.store.database import Reader, Transaction, rows
from gateway.store.errors import ChunkDamaged, OutOfSequence
from gateway.store.findings import Fault, Finding
from gateway.store.seal import seal
from gateway.store.value_rule import KnownRules

__all__ = [
    "STREAM",
    "Contents",
    "KnownRules",
    "SampleRow",
    "ScanTick",
    "append",
    "gap_after",
    "newest_n",
    "oldest_n",
    "pack",
    "read_after",
    "repack",
    "unpack",
    "verify",
]

_PAGE_CHUNKS = 50
_REPACKED = "(repacked)"  # name of the position that says how far repacking has come
_Chunk = tuple[ChunkHeader, bytes]
_SELECT = """SELECT first_n, last_n, run, first_utc_ms, last_utc_ms, hash, seal, body
    FROM sample_chunk LEFT JOIN configuration ON configuration.id = sample_chunk.configuration
    WHERE last_n > ? ORDER BY last_n LIMIT ?"""


def append(transaction: Transaction, header: ChunkHeader, body: bytes, *, gap_allowed: bool = False) -> None:
    """Add a chunk at the end.

    Args:
        transaction: of the writer.
        header: from ``pack``.
        body: from ``pack``.
        gap_allowed: numbers before the chunk may be missing because the caller gave those samples up. It journals
            that; the log notes the gap, so that it is not taken for a loss later.

    Raises:
        OutOfSequence: its first number does not follow the newest one.
        ChunkDamaged: header and body do not belong together.
    """
    newest = newest_n(transaction)
    follows = header.first_n > newest if gap_allowed else header.first_n == newest + 1
    if not follows or header.last_n < header.first_n:
        raise OutOfSequence(f"samples {header.first_n} to {header.last_n} do not follow {newest}")
    if header.stream != STREAM or header.size_bytes != len(body) or header.checksum != zlib.crc32(body):
        raise ChunkDamaged(f"samples {header.first_n} to {header.last_n}: header and body do not belong together")
    if header.first_n > newest + 1:
        _note_gap(transaction, first_n=newest + 1, last_n=header.first_n - 1)
    _insert(transaction, header, body)


def newest_n(reader: Reader) -> int:
    """Number of the newest committed sample, 0 when there is none."""
    found = rows(reader, "SELECT last_n FROM sample_chunk ORDER BY last_n DESC LIMIT 1")
    return int(found[0][0]) if found else 0


def oldest_n(reader: Reader) -> int:
    """Number of the oldest sample that is still there, 0 when there is none."""
    found = rows(reader, "SELECT first_n FROM sample_chunk ORDER BY last_n LIMIT 1")
    return int(found[0][0]) if found else 0


def read_after(reader: Reader, n: int, limit_bytes: int) -> list[_Chunk]:
    """Chunks with samples after position ``n``, as stored, following one another without a gap.

    A damaged chunk is never handed over. Reading stops before one; starting right before one skips it, so that
    the first chunk then does not follow ``n`` (``gap_after`` says why). A position within a chunk gets that chunk.

    Args:
        reader: read-only connection.
        n: position, 0 for the beginning.
        limit_bytes: of all bodies; one chunk is handed over even when it is larger.
    """
    return list(_sound_run(reader, n, limit_bytes))


def gap_after(reader: Reader, n: int) -> str:
    """Why the first chunk after position ``n`` does not follow it; empty when it does or nothing is there."""
    first = next((header for header, _ in _sound_run(reader, n, 1)), None)
    if first is None or first.first_n <= n + 1:
        return ""
    missing = f"samples {n + 1} to {first.first_n - 1}"
    if _gap_noted(reader, first_n=n + 1, last_n=first.first_n - 1):
        return f"{missing} were never recorded; the journal says why"
    if oldest_n(reader) == first.first_n:
        return f"{missing} were forgotten by retention"
    return f"{missing} are gone or damaged"


def verify(reader: Reader) -> list[Finding]:
    """Check the checksum of every chunk, unpack it, and look for gaps. May run while the log grows."""
    findings: list[Finding] = []
    expected = 0  # whatever is first: older ones may have been forgotten
    for header, body, sound in _all(reader):
        if (
            expected
            and header.first_n != expected
            and not _gap_noted(reader, first_n=expected, last_n=header.first_n - 1)
        ):
            text = f"after sample {expected - 1} comes {header.first_n}"
            findings.append(Finding(fault=Fault.DELETED, n=expected, text=text))
        if fault := _fault(header, body, sound=sound):
            findings.append(Finding(fault=Fault.DAMAGED, n=header.first_n, text=fault))
        expected = header.last_n + 1
    return findings


def repack(transaction: Transaction, *, until_utc_ms: int, at_most_chunks: int = 30) -> int:
    """Join the next small chunks into one, which takes fewer bytes a sample; every number is kept.

    Args:
        transaction: of the writer.
        until_utc_ms: chunks newer than this are left alone.
        at_most_chunks: to join; 30 chunks of ten seconds are five minutes.

    Returns:
        How many chunks were joined; 0 when fewer than ``at_most_chunks`` are old enough. A gap, another run or
        configuration, or a damaged chunk ends a group early; a damaged chunk is never changed.
    """
    position = positions.get(transaction, reader=_REPACKED, stream=STREAM)
    found = rows(transaction, _SELECT, (position.n if position else 0, at_most_chunks))
    if len(found) < at_most_chunks:
        return 0
    chunks = [_chunk(row) for row in found]
    if any(header.last_utc_ms >= until_utc_ms for header, _, _ in chunks):
        return 0
    group = _joinable(chunks)
    _join(transaction, group)
    last_n = group[-1][0].last_n if group else chunks[0][0].last_n
    positions.set(transaction, reader=_REPACKED, stream=STREAM, n=last_n, store="")
    return max(1, len(group))


# --- rows ------------------------------------------------------------------------------------------------------

_Found = tuple[ChunkHeader, bytes, bool]


def _insert(transaction: Transaction, header: ChunkHeader, body: bytes) -> None:
    transaction.execute(
        """INSERT INTO sample_chunk (last_n, first_n, run, first_utc_ms, last_utc_ms, configuration, seal, body)
            VALUES (?, ?, ?, ?, ?, ?, ?, ?)""",
        (
            header.last_n,
            header.first_n,
            header.run,
            header.first_utc_ms,
            header.last_utc_ms,
            number_of(transaction, header.configuration),
            _seal(header),
            body,
        ),
    )


def _note_gap(transaction: Transaction, *, first_n: int, last_n: int) -> None:
    transaction.execute(
        "INSERT INTO sample_gap (last_n, first_n, seal) VALUES (?, ?, ?)", (last_n, first_n, seal(first_n, last_n))
    )


def _gap_noted(reader: Reader, *, first_n: int, last_n: int) -> bool:
    """Whether exactly these numbers, or at the most more before them, were given up when the log went on."""
    found = rows(reader, "SELECT first_n, seal FROM sample_gap WHERE last_n = ?", (last_n,))
    return any(noted <= first_n and seal(noted, last_n) == sealed for noted, sealed in found)


def _seal(header: ChunkHeader) -> int:
    """Over everything in the header, and through its checksum over the body."""
    return seal(
        header.first_n,
        header.last_n,
        header.run,
        header.first_utc_ms,
        header.last_utc_ms,
        header.configuration,
        header.checksum,
    )


def _chunk(row: tuple[object, ...]) -> _Found:
    """Header, body and whether they are what was written."""
    first_n, last_n, run, first_utc_ms, last_utc_ms, configuration, sealed, body = row
    octets = body if isinstance(body, bytes) else b""
    header = ChunkHeader(
        stream=STREAM,
        run=_whole_number(run),
        first_n=_whole_number(first_n),
        last_n=_whole_number(last_n),
        first_utc_ms=_whole_number(first_utc_ms),
        last_utc_ms=_whole_number(last_utc_ms),
        configuration=configuration if isinstance(configuration, str) else "",
        checksum=zlib.crc32(octets),
        size_bytes=len(octets),
    )
    return header, octets, _seal(header) == sealed


def _whole_number(found: object) -> int:
    return found if isinstance(found, int) else 0  # the seal tells that it is not what was written


def _sound_run(reader: Reader, n: int, limit_bytes: int) -> Iterator[_Chunk]:
    """Sound chunks without a gap between them, the first of them wherever it is."""
    room, following = limit_bytes, 0
    for header, body, sound in _all(reader, after_n=n):
        fits = sound and (not following or (header.first_n == following and len(body) <= room))
        if following and not fits:
            return
        if sound:
            yield header, body
            room, following = room - len(body), header.last_n + 1


def _all(reader: Reader, *, after_n: int = 0) -> Iterator[_Found]:
    while page := rows(reader, _SELECT, (after_n, _PAGE_CHUNKS)):
        for row in page:
            yield _chunk(row)
        after_n = page[-1][1]


def _fault(header: ChunkHeader, body: bytes, *, sound: bool) -> str:
    if not sound:
        return f"samples {header.first_n} to {header.last_n} do not match their checksum"
    try:
        columns_of(header, body)
    except ChunkDamaged as error:
        return str(error)
    return ""


# --- joining ---------------------------------------------------------------------------------------------------


def _joinable(chunks: Sequence[_Found]) -> list[_Chunk]:
    """The first chunks, as far as they are sound, without a gap, and of one run and configuration."""
    group: list[_Chunk] = []
    for header, body, sound in chunks:
        if _fault(header, body, sound=sound) or (group and not _follows(group[-1][0], header)):
            break
        group.append((header, body))
    return group


def _follows(before: ChunkHeader, header: ChunkHeader) -> bool:
    expected = (before.last_n + 1, before.run, before.configuration)
    return (header.first_n, header.run, header.configuration) == expected


def _join(transaction: Transaction, group: Sequence[_Chunk]) -> None:
    if len(group) <= 1:
        return
    contents = [unpack(header, body) for header, body in group]
    first, last = group[0][0], group[-1][0]
    header, body = pack(
        [row for part in contents for row in part.rows],
        [scan for part in contents for scan in part.scans],
        others=[one for part in contents for one in part.others],
        run=first.run,
        configuration=first.configuration,
    )
    transaction.execute("DELETE FROM sample_chunk WHERE last_n BETWEEN ? AND ?", (first.last_n, last.last_n))
    _insert(transaction, header, body)
