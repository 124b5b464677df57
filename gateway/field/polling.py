"""Asks the devices of one connection, one request at a time, and puts what came into the input image.

Decides when each block is asked and how often a device that does not answer
is tried again; a failed request is a sample too, without a number and with a
reason. Never judges a value, never writes to a device, and never asks twice
for a poll that was missed: what is overdue is asked once, then the grid goes
on.

How a dead device is kept from starving its line: from the second failure in a
row its unit is silent. Its tags go on failing at their own pace without
anything being sent; it is really asked only when its back-off has run out and,
unless that has been waiting too long, only when no healthy block falls due
within the time its last failure took.
"""

import asyncio
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from random import Random

from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Sample
from gateway.core.scaling import Scaling, to_reading
from gateway.core.tick import Tick
from gateway.drivers.driver import Connection
from gateway.drivers.errors import EdgeError, InvalidReply, NoAnswer, NotConnected, Refused
from gateway.drivers.modbus.register_map import PlannedBlock, samples_of
from gateway.field.backoff import BackOff
from gateway.field.clock import Clock, wait_until
from gateway.field.image import InputImage

_SILENT_AFTER = 2  # failures in a row; a single lost reply is asked for again after a second
_FIRST_RETRY_S = 1.0
_SHARED_LINE_CEILING_S = 30.0
_SOLE_UNIT_CEILING_S = 5.0  # nobody else on the connection is kept waiting, and its return is seen sooner
_FIRST_RECONNECT_S = 0.5
_RECONNECT_CEILING_S = 10.0
_LONGEST_POSTPONED_MS = 30_000  # a probe that never fits between the others goes ahead after this
_TARGET_BEHIND_GATEWAY_SILENT = frozenset({10, 11})  # exception codes: a gateway speaks for a device that does not

_REASONS: tuple[tuple[type[EdgeError], Reason], ...] = (
    (NotConnected, Reason.NO_ANSWER),
    (NoAnswer, Reason.NO_ANSWER),
    (Refused, Reason.REFUSED),
    (InvalidReply, Reason.INVALID_REPLY),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStatistics:
    """How one device has answered since the start.

    Args:
        asked: requests sent, or tried.
        answered: good replies.
        failed: failures by kind, the name of the edge error.
        last_reply_ms: plant time of the last good reply; None when there was none.
        silent: whether it is asked rarely now because it does not answer.
    """

    asked: int
    answered: int
    failed: Mapping[str, int]
    last_reply_ms: int | None
    silent: bool


class Poller:
    """Polls everything behind one connection; ``run`` is its task.

    Args:
        connection: opened, used and closed by this poller alone.
        blocks: what to read and how often.
        scalings: by tag; every slot of every block needs one.
        image: where the samples go.
        clock: plant time; all intervals count on it.
        random: source of the jitter.

    Raises:
        ValueError: there is no block, or a tag has no scaling.
    """

    def __init__(
        self,
        *,
        connection: Connection,
        blocks: Sequence[PlannedBlock],
        scalings: Mapping[str, Scaling],
        image: InputImage,
        clock: Clock,
        random: Random | None = None,
    ) -> None:
        _refuse_incomplete(connection.name, blocks, scalings)
        dice = random or Random()  # noqa: S311 - jitter is no secret
        self._connection = connection
        self._scalings = scalings
        self._image = image
        self._clock = clock
        self._line = BackOff(first_s=_FIRST_RECONNECT_S, ceiling_s=_RECONNECT_CEILING_S, random=dice)
        self._units = _units_of(blocks, dice)
        start_ms = clock.now().monotonic_ms
        self._entries = [_Entry(block, self._units[block.block.unit_id], start_ms) for block in blocks]
        self._changed = asyncio.Event()

    async def run(self) -> None:
        """Poll until cancelled; the connection is closed then."""
        try:
            while True:
                await wait_until(self._clock, self._changed, min(entry.due_ms for entry in self._entries))
                self._changed.clear()
                await self._turn()
        finally:
            await self._connection.close()

    def hurry(self, tags: frozenset[str]) -> None:
        """From now on poll the blocks of exactly these tags at their hurried interval; newly named ones at once.

        Tags of other connections are ignored, so every poller may be told all of them.
        """
        now_ms = self._clock.now().monotonic_ms
        changed = [entry for entry in self._entries if entry.hurried != (not tags.isdisjoint(entry.tags))]
        for entry in changed:
            entry.change_pace(now_ms)
        if changed:
            self._changed.set()

    def statistics(self) -> dict[int, UnitStatistics]:
        """How each unit has answered, by unit id."""
        return {unit_id: unit.statistics() for unit_id, unit in self._units.items()}

    async def _turn(self) -> None:
        """Ask the one due block that comes first; what comes before it and cannot be asked is marked or put off."""
        now = self._clock.now()
        due = [entry for entry in self._entries if entry.due_ms <= now.monotonic_ms]
        for entry in sorted(due, key=lambda entry: entry.precedence(now.monotonic_ms)):
            if self._admit(entry, now):
                await self._ask(entry)
                return

    def _admit(self, entry: "_Entry", now: Tick) -> bool:
        """Whether to ask a due block now; if not, its samples fail or it is put off until it may be asked."""
        closed = [gate for gate in (self._line, entry.unit.gate) if gate.closed(now.monotonic_ms)]
        if any(gate.failures >= _SILENT_AFTER for gate in closed) or self._disturbs(entry, now.monotonic_ms):
            self._put_failure(entry, now, entry.unit.reason if self._line.failures == 0 else Reason.NO_ANSWER)
            entry.next_on_grid(now.monotonic_ms)
            return False
        if closed:
            entry.due_ms = max(gate.again_ms for gate in closed)
        return not closed

    def _disturbs(self, entry: "_Entry", now_ms: int) -> bool:
        """Whether asking a silent unit would probably keep a healthy block waiting."""
        unit = entry.unit
        if unit.gate.failures < _SILENT_AFTER or now_ms - unit.gate.again_ms >= _LONGEST_POSTPONED_MS:
            return False
        return any(
            other.unit.gate.failures == 0 and other.due_ms < now_ms + unit.failure_took_ms for other in self._entries
        )

    async def _ask(self, entry: "_Entry") -> None:
        asked = self._clock.now()
        entry.asked_ms = asked.monotonic_ms
        entry.unit.asked += 1
        try:
            await self._open()
            registers = await self._connection.read(entry.planned.block)
        except EdgeError as error:
            self._failed(entry, asked, error)
        else:
            self._answered(entry, asked, registers)

    async def _open(self) -> None:
        try:
            await self._connection.open()
        except NotConnected as error:
            raise _CannotOpen(str(error)) from error

    def _answered(self, entry: "_Entry", asked: Tick, registers: tuple[int, ...]) -> None:
        now = self._clock.now()
        entry.next_on_grid(asked.monotonic_ms)
        entry.failing = False
        self._revive(entry.unit, now.monotonic_ms)
        entry.unit.answered += 1
        entry.unit.last_reply_ms = now.monotonic_ms
        for tag, number, raw in samples_of(entry.planned, registers):
            reading = to_reading(number, self._scalings[tag])
            self._image.put(Sample(tag=tag, reading=reading, arrived=now, source_utc_ms=now.utc_ms, raw=raw))

    def _failed(self, entry: "_Entry", asked: Tick, error: EdgeError) -> None:
        now = self._clock.now()
        unit = entry.unit
        unit.failed[_kind_of(error)] += 1
        reason = _reason_of(error)
        entry.next_on_grid(asked.monotonic_ms)
        entry.failing = False
        if isinstance(error, NotConnected):
            self._line.failed(now.monotonic_ms)
            entry.retry_at(self._line.again_ms)
        if _says_nothing(error):
            unit.gate.failed(now.monotonic_ms)
            unit.reason = reason
            unit.failure_took_ms = now.monotonic_ms - asked.monotonic_ms
            entry.retry_at(unit.gate.again_ms)
        elif isinstance(error, Refused):
            self._revive(unit, now.monotonic_ms)
        self._put_failure(entry, now, reason)

    def _revive(self, unit: "_Unit", now_ms: int) -> None:
        """A unit answers: if it or the line did not before, what has failed meanwhile is asked at once."""
        line_was_down, unit_was_down = self._line.failures > 0, unit.gate.failures > 0
        self._line.succeeded()
        unit.gate.succeeded()
        for entry in self._entries:
            if entry.failing and (line_was_down or (unit_was_down and entry.unit is unit)):
                entry.due_ms = now_ms

    def _put_failure(self, entry: "_Entry", now: Tick, reason: Reason) -> None:
        entry.failing = True
        for tag in entry.tags:
            self._image.put(Sample(tag=tag, reading=NoNumber(reason), arrived=now, source_utc_ms=now.utc_ms))


class _CannotOpen(NotConnected):
    """The connection could not be opened, so no unit behind it was asked anything."""


@dataclass(kw_only=True)
class _Unit:
    """What is known of one device: its back-off, and what its requests came to."""

    gate: BackOff
    reason: Reason = Reason.NO_ANSWER
    failure_took_ms: int = 0
    asked: int = 0
    answered: int = 0
    failed: Counter[str] = field(default_factory=Counter)
    last_reply_ms: int | None = None

    def statistics(self) -> UnitStatistics:
        return UnitStatistics(
            asked=self.asked,
            answered=self.answered,
            failed=dict(self.failed),
            last_reply_ms=self.last_reply_ms,
            silent=self.gate.failures >= _SILENT_AFTER,
        )


class _Entry:
    """One planned block and when it is due; its grid is anchored, so that delays never add up."""

    def __init__(self, planned: PlannedBlock, unit: _Unit, start_ms: int) -> None:
        self.planned = planned
        self.unit = unit
        self.tags = planned.tags
        self.due_ms = start_ms
        self.hurried = False
        self.failing = False  # its newest samples say that it failed
        self.asked_ms = start_ms
        self._anchor_ms = start_ms
        self._retry_ms = start_ms

    @property
    def interval_ms(self) -> int:
        return self.planned.hurried_ms if self.hurried else self.planned.interval_ms

    def next_on_grid(self, after_ms: int) -> None:
        """Due at the first point of the grid after ``after_ms``, or at its own retry if that comes first."""
        passed = (after_ms - self._anchor_ms) // self.interval_ms
        self.due_ms = self._anchor_ms + (passed + 1) * self.interval_ms
        if self._retry_ms > after_ms:
            self.due_ms = min(self.due_ms, self._retry_ms)

    def retry_at(self, again_ms: int) -> None:
        """It was asked and failed, so it is the one to try again when the back-off ends, on the grid or not."""
        self._retry_ms = again_ms
        self.due_ms = min(self.due_ms, again_ms)

    def change_pace(self, now_ms: int) -> None:
        """Begin or end hurrying; the beginning is asked at once, even of a unit that has been silent."""
        self.hurried = not self.hurried
        self._anchor_ms = now_ms
        if self.hurried:
            self.due_ms = now_ms
            self.unit.gate.again_ms = now_ms
        else:
            self.next_on_grid(now_ms)

    def precedence(self, now_ms: int) -> tuple[bool, int, int]:
        """Healthy units first, then who has waited longest; a failing one waits for at most one interval."""
        waits = self.unit.gate.failures > 0 and now_ms - self.due_ms < self.interval_ms
        return waits, self.due_ms, self.asked_ms


def _refuse_incomplete(name: str, blocks: Sequence[PlannedBlock], scalings: Mapping[str, Scaling]) -> None:
    if not blocks:
        raise ValueError(f"connection {name}: nothing to poll; leave out the poller or give a tag to a device on it")
    missing = sorted({tag for block in blocks for tag in block.tags} - scalings.keys())
    if missing:
        raise ValueError(f"connection {name}: no scaling for {', '.join(missing)}; every polled tag needs one")


def _units_of(blocks: Sequence[PlannedBlock], random: Random) -> dict[int, _Unit]:
    unit_ids = sorted({block.block.unit_id for block in blocks})
    ceiling_s = _SHARED_LINE_CEILING_S if len(unit_ids) > 1 else _SOLE_UNIT_CEILING_S
    return {
        unit_id: _Unit(gate=BackOff(first_s=_FIRST_RETRY_S, ceiling_s=ceiling_s, random=random)) for unit_id in unit_ids
    }


def _reason_of(error: EdgeError) -> Reason:
    if isinstance(error, Refused) and error.code in _TARGET_BEHIND_GATEWAY_SILENT:
        return Reason.NO_ANSWER
    return next((reason for kind, reason in _REASONS if isinstance(error, kind)), Reason.NO_ANSWER)


def _kind_of(error: EdgeError) -> str:
    return next((kind.__name__ for kind, _ in _REASONS if isinstance(error, kind)), type(error).__name__)


def _says_nothing(error: EdgeError) -> bool:
    """Whether the failure speaks against the unit itself, so that it is asked less often."""
    if isinstance(error, Refused):
        return error.code in _TARGET_BEHIND_GATEWAY_SILENT
    return not isinstance(error, _CannotOpen)
