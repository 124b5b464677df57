"""From the field process's record to the publisher: alarms first, then newest values, then history in order.

Decides what is read next and when a position moves: only after everything up
to it was acknowledged (or set aside, which is told upstream). What was read
but not acknowledged is read again; receivers drop doubles by identity. Newest
values are coalesced and worth one try; history is read from a position,
thinned, and finishes, one parcel at a time, so that it never delays what is
more urgent by more than one acknowledgement. Never touches a device and never opens the
field process's database.

Times in seconds are plant seconds, waited for with the ``sleep`` that is
passed in.
"""

import asyncio
import contextlib
import itertools
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Sequence
from dataclasses import dataclass

import msgspec

from gateway.core.tick import Tick
from gateway.local.client import FieldAway, FieldError, HistoryPart, HistoryUnreadable
from gateway.local.messages import JournalEntry, LiveEvent
from gateway.publishers import payload
from gateway.publishers.columns import TagTable, history_parcels
from gateway.publishers.publisher import Parcel
from gateway.store.errors import StoreError
from gateway.uplink.allowance import Allowance, Spent
from gateway.uplink.batches import Batching, StoredChunks
from gateway.uplink.field_link import Connect, FieldLink, OpenChunk, Position, Positions
from gateway.uplink.picture import Picture
from gateway.uplink.sending import Held, Sender, SetAside, Urgency
from gateway.uplink.thinning import Thinning

log = logging.getLogger(__name__)

JOURNAL, SAMPLES = "journal", "samples"

Sleep = Callable[[float], Awaitable[None]]
Now = Callable[[], Tick]

_EVENTS_AT_ONCE = 20  # and the window of the publisher, if that is smaller
_READINGS_AT_ONCE = 4_000  # in one payload, about; more only makes the others wait while it is packed
_LATE_FROM = 10_000  # readings not sent yet, some ten minutes of a hundred tags: the office is told at once
_FLOOR_REAL_S = 0.25  # however fast the plant's clock runs, the field process answers few questions a second


async def _nothing(_link: FieldLink) -> None:
    """No further work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How often, in plant seconds.

    Args:
        live_s: newest values at most this often; None sends none.
        history_s: pause once everything recorded is sent.
        journal_s: a look for new lines when no event was heard.
        commit_s: pause between looks while an event was heard and is not committed yet.
        confirm_s: how often the field process is told how far we are.
        heartbeat_s: state at least this often.
        watch_s: how often it is looked whether the field process is alive.
        reconnect_s: pause before a new connection to the field process.
        held_s: pause after a refusal that somebody can put right, after a damaged chunk, and while no data is left.
    """

    live_s: float | None = None
    history_s: float = 60.0
    journal_s: float = 5.0
    commit_s: float = 0.5
    confirm_s: float = 30.0
    heartbeat_s: float = 600.0
    watch_s: float = 1.0
    reconnect_s: float = 1.0
    held_s: float = 300.0


class Notes:
    """Events of the uplink's own, for upstream: what was set aside, why something starts again.

    Args:
        site: id of the site.
        run: start number of the uplink; told as a negative run.
        now: the plant's clock.
    """

    _MOST = 200

    def __init__(self, *, site: str, run: int, now: Now) -> None:
        self._site, self._run, self._now = site, run, now
        self._numbers = itertools.count(1)
        self._waiting: dict[int, payload.Event] = {}
        self.dropped = 0

    def note(
        self, kind: str, *, subject: str = "", reason: str = "", facts: dict[str, str | int] | None = None
    ) -> None:
        """Add one. When 200 wait already, it is counted and dropped: the log has it."""
        log.warning("%s %s: %s", kind, subject, reason)
        if len(self._waiting) >= self._MOST:
            self.dropped += 1
            return
        now, n = self._now(), next(self._numbers)
        self._waiting[n] = payload.Event(
            site=self._site,
            run=-self._run,
            n=n,
            scan=0,
            at_utc_ms=now.utc_ms,
            utc_trusted=now.utc_trusted,
            kind=kind,
            subject=subject,
            reason=reason,
            facts=dict(facts or {}),
        )

    def set_aside(self, what: SetAside) -> None:
        """Note what was set aside; a note that was itself set aside is only logged."""
        if not what.label.startswith("uplink_"):
            self.note("uplink_set_aside", subject=what.label, reason=what.reason)

    async def send(self, sender: Sender) -> None:
        """Send what waits."""
        for n, event in list(self._waiting.items()):
            await sender.send([payload.event_parcel(event)], Urgency.ALARMS)
            self._waiting.pop(n, None)


class Walk:
    """One reader's way along a stream of the record, from its position to the end.

    Args:
        reader: whose position it is.
        stream: ``journal`` or ``samples``.
        work: delivers the chunks of one answer and calls ``move`` on the way; when it returns, the walk moves
            to their end.
        positions: where the position is kept.
        notes: told when the way starts again or something is missing.
        keeps: the position is kept whenever it moves; else only when ``keep`` is called.
    """

    def __init__(
        self,
        *,
        reader: str,
        stream: str,
        work: Callable[[StoredChunks], Awaitable[None]],
        positions: Positions,
        notes: Notes,
        keeps: bool = True,
    ) -> None:
        self._reader, self._stream, self._work = reader, stream, work
        self._positions, self._notes, self._keeps = positions, notes, keeps
        self._store = ""
        self.kept_n = 0
        self._confirmed_n = 0
        self.newest_n = 0
        self.n = 0
        self._ahead: tuple[int, asyncio.Task[HistoryPart]] | None = None  # asked for after which number, and the answer

    @property
    def behind(self) -> int:
        """Entries between the position and the newest one heard of."""
        return max(0, self.newest_n - self.n)

    async def catch_up(self, link: FieldLink) -> None:
        """Deliver everything that is committed by now.

        Raises:
            FieldError: the field process is gone; the position stands where the last acknowledgement left it.
            Held: the receiver refuses for a reason that may be put right.
            StoreError: a chunk is damaged, or the position cannot be kept.
        """
        await self._start(link.hello.store)
        try:
            while await self._one_answer(link):
                pass
        finally:
            self._forget_ahead()

    async def move(self, n: int) -> None:
        """Everything up to ``n`` is delivered."""
        if self._keeps:
            await self.keep(n)
        self.n = n

    async def keep(self, n: int) -> None:
        """The next start goes on after ``n``."""
        await self._positions.set(self._reader, self._stream, Position(n=n, store=self._store))
        self.kept_n = n

    def go_back(self) -> None:
        """To what was kept last; everything after it is delivered again."""
        self.n = self.kept_n

    async def _start(self, store: str) -> None:
        if store == self._store:
            return
        position = await self._positions.get(self._reader, self._stream)
        self._store, self.n, self.kept_n = store, 0, 0
        if position is not None and position.store == store:
            self.n = self.kept_n = position.n
        elif position is not None:
            await self._begin_again(f"position {position.n} belongs to store {position.store}, this is {store}")
        self._confirmed_n = min(self._confirmed_n, self.n)

    async def _begin_again(self, why: str) -> None:
        self._notes.note("uplink_starts_again", subject=self._stream, reason=why, facts={"reader": self._reader})
        self.n = 0
        await self.keep(0)

    async def _one_answer(self, link: FieldLink) -> bool:
        """Deliver one answer's chunks. Returns whether there may be more."""
        try:
            part = await self._part(link)
        except HistoryUnreadable as unreadable:
            log.warning("%s cannot be read at present: %s", self._stream, unreadable)
            return False
        self.newest_n = part.newest_n
        if self.newest_n < self.n:
            await self._begin_again(f"position {self.n} is beyond the end, {self.newest_n}")
            return self.newest_n > 0
        if part.gap:
            self._notes.note("uplink_gap", subject=self._stream, reason=part.gap)
        if not part.chunks:
            return False
        last_n = part.chunks[-1][0].last_n
        if last_n < part.newest_n:  # the field process reads what follows while this is delivered
            asked = link.history(self._stream, last_n, self._store)
            self._ahead = (last_n, asyncio.create_task(asked, name=f"{self._stream} after {last_n}"))
        await self._work(part.chunks)
        if last_n > self.n:
            await self.move(last_n)
        return True

    async def _part(self, link: FieldLink) -> HistoryPart:
        """What follows the position: asked for already, or asked for now."""
        ahead, self._ahead = self._ahead, None
        if ahead is None:
            return await link.history(self._stream, self.n, self._store)
        after_n, answer = ahead
        if after_n != self.n:
            _forget(answer)
            return await link.history(self._stream, self.n, self._store)
        return await answer

    def _forget_ahead(self) -> None:
        if self._ahead is not None:
            _forget(self._ahead[1])
            self._ahead = None

    async def confirm(self, link: FieldLink) -> None:
        """Tell the field process how far this reader is, when that has changed; its retention follows."""
        if self.kept_n > self._confirmed_n:
            n = self.kept_n
            await link.confirm(self._reader, self._stream, n)
            self._confirmed_n = n


class Forwarder:
    """Everything that goes upstream, for one publisher.

    Args:
        site: id of the site.
        reader: name of this publisher's positions.
        connect_field: opens a connection to the field process.
        open_chunk: unpacks chunks.
        table: of the tags.
        thinning: which readings are worth sending.
        sender: where to.
        allowance: whether readings may go.
        picture: what is known of the field process.
        positions: where positions are kept.
        notes: events of the uplink's own.
        now: the plant's clock.
        sleep: waits plant seconds.
        on_entry: told of each journal entry as it is heard live, before it is committed.
        alongside: further work for as long as a connection to the field process lasts.
        pace: how often.
    """

    def __init__(
        self,
        *,
        site: str,
        reader: str,
        connect_field: Connect,
        open_chunk: OpenChunk,
        table: TagTable,
        thinning: Thinning,
        sender: Sender,
        allowance: Allowance,
        picture: Picture,
        positions: Positions,
        notes: Notes,
        now: Now,
        sleep: Sleep,
        on_entry: Callable[[JournalEntry], None] = lambda _: None,
        alongside: Callable[[FieldLink], Coroutine[None, None, None]] = _nothing,
        pace: Pace | None = None,
    ) -> None:
        self._site, self._connect_field, self._open = site, connect_field, open_chunk
        self._sender, self._picture, self._notes = sender, picture, notes
        self._now, self._sleep, self._pace = now, sleep, pace if pace is not None else Pace()
        self._on_entry, self._alongside = on_entry, alongside
        self._table, self._allowance = table, allowance
        self._batching = Batching(open_chunk=open_chunk, thinning=thinning, most_rows=_READINGS_AT_ONCE)
        self._journal_woken = asyncio.Event()
        self._heard_n = 0
        self._held: dict[str, str] = {}
        self.events = Walk(
            reader=reader,
            stream=JOURNAL,
            work=self._deliver_events,
            positions=positions,
            notes=notes,
        )
        self.history = Walk(
            reader=reader,
            stream=SAMPLES,
            work=self._deliver_readings,
            positions=positions,
            notes=notes,
        )

    async def run(self) -> None:
        """Until cancelled: stay with the field process, through its restarts and the broker's."""
        while True:
            reason = await self._one_connection()
            self._picture.link_down(reason)
            log.warning("field process: %s", reason)
            await self._sleep(self._pace.reconnect_s)
            await asyncio.sleep(_FLOOR_REAL_S)

    async def _one_connection(self) -> str:
        try:
            link = await self._connect_field()
        except FieldError as error:
            return str(error)
        self._picture.link_up(link.hello)
        reason = "the live feed ended"
        try:
            await self._work(link)
        except* FieldError as errors:
            reason = str(_first_of(errors))
        finally:
            await link.close()
        return reason

    async def _work(self, link: FieldLink) -> None:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._feed(link), name="feed")
            tasks.create_task(self._send_events(link), name="events")
            if self._pace.live_s is not None:
                tasks.create_task(self._send_live(link, self._pace.live_s), name="live")
            tasks.create_task(self._send_history(link), name="history")
            tasks.create_task(self._confirm(link), name="confirm")
            tasks.create_task(self._alongside(link), name="alongside")

    async def _feed(self, link: FieldLink) -> None:
        async for news in link.watch():
            self._picture.take(news)
            if isinstance(news, LiveEvent):
                self._heard_n = max(self._heard_n, news.entry.n)
                self._journal_woken.set()
                self._on_entry(news.entry)
        raise FieldAway("the live feed ended")

    async def _confirm(self, link: FieldLink) -> None:
        while True:
            await self._sleep(self._pace.confirm_s)
            await asyncio.sleep(_FLOOR_REAL_S)
            await self.events.confirm(link)
            await self.history.confirm(link)

    # --- events ----------------------------------------------------------------------------------------------------

    async def _send_events(self, link: FieldLink) -> None:
        self._heard_n, misses = 0, 0
        while True:
            self._journal_woken.clear()
            async with self._patience(JOURNAL):
                with self._sender.lanes.wanting(Urgency.ALARMS):
                    await self._notes.send(self._sender)
                    await self.events.catch_up(link)
                    await self._notes.send(self._sender)
            misses = misses + 1 if self._heard_n > self.events.n else 0
            await self._wait_for_events(misses)

    async def _wait_for_events(self, misses: int) -> None:
        """Until an event is heard; one that is heard but not committed is looked for again soon, then less often."""
        if misses:
            await asyncio.sleep(_FLOOR_REAL_S)
            await self._sleep(min(self._pace.journal_s, self._pace.commit_s * 2 ** (misses - 1)))
        else:  # one that is heard waits for nothing; the connection keeps to what the field process allows
            await _first(self._journal_woken.wait(), self._quiet())

    async def _quiet(self) -> None:
        await asyncio.sleep(_FLOOR_REAL_S)
        await self._sleep(self._pace.journal_s)

    async def _deliver_events(self, chunks: StoredChunks) -> None:
        opened = (entry for header, body in chunks for entry in self._open.entries(header, body))
        entries = [entry for entry in opened if entry.n > self.events.n]
        for start in range(0, len(entries), _EVENTS_AT_ONCE):
            await self._deliver_group(entries[start : start + _EVENTS_AT_ONCE])

    async def _deliver_group(self, entries: Sequence[JournalEntry]) -> None:
        parcels = [payload.event_parcel(payload.event_of(entry, site=self._site)) for entry in entries]
        try:
            await self._sender.send(parcels, Urgency.ALARMS)
        except Held as held:
            if held.dealt_with:
                await self.events.move(entries[held.dealt_with - 1].n)
            raise
        await self.events.move(entries[-1].n)

    # --- newest values ---------------------------------------------------------------------------------------------

    async def _send_live(self, link: FieldLink, every_s: float) -> None:
        while True:
            await self._sleep(every_s)
            if self._allowance.troubles():
                continue
            with self._sender.lanes.wanting(Urgency.LIVE):
                await self._send_changes(link.hello.run)

    async def _send_changes(self, run: int) -> None:
        changes, self._picture.changed = self._picture.changed, {}
        if not changes:
            return
        live = payload.Live(
            site=self._site,
            run=run,
            scan=self._picture.scan,
            at_utc_ms=self._now().utc_ms,
            readings=tuple(payload.reading_of(value) for value in changes.values()),
        )
        sent = False
        try:
            parcels = payload.live_parcels(live, limit_bytes=self._sender.limit_bytes)
            sent = await self._sender.send_once(parcels, Urgency.LIVE)
        finally:
            if not sent:
                self._picture.give_back(changes)

    # --- history ---------------------------------------------------------------------------------------------------

    async def _send_history(self, link: FieldLink) -> None:
        while True:
            async with self._patience(SAMPLES):
                await self.history.catch_up(link)
            await self._sleep(self._pace.history_s)
            await asyncio.sleep(_FLOOR_REAL_S)

    async def _deliver_readings(self, chunks: StoredChunks) -> None:
        async for batch in self._batching.batches(chunks, after_n=self.history.n):
            parcels = history_parcels(batch, self._table, limit_bytes=self._sender.limit_bytes)
            for last_n, parcel in parcels:  # one at a time: the more urgent waits for one acknowledgement at most
                self._allowance.let_readings_go()
                await self._sender.send([parcel], Urgency.HISTORY)
                await self.history.move(last_n)

    # --- what may be put right -------------------------------------------------------------------------------------

    @contextlib.asynccontextmanager
    async def _patience(self, stream: str) -> AsyncIterator[None]:
        """A refusal, a damaged chunk or a month used up stops one stream for a while, and says so; none is skipped."""
        try:
            yield
        except (Held, Spent, StoreError) as error:
            log.warning("%s waits %g s: %s", stream, self._pace.held_s, error)
            if self._held.get(stream) != str(error):
                self._held[stream] = str(error)
                self._notes.note("uplink_held", subject=stream, reason=str(error))
            await self._sleep(self._pace.held_s)
        else:
            self._held.pop(stream, None)


class Heartbeat:
    """The retained state of the site: at once when something changes, and regularly.

    Args:
        site: id of the site.
        picture: what is known of the field process.
        now: the plant's clock.
        sleep: waits plant seconds.
        pace: how often.
        troubles: what else is wrong with what goes upstream, in words.
        used_bytes: octets on the wire in this month.
    """

    def __init__(
        self,
        *,
        site: str,
        picture: Picture,
        now: Now,
        sleep: Sleep,
        pace: Pace | None = None,
        troubles: Callable[[], tuple[str, ...]] = tuple,
        used_bytes: Callable[[], int] = int,
    ) -> None:
        self._site, self._picture, self._troubles, self._used_bytes = site, picture, troubles, used_bytes
        self._behind = (0, 0)
        self._now, self._sleep, self._pace = now, sleep, pace if pace is not None else Pace()
        self._told: payload.State | None = None
        self._told_ms = 0

    async def run(self, sender: Sender, behind: Callable[[], tuple[int, int]]) -> None:
        """Until cancelled.

        Args:
            sender: where to.
            behind: journal entries and readings not sent yet.
        """
        while True:
            self._behind = behind()
            state = self.state()
            if self._due(state) and await sender.send_once([payload.state_parcel(state)], Urgency.ALARMS):
                self.told(state)
            await self._sleep(self._pace.watch_s)

    def greeting(self) -> Parcel:
        """The state as it is sent first on every connection."""
        state = self.state()
        self.told(state)
        return payload.state_parcel(state)

    def told(self, state: payload.State) -> None:
        """Remember what upstream knows."""
        self._told, self._told_ms = state, self._now().monotonic_ms

    def state(self) -> payload.State:
        """The state now."""
        picture, health, hello = self._picture, self._picture.health(), self._picture.hello
        run, configuration = (hello.run, hello.configuration) if hello is not None else (0, "")
        if picture.status is not None and health.word == "running":
            state = payload.state_of(
                picture.status, site=self._site, run=run, configuration=configuration, behind=self._behind
            )
            notes = (*state.notes, *self._troubles())
            return msgspec.structs.replace(
                state,
                scan=picture.scan,
                at_utc_ms=self._now().utc_ms,
                notes=notes,
                month_bytes=self._used_bytes(),
            )
        return payload.State(
            site=self._site,
            at_utc_ms=self._now().utc_ms,
            online=True,
            field=health.word,
            reason=health.reason,
            scan=picture.scan,
            run=run,
            configuration=configuration,
            notes=self._troubles(),
            month_bytes=self._used_bytes(),
        )

    def last_will(self) -> Parcel:
        """What the broker publishes when the connection ends without a farewell."""
        return self._offline("the connection was lost")

    def farewell(self) -> Parcel:
        """What is published at an orderly stop."""
        return self._offline("the uplink was stopped")

    def _offline(self, reason: str) -> Parcel:
        state = payload.State(
            site=self._site,
            at_utc_ms=self._now().utc_ms,
            online=False,
            field="unknown",
            reason=reason,
            scan=self._picture.scan,
        )
        return payload.state_parcel(state)

    def _due(self, state: payload.State) -> bool:
        if self._told is None or self._now().monotonic_ms - self._told_ms >= self._pace.heartbeat_s * 1000:
            return True
        return _without_counts(state) != _without_counts(self._told)


def _without_counts(state: payload.State) -> payload.State:
    """What makes a state worth telling at once: not the figures that grow by themselves, but that the data are late."""
    late = int(state.readings_behind >= _LATE_FROM)
    reason = state.reason if not state.reason.startswith("no scan") else "no scan"
    return msgspec.structs.replace(
        state, at_utc_ms=0, scan=0, events_behind=0, readings_behind=late, month_bytes=0, reason=reason
    )


class StatusKeeper:
    """Keeps the snapshot in the picture fresh: soon after every event, otherwise now and then."""

    _FLOOR_REAL_S = 1.0  # a snapshot is the largest answer there is
    _QUIET_S = 15.0
    _HOT_S = 2.0
    _HOT_FOR_MS = 60_000

    def __init__(self, *, picture: Picture, now: Now, sleep: Sleep) -> None:
        self._picture, self._now, self._sleep = picture, now, sleep

    async def run(self, link: FieldLink) -> None:
        """As long as the connection lasts."""
        heard_ms = self._now().monotonic_ms
        while True:
            self._picture.heard.clear()
            self._picture.take_status(await link.status())
            await asyncio.sleep(_FLOOR_REAL_S)
            hot = self._now().monotonic_ms - heard_ms < self._HOT_FOR_MS
            await _first(self._picture.heard.wait(), self._pause(self._HOT_S if hot else self._QUIET_S))
            if self._picture.heard.is_set():
                heard_ms = self._now().monotonic_ms

    async def _pause(self, plant_s: float) -> None:
        await asyncio.sleep(self._FLOOR_REAL_S)
        await self._sleep(plant_s)


def _first_of(errors: BaseExceptionGroup[FieldError]) -> BaseException:
    first: BaseException = errors
    while isinstance(first, BaseExceptionGroup):
        first = first.exceptions[0]
    return first


def _forget(answer: asyncio.Task[HistoryPart]) -> None:
    """Whatever it says is not wanted any more, an error neither."""
    answer.cancel()
    answer.add_done_callback(lambda done: done.cancelled() or done.exception())


async def _first(*works: Awaitable[object]) -> None:
    """Return when the first is done; the others are cancelled."""
    tasks = [asyncio.ensure_future(work) for work in works]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
