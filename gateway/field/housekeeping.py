"""Keeps the record small: joins old chunks, and lets go of what everybody has and nobody has to keep.

Runs beside the recording, a piece at a time, and never in front of a trip.
Never lets go of a sample that a named reader has not confirmed, or that is
younger than the site keeps them; when the record is larger than its limit all
the same, it says so. Only on a full disk the oldest samples go all the same,
those that everybody has before the others, so that the journal and the newest
samples find room; what was lost so is journaled, with its counts.
"""

import asyncio
import logging
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import TypeVar

from gateway.core.outcome import Event, EventKind, Fact
from gateway.field.clock import Clock, wait_until
from gateway.field.sealing import Sealing
from gateway.store import retention, sample_log
from gateway.store.ballast import Ballast
from gateway.store.database import Database, Transaction
from gateway.store.errors import StoreError

_JOIN_EVERY_MS = 60_000
_ROOM_BYTES = 3_145_728  # that a full disk's record has within its file: a day and more of the demo site
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
        ballast: room on the same disk for the day it is full; None for a store that needs none.
        tell: has an event journaled.
    """

    def __init__(
        self,
        *,
        database: Database,
        keeping: Keeping,
        clock: Clock,
        ballast: Ballast | None = None,
        tell: Callable[[Event], None] = lambda _: None,
    ) -> None:
        self._database = database
        self._keeping = keeping
        self._clock = clock
        self._ballast = ballast
        self._tell = tell
        self._sealing = Sealing(database)
        self._full = asyncio.Event()
        self._room_bytes = _ROOM_BYTES if ballast is None else ballast.size_bytes * 3 // 8  # twice, and some to spare
        self.over_limit = False

    def disk_full(self) -> None:
        """A commit found no room. Returns at once; room is made beside."""
        self._full.set()

    async def run(self) -> None:
        """Until cancelled."""
        await self._begin()
        while True:
            due_ms = self._clock.now().monotonic_ms + _JOIN_EVERY_MS
            full = await wait_until(self._clock, self._full, due_ms)
            self._full.clear()
            try:
                await (self._make_room() if full else self._once())
            except StoreError as error:
                _log.info("housekeeping is put off: %s", error)

    async def _begin(self) -> None:
        """Hold the ballast; without room for it, it may be this start that has used it: grow, and let nothing go."""
        await self._hold_ballast()
        if self._ballast is not None and not self._ballast.held:
            try:
                await self._use(self._ballast)
            except StoreError as error:
                _log.info("housekeeping is put off: %s", error)

    async def _once(self) -> None:
        now_ms = self._clock.now().utc_ms
        await self._done(lambda transaction: sample_log.repack(transaction, until_utc_ms=now_ms - _SETTLED_MS))
        forgotten = await self._done(lambda transaction: self._forget(transaction, now_ms))
        if forgotten.over_budget and not self.over_limit:
            _log.warning("the record uses %s bytes, more than its limit, and nothing may go yet", forgotten.used_bytes)
        self.over_limit = forgotten.over_budget
        await self._hold_ballast()
        sealed = await asyncio.to_thread(self._sealing.step, now_utc_ms=now_ms, settled_utc_ms=now_ms - _SETTLED_MS)
        if sealed is not None:
            self._tell(sealed)

    async def _hold_ballast(self) -> None:
        """Take up the room for the next full disk, as soon as there is enough for that and for the log."""
        if self._ballast is not None and not self._ballast.held and self._ballast.fits:
            await asyncio.to_thread(self._ballast.try_to_reserve)

    def hold_ballast_for_next_start(self) -> None:
        """After the store is closed: its log is gone, and its room with it. Take that up before somebody else does."""
        if self._ballast is not None:
            self._ballast.try_to_reserve()

    async def _make_room(self) -> None:
        """The ballast's room for the log and the database; when that is used up, the room of the oldest samples."""
        if self._ballast is not None:
            await self._use(self._ballast)
        forgotten = await self._done(
            lambda transaction: retention.make_room(
                transaction,
                store=self._database.opened.store,
                readers=self._keeping.readers,
                room_bytes=self._room_bytes,
            )
        )
        if forgotten.gap is not None:
            _log.warning("the disk is full: %s samples of the oldest were let go", forgotten.samples)
            self._tell(_lost(forgotten, forgotten.gap))
        await self._restart_log()
        await self._hold_ballast()

    async def _use(self, ballast: Ballast) -> None:
        """At once, before somebody else has what is released: pages of the database, and a log that stays as long."""
        fits = ballast.release_and_look(2 * self._room_bytes)
        await self._restart_log()
        if fits:
            await self._done(lambda transaction: retention.take_room(transaction, self._room_bytes))
            await self._restart_log()
            await self._done(retention.give_room)

    async def _restart_log(self) -> None:
        """The log cannot grow, so it is used again from its start."""
        try:
            await asyncio.shield(asyncio.wrap_future(self._database.checkpoint()))
        except StoreError as error:
            _log.info("the log of the record is not moved: %s", error)

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


def _lost(forgotten: retention.Forgotten, gap: retention.Gap) -> Event:
    """For the journal: what a full disk cost."""
    facts: dict[str, Fact] = {
        "first_n": gap.first_n,
        "last_n": gap.last_n,
        "first_utc_ms": gap.first_utc_ms,
        "last_utc_ms": gap.last_utc_ms,
        "samples_let_go": forgotten.samples,
        "not_delivered_to": ", ".join(gap.readers),
    }
    return Event(kind=EventKind.GAP, reason="no room on the disk", facts=facts)
