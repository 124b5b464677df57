"""Holds every output of the site at its level, on a connection of its own, and proves it by reading back.

Decides when the output block is written: every period, and at once on a
change. A level that is the output's safe level is taken over the moment a
scan decides it; any other level only when the journal has committed that
scan. Never decides a level, and never writes anything but the declared block.

One turn: read the block back, hand what was read to the scan, write all
registers in one request with the heartbeat raised by one; after a write that
changed something, read back again. Three things hold the write back:

* The block reads otherwise than we wrote it. Then the next scan sees that
  first and the write follows its decision; only a level towards safe that has
  not been written yet goes out at once.
* No scan has decided anything for ``scan_within_s``. The heartbeat says that
  somebody decides; when nobody does it stands still, and the controller
  diverts by itself.
* The block cannot be read. Then the heartbeat stands still as well, the
  connection is opened again after a short back-off, and the first read on the
  new one is compared with what was written on the one before, so that a write
  by somebody else meanwhile is told. A controller that has restarted reads
  all zero, and of a write that was not acknowledged both outcomes are ours.
  The first read since the start, or since writing began, is a baseline.

Until a scan has decided, permit outputs are held at their safe level and stop
outputs at their normal one, and that is what the first write after a start
says.

While the site observes, nothing is written, no heartbeat either: the block is
read every period, for the record. Writing begins when the journal holds that a
person has commissioned the outputs; the first read is a baseline then. It ends
the other way round, act first: permits are written safe, stops are left as
they are held (only a resume code is taken back to the normal level), and when
that reads back, or has been tried for ``scan_within_s``, it was the last
write. Trying longer would write to a controller that people work on, and gains
nothing: it has missed the heartbeat for so long that it diverts by itself.
"""

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from random import Random

from gateway.core.outcome import Outcome
from gateway.core.output import OutputRule, Readback
from gateway.drivers.driver import Block, Connection
from gateway.drivers.errors import EdgeError, WriteForbidden
from gateway.field.backoff import BackOff
from gateway.field.clock import Clock, wait_until
from gateway.field.image import InputImage

_REGISTERS = 65_536  # a heartbeat of 65535 is followed by 0
_FIRST_RETRY_S = 0.25
_RETRY_CEILING_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputBlock:
    """The one block that is ever written.

    Args:
        block: its place in the controller.
        registers: the tag of each of its registers, in the order of their addresses.
        heartbeat: which of them is the heartbeat; all others belong to outputs.
        period_s: plant seconds between two writes when nothing changes.
    """

    block: Block
    registers: tuple[str, ...]
    heartbeat: str
    period_s: float = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ActuationStatistics:
    """How writing has gone since the start; times in plant milliseconds.

    Args:
        written: acknowledged writes.
        failed: turns that failed, by reading, writing or connecting.
        changes: acknowledged writes that changed a level.
        last_latency_ms: from the decision, or the commit it waited for, to the acknowledgement, newest change.
        worst_latency_ms: the longest of these.
        last_written_ms: plant time of the last acknowledged write; None when there was none.
    """

    written: int = 0
    failed: int = 0
    changes: int = 0
    last_latency_ms: int = 0
    worst_latency_ms: int = 0
    last_written_ms: int | None = None


class Actuation:
    """Holds the levels; ``run`` is its task, ``adopt`` and ``committed`` are called by the scan loop and the recorder.

    Args:
        connection: used by this object alone; the block must be declared writable on it.
        block: the block and what its registers are.
        outputs: every output of the site.
        image: where read-backs go.
        clock: plant time.
        writing: whether the outputs are commissioned already, by what the store holds.
        scan_within_s: plant seconds after which a missing scan stops the heartbeat.
        random: source of the jitter.

    Raises:
        ValueError: registers and outputs do not match one to one, or an output's code is no register value.
    """

    def __init__(
        self,
        *,
        connection: Connection,
        block: OutputBlock,
        outputs: Sequence[OutputRule],
        image: InputImage,
        clock: Clock,
        writing: bool = False,
        scan_within_s: float = 10.0,
        random: Random | None = None,
    ) -> None:
        _refuse_mismatch(block, outputs)
        self._connection = connection
        self._block = block
        self._rules = {rule.id: rule for rule in outputs}
        self._image = image
        self._clock = clock
        self._scan_within_ms = round(scan_within_s * 1_000)
        self._again = BackOff(
            first_s=_FIRST_RETRY_S,
            ceiling_s=_RETRY_CEILING_S,
            random=random or Random(),  # noqa: S311 - jitter is no secret
        )
        self._held = {rule.id: rule.safe_level if rule.permit else rule.normal_level for rule in outputs}
        self._awaiting: dict[
            str, tuple[int, str]
        ] = {}  # output to the first scan that decided the level, and the level
        self._committed = -1  # newest scan the journal holds
        self._writing = writing
        self._writing_from: int | None = None  # the scan that decided to begin writing, while it is not committed
        self._withdraw_until_ms: int | None = None  # writing has ended, and the permits are still to be written safe
        self._registers: dict[str, int] = {}  # read last
        self._decided_ms: int | None = None  # when a scan decided last
        self._changed_ms: int | None = None  # since when something waits to be written
        self._written: dict[str, str] = {}  # levels acknowledged last, on whatever connection
        self._tried: dict[str, str] = {}  # levels of a write that nobody acknowledged; it may have arrived all the same
        self._heartbeat = 0
        self._baseline = True  # the next read is the first on its connection
        self._strange: dict[str, int] | None = None  # read otherwise than written, and no scan has decided since
        self._judged: dict[str, int] = {}  # the same, once a scan has decided
        self._changed = asyncio.Event()
        self._turn_lock = asyncio.Lock()
        self._stopping = False
        self._statistics = ActuationStatistics()

    @property
    def held(self) -> Mapping[str, str]:
        """Output id to the level that is held now; what waits for its commit is not in it."""
        return dict(self._held)

    @property
    def writing(self) -> bool:
        """Whether levels are written; False while the site observes."""
        return self._writing

    @property
    def registers(self) -> Mapping[str, int]:
        """Tag of each register of the block to what it held when it was read last; empty before that."""
        return dict(self._registers)

    def statistics(self) -> ActuationStatistics:
        """How writing has gone."""
        return self._statistics

    def adopt(self, scan: int, outcome: Outcome) -> None:
        """Take over what a scan decided: what is towards safe at once, the rest when that scan is committed.

        Args:
            scan: number of the deciding scan; grows by every scan.
            outcome: with the level of every output, and whether they are to be written at all.

        Raises:
            KeyError: an output or a level that the site does not have; nothing has been taken over.
        """
        for output, level in outcome.levels.items():
            _ = self._rules[output].codes[level]
        for output, level in outcome.levels.items():
            self._decide(scan, output, level)
        self._decide_writing(scan, writes=outcome.writes)
        self._decided_ms = self._clock.now().monotonic_ms
        if self._strange is not None:
            self._judged, self._strange = self._strange, None
            self._changed.set()

    def committed(self, scan: int) -> None:
        """The journal holds everything up to and including ``scan``: levels decided by then take effect."""
        self._committed = max(self._committed, scan)
        due = [output for output, (decided, _) in self._awaiting.items() if decided <= self._committed]
        for output in due:
            _, level = self._awaiting.pop(output)
            self._hold(output, level)
        if self._writing_from is not None and self._writing_from <= self._committed:
            self._begin_writing()

    async def run(self) -> None:
        """Hold the levels until cancelled or ``stop`` is called."""
        try:
            while not self._stopping:
                next_ms = await self.turn()
                await wait_until(self._clock, self._changed, next_ms)
                self._changed.clear()
        finally:
            if not self._stopping:
                await self._disconnect()

    async def stop(self, within_s: float) -> bool:
        """Write every permit output's safe level, read it back, and close the connection; ``run`` ends.

        Args:
            within_s: plant seconds to keep trying for.

        Returns:
            Whether the controller's registers have been read back at the safe
            codes of all permit outputs. That proves the command, not the position.
            True as well while the site observes: then there is nothing to withdraw.
        """
        self._stopping = True
        self._changed.set()
        if not self._writing and self._withdraw_until_ms is None:
            async with self._turn_lock:
                await self._disconnect()
            return True
        self._awaiting.clear()
        for rule in self._permits():
            self._hold(rule.id, rule.safe_level)
        self._changed.set()
        try:
            async with asyncio.timeout(self._clock.real_timeout_s(within_s)):
                async with self._turn_lock:
                    while not await self._withdrawn():
                        await self._clock.sleep(_FIRST_RETRY_S)
                return True
        except TimeoutError:
            return False
        finally:
            await self._disconnect()

    def _decide(self, scan: int, output: str, level: str) -> None:
        safe_level = self._rules[output].safe_level
        if self._stopping and level != safe_level:
            return
        if scan <= self._committed or level in (self._held[output], safe_level):
            self._awaiting.pop(output, None)
            self._hold(output, level)
        elif self._awaiting.get(output, (scan, ""))[1] != level:
            self._awaiting[output] = (scan, level)

    def _decide_writing(self, scan: int, *, writes: bool) -> None:
        if not writes:
            self._writing_from = None
            if self._writing:
                self._end_writing()
        elif not self._writing and self._writing_from is None:
            self._writing_from = scan
            if scan <= self._committed:
                self._begin_writing()

    def _begin_writing(self) -> None:
        self._writing, self._writing_from, self._withdraw_until_ms = True, None, None
        self._forget_written()
        self._changed.set()

    def _end_writing(self) -> None:
        self._writing = False
        self._awaiting.clear()
        for rule in self._rules.values():
            if rule.permit:
                self._hold(rule.id, rule.safe_level)
            elif self._held[rule.id] == rule.resume_level:
                self._hold(rule.id, rule.normal_level)
        self._withdraw_until_ms = self._clock.now().monotonic_ms + self._scan_within_ms
        self._changed.set()

    def _forget_written(self) -> None:
        """What was written is the controller's own again, and the next read is a baseline."""
        self._written, self._tried, self._judged, self._strange = {}, {}, {}, None
        self._baseline, self._changed_ms = True, None

    def _hold(self, output: str, level: str) -> None:
        if self._held[output] == level:
            return
        self._held[output] = level
        if not self._writing:
            return
        if self._changed_ms is None:
            self._changed_ms = self._clock.now().monotonic_ms
        self._changed.set()

    async def turn(self) -> int:
        """One turn; returns the plant time of the next one if nothing changes before."""
        started_ms = self._clock.now().monotonic_ms
        async with self._turn_lock:
            try:
                if self._withdraw_until_ms is not None and not self._stopping:
                    return await self._withdraw(self._withdraw_until_ms)
                if not self._stopping:
                    await self._turn()
            except WriteForbidden:
                raise  # the block was not declared when the connection was made; no retry mends that
            except EdgeError:
                return await self._failed()
        return started_ms + round(self._block.period_s * 1_000)

    async def _turn(self) -> None:
        await self._connection.open()
        await self._read_back()
        if not self._writing:
            self._again.succeeded()
            return
        if not self._may_write():
            return
        if await self._write():
            await self._read_back()

    async def _withdraw(self, until_ms: int) -> int:
        """The last write before observing; returns the plant time of the next turn."""
        done = await self._withdrawn()
        now_ms = self._clock.now().monotonic_ms
        if self._withdraw_until_ms is None:  # commissioned again meanwhile
            return now_ms
        if not done and now_ms < until_ms:
            return max(now_ms + round(_FIRST_RETRY_S * 1_000), self._again.again_ms)
        self._withdraw_until_ms = None
        self._forget_written()
        return now_ms + round(self._block.period_s * 1_000)

    async def _failed(self) -> int:
        await self._disconnect()
        now_ms = self._clock.now().monotonic_ms
        self._again.failed(now_ms)
        self._count(failed=self._statistics.failed + 1)
        return self._again.again_ms

    async def _disconnect(self) -> None:
        self._baseline = True
        await self._connection.close()

    def _may_write(self) -> bool:
        """Whether what is held may go out now; see the head of the file for what holds it back."""
        if self._safe_unwritten():
            return True
        now_ms = self._clock.now().monotonic_ms
        scanning = self._decided_ms is None or now_ms - self._decided_ms <= self._scan_within_ms
        return scanning and self._strange is None

    def _safe_unwritten(self) -> bool:
        """Whether an output is held at its safe level and that has not been acknowledged yet."""
        return any(
            level == self._rules[output].safe_level and self._written.get(output) != level
            for output, level in self._held.items()
        )

    async def _read_back(self) -> dict[str, int]:
        """Read the whole block, hand it to the scan, and note what differs from what we wrote."""
        registers = dict(zip(self._block.registers, await self._connection.read(self._block.block), strict=True))
        self._registers = registers
        codes = {rule.id: registers[rule.register_tag] for rule in self._rules.values()}
        self._own_up(codes)
        written = {output: self._code(output, level) for output, level in self._written.items()}
        blank = not any(registers.values())
        if self._baseline:
            self._heartbeat = registers[self._block.heartbeat]
            self._baseline = not self._writing and self._withdraw_until_ms is None
        confirmed = {output: level for output, level in self._written.items() if codes[output] == written[output]}
        self._image.put(Readback(codes=codes, written=written, confirmed=confirmed, blank=blank))
        strange = {output: codes[output] for output, code in written.items() if codes[output] != code}
        self._strange = strange if strange and strange != self._judged else None
        return codes

    def _own_up(self, codes: Mapping[str, int]) -> None:
        """A write that nobody acknowledged was ours all the same where its codes are read back."""
        arrived = {output: level for output, level in self._tried.items() if codes[output] == self._code(output, level)}
        if self._written or len(arrived) == len(self._rules):
            self._written = {**self._written, **arrived}
        self._tried = {}

    async def _write(self) -> bool:
        """Write what is held now; returns whether that changed a level, or repeated one that did not read back."""
        levels = dict(self._held)
        changed_ms = self._changed_ms
        heartbeat = (self._heartbeat + 1) % _REGISTERS
        by_tag = {rule.register_tag: self._code(rule.id, levels[rule.id]) for rule in self._rules.values()}
        by_tag[self._block.heartbeat] = heartbeat
        self._tried = levels
        await self._connection.write(self._block.block, [by_tag[tag] for tag in self._block.registers])
        changed, again = levels != self._written, bool(self._judged)
        self._written, self._tried, self._heartbeat, self._judged = levels, {}, heartbeat, {}
        self._again.succeeded()
        self._acknowledged(changed_ms if changed else None)
        return changed or again

    def _acknowledged(self, changed_ms: int | None) -> None:
        now_ms = self._clock.now().monotonic_ms
        self._count(written=self._statistics.written + 1, last_written_ms=now_ms)
        if self._held == self._written:
            self._changed_ms = None
        if changed_ms is not None:
            latency_ms = now_ms - changed_ms
            worst_ms = max(self._statistics.worst_latency_ms, latency_ms)
            self._count(changes=self._statistics.changes + 1, last_latency_ms=latency_ms, worst_latency_ms=worst_ms)

    async def _withdrawn(self) -> bool:
        """Write and read back once, for ``stop``; whether all permit outputs read safe."""
        try:
            await self._connection.open()
            if self._baseline:
                await self._read_back()
            await self._write()
            codes = await self._read_back()
        except WriteForbidden:
            raise
        except EdgeError:
            await self._failed()
            return False
        return all(codes[rule.id] == self._code(rule.id, rule.safe_level) for rule in self._permits())

    def _permits(self) -> list[OutputRule]:
        return [rule for rule in self._rules.values() if rule.permit]

    def _code(self, output: str, level: str) -> int:
        return self._rules[output].codes[level]

    def _count(self, **counted: int) -> None:
        self._statistics = replace(self._statistics, **counted)


def _refuse_mismatch(block: OutputBlock, outputs: Sequence[OutputRule]) -> None:
    expected = sorted([block.heartbeat, *(rule.register_tag for rule in outputs)])
    if sorted(block.registers) != expected or block.block.count != len(block.registers):
        raise ValueError(
            f"output block of {block.block.count} registers {', '.join(block.registers)}: it must consist of the "
            f"heartbeat and one register for each output, which is {', '.join(expected)}"
        )
    for rule in outputs:
        _refuse_codes(rule)


def _refuse_codes(rule: OutputRule) -> None:
    for level, code in rule.codes.items():
        if not 0 <= code < _REGISTERS:
            raise ValueError(f"output {rule.id}: code {code} of level {level} is no register value; allowed 0..65535")
    missing = {rule.safe_level, rule.normal_level} - rule.codes.keys()
    if missing:
        raise ValueError(f"output {rule.id}: level {', '.join(sorted(missing))} has no code; give it one")
