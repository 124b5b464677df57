"""What may be forgotten: the oldest samples, once everybody has them and they are old enough.

Decides which chunks go. Never forgets the newest chunk, never the journal, and
nothing that a named reader has not confirmed, unless it is told to; then it
says exactly what is lost, for the journal.

Deleting needs room on the disk, too (the write-ahead log grows first): see
``ballast``.
"""

from collections.abc import Collection
from dataclasses import dataclass
from itertools import takewhile

from gateway.store import positions
from gateway.store.chunk import STREAM
from gateway.store.database import Reader, Transaction, free_bytes, rows, used_bytes

HELD_ROOM = "(room)"  # in the place of a hash; it is there for a moment only, but a power cut may leave it
_ROW_BYTES = 48  # of a chunk's row beside its body, about


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Samples that were forgotten before somebody had them.

    Args:
        first_n: first sample lost.
        last_n: last sample lost.
        first_utc_ms: arrival of the first chunk concerned.
        last_utc_ms: arrival of the last sample lost.
        readers: who has not confirmed them; empty when they were only younger than the keep time.
    """

    first_n: int
    last_n: int
    first_utc_ms: int
    last_utc_ms: int
    readers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgotten:
    """What one call forgot.

    Args:
        chunks: how many.
        samples: how many.
        used_bytes: what the database still uses.
        over_budget: whether that is still more than the budget: call again if ``chunks`` is not 0, else force or warn.
        gap: what was lost by force, None when nothing was.
    """

    chunks: int
    samples: int
    used_bytes: int
    over_budget: bool
    gap: Gap | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Old:
    first_n: int
    last_n: int
    first_utc_ms: int
    last_utc_ms: int
    size_bytes: int


def forget(
    transaction: Transaction,
    *,
    store: str,
    readers: Collection[str],
    keep_since_utc_ms: int,
    budget_bytes: int,
    force: bool = False,
    at_most_chunks: int = 200,
) -> Forgotten:
    """Forget the oldest samples until the database uses no more than the budget.

    Args:
        transaction: of the writer; small, so that the write-ahead log hardly grows.
        store: id of this store; a position in another one confirms nothing.
        readers: names of everybody who must have a sample before it goes.
        keep_since_utc_ms: samples that arrived at or after this stay, delivered or not.
        budget_bytes: what the whole database, journal included, may use.
        force: forget undelivered and younger samples, too; the loss comes back as a gap and has to be journaled
            in this same transaction.
        at_most_chunks: in one call.

    Raises:
        StoreFull: no room even for this: release the ballast and call again.
    """
    used = used_bytes(transaction)
    oldest = _oldest(transaction, at_most_chunks)
    confirmed = {reader: _confirmed(transaction, reader, store) for reader in readers}
    if not force:
        limit_n = min(confirmed.values(), default=None)
        oldest = list(
            takewhile(lambda c: (limit_n is None or c.last_n <= limit_n) and c.last_utc_ms < keep_since_utc_ms, oldest)
        )
    going = _enough(oldest, used - budget_bytes)
    if going:
        transaction.execute("DELETE FROM sample_chunk WHERE last_n <= ?", (going[-1].last_n,))
    used = used_bytes(transaction)
    return Forgotten(
        chunks=len(going),
        samples=sum(chunk.last_n - chunk.first_n + 1 for chunk in going),
        used_bytes=used,
        over_budget=used > budget_bytes,
        gap=_gap(going, confirmed, keep_since_utc_ms),
    )


def take_room(transaction: Transaction, room_bytes: int) -> None:
    """Grow the database until so much of it is free or held, in real pages; ``give_room`` leaves them for new rows.

    Args:
        transaction: of the writer; ``give_room`` needs a later one, or no page would be written.
        room_bytes: that new rows shall find within the file.
    """
    lacking = room_bytes - free_bytes(transaction)
    if lacking > 0:
        transaction.execute(
            "INSERT OR REPLACE INTO configuration (hash, document) VALUES (?, zeroblob(?))", (HELD_ROOM, lacking)
        )


def give_room(transaction: Transaction) -> None:
    """What ``take_room`` took is free for rows."""
    transaction.execute("DELETE FROM configuration WHERE hash = ?", (HELD_ROOM,))


def make_room(transaction: Transaction, *, store: str, readers: Collection[str], room_bytes: int) -> Forgotten:
    """On a full disk: forget the oldest samples, delivered or not, until the database has so much room of its own.

    Room that it has already counts, so that nothing more is forgotten when it is the log alone that cannot grow.
    What came last is always kept, and so is the journal.

    Args:
        transaction: of the writer.
        store: id of this store.
        readers: names of everybody who should have had a sample before it goes; for the gap.
        room_bytes: that new rows shall find within the file.

    Raises:
        StoreFull: no room even for this: release the ballast before.
    """
    give_room(transaction)  # a power cut may have left it
    lacking = max(0, room_bytes - free_bytes(transaction))
    return forget(
        transaction,
        store=store,
        readers=readers,
        keep_since_utc_ms=0,
        budget_bytes=used_bytes(transaction) - lacking,
        force=True,
    )


def _oldest(reader: Reader, limit: int) -> list[_Old]:
    """The oldest chunks, never the newest of all: the next number follows from it."""
    found = rows(
        reader,
        """SELECT first_n, last_n, first_utc_ms, last_utc_ms, length(body) FROM sample_chunk
            WHERE last_n < (SELECT max(last_n) FROM sample_chunk) ORDER BY last_n LIMIT ?""",
        (limit,),
    )
    return [
        _Old(first_n=first_n, last_n=last_n, first_utc_ms=first_utc_ms, last_utc_ms=last_utc_ms, size_bytes=size)
        for first_n, last_n, first_utc_ms, last_utc_ms, size in found
    ]


def _confirmed(connection: Reader, reader: str, store: str) -> int:
    position = positions.get(connection, reader=reader, stream=STREAM)
    return position.n if position and position.store == store else 0


def _enough(chunks: list[_Old], excess_bytes: int) -> list[_Old]:
    going = []
    for chunk in chunks:
        if excess_bytes <= 0:
            break
        going.append(chunk)
        excess_bytes -= chunk.size_bytes + _ROW_BYTES
    return going


def _gap(going: list[_Old], confirmed: dict[str, int], keep_since_utc_ms: int) -> Gap | None:
    limit_n = min(confirmed.values(), default=None)
    lost = [
        chunk
        for chunk in going
        if chunk.last_utc_ms >= keep_since_utc_ms or (limit_n is not None and chunk.last_n > limit_n)
    ]
    if not lost:
        return None
    lacking = tuple(sorted(reader for reader, n in confirmed.items() if n < lost[-1].last_n))
    first_n = lost[0].first_n if limit_n is None else max(lost[0].first_n, min(limit_n + 1, lost[-1].last_n))
    return Gap(
        first_n=first_n if lacking else lost[0].first_n,
        last_n=lost[-1].last_n,
        first_utc_ms=lost[0].first_utc_ms,
        last_utc_ms=lost[-1].last_utc_ms,
        readers=lacking,
    )
