"""From stored chunks to batches ready to send: unpacked, thinned, and each with the numbers it answers for.

Decides where a batch ends: where run or configuration change, where numbers
are missing in the record, and when it is large enough. Sends nothing and moves
nothing. A batch may hold no reading at all; it still answers for its numbers.
"""

import asyncio
from bisect import bisect_right
from collections.abc import AsyncIterator, Sequence
from operator import attrgetter

from gateway.local.messages import ChunkHeader
from gateway.publishers.columns import Batch
from gateway.publishers.payload import SampleRow
from gateway.uplink.field_link import OpenChunk
from gateway.uplink.thinning import Thinning

StoredChunks = Sequence[tuple[ChunkHeader, bytes]]

_NUMBER = attrgetter("n")


class Batching:
    """Makes batches for one receiver.

    Args:
        open_chunk: unpacks chunks.
        thinning: of this receiver.
        most_rows: a batch ends with the chunk that brings it to so many readings.
    """

    def __init__(self, *, open_chunk: OpenChunk, thinning: Thinning, most_rows: int) -> None:
        self._open, self._thinning, self._most_rows = open_chunk, thinning, most_rows
        self._last_n = 0

    async def batches(self, chunks: StoredChunks, *, after_n: int) -> AsyncIterator[Batch]:
        """Batches of some chunks, in order.

        Args:
            chunks: ascending.
            after_n: everything up to it is delivered. When that is not where the batch before ended, something
                was not delivered, and what was remembered as reported is forgotten.

        Raises:
            StoreError: a chunk is damaged.
        """
        if after_n != self._last_n:
            self._thinning.forget()
            self._last_n = after_n
        rows: list[SampleRow] = []
        first_n = 0
        for at, (header, body) in enumerate(chunks):
            readings = self._open.readings(header, body)
            first_n = first_n or max(after_n + 1, header.first_n)
            rows += self._thinning.pick(readings[bisect_right(readings, after_n, key=_NUMBER) :])
            self._last_n = max(self._last_n, header.last_n)
            if len(rows) >= self._most_rows or not _goes_on(chunks, at):
                rows.sort(key=_NUMBER)
                yield Batch(
                    rows=rows,
                    run=header.run,
                    configuration=header.configuration,
                    first_n=first_n,
                    last_n=header.last_n,
                )
                rows, first_n = [], 0
            await asyncio.sleep(0)  # unpacking takes a while; others may be more urgent


def _goes_on(chunks: StoredChunks, at: int) -> bool:
    """Whether the next chunk belongs into the same batch."""
    if at + 1 == len(chunks):
        return False
    this, following = chunks[at][0], chunks[at + 1][0]
    alike = (this.run, this.configuration) == (following.run, following.configuration)
    return alike and following.first_n == this.last_n + 1
