"""From the field process's record to a server for line protocol, and no further than the server has proven to keep.

Decides when a position is kept. At the first batch after every trouble and
regularly, the oldest reading written since the last look and the newest one
are asked for. When they are there, and when the newest one is still there at a
look that much later, the position is kept: a server shows a reading before it
is on its disk, and loses it again when it is killed then. Until then nothing
counts; after any trouble it is written again, and falls on the same stamps. A
server that says yes and keeps nothing stops the feed for a while and is told
upstream and in the state of the site.

Holds everything back while the wall clock is not trusted. A reading that was
stamped by such a clock, or that lies in the future, is set aside with a note:
on a server of stamps it would be nowhere or in the wrong place; the store has
it. A request that the server refuses as malformed is halved until the culprit
is alone; that one is set aside.

Calls nobody, sends no events, and touches neither devices nor the field
process's database.
"""

import asyncio
import logging
from collections import Counter
from collections.abc import Awaitable, Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from typing import Protocol

from gateway.local.client import FieldError
from gateway.publishers.backoff import Backoff
from gateway.publishers.influx import Canary, Found, Missing
from gateway.publishers.line_protocol import first_field, has_line, lines_of
from gateway.publishers.payload import SampleRow
from gateway.publishers.publisher import Accepted, Lost, Refused
from gateway.store.errors import StoreError
from gateway.uplink.batches import Batching, StoredChunks
from gateway.uplink.field_link import Connect, FieldLink, OpenChunk, Positions
from gateway.uplink.forwarding import SAMPLES, Notes, Now, Sleep, Walk
from gateway.uplink.thinning import Thinning

log = logging.getLogger(__name__)

_NEVER_BETTER = {400, 413, 422}  # malformed, too large, not processable: the same lines fail again
_SET_ASIDE_MOST = 20  # of one batch; when more are refused it is not the single reading that is wrong
_AHEAD_MS = 60_000  # a stamp further ahead than this is wrong
_SHOWN_AFTER_S = (1.0, 2.0, 4.0, 8.0)  # real; servers take a moment before they show a reading, more for a new tag
_FLOOR_REAL_S = 0.25
_CLOCK_LOOK_S = 5.0


class LineServer(Protocol):
    """A server for line protocol, as ``gateway.publishers.influx.InfluxServer`` is one."""

    async def write(self, lines: bytes) -> Accepted | Refused | Lost:
        """One request."""
        ...

    async def read_back(self, canary: Canary) -> Found | Missing | Refused | Lost:
        """Ask once for a reading that was written."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedManner:
    """How the feed works; times in plant seconds.

    Args:
        site: id of the site.
        measurement: under which readings are written.
        reader: name of its position.
        rows: readings in one request at most.
        interval_s: pause once everything recorded is written.
        read_back_s: from one look to the next, longer than the server takes to write to its disk; None trusts
            the server's word.
        reconnect_s: pause before a new connection to the field process.
        held_s: pause after a refusal that somebody can put right, and after a proof that failed.
    """

    site: str
    measurement: str
    reader: str = "influx"
    rows: int = 5_000
    interval_s: float = 60.0
    read_back_s: float | None = 300.0
    reconnect_s: float = 1.0
    held_s: float = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """The server has shown a reading; it must show it once more, later.

    Args:
        canary: the reading.
        n: everything up to this number had been written then.
        at_ms: when that was, monotonic.
    """

    canary: Canary
    n: int
    at_ms: int


class _AwayError(Exception):
    """The server does not answer; it asks for a pause of so many real seconds."""

    def __init__(self, lost: Lost) -> None:
        super().__init__(lost.reason)
        self.wait_s = lost.wait_s


class _StuckError(Exception):
    """Writing again at once does not help; ``kind`` is that of the note."""

    def __init__(self, kind: str, reason: str) -> None:
        super().__init__(reason)
        self.kind = kind


class LineFeed:
    """Readings to one server.

    Args:
        manner: how.
        server: where to.
        connect_field: opens a connection to the field process.
        open_chunk: unpacks chunks.
        thinning: which readings are worth sending.
        positions: where the position is kept.
        notes: told of troubles.
        now: the plant's clock.
        sleep: waits plant seconds.
        pause: waits real seconds.
        backoff: real pauses while the server is away.
    """

    def __init__(
        self,
        *,
        manner: FeedManner,
        server: LineServer,
        connect_field: Connect,
        open_chunk: OpenChunk,
        thinning: Thinning,
        positions: Positions,
        notes: Notes,
        now: Now,
        sleep: Sleep,
        pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
        backoff: Backoff | None = None,
    ) -> None:
        self._manner, self._server, self._connect_field = manner, server, connect_field
        self._batching = Batching(open_chunk=open_chunk, thinning=thinning, most_rows=manner.rows)
        self._notes, self._now, self._sleep, self._pause = notes, now, sleep, pause
        self._backoff = backoff if backoff is not None else Backoff()
        self._failures = 0
        self._refused = 0  # single readings of this batch
        self._trouble = ""
        self._noted = ""
        self._looked_ms: int | None = None  # None: the next batch is the first since a trouble
        self._unseen: tuple[Canary, Canary] | None = None  # oldest and newest written since the last look
        self._shown: _Shown | None = None
        self._store = ""
        self.walk = Walk(
            reader=manner.reader, stream=SAMPLES, work=self._deliver, positions=positions, notes=notes, keeps=False
        )

    def troubles(self) -> tuple[str, ...]:
        """What is wrong now, in words."""
        return (f"{self._manner.reader}: {self._trouble}",) if self._trouble else ()

    async def run(self) -> None:
        """Until cancelled: stay with the field process, through its restarts and the server's."""
        while True:
            try:
                link = await self._connect_field()
            except FieldError as error:
                log.warning("field process: %s", error)
            else:
                await self._one_connection(link)
            await self._sleep(self._manner.reconnect_s)
            await asyncio.sleep(_FLOOR_REAL_S)

    async def _one_connection(self, link: FieldLink) -> None:
        if link.hello.store != self._store:
            self._store, self._shown = link.hello.store, None
        try:
            while True:
                await self._catch_up(link)
                await asyncio.sleep(_FLOOR_REAL_S)
        except FieldError as error:
            log.warning("field process: %s", error)
        finally:
            await link.close()

    async def _catch_up(self, link: FieldLink) -> None:
        try:
            await self.walk.catch_up(link)
            await self._look(self.walk.n)
        except _AwayError as away:
            self._failed(str(away))
            self._failures += 1
            await self._pause(max(away.wait_s, self._backoff.pause_s(self._failures)))
        except _StuckError as stuck:
            self._note(stuck.kind, str(stuck))
            self._failed(str(stuck))
            await self._sleep(self._manner.held_s)
        except StoreError as damaged:
            self._note("uplink_held", str(damaged))
            self._failed(str(damaged))
            await self._sleep(self._manner.held_s)
        else:
            self._failures, self._trouble, self._noted = 0, "", ""
            await self.walk.confirm(link)
            await self._sleep(self._manner.interval_s)

    def _failed(self, reason: str) -> None:
        """What is not proven is written again."""
        log.warning("%s: %s", self._manner.reader, reason)
        self._trouble, self._looked_ms, self._unseen = reason, None, None
        self.walk.go_back()

    def _note(self, kind: str, reason: str) -> None:
        """Upstream, once for each kind until all is well again."""
        if self._noted != kind:
            self._noted = kind
            self._notes.note(kind, subject=self._manner.reader, reason=reason)

    # --- one answer of the field process ---------------------------------------------------------------------------

    async def _deliver(self, chunks: StoredChunks) -> None:
        async for batch in self._batching.batches(chunks, after_n=self.walk.n):
            await self._until_the_clock_is_trusted()
            rows = self._fit(batch.rows)
            self._refused = 0
            written: list[SampleRow] = []
            for start in range(0, len(rows), self._manner.rows):
                written += await self._write(rows[start : start + self._manner.rows])
            self._remember(_canaries(written))
            await self._look(batch.last_n)
            await self.walk.move(batch.last_n)

    async def _until_the_clock_is_trusted(self) -> None:
        while not self._now().utc_trusted:
            self._trouble = "readings wait until the clock is trusted"
            await self._sleep(_CLOCK_LOOK_S)
            await asyncio.sleep(_FLOOR_REAL_S)

    def _fit(self, rows: Sequence[SampleRow]) -> Sequence[SampleRow]:
        latest_ms = self._now().utc_ms + _AHEAD_MS
        fit = [row for row in rows if row.utc_trusted and row.utc_ms <= latest_ms]
        if len(fit) < len(rows):
            self._note(
                "uplink_set_aside",
                f"{len(rows) - len(fit)} readings bear stamps of a clock that was not trusted, or of the future;"
                " the site's record has them",
            )
        return [row for row in fit if has_line(row)]

    async def _write(self, rows: Sequence[SampleRow]) -> Sequence[SampleRow]:
        """Those that the server took."""
        if not rows:
            return ()
        outcome = await self._server.write(lines_of(rows, measurement=self._manner.measurement, site=self._manner.site))
        match outcome:
            case Accepted():
                return rows
            case Lost():
                raise _AwayError(outcome)
            case Refused(code=code) if code not in _NEVER_BETTER or self._refused >= _SET_ASIDE_MOST:
                raise _StuckError("uplink_held", f"the server refuses: {outcome.reason} (status {code})")
            case Refused() if len(rows) == 1:
                self._refused += 1
                label = f"{rows[0].tag} at {rows[0].utc_ms}, number {rows[0].n}"
                self._notes.note("uplink_set_aside", subject=label, reason=outcome.reason)
                return ()
            case Refused():
                middle = len(rows) // 2
                return [*await self._write(rows[:middle]), *await self._write(rows[middle:])]

    # --- proof -----------------------------------------------------------------------------------------------------

    def _remember(self, canaries: Sequence[Canary]) -> None:
        if canaries:
            oldest = self._unseen[0] if self._unseen is not None else canaries[0]
            self._unseen = (oldest, canaries[-1])

    async def _look(self, n: int) -> None:
        """Everything up to ``n`` is written; keep the position as far as that is proven, when it is time to look."""
        if self._manner.read_back_s is None or (self._unseen is None and self._shown is None):
            if n > self.walk.kept_n:
                await self.walk.keep(n)
            return
        now_ms, every_ms = self._now().monotonic_ms, self._manner.read_back_s * 1_000
        if self._looked_ms is not None and now_ms - self._looked_ms < every_ms:
            return
        self._looked_ms = now_ms
        if self._shown is not None and now_ms - self._shown.at_ms >= every_ms:
            await self._look_again(self._shown)
        if self._unseen is not None:
            await self._look_first(self._unseen, n=n, at_ms=now_ms)

    async def _look_again(self, shown: _Shown) -> None:
        self._shown = None
        found = await self._asked(shown.canary)
        if isinstance(found, Missing):
            self._note("uplink_written_again", f"the server has lost {_said(shown.canary)}, which it had shown")
            raise _AwayError(Lost(reason="the server has lost what it had shown"))
        await self.walk.keep(shown.n)

    async def _look_first(self, unseen: tuple[Canary, Canary], *, n: int, at_ms: int) -> None:
        for canary in dict.fromkeys(unseen):
            found = await self._asked(canary)
            if isinstance(found, Missing):
                raise _StuckError(
                    "uplink_not_kept",
                    f"the server answers yes and does not keep: {_said(canary)} was written, and there is"
                    f" {found.instead}; look at its retention and clock",
                )
        self._unseen = None
        self._shown = self._shown or _Shown(canary=unseen[1], n=n, at_ms=at_ms)

    async def _asked(self, canary: Canary) -> Found | Missing:
        found: Found | Missing | Refused | Lost = Missing(instead="")
        for wait_s in _SHOWN_AFTER_S:
            await self._pause(wait_s)
            found = await self._server.read_back(canary)
            if not isinstance(found, Missing):
                break
        if isinstance(found, Lost):
            raise _AwayError(found)
        if isinstance(found, Refused):
            raise _StuckError("uplink_held", f"the server does not let itself be asked: {found.reason}")
        return found


def _said(canary: Canary) -> str:
    return f"{canary.field} {canary.value!r} of {canary.tag} at {canary.utc_ms}"


def _canaries(rows: Sequence[SampleRow]) -> list[Canary]:
    """Real readings that can be found again, oldest first: one of their tag at their stamp."""
    ordered = sorted(rows, key=_STAMP)
    oldest, newest = next(_single(ordered), None), next(_single(reversed(ordered)), None)
    return [_canary(row) for row in (oldest, newest) if row is not None]


_STAMP = attrgetter("utc_ms")


def _single(ordered: Iterable[SampleRow]) -> Iterator[SampleRow]:
    """Looks no further than it is asked for."""
    for _, same in groupby(ordered, key=_STAMP):
        rows = list(same)
        alike = Counter(row.tag for row in rows)
        yield from (row for row in rows if alike[row.tag] == 1)


def _canary(row: SampleRow) -> Canary:
    name, value = first_field(row)
    return Canary(tag=row.tag, field=name, value=value, utc_ms=row.utc_ms)
