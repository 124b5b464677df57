"""Rows a and b: from the request on the wire to the committed record, beside a bare pymodbus loop.

Both ask the same devices for the same blocks, as often as replies come, on one
event loop: so many requests a connection, and then it is over. The gateway's
side is the field process without its sockets to people: pollers, image, a scan
every second on a plant of that size, and the recorder on a real store. It is
done when the last reading is committed.
"""

import asyncio
import gc
import importlib.util
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from pymodbus.client import AsyncModbusTcpClient

from gateway.configuration.schema import NetworkConnection
from gateway.core.state import first_state, rules_of
from gateway.core.tick import Tick
from gateway.drivers.driver import Block
from gateway.drivers.modbus.connection import ModbusConnection
from gateway.field.backoff import BackOff
from gateway.field.clock import SystemClock
from gateway.field.image import InputImage
from gateway.field.polling import Poller
from gateway.field.recording import Identity, Recorder
from gateway.field.scanning import Scanner
from gateway.store import sample_log
from gateway.store.database import Database
from gateway.store.migrations import PLANT
from tests.bench import plants
from tests.bench.frame import Figure, Goal, Scale, alternately
from tests.bench.libmodbus_peer import running

_RATE = 10  # plant seconds a second, so that a block due every plant millisecond is due again almost at once
_IMAGE_BOUND = 200_000  # a second of readings at any rate: none may be given up
_LONGEST_S = 120.0
_REQUESTS, FEWEST_A_CONNECTION = 2_400, 72
_SHORT_A_CONNECTION = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How often the gateway does what it does, plant milliseconds."""

    poll_ms: int
    scan_ms: int
    commit_ms: int


# A poll is due again almost at once: up to 40,000 requests a second of one connection, which no client here reaches.
FLAT_OUT = Pace(poll_ms=1, scan_ms=1_000 * _RATE, commit_ms=1_000 * _RATE)
SITE = Pace(poll_ms=plants.SCANS_A_SAMPLE * plants.SCAN_MS, scan_ms=plants.SCAN_MS, commit_ms=10_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What a side has done, and what it took.

    Args:
        requests: that were answered.
        seconds: real ones.
        cpu_s: processor time of all threads.
        loop_s: that of the event loop's thread alone.
    """

    requests: int
    seconds: float
    cpu_s: float
    loop_s: float

    @property
    def rate(self) -> float:
        """Requests a second."""
        return self.requests / self.seconds

    @property
    def cpu_us_a_reading(self) -> float:
        """Of all threads of the process."""
        return self.cpu_s * 1e6 / self._readings

    @property
    def writer_us_a_reading(self) -> float:
        """Of all threads but the event loop's: the writer of the store."""
        return (self.cpu_s - self.loop_s) * 1e6 / self._readings

    @property
    def _readings(self) -> int:
        return self.requests * plants.TAGS_A_BLOCK


class _Watch:
    """Wall and processor time since it was made."""

    def __init__(self) -> None:
        gc.collect()
        gc.freeze()  # as the field process does with what stays
        self._s, self._cpu_s, self._loop_s = _clocks()

    def spent(self, requests: int) -> Spent:
        s, cpu_s, loop_s = _clocks()
        gc.unfreeze()
        return Spent(requests=requests, seconds=s - self._s, cpu_s=cpu_s - self._cpu_s, loop_s=loop_s - self._loop_s)


def _clocks() -> tuple[float, float, float]:
    return time.perf_counter(), time.process_time(), time.thread_time()


# --- the gateway -----------------------------------------------------------------------------------------------


class _FastClock(SystemClock):
    """A plant that runs ten times as fast; its wall clock does so too."""

    rate = float(_RATE)

    def now(self) -> Tick:
        now_ms = self._now_ms()
        return Tick(monotonic_ms=now_ms, utc_ms=plants.UTC_MS + now_ms, utc_trusted=True)

    def _now_ms(self) -> int:
        return time.monotonic_ns() * _RATE // 1_000_000

    async def sleep_until(self, monotonic_ms: int) -> None:
        await asyncio.sleep(0)
        while (remaining_ms := monotonic_ms - self._now_ms()) > 0:  # noqa: ASYNC110 - time is all that is waited for
            await asyncio.sleep(remaining_ms / 1_000 / _RATE)

    async def sleep(self, duration_s: float) -> None:
        await self.sleep_until(self._now_ms() + round(duration_s * 1_000))

    def real_timeout_s(self, plant_s: float) -> float:
        return plant_s / _RATE

    def real_pause_s(self, plant_s: float) -> float:
        return plant_s / _RATE


class _Limited(ModbusConnection):
    """The driver, which answers so many requests; the next one waits for ever."""

    def __init__(self, name: str, keys: NetworkConnection, requests: int) -> None:
        super().__init__(name, keys)
        self._left = requests
        self.done = asyncio.Event()

    async def read(self, block: Block) -> tuple[int, ...]:
        if not self._left:
            self.done.set()
            await asyncio.Event().wait()
        self._left -= 1
        return await super().read(block)


class _Gateway:
    """Everything from the wire to the record."""

    def __init__(self, port: int, devices: int, requests_each: int, pace: Pace, folder: Path) -> None:
        clock, tags = _FastClock(), devices * plants.TAGS_A_DEVICE
        keys = NetworkConnection(transport="tcp", host="127.0.0.1", port=port, reply_timeout_s=30.0)
        rules, scalings = rules_of(plants.plant(tags)), plants.scalings(tags)
        state, events = first_state(rules, clock.now())
        self._image = InputImage(bound=_IMAGE_BOUND)
        self._database = Database(folder / "plant.db", PLANT, utc_ms=clock.now().utc_ms)
        self._lines = [_Limited(f"L{device}", keys, requests_each) for device in range(devices)]
        self._pollers = [
            Poller(
                connection=line,
                blocks=plants.blocks(device, pace.poll_ms),
                scalings=scalings,
                image=self._image,
                clock=clock,
            )
            for device, line in enumerate(self._lines)
        ]
        self._recorder = Recorder(
            database=self._database,
            identity=Identity(run=self._database.opened.run, boot_id="bench", configuration="bench"),
            clock=clock,
            interval_ms=pace.commit_ms,
            first_entry_n=1,
            again=BackOff(first_s=1.0, ceiling_s=30.0, random=Random(1)),  # noqa: S311 - jitter
            on_commit=lambda _: None,
        )
        self._scanner = Scanner(
            rules=rules,
            state=state,
            beginnings=events,
            image=self._image,
            clock=clock,
            period_ms=pace.scan_ms,
            actuation=None,
            pollers=self._pollers,
            recorder=self._recorder,
            tell=lambda *_: None,
            answer=lambda *_: None,
        )

    async def run(self) -> Spent:
        """Until every request is answered and every reading committed."""
        await asyncio.gather(*(line.open() for line in self._lines))
        watch = _Watch()
        deciding = [asyncio.create_task(self._scanner.run()), asyncio.create_task(self._recorder.run())]
        polling = [asyncio.create_task(poller.run()) for poller in self._pollers]
        async with asyncio.timeout(_LONGEST_S):
            await asyncio.gather(*(line.done.wait() for line in self._lines))
        await _ended(deciding)
        self._scanner.once()
        assert await self._recorder.finish(_LONGEST_S)
        spent = watch.spent(self._answered())
        await _ended(polling)
        self._check(spent.requests)
        self._database.close(_LONGEST_S)
        return spent

    def _answered(self) -> int:
        return sum(unit.answered for poller in self._pollers for unit in poller.statistics().values())

    def _check(self, requests: int) -> None:
        """Every reading of every reply is in the record."""
        assert self._image.statistics().replaced == 0
        with self._database.reader() as reader:
            assert sample_log.newest_n(reader) == requests * plants.TAGS_A_BLOCK
            assert not list(sample_log.verify(reader))


async def _polled(port: int, devices: int, requests_each: int, pace: Pace, folder: Path) -> Spent:
    return await _Gateway(port, devices, requests_each, pace, folder).run()


async def _ended(tasks: Sequence[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    for outcome in await asyncio.gather(*tasks, return_exceptions=True):
        assert isinstance(outcome, asyncio.CancelledError), f"a part of the gateway has ended by itself: {outcome!r}"


# --- the bare library ------------------------------------------------------------------------------------------


async def _bare(port: int, devices: int, requests_each: int) -> Spent:
    clients = [AsyncModbusTcpClient("127.0.0.1", port=port) for _ in range(devices)]
    assert all(await asyncio.gather(*(client.connect() for client in clients)))
    watch = _Watch()
    spent = watch.spent(sum(await asyncio.gather(*(_asked(client, requests_each) for client in clients))))
    for client in clients:
        client.close()
    return spent


async def _asked(client: AsyncModbusTcpClient, requests: int) -> int:
    size = plants.REGISTERS_A_BLOCK
    answered = 0
    while answered < requests:
        for address in range(0, plants.BLOCKS_A_DEVICE * size, size):
            reply = await client.read_holding_registers(address, count=size, device_id=1)
            answered += len(reply.registers) == size
    return answered


# --- both ------------------------------------------------------------------------------------------------------


class Beside:
    """Both sides against the same devices, on one event loop.

    Args:
        port: of the devices.
        runner: the loop.
        short: a few requests only.
    """

    def __init__(self, port: int, runner: asyncio.Runner, *, short: bool) -> None:
        self._port, self._runner, self._short = port, runner, short

    def gateway(self, devices: int, requests_each: int, pace: Pace = FLAT_OUT) -> Spent:
        """One run of the gateway, on a store of its own."""
        with tempfile.TemporaryDirectory() as folder:
            return self._runner.run(_polled(self._port, devices, requests_each, pace, Path(folder)))

    def bare(self, devices: int, requests_each: int) -> Spent:
        """One run of the bare loop."""
        return self._runner.run(_bare(self._port, devices, requests_each))

    def rounds(self, rounds: int, devices: int) -> tuple[list[Spent], list[Spent]]:
        """Both in turn, flat out."""
        each = _SHORT_A_CONNECTION if self._short else max(FEWEST_A_CONNECTION, _REQUESTS // devices)
        return alternately(rounds, lambda: self.gateway(devices, each), lambda: self.bare(devices, each))


def requests_a_second(scale: Scale) -> Sequence[Figure]:
    """Row a, on the loop of Python, and on uvloop as well where that is installed."""
    figures = _on_a_loop(scale, asyncio.Runner(), "")
    if importlib.util.find_spec("uvloop") is not None:
        uvloop = importlib.import_module("uvloop")
        figures += _on_a_loop(scale, asyncio.Runner(loop_factory=uvloop.new_event_loop), ", uvloop")
    return figures


def _on_a_loop(scale: Scale, loop: asyncio.Runner, name: str) -> list[Figure]:
    with running() as port, loop as runner:
        beside = Beside(port, runner, short=scale.short)
        beside.rounds(1, scale.connections[0])  # what the first run makes once and for all
        return [_rate(devices, name, scale, *beside.rounds(scale.rounds, devices)) for devices in scale.connections]


def _rate(devices: int, loop: str, scale: Scale, ours: Sequence[Spent], bare: Sequence[Spent]) -> Figure:
    return Figure(
        name=f"{devices} connection{'s' if devices > 1 else ''}{loop}",
        unit="requests/s",
        gateway=[one.rate for one in ours],
        baseline=[one.rate for one in bare],
        goal=Goal(at_least=0.5, stretch=0.7, of="ratio") if devices == max(scale.connections) else None,
        work=(sum(one.requests for one in ours), sum(one.requests for one in bare)),
    )


def cpu_of_a_reading(scale: Scale) -> Sequence[Figure]:
    """Row b."""
    devices = max(scale.connections)
    with running() as port, asyncio.Runner() as runner:
        beside = Beside(port, runner, short=scale.short)
        beside.rounds(1, scale.connections[0])
        ours, bare = beside.rounds(scale.rounds, devices)
        polls = 2 if scale.short else 6
        paced = [beside.gateway(devices, polls * plants.BLOCKS_A_DEVICE, SITE) for _ in range(scale.rounds)]
    return [*_flat_out(devices, ours, bare), *_at_a_sites_pace(devices, paced, bare)]


def _flat_out(devices: int, ours: Sequence[Spent], bare: Sequence[Spent]) -> tuple[Figure, Figure, Figure]:
    own = Figure(
        name=f"gateway without the library, {devices} devices",
        unit="us/reading",
        gateway=without_the_library(ours, bare),
        goal=Goal(at_most=12, stretch=4),
        work=(sum(one.requests for one in ours), sum(one.requests for one in bare)),
        remark="flat out: processor time of all threads, from polling to the committed record, less the bare loop's",
    )
    writer = Figure(
        name="of that, in the writer of the store",
        unit="us/reading",
        gateway=[one.writer_us_a_reading for one in ours],
    )
    library = Figure(name="the library's own share", unit="us/reading", gateway=[one.cpu_us_a_reading for one in bare])
    return own, writer, library


def _at_a_sites_pace(devices: int, paced: Sequence[Spent], bare: Sequence[Spent]) -> tuple[Figure, Figure]:
    own = Figure(
        name=f"at a site's pace, {devices} devices",
        unit="us/reading",
        gateway=without_the_library(paced, bare),
        remark="each tag every 5 s, so five scans a reading; a commit every 10 s; all of it ten times as fast",
    )
    writer = Figure(
        name="at a site's pace, in the writer of the store",
        unit="us/reading",
        gateway=[one.writer_us_a_reading for one in paced],
    )
    return own, writer


def without_the_library(ours: Sequence[Spent], bare: Sequence[Spent]) -> list[float]:
    """Processor time of a reading that is the gateway's own, round by round."""
    return [one.cpu_us_a_reading - library.cpu_us_a_reading for one, library in zip(ours, bare, strict=True)]
