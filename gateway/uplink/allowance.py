"""How much of the month's data is used, and whether readings may still go. One for a metered link.

Decides one thing: from nine tenths of the month's data on, readings wait for
the next month; the last tenth is for events, messages and the state, which
never wait, whatever it costs. Nothing is lost: readings wait in the record, as
they do when the link is down, and the site's retention is told of no delivery.

A month is one of the site's own calendar. A clock that is not trusted ends
none. The count is kept in ``uplink.db`` like a position; a kill loses what came
in the minute before.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta, tzinfo

from gateway.core.tick import Tick
from gateway.store.errors import StoreError
from gateway.uplink.field_link import Position, Positions

log = logging.getLogger(__name__)

READER, COUNT = "allowance", "octets of the month"  # kept like a position: its n the octets, its store the month
READINGS_PART = 0.9
MEGABYTE = 1_000_000
_KEEP_S = 60.0
_FLOOR_REAL_S = 1.0


class Spent(Exception):  # noqa: N818 - named for what is the case
    """Readings wait for the next month."""


class Allowance:
    """Counts what goes over the link, month by month.

    Args:
        month_mb: megabytes (10^6 octets) a month; None is without a bound, and only counts.
        zone: of the site, whose months they are.
        wire_bytes: octets on the wire since the start of this process.
        positions: where the count is kept.
        now: the plant's clock.
        sleep: waits plant seconds.
    """

    def __init__(
        self,
        *,
        month_mb: float | None,
        zone: tzinfo,
        wire_bytes: Callable[[], int],
        positions: Positions,
        now: Callable[[], Tick],
        sleep: Callable[[float], Awaitable[None]],
    ) -> None:
        self._month_mb, self._zone, self._wire_bytes = month_mb, zone, wire_bytes
        self._positions, self._now, self._sleep = positions, now, sleep
        self._month, self._used, self._seen, self._kept = "", 0, 0, -1
        self._fetched = False

    async def run(self) -> None:
        """Until cancelled: keep the count."""
        while True:
            await self.keep()
            await self._sleep(_KEEP_S)
            await asyncio.sleep(_FLOOR_REAL_S)

    async def keep(self) -> None:
        """Fetch what an earlier process has counted, once; then keep what has been added."""
        try:
            await self._fetch()
        except StoreError as error:
            log.warning("how much of the month's data is used cannot be read yet: %s", error)
            return
        used = self.used_bytes()
        if used != self._kept:
            await self._positions.set(READER, COUNT, Position(n=used, store=self._month))
            self._kept = used

    async def _fetch(self) -> None:
        if self._fetched:
            return
        before = await self._positions.get(READER, COUNT)
        self._fetched = True
        self.used_bytes()
        if before is not None and (before.store == self._month or not self._now().utc_trusted):
            self._month, self._used = before.store, self._used + before.n

    def used_bytes(self) -> int:
        """Octets on the wire in this month."""
        now, octets = self._now(), self._wire_bytes()
        month = f"{self._local(now):%Y-%m}"
        if not self._month or (month != self._month and now.utc_trusted):
            self._month, self._used = month, 0
        self._used += octets - self._seen
        self._seen = octets
        return self._used

    def let_readings_go(self) -> None:
        """Ask before readings are sent.

        Raises:
            Spent: they wait for the next month.
        """
        if trouble := self.troubles():
            raise Spent(trouble[0])

    def troubles(self) -> tuple[str, ...]:
        """What the office should know: that readings wait, and until when; nothing as long as they go."""
        if self._month_mb is None or self.used_bytes() < READINGS_PART * self._month_mb * MEGABYTE:
            return ()
        says = (
            f"{READINGS_PART:.0%} of the {self._month_mb:g} MB of {self._month} are used: readings wait at the site"
            " until the next month, events and messages go on; raise uplink.mqtt.month_mb to have them sooner"
        )
        return (says,)

    def _local(self, now: Tick) -> datetime:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=now.utc_ms)).astimezone(self._zone)
