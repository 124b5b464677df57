"""Samples and outcomes to the store, in order, behind the decisions and never in front of them.

A scan hands over and goes on; a task of its own commits what has gathered:
events at once, samples every commit interval. One commit is under way at a
time, so that the numbers of the journal follow each other; what could not be
committed stays and is tried again with the next. When too many samples wait
the oldest are given up, and the gap is journaled. When too many events wait
the oldest lose what they say and keep their numbers: each gets a line that says
so, since its number was told already.
Only what is committed may move an output away from its safe level, and only
then is a person answered.
"""

import asyncio
import logging
import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from itertools import chain, islice

import msgspec

from gateway.core.outcome import Event, EventKind, Fact
from gateway.core.state import ScanState
from gateway.core.tick import Tick
from gateway.field.backoff import BackOff
from gateway.field.clock import Clock, wait_until
from gateway.field.image import Numbered, Placed
from gateway.local.messages import JournalEntry
from gateway.store import journal, machine_state, sample_log
from gateway.store.chunk import SampleRow, ScanTick
from gateway.store.database import Database, Transaction
from gateway.store.errors import StoreError, StoreFull
from gateway.store.inputs import OtherInput
from gateway.store.scan_state import to_bytes

_SAMPLES_KEPT = 200_000  # five hours of the demo site; about 120 MB
_SCANS_KEPT = 100_000
_ENTRIES_KEPT = 50_000  # months of the demo site; about 60 MB
_ROWS_A_COMMIT = 20_000  # so that a chunk stays well inside what history hands over at a time

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What every record bears.

    Args:
        run: number of this process start.
        boot_id: of the machine.
        configuration: hash of the configuration in force.
    """

    run: int
    boot_id: str
    configuration: str


@dataclass(frozen=True, slots=True)
class _Emptied:
    """Entries whose numbers alone are left, from a number up to the last of them, which lends its stamps."""

    first_n: int
    last: JournalEntry

    def lines(self) -> Iterator[JournalEntry]:
        """One for each number, made as they are written."""
        for n in range(self.first_n, self.last.n + 1):
            yield msgspec.structs.replace(
                self.last,
                n=n,
                kind=EventKind.GAP.value,
                subject="",
                occurrence=0,
                reason="record not writable, and too many lines waited: what this one said is lost",
                person="",
                facts={},
            )


@dataclass(frozen=True, slots=True)
class _Batch:
    """One commit: everything that had gathered when it began."""

    scan: int
    emptied: _Emptied | None
    entries: tuple[JournalEntry, ...]
    rows: tuple[SampleRow, ...]
    scans: tuple[ScanTick, ...]
    others: tuple[OtherInput, ...]
    state: ScanState


class Recorder:
    """Gathers and commits; ``run`` is its task, ``note`` is called by the scan loop.

    Args:
        database: the plant's store.
        identity: what every record bears.
        clock: plant time.
        interval_ms: from one commit of samples to the next.
        first_entry_n: number of the next journal entry.
        again: how to wait after a commit that failed.
        on_commit: called in the event loop with the number of the newest scan that is committed.
        on_full: called there when a commit found no room on the disk.
    """

    def __init__(
        self,
        *,
        database: Database,
        identity: Identity,
        clock: Clock,
        interval_ms: int,
        first_entry_n: int,
        again: BackOff,
        on_commit: Callable[[int], None],
        on_full: Callable[[], None] = lambda: None,
    ) -> None:
        self._database = database
        self._identity = identity
        self._clock = clock
        self._interval_ms = interval_ms
        self._next_n = first_entry_n
        self._again = again
        self._on_commit = on_commit
        self._on_full = on_full
        self._rules = sample_log.KnownRules()  # of the writer thread
        self._entries: deque[JournalEntry] = deque()
        self._emptied: _Emptied | None = None  # in front of them
        self._rows: deque[SampleRow] = deque()
        self._scans: deque[ScanTick] = deque(maxlen=_SCANS_KEPT)
        self._others: deque[OtherInput] = deque(maxlen=_SCANS_KEPT)
        self._state: ScanState | None = None
        self._under_way: tuple[_Batch, Future[None]] | None = None  # handed to the writer, its end not seen yet
        self._urgent = asyncio.Event()
        self._samples_due_ms = clock.now().monotonic_ms + interval_ms
        self.failing_since_ms: int | None = None  # plant time of the first commit that failed and has not succeeded

    def note(
        self,
        state: ScanState,
        taken: Sequence[Numbered],
        events: Sequence[Event],
        others: Sequence[Placed] = (),
    ) -> tuple[JournalEntry, ...]:
        """Take over what a scan has decided, to be committed soon.

        Args:
            state: the scan left behind.
            taken: the samples it took.
            events: that it decided, in order.
            others: the requests and read-backs it took.

        Returns:
            The events as numbered journal entries.
        """
        self._state = state
        self._rows.extend(SampleRow(n=one.n, scan=state.scan, sample=one.sample) for one in taken)
        self._scans.append(ScanTick(scan=state.scan, tick=state.tick))
        self._others.extend(OtherInput(scan=state.scan, after_n=one.after_n, given=one.given) for one in others)
        lost = self._give_up_oldest()
        entries = tuple(self._numbered(event, state.tick, state.scan) for event in (*events, *lost))
        self._entries.extend(entries)
        self._empty_oldest()
        if entries:
            self._urgent.set()
        return entries

    def _numbered(self, event: Event, tick: Tick, scan: int) -> JournalEntry:
        entry = JournalEntry(
            n=self._next_n,
            run=self._identity.run,
            scan=scan,
            monotonic_ms=tick.monotonic_ms,
            utc_ms=tick.utc_ms,
            utc_trusted=tick.utc_trusted,
            kind=event.kind.value,
            subject=event.subject,
            occurrence=event.occurrence,
            reason=event.reason,
            person=event.person,
            facts={name: storable(fact) for name, fact in event.facts.items()},
            configuration=self._identity.configuration,
        )
        self._next_n += 1
        return entry

    def _give_up_oldest(self) -> tuple[Event, ...]:
        """Bounded memory while the disk takes nothing; what is given up at a time is journaled as a gap."""
        if len(self._rows) <= _SAMPLES_KEPT:
            return ()
        first_n = self._rows[0].n
        for _ in range(_SAMPLES_KEPT // 100):
            last_n = self._rows.popleft().n
        return (Event(kind=EventKind.GAP, reason="record not writable", facts={"first_n": first_n, "last_n": last_n}),)

    def _empty_oldest(self) -> None:
        """Bounded memory for events, too."""
        if len(self._entries) <= _ENTRIES_KEPT:
            return
        first_n = self._entries[0].n if self._emptied is None else self._emptied.first_n
        for _ in range(_ENTRIES_KEPT // 100):
            last = self._entries.popleft()
        self._emptied = _Emptied(first_n, last)

    @property
    def waiting(self) -> int:
        """Samples and events that are not committed yet."""
        return len(self._rows) + len(self._entries)

    async def run(self) -> None:
        """Commit what gathers, until cancelled."""
        while True:
            await wait_until(self._clock, self._urgent, self._samples_due_ms)
            self._urgent.clear()
            if not await self._commit(with_samples=self._samples_due()):
                await self._clock.sleep_until(self._again.again_ms)

    def _samples_due(self) -> bool:
        now_ms = self._clock.now().monotonic_ms
        if now_ms < self._samples_due_ms:
            return False
        self._samples_due_ms = now_ms + self._interval_ms
        return True

    async def finish(self, within_s: float) -> bool:
        """Commit everything that waits; call it after ``run`` has ended.

        Args:
            within_s: real seconds.

        Returns:
            Whether everything is committed.
        """
        try:
            async with asyncio.timeout(within_s):
                while not await self._commit(with_samples=True) or self.waiting:
                    await self._clock.sleep_until(self._again.again_ms)
                return True
        except TimeoutError:
            _log.error("%s records could not be written before the stop", self.waiting)
        return False

    async def _commit(self, *, with_samples: bool) -> bool:
        """See one commit through: the one that a cancelled call has left under way, or else a new one."""
        if self._state is None:  # no scan yet
            return True
        try:
            batch, writing = self._under_way or self._begin(self._gather(self._state, with_samples=with_samples))
            await asyncio.shield(asyncio.wrap_future(writing))
        except StoreError as error:
            self._under_way = None
            self._failed(error)
            return False
        self._under_way = None
        self._committed(batch)
        return True

    def _begin(self, batch: _Batch) -> "tuple[_Batch, Future[None]]":
        self._under_way = batch, self._submit(batch)
        return self._under_way

    def _gather(self, state: ScanState, *, with_samples: bool) -> _Batch:
        rows = tuple(islice(self._rows, _ROWS_A_COMMIT)) if with_samples else ()
        return _Batch(
            scan=state.scan,
            emptied=self._emptied,
            entries=tuple(self._entries),
            rows=rows,
            scans=tuple(one for one in self._scans if one.scan <= rows[-1].scan) if rows else (),
            others=tuple(one for one in self._others if one.scan <= rows[-1].scan) if rows else (),
            state=state,
        )

    def _submit(self, batch: _Batch) -> "Future[None]":
        return self._database.submit(lambda transaction: self._write(transaction, batch))

    def _write(self, transaction: Transaction, batch: _Batch) -> None:
        """In the writer thread: entries, samples and the state they led to, in one transaction."""
        if batch.entries:
            lost = () if batch.emptied is None else batch.emptied.lines()
            journal.append(transaction, chain(lost, batch.entries))
        if batch.rows:
            packed = sample_log.pack(
                batch.rows,
                batch.scans,
                others=batch.others,
                run=self._identity.run,
                configuration=self._identity.configuration,
                rules=self._rules,
            )
            sample_log.append(transaction, *packed, gap_allowed=True)  # a gap has its own entry in the journal
        machine_state.save(
            transaction,
            machine_state.Saved(
                state=to_bytes(batch.state),
                tick=batch.state.tick,
                boot_id=self._identity.boot_id,
                run=self._identity.run,
                configuration=self._identity.configuration,
            ),
        )

    def _failed(self, error: StoreError) -> None:
        now_ms = self._clock.now().monotonic_ms
        if self.failing_since_ms is None:
            self.failing_since_ms = now_ms
            _log.error("the record cannot be written, and is kept in memory: %s", error)
        if isinstance(error, StoreFull):
            self._on_full()
        self._again.failed(now_ms)
        self._samples_due_ms = min(self._samples_due_ms, now_ms)
        self._urgent.set()  # whatever waits is tried again after the pause

    def _committed(self, batch: _Batch) -> None:
        if self.failing_since_ms is not None:
            _log.warning("the record can be written again")
        self.failing_since_ms = None
        self._again.succeeded()
        self._written_up_to(batch.entries[-1].n if batch.entries else 0)
        while batch.entries and self._entries and self._entries[0].n <= batch.entries[-1].n:
            self._entries.popleft()
        while batch.rows and self._rows and self._rows[0].n <= batch.rows[-1].n:
            self._rows.popleft()
        while batch.scans and self._scans and self._scans[0].scan <= batch.scans[-1].scan:
            self._scans.popleft()
        while batch.others and self._others and self._others[0].scan <= batch.others[-1].scan:
            self._others.popleft()
        self._on_commit(batch.scan)

    def _written_up_to(self, n: int) -> None:
        """Of the numbers that were emptied, those that stand in the journal now are none any more."""
        if self._emptied is not None and self._emptied.first_n <= n:
            left = self._emptied.last.n > n
            self._emptied = _Emptied(n + 1, self._emptied.last) if left else None


def storable(fact: Fact) -> Fact:
    """A number that JSON does not know is written as a word: one entry must never keep all others out."""
    return str(fact) if isinstance(fact, float) and not math.isfinite(fact) else fact
