"""Keeps the record small: joins old chunks, and lets go of what everybody has and nobody has to keep.

Runs beside the recording, a piece at a time, and never in front of a trip.
Never lets go of a sample that a named reader has not confirmed, or that is
younger than the site keeps them; when the record is larger than its limit all
the same, it says so.
"""

import asyncio
import logging
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import TypeVar

from gateway.field.clock import Clock
from gateway.store import retention, sample_log
from gateway.store.database import Database, Transaction
from gateway.store.errors import StoreError

_JOIN_EVERY_S = 60.0
_SETTLED_MS = 600_000  # chunks younger than this are still read at the end of the record
_DAY_MS = 86_400_000

_log = logging.getLogger(__name__)

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeping:
    """What has to be kept.

    Args:
        readers: names of everybody who must have a sample before it goes.
        keep_days: samples younger than this stay.
        limit_bytes: what the whole record may use.
    """

    readers: Collection[str]
    keep_days: float
    limit_bytes: int


class Housekeeper:
    """Runs the housekeeping; ``run`` is its task.

    Args:
        database: the plant's store.
        keeping: what has to be kept.
        clock: plant time.
    """

    def __init__(self, *, database: Database, keeping: Keeping, clock: Clock) -> None:
        self._database = database
        self._keeping = keeping
        self._clock = clock
        self.over_limit = False

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            await self._clock.sleep(_JOIN_EVERY_S)
            try:
                await self._once()
            except StoreError as error:
                _log.info("housekeeping is put off: %s", error)

    async def _once(self) -> None:
        now_ms = self._clock.now().utc_ms
        await self._done(lambda transaction: sample_log.repack(transaction, until_utc_ms=now_ms - _SETTLED_MS))
        forgotten = await self._done(lambda transaction: self._forget(transaction, now_ms))
        if forgotten.over_budget and not self.over_limit:
            _log.warning("the record uses %s bytes, more than its limit, and nothing may go yet", forgotten.used_bytes)
        self.over_limit = forgotten.over_budget

    async def _done(self, work: Callable[[Transaction], T]) -> T:
        return await asyncio.shield(asyncio.wrap_future(self._database.submit(work)))

    def _forget(self, transaction: Transaction, now_ms: int) -> retention.Forgotten:
        return retention.forget(
            transaction,
            store=self._database.opened.store,
            readers=self._keeping.readers,
            keep_since_utc_ms=now_ms - round(self._keeping.keep_days * _DAY_MS),
            budget_bytes=self._keeping.limit_bytes,
        )
