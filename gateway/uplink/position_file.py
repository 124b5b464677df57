"""Positions of this process, in its own database. A disk that refuses never stops an alarm.

Decides one thing: when a position cannot be written it stands in memory alone,
and the next start sends again what came after the last one on the disk.
Receivers drop doubles; nobody can make up for a message that was not sent.
"""

import asyncio
import logging
from collections.abc import Callable
from typing import TypeVar

from gateway.store import positions
from gateway.store.database import Database, Transaction
from gateway.store.errors import StoreError, StoreFailing
from gateway.uplink.field_link import Position

log = logging.getLogger(__name__)

T = TypeVar("T")

_TIMEOUT_S = 10.0  # real; a disk that takes longer counts as failing


class PositionFile:
    """Positions in ``uplink.db``.

    Args:
        database: opened with the layout ``migrations.UPLINK``.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._known: dict[tuple[str, str], Position] = {}
        self._refused = False

    async def get(self, reader: str, stream: str) -> Position | None:
        """A reader's position in a stream.

        Raises:
            StoreError: it has not been asked for before and cannot be read.
        """
        if (reader, stream) not in self._known:
            found = await self._done(lambda transaction: positions.get(transaction, reader=reader, stream=stream))
            if found is None:
                return None
            self._known[reader, stream] = Position(n=found.n, store=found.store)
        return self._known[reader, stream]

    async def set(self, reader: str, stream: str, position: Position) -> None:
        """Move it. When the disk refuses, it is moved in memory and that is logged once."""
        self._known[reader, stream] = position
        n, store = position.n, position.store
        try:
            await self._done(
                lambda transaction: positions.set(transaction, reader=reader, stream=stream, n=n, store=store)
            )
        except StoreError as error:
            if not self._refused:
                log.error("positions are kept in memory alone, a restart will send doubles: %s", error)  # noqa: TRY400 - the text says it all
            self._refused = True
        else:
            self._refused = False

    async def _done(self, work: Callable[[Transaction], T]) -> T:
        writing = asyncio.wrap_future(self._database.submit(work))
        await asyncio.wait([writing], timeout=_TIMEOUT_S)
        if not writing.done():
            raise StoreFailing(f"{self._database.path}: not written within {_TIMEOUT_S:g} s")
        return writing.result()
