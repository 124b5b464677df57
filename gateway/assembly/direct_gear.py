"""The decisions of a site without sockets, disk or waiting: registers in, registers out, on a clock of its own.

The direct gear. Readings go from register images straight through the same
decoding and scaling into the same scan, and levels through the same actuation
back to registers; days pass as fast as they can be computed. What it leaves
out: time-outs and back-off of the polling, the record (what a scan decides
counts as committed at once), and everything that goes upstream.
"""

from collections import deque
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from gateway.assembly.direct_health import DirectHealth
from gateway.assembly.field_process import output_block_of
from gateway.configuration.plant import LoadedSite
from gateway.configuration.poll_plan import PlannedBlock, plan_blocks
from gateway.core.entering import overdue
from gateway.core.outcome import Event, Outcome
from gateway.core.permissive import tick_list
from gateway.core.quality import Reason
from gateway.core.request import Request
from gateway.core.sample import NoNumber, Reading, Sample
from gateway.core.scaling import Scaling, to_reading
from gateway.core.scan import Arrival, Moment, scan
from gateway.core.state import first_state, rules_of
from gateway.core.tick import Tick
from gateway.core.working import situation_of
from gateway.drivers.driver import Block
from gateway.drivers.errors import EdgeError
from gateway.drivers.modbus.register_map import BlockReader
from gateway.field.actuation import Actuation
from gateway.field.clock import ManualClock
from gateway.field.image import InputImage


class Devices(Protocol):
    """The devices of a site as register images."""

    def read(self, device: str, block: Block) -> tuple[int, ...]:
        """Registers or bits of a block; raises an ``EdgeError`` when the device would not answer."""

    def write(self, device: str, block: Block, values: Sequence[int]) -> None:
        """What a function-16 request would do; raises an ``EdgeError`` when the device would not answer."""

    def figure(self, file: str) -> float | None:
        """What stands in a figures file of the gateway's machine; None when there is no such file."""


@dataclass(frozen=True, slots=True)
class Told:
    """An event and when it was decided."""

    tick: Tick
    event: Event


class DirectGear:
    """One site.

    Args:
        loaded: the site.
        devices: its devices.
        utc_ms: the wall clock at the start.
        period_ms: from one scan to the next; a longer one than the site's own makes delays coarser.
        tell: called with every event.
    """

    def __init__(
        self, loaded: LoadedSite, devices: Devices, *, utc_ms: int, period_ms: int, tell: Callable[[Told], None]
    ) -> None:
        self.clock = ManualClock(utc_ms=utc_ms)
        self.rules = rules_of(loaded.plant)
        self.state, beginnings = first_state(self.rules, self.clock.now())
        self.outcome = Outcome(levels={})
        self.arrivals: tuple[Arrival, ...] = ()  # of the newest step
        self._loaded = loaded
        self._devices = devices
        self._period_ms = period_ms
        self._tell = tell
        self._image = InputImage()
        self._requests: deque[Request] = deque()
        self.taken: Sequence[Sample] = ()  # readings of the last scan
        self._samples: list[Sample] = []  # of this scan; nobody else puts any, so they need no image between
        start_ms = self.clock.now().monotonic_ms
        self._polls = _polls_of(loaded, start_ms)
        self._health = DirectHealth(loaded.site, devices.figure, start_ms, checks_overdue=self._checks_overdue)
        self._actuation = _actuation_of(loaded, devices, self._image, self.clock)
        self._write_due_ms = 0
        for event in beginnings:
            tell(Told(self.clock.now(), event))

    def _checks_overdue(self) -> float:
        return float(len(overdue(self.rules.plant.entries, self.state.checked, self.state.tick.utc_ms)))

    def ask(self, request: Request) -> None:
        """Hand a request to the next scan."""
        self._requests.append(request)

    def missing(self, output: str) -> tuple[str, ...]:
        """What a release of an output still waits for, in words."""
        rule = self.rules.releases[output]
        items = tick_list(rule, situation_of(self.rules, self.state))
        return tuple(item.text for item in items if not item.satisfied)

    def step(self) -> Outcome:
        """Let one scan period pass: read what is due, decide, write what is due."""
        self.clock.advance(self._period_ms)
        now = self.clock.now()
        self._read(now)
        before = self.outcome.levels
        self.arrivals = self._arrivals()
        self.state, self.outcome = scan(self.rules, self.state, Moment(tick=now, arrivals=self.arrivals))
        for event in self.outcome.events:
            self._tell(Told(now, event))
        self._write(now.monotonic_ms, changed=before != self.outcome.levels)
        return self.outcome

    def _arrivals(self) -> tuple[Arrival, ...]:
        """In order: what the last writing read back, this scan's readings, what people asked for."""
        arrivals = (*self._image.take(), *self._samples, *self._requests)
        self.taken, self._samples = self._samples, []
        self._requests.clear()
        return arrivals

    def _read(self, now: Tick) -> None:
        hurried, now_ms = self.outcome.hurried, now.monotonic_ms
        for poll in self._polls:
            if poll.due_ms <= now_ms or (hurried and not hurried.isdisjoint(poll.planned.tags)):
                poll.next_after(now_ms)
                self._read_block(poll, now)
        for tag, reading in self._health.due(now.monotonic_ms):
            self._put(tag, reading, now, ())

    def _read_block(self, poll: "_Poll", now: Tick) -> None:
        try:
            words = self._devices.read(poll.device, poll.planned.block)
        except EdgeError:
            self._health.answered(poll.device, well=False, now_ms=now.monotonic_ms)
            for tag in poll.planned.tags:
                self._put(tag, NoNumber(Reason.NO_ANSWER), now, ())
            return
        self._health.answered(poll.device, well=True, now_ms=now.monotonic_ms)
        utc_ms = now.utc_ms
        self._samples += [
            Sample(tag=tag, reading=reading, arrived=now, source_utc_ms=utc_ms, raw=raw)
            for tag, reading, raw in poll.readings_of(words)
        ]

    def _put(self, tag: str, reading: Reading, now: Tick, raw: tuple[int, ...]) -> None:
        self._samples.append(Sample(tag=tag, reading=reading, arrived=now, source_utc_ms=now.utc_ms, raw=raw))

    def _write(self, now_ms: int, *, changed: bool) -> None:
        if self._actuation is None:
            return
        self._actuation.adopt(self.state.scan, self.outcome)
        self._actuation.committed(self.state.scan)
        if changed or now_ms >= self._write_due_ms:
            self._write_due_ms = _at_once(self._actuation.turn())


class _Poll:
    """A planned block, its device, when it is due, and what it read last: the same words are the same readings."""

    def __init__(self, device: str, planned: PlannedBlock, scalings: Mapping[str, Scaling], due_ms: int) -> None:
        self.device = device
        self.planned = planned
        self.due_ms = due_ms
        self._reader = BlockReader(planned)
        self._scalings = scalings
        self._words: tuple[int, ...] = ()
        self._last: list[_Read] = []
        self._known: dict[str, _Read] = {}

    def next_after(self, now_ms: int) -> None:
        self.due_ms = now_ms - now_ms % self.planned.interval_ms + self.planned.interval_ms

    def readings_of(self, words: tuple[int, ...]) -> Sequence["_Read"]:
        """Tag, reading and raw words of every tag of the block."""
        if words != self._words:
            self._words, self._last = words, [self._reading(*one) for one in self._reader.samples_of(words)]
        return self._last

    def _reading(self, tag: str, raw_number: float | str, raw: tuple[int, ...]) -> "_Read":
        known = self._known.get(tag)
        if known is None or known[2] != raw:
            known = self._known[tag] = (tag, to_reading(raw_number, self._scalings[tag]), raw)
        return known


_Read = tuple[str, Reading, tuple[int, ...]]


def _polls_of(loaded: LoadedSite, start_ms: int) -> list[_Poll]:
    site = loaded.site
    return [
        _Poll(device, planned, loaded.scalings, start_ms)
        for connection in site.connections
        for planned in plan_blocks(connection=connection, devices=site.devices, tags=site.tags)
        for device, keys in site.devices.items()
        if keys.connection == connection and keys.unit_id == planned.block.unit_id
    ]


def _actuation_of(loaded: LoadedSite, devices: Devices, image: InputImage, clock: ManualClock) -> Actuation | None:
    keys = loaded.site.output_block
    if keys is None:
        return None
    block = output_block_of(loaded, keys)
    return Actuation(
        connection=_Registers(keys.device, devices),
        block=block,
        outputs=loaded.plant.outputs,
        image=image,
        clock=clock,
    )


class _Registers:
    """A device's registers as the connection that the actuation expects; nothing in it ever waits."""

    def __init__(self, device: str, devices: Devices) -> None:
        self.name = device
        self._devices = devices

    async def open(self) -> None:
        """There is nothing to open."""

    async def read(self, block: Block) -> tuple[int, ...]:
        """See ``Devices``."""
        return self._devices.read(self.name, block)

    async def write(self, block: Block, values: Sequence[int]) -> None:
        """See ``Devices``."""
        self._devices.write(self.name, block, values)

    async def close(self) -> None:
        """There is nothing to close."""


def _at_once(coroutine: Coroutine[None, None, int]) -> int:
    """The result of a coroutine that waits for nothing."""
    try:
        coroutine.send(None)
    except StopIteration as done:
        result: int = done.value
        return result
    raise RuntimeError("the direct gear waited for something; nothing in it may")
