"""A field process in pieces: a real store whose disk can fail, a controller of four registers, a hand-moved clock."""

import asyncio
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import TypeVar

from gateway.core.outcome import Event, EventKind
from gateway.core.sample import Number, Sample
from gateway.core.state import ScanState
from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import EdgeError
from gateway.field.actuation import Actuation, OutputBlock
from gateway.field.backoff import BackOff
from gateway.field.clock import ManualClock
from gateway.field.image import InputImage, Numbered
from gateway.field.recording import Identity, Recorder
from gateway.local.messages import JournalEntry
from gateway.store import journal, machine_state, sample_log
from gateway.store.database import Database, Transaction
from gateway.store.errors import StoreFull, WriterBehind
from gateway.store.migrations import PLANT
from gateway.store.sample_log import SampleRow
from tests.core.plants import OUTPUTS, UTC_MS

T = TypeVar("T")
WAIT_S = 20.0
INTERVAL_MS = 10_000
CONFIGURATION = "c0ffee"
BLOCK = Block(unit_id=1, table=Table.HOLDING, address=320, count=4)
OUTPUT_BLOCK = OutputBlock(
    block=BLOCK, registers=("GW-HB", "GW-PERMIT", "GW-feed", "GW-supply"), heartbeat="GW-HB", period_s=5.0
)


class Disk(Database):
    """A real store on a disk that can be full, or stuck until it is let go."""

    def __init__(self, path: Path, *, queue_length: int = 256) -> None:
        self.full = False
        self.stuck = threading.Event()
        self.stuck.set()
        self.refused = 0
        super().__init__(path, PLANT, utc_ms=UTC_MS, queue_length=queue_length)

    def submit(self, work: Callable[[Transaction], T]) -> Future[T]:
        def carried_out(transaction: Transaction) -> T:
            self.stuck.wait(WAIT_S)
            result = work(transaction)
            self.refuse()
            return result

        return super().submit(carried_out)

    def refuse(self) -> None:
        """Called by the writer at the end of each piece of work, before its commit."""
        if self.full:
            self.refused += 1
            raise StoreFull("no room, says the test; everything is rolled back")

    async def settled(self) -> None:
        """Wait until the writer has done what it was given, and this loop has heard of it: it works in order."""
        while True:
            try:
                done = super().submit(lambda _: None)
            except WriterBehind:
                await asyncio.sleep(0.002)
            else:
                await asyncio.wait_for(asyncio.wrap_future(done), WAIT_S)
                return

    def entries(self) -> list[JournalEntry]:
        with self.reader() as reader:
            return journal.read_entries(reader, 0, 10_000)

    def kinds(self) -> list[str]:
        return [entry.kind for entry in self.entries()]

    def samples(self) -> list[SampleRow]:
        with self.reader() as reader:
            chunks = sample_log.read_after(reader, 0, 10**9)
        return [row for header, body in chunks for row in sample_log.unpack(header, body).rows]

    def chunks(self) -> int:
        with self.reader() as reader:
            return len(sample_log.read_after(reader, 0, 10**9))

    def findings(self) -> list[object]:
        with self.reader() as reader:
            return [*journal.verify(reader), *sample_log.verify(reader)]

    def saved(self) -> machine_state.Saved | machine_state.Nothing | machine_state.Unreadable:
        with self.reader() as reader:
            return machine_state.load(reader)


async def until(condition: Callable[[], bool], *, within_s: float = WAIT_S) -> None:
    """Wait for something a thread or another task does."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110 - a thread's doing has no event of this loop
            await asyncio.sleep(0.002)


def back_off() -> BackOff:
    return BackOff(first_s=1.0, ceiling_s=30.0, random=Random(7))  # noqa: S311 - jitter


def recorder_on(disk: Disk, clock: ManualClock, on_commit: Callable[[int], None], *, first_n: int = 1) -> Recorder:
    return Recorder(
        database=disk,
        identity=Identity(run=disk.opened.run, boot_id="boot", configuration=CONFIGURATION),
        clock=clock,
        interval_ms=INTERVAL_MS,
        first_entry_n=first_n,
        again=back_off(),
        on_commit=on_commit,
    )


@dataclass
class Scans:
    """Scans for a recorder, without a plant behind them."""

    clock: ManualClock
    scan: int = 0
    n: int = 0

    def next(self, *kinds: EventKind, samples: int = 0) -> tuple[ScanState, Sequence[Numbered], Sequence[Event]]:
        self.scan += 1
        state = ScanState(tick=self.clock.now(), scan=self.scan)
        taken = [self._sample() for _ in range(samples)]
        return state, taken, [Event(kind=kind, subject=f"scan {self.scan}") for kind in kinds]

    def _sample(self) -> Numbered:
        self.n += 1
        now = self.clock.now()
        sample = Sample(
            tag="TURB", reading=Number(self.n / 8), arrived=now, source_utc_ms=now.utc_ms, raw=(self.n % 9,)
        )
        return Numbered(n=self.n, sample=sample)


@dataclass
class Controller:
    """Four registers behind a connection that answers at once, or not at all."""

    registers: list[int] = field(default_factory=lambda: [700, 0, 0, 0])
    fault: EdgeError | None = None
    name: str = "PC1"
    writes: list[tuple[int, ...]] = field(default_factory=list)

    async def open(self) -> None:
        await asyncio.sleep(0)

    async def read(self, block: Block) -> tuple[int, ...]:
        assert block == BLOCK
        self._fail()
        return tuple(self.registers)

    async def write(self, block: Block, values: Sequence[int]) -> None:
        assert block == BLOCK
        self._fail()
        self.registers = list(values)
        self.writes.append(tuple(values))

    async def close(self) -> None:
        await asyncio.sleep(0)

    def _fail(self) -> None:
        if self.fault is not None:
            raise self.fault

    @property
    def permit(self) -> int:
        return self.registers[1]


def actuation_on(controller: Controller, image: InputImage, clock: ManualClock) -> Actuation:
    jitter = Random(7)  # noqa: S311 - no secret
    return Actuation(
        connection=controller,
        block=OUTPUT_BLOCK,
        outputs=OUTPUTS,
        image=image,
        clock=clock,
        writing=True,
        random=jitter,
    )
