"""Asks the devices of one connection, one request at a time, and puts what came into the input image.

Decides when each block is asked and how often a device that does not answer
is tried again; a failed request is a sample too, without a number and with a
reason. One lost reply of a block that was answering, or never asked before, is
counted, asked for again after a second and says nothing else yet: on a serial
line it happens every few hours, and half an hour of good readings must not
begin anew for it. That the unit refuses, or that the connection cannot be
opened, is said at once. Never
judges a value, never writes to a device, and never asks twice for a poll that
was missed: what is overdue is asked once, then the grid goes on.

How a dead device is kept from starving its line: from the second failure in a
row its unit is silent. Its tags go on failing at their own pace without
anything being sent; it is really asked only when its back-off has run out and,
unless that has been waiting too long, only when no healthy block falls due
within the time its last failure took.

How a device proves itself: where it has a test constant, the block with that
constant is the first to be asked on every new connection and of every unit
that has been silent; until it has been read, nothing else of that unit is
asked, and nothing else of it fails. What the constant reads is not looked at
here.

A device that needs silence before its requests lets those of the others go
first that are due as well; then the line rests for as long as is missing.
"""

import asyncio
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from types import MappingProxyType
from typing import Protocol

from gateway.configuration.poll_plan import PlannedBlock
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Sample
from gateway.core.scaling import Scaling, reader
from gateway.core.tick import Tick
from gateway.drivers.driver import Connection
from gateway.drivers.errors import EdgeError, InvalidReply, NoAnswer, NotConnected, Refused
from gateway.drivers.modbus.register_map import BlockReader
from gateway.field.backoff import BackOff
from gateway.field.clock import Clock, wait_until
from gateway.field.image import InputImage

_SILENT_AFTER = 2  # failures in a row; a single lost reply is asked for again after a second at most
_FIRST_RETRY_S = 1.0  # and not later than it would have been asked anyway
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


class PolledConnection(Connection, Protocol):
    """What polling needs besides: whether it is still the same connection, and how fast replies come."""

    connects: int
    last_reply_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStatistics:
    """How one device has answered since the start.

    Args:
        asked: requests that have ended.
        answered: good replies.
        failed: failures by kind, the name of the edge error.
        last_reply_ms: plant time of the last good reply; None when there was none.
        silent: whether it is asked rarely now because it does not answer.
        replies_took_ms: plant milliseconds from request to reply, of all good replies together.
    """

    asked: int
    answered: int
    failed: Mapping[str, int]
    last_reply_ms: int | None
    silent: bool
    replies_took_ms: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LineStatistics:
    """How a connection has been doing since the start.

    Args:
        began_ms: plant time of the start.
        is_open: whether it stands, as far as the last request could tell.
        busy_ms: plant milliseconds for which it was taken by requests.
        units: of each unit behind it, by unit id.
    """

    began_ms: int
    is_open: bool
    busy_ms: int
    units: Mapping[int, UnitStatistics]


class Poller:
    """Polls everything behind one connection; ``run`` is its task.

    Args:
        connection: opened, used and closed by this poller alone.
        blocks: what to read and how often.
        scalings: by tag; every slot of every block needs one.
        image: where the samples go.
        clock: plant time; all intervals count on it.
        constants: unit id to the tag of its test constant, of every unit that has one.
        pauses: unit id to the plant seconds of silence on the line that it needs before a request of its own.
        random: source of the jitter.

    Raises:
        ValueError: there is no block, a tag has no scaling, or a test constant is in no block of its unit.
    """

    def __init__(
        self,
        *,
        connection: PolledConnection,
        blocks: Sequence[PlannedBlock],
        scalings: Mapping[str, Scaling],
        image: InputImage,
        clock: Clock,
        constants: Mapping[int, str] = MappingProxyType({}),
        pauses: Mapping[int, float] = MappingProxyType({}),
        random: Random | None = None,
    ) -> None:
        _refuse_incomplete(connection.name, blocks, scalings)
        dice = random or Random()  # noqa: S311 - jitter is no secret
        self._connection = connection
        self._image = image
        self._clock = clock
        self._line = BackOff(first_s=_FIRST_RECONNECT_S, ceiling_s=_RECONNECT_CEILING_S, random=dice)
        self._units = _units_of(blocks, pauses, dice)
        self._began_ms = clock.now().monotonic_ms
        self._entries = [_Entry(block, scalings, self._units[block.block.unit_id], self._began_ms) for block in blocks]
        self._give_constants(constants)
        self._changed = asyncio.Event()
        self._is_open = False  # as far as the last request could tell
        self._connects = 0  # of the connection, when the constants were last due
        self._taken_since_ms: int | None = None  # a request is under way
        self._free_since_ms = self._began_ms  # end of the last one
        self._busy_ms = 0

    def _give_constants(self, constants: Mapping[int, str]) -> None:
        for unit_id, tag in constants.items():
            found = [one for one in self._entries if tag in one.tags and one.planned.block.unit_id == unit_id]
            if not found:
                raise ValueError(f"connection {self._connection.name}: no block of unit {unit_id} reads {tag}")
            self._units[unit_id].constant = found[0]

    async def run(self) -> None:
        """Poll until cancelled; the connection is closed then."""
        try:
            while True:
                due_ms = min(entry.due_ms for entry in self._entries if not self._waits(entry))
                await wait_until(self._clock, self._changed, due_ms)
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
            if entry.hurried and not entry.may_be_asked:
                entry.unit.prove(now_ms)
        if changed:
            self._changed.set()

    def statistics(self) -> dict[int, UnitStatistics]:
        """How each unit has answered, by unit id."""
        return {unit_id: unit.statistics() for unit_id, unit in self._units.items()}

    def line_statistics(self) -> LineStatistics:
        """How the connection has been doing, and each unit behind it."""
        now_ms = self._clock.now().monotonic_ms
        under_way_ms = 0 if self._taken_since_ms is None else now_ms - self._taken_since_ms
        return LineStatistics(
            began_ms=self._began_ms,
            is_open=self._is_open,
            busy_ms=self._busy_ms + under_way_ms,
            units=self.statistics(),
        )

    async def _turn(self) -> None:
        """Ask the one due block that comes first; what comes before it and cannot be asked is marked or put off."""
        now = self._clock.now()
        due = [one for one in self._entries if one.due_ms <= now.monotonic_ms and not self._waits(one)]
        for entry in sorted(due, key=lambda entry: entry.precedence(now.monotonic_ms)):
            if self._admit(entry, now):
                await self._ask(entry)
                return

    def _waits(self, entry: "_Entry") -> bool:
        """Whether a block waits for the constant of its unit, which answers or has only just been asked."""
        return not (entry.may_be_asked or entry.unit.silent or self._line.failures >= _SILENT_AFTER)

    def _admit(self, entry: "_Entry", now: Tick) -> bool:
        """Whether to ask a due block now; if not, its samples fail or it is put off until it may be asked."""
        closed = [gate for gate in (self._line, entry.unit.gate) if gate.closed(now.monotonic_ms)]
        silent = not entry.may_be_asked or any(gate.failures >= _SILENT_AFTER for gate in closed)
        if not entry.may_be_asked and not closed:
            entry.unit.prove(now.monotonic_ms)  # the constant is asked in its place, however rarely it is else
        if silent or self._disturbs(entry, now.monotonic_ms):
            self._put_failure(entry, now, entry.unit.reason if self._line.failures == 0 else Reason.NO_ANSWER)
            entry.next_on_grid(now.monotonic_ms)
            return False
        if closed:
            entry.due_ms = max(gate.again_ms for gate in closed)
        return not closed

    def _disturbs(self, entry: "_Entry", now_ms: int) -> bool:
        """Whether asking a silent unit would probably keep a healthy block waiting."""
        unit = entry.unit
        if not unit.silent or now_ms - unit.gate.again_ms >= _LONGEST_POSTPONED_MS:
            return False
        return any(
            other.unit.gate.failures == 0 and other.due_ms < now_ms + unit.failure_took_ms
            for other in self._entries
            if not self._waits(other)
        )

    async def _ask(self, entry: "_Entry") -> None:
        """One request on a connection that is known, or only the connection when it turns out to be a new one."""
        if entry.unit.pause_ms:
            await self._clock.sleep_until(self._free_since_ms + entry.unit.pause_ms)
        asked = self._clock.now()
        self._taken_since_ms = asked.monotonic_ms
        try:
            await self._open()
            if self._connected_anew() and not entry.may_be_asked:
                return
            entry.asked_ms = asked.monotonic_ms
            registers = await self._connection.read(entry.planned.block)
        except EdgeError as error:
            self._failed(entry, asked, error)
        else:
            if self._connected_anew() and not entry.may_be_asked:  # lost and made again within the request
                return
            self._answered(entry, asked, registers)
        finally:
            self._free_since_ms = self._clock.now().monotonic_ms
            self._busy_ms += self._free_since_ms - asked.monotonic_ms
            self._taken_since_ms = None

    def _connected_anew(self) -> bool:
        """Whether this is another connection than at the last look; then every constant is asked before all else."""
        if self._connection.connects == self._connects:
            return False
        self._connects = self._connection.connects
        for unit in self._units.values():
            unit.prove(self._clock.now().monotonic_ms)
        return True

    async def _open(self) -> None:
        try:
            await self._connection.open()
        except NotConnected as error:
            raise _CannotOpen(str(error)) from error
        self._is_open = True

    def _answered(self, entry: "_Entry", asked: Tick, registers: tuple[int, ...]) -> None:
        now = self._clock.now()
        entry.next_on_grid(asked.monotonic_ms)
        entry.failing = entry.lost = False
        unit = entry.unit
        self._revive(unit, now.monotonic_ms)
        unit.proven = unit.proven or entry is unit.constant
        unit.asked += 1
        unit.answered += 1
        unit.last_reply_ms = now.monotonic_ms
        unit.replies_took_ms += self._connection.last_reply_s * 1_000 * (self._clock.rate or 1.0)
        put, readers = self._image.put, entry.readers
        for tag, number, raw in entry.reader.samples_of(registers):
            put(Sample(tag, readers[tag](number), now, now.utc_ms, raw))

    def _failed(self, entry: "_Entry", asked: Tick, error: EdgeError) -> None:
        now = self._clock.now()
        unit = entry.unit
        unit.asked += 1
        unit.failed[_kind_of(error)] += 1
        reason = _reason_of(error)
        entry.next_on_grid(asked.monotonic_ms)
        entry.failing = False
        if isinstance(error, NotConnected):
            self._is_open = False
            self._line.failed(now.monotonic_ms)
            entry.retry_at(self._line.again_ms)
        if _says_nothing(error):
            unit.gate.failed(now.monotonic_ms)
            unit.reason = reason
            unit.failure_took_ms = now.monotonic_ms - asked.monotonic_ms
            if unit.silent and unit.constant is not None:
                unit.proven = False
                unit.constant.retry_at(unit.gate.again_ms)
            else:
                entry.retry_at(unit.gate.again_ms)
        elif isinstance(error, Refused):
            self._revive(unit, now.monotonic_ms)
        first = _says_nothing(error) and unit.gate.failures == 1 and not entry.lost
        entry.lost = True
        if not first:
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
    pause_ms: int = 0
    constant: "_Entry | None" = None  # the block with its test constant, if it has one
    proven: bool = False  # the constant has been read since the connection was made and the unit was silent last
    reason: Reason = Reason.NO_ANSWER
    failure_took_ms: int = 0
    asked: int = 0
    answered: int = 0
    failed: Counter[str] = field(default_factory=Counter)
    last_reply_ms: int | None = None
    replies_took_ms: float = 0.0

    @property
    def silent(self) -> bool:
        """Whether it is asked rarely because it does not answer."""
        return self.gate.failures >= _SILENT_AFTER

    def prove(self, now_ms: int) -> None:
        """Have its constant read before anything else of it."""
        self.proven = False
        if self.constant is not None:
            self.constant.due_ms = now_ms

    def statistics(self) -> UnitStatistics:
        return UnitStatistics(
            asked=self.asked,
            answered=self.answered,
            failed=dict(self.failed),
            last_reply_ms=self.last_reply_ms,
            silent=self.silent,
            replies_took_ms=self.replies_took_ms,
        )


class _Entry:
    """One planned block and when it is due; its grid is anchored, so that delays never add up."""

    def __init__(self, planned: PlannedBlock, scalings: Mapping[str, Scaling], unit: _Unit, start_ms: int) -> None:
        self.planned = planned
        self.reader = BlockReader(planned)
        self.readers = {tag: reader(scalings[tag]) for tag in planned.tags}
        self.unit = unit
        self.tags = planned.tags
        self.due_ms = start_ms
        self.hurried = False
        self.failing = False  # its newest samples say that it failed
        self.lost = False  # its newest request failed, whatever others of its unit brought since
        self.asked_ms = start_ms
        self._anchor_ms = start_ms
        self._retry_ms = start_ms

    @property
    def may_be_asked(self) -> bool:
        """Whether its unit has proven itself, or this is how it does."""
        return self.unit.constant is None or self.unit.proven or self is self.unit.constant

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

    def precedence(self, now_ms: int) -> tuple[bool, int, int, int]:
        """Healthy units without a pause first, then who has waited longest; others wait for at most one interval.

        Of those that are due together the faster ones go first: the same delay is more to them.
        """
        yields = self.unit.gate.failures > 0 or self.unit.pause_ms > 0
        waits = yields and now_ms - self.due_ms < self.interval_ms
        return waits, self.due_ms, self.interval_ms, self.asked_ms


def _refuse_incomplete(name: str, blocks: Sequence[PlannedBlock], scalings: Mapping[str, Scaling]) -> None:
    if not blocks:
        raise ValueError(f"connection {name}: nothing to poll; leave out the poller or give a tag to a device on it")
    missing = sorted({tag for block in blocks for tag in block.tags} - scalings.keys())
    if missing:
        raise ValueError(f"connection {name}: no scaling for {', '.join(missing)}; every polled tag needs one")


def _units_of(blocks: Sequence[PlannedBlock], pauses: Mapping[int, float], random: Random) -> dict[int, _Unit]:
    fastest_s: dict[int, float] = {}
    for one in sorted(blocks, key=lambda one: one.block.unit_id):
        unit_id, interval_s = one.block.unit_id, one.interval_ms / 1_000
        fastest_s[unit_id] = min(interval_s, fastest_s.get(unit_id, _FIRST_RETRY_S))
    ceiling_s = _SHARED_LINE_CEILING_S if len(fastest_s) > 1 else _SOLE_UNIT_CEILING_S
    return {
        unit_id: _Unit(
            gate=BackOff(first_s=first_s, ceiling_s=ceiling_s, random=random),
            pause_ms=round(pauses.get(unit_id, 0.0) * 1_000),
        )
        for unit_id, first_s in fastest_s.items()
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
