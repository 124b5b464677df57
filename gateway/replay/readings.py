"""The stored readings of a period, chunk by chunk and tag by tag, of a stopped site or of a running one.

A stopped site's record is read under the lock of its store; a running one is
asked over its socket, as every reader. Writes nothing and decides nothing.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

from gateway.local.client import FieldClient
from gateway.local.messages import ChunkHeader
from gateway.replay.stopped import RecordUnreadable
from gateway.store import sample_log
from gateway.store.chunk import STREAM
from gateway.store.database import offline
from gateway.store.errors import ChunkDamaged, StoreError
from gateway.store.picking import Picked, picked_of

_PAGE_BYTES = 1_000_000
Take = Callable[[ChunkHeader, Picked], None]


def stored_readings(database: Path, tags: frozenset[str], begin_ms: int, end_ms: int, take: Take) -> None:
    """Give some tags' readings of every chunk that reaches into a period, in order.

    Args:
        database: the plant's store.
        tags: which ones.
        begin_ms: of the period, UTC.
        end_ms: of the period.
        take: called with each chunk.

    Raises:
        RecordUnreadable: the site is running, or the record is damaged or not there; the text says which.
    """
    try:
        with offline(database) as reader:
            after_n = 0
            while found := sample_log.read_after(reader, after_n, _PAGE_BYTES):
                _give(found, tags, begin_ms, end_ms, take)
                after_n = found[-1][0].last_n
    except StoreError as error:
        raise RecordUnreadable(str(error)) from error


async def told_readings(field: FieldClient, tags: frozenset[str], begin_ms: int, end_ms: int, take: Take) -> None:
    """The same from a running field process."""
    after_n = 0
    while True:
        part = await field.history(STREAM, after_n, field.hello.store)
        if not part.chunks:
            return
        try:
            _give(part.chunks, tags, begin_ms, end_ms, take)
        except ChunkDamaged as error:
            raise RecordUnreadable(str(error)) from error
        after_n = part.chunks[-1][0].last_n


def _give(
    chunks: Sequence[tuple[ChunkHeader, bytes]], tags: frozenset[str], begin_ms: int, end_ms: int, take: Take
) -> None:
    for header, body in chunks:
        if header.last_utc_ms >= begin_ms and header.first_utc_ms < end_ms:
            take(header, picked_of(header, body, tags))
