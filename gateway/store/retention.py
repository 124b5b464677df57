"""What may be forgotten: the oldest samples, once everybody has them and they are old enough.

Decides which chunks go. Never forgets the newest chunk, never the journal, and
nothing that a named reader has not confirmed, unless it is told to; then it
says exactly what is lost, for the journal.

Deleting needs room on the disk, too (the write-ahead log grows first). The
ballast is that room: release it, forget, ``Database.checkpoint``, reserve it
again.
"""

import errno
import os
from collections.abc import Collection
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path

from gateway.store import positions
from gateway.store.chunk import STREAM
from gateway.store.database import Reader, Transaction, rows, used_bytes
from gateway.store.errors import StoreFailing, StoreFull

_ROW_BYTES = 48  # of a chunk's row beside its body, about
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


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


@dataclass(frozen=True, slots=True)
class Ballast:
    """A file that takes up room on purpose, on the disk of the database.

    Args:
        path: of the file.
        size_bytes: a few megabytes; a write-ahead log of 4 MiB and a call of ``forget`` have room in 8 MiB.
    """

    path: Path
    size_bytes: int

    @property
    def held(self) -> bool:
        """Whether the room is taken up now."""
        return self.path.exists() and self.path.stat().st_size == self.size_bytes

    def reserve(self) -> None:
        """Take up the room, with real blocks; nothing happens when it is held already.

        Raises:
            StoreFull: there is not so much room; what was taken up is given back.
            StoreFailing: the file cannot be made.
        """
        if self.held:
            return
        try:
            file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600)
            try:
                os.posix_fallocate(file, 0, self.size_bytes)
                os.ftruncate(file, self.size_bytes)
            finally:
                os.close(file)
        except OSError as error:
            self.release()
            kind = StoreFull if error.errno in _NO_ROOM else StoreFailing
            raise kind(
                f"{self.path}: {self.size_bytes} bytes of ballast cannot be reserved: {error.strerror}"
            ) from error

    def release(self) -> None:
        """Give the room back. Safe to call at any time.

        Raises:
            StoreFailing: the file cannot be removed.
        """
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            raise StoreFailing(f"{self.path}: the ballast cannot be released: {error.strerror}") from error
