"""One Modbus connection: TCP, RTU over TCP, or a serial line.

It carries one request at a time to a device and hands back a reply that is
proven to belong to it, or an error that says what came instead. It decides
nothing about values, never repeats a request by itself, and writes nothing but
the blocks it was made with. Bytes are made in ``request``, carried by ``link``
and judged in ``reply``.

A lost connection wakes a waiting request; the next request opens it again.

Late replies on RTU: a frame of a serial line carries no number that ties it to
its request, so a reply that comes too late looks like the reply to the next
request of the same shape (same unit, function and byte count). Three things
stand against that. After a request without an accepted reply the line must
first be silent for the quiet period, and what comes until then is thrown away.
A shape that is still owed a reply is not asked again before the unit has
answered another shape: devices answer in order, so whatever was owed has come
by then; a shorter read of the same registers serves where the next request
would have the owed shape itself. And where no shorter read exists (a single
register), the unit is not asked for that shape until a late reply is out of
the question.
"""

import asyncio
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from typing import Final

from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import InvalidReply, NoAnswer, NotConnected, Refused, WriteForbidden
from gateway.drivers.modbus.codec import LARGEST_REGISTER
from gateway.drivers.modbus.link import Keys, Link
from gateway.drivers.modbus.reply import (
    READ_FUNCTIONS,
    WRITE_FUNCTION,
    Question,
    exception_code,
    read_question,
    values_of,
    write_question,
)
from gateway.drivers.modbus.request import read_message, write_message

SILENCES_UNTIL_REOPENED: Final = 3  # a peer that vanished without a word looks like this; so does a dead device
LATEST_REPLY: Final = 3  # reply time-outs after which a late reply is out of the question
SHORTEST_QUIET_S: Final = 0.05  # real; a time-out of a fast plant is longer, and holds up its line for long
LAST_ADDRESS: Final = 0xFFFF
LONGEST_WRITE: Final = 123  # Modbus Application Protocol V1.1b3, 6.12
LONGEST_READS: Final = {Table.COIL: 2000, Table.DISCRETE: 2000, Table.HOLDING: 125, Table.INPUT: 125}


def _as_declared(duration_s: float) -> float:
    return duration_s


class ModbusConnection:
    """A connection as ``gateway.drivers.driver.Connection`` wants it.

    Args:
        name: name of the connection, for errors.
        keys: its section of the configuration; durations in plant seconds.
        outputs: the blocks that may be written, each with function 16 and exactly as declared.
        real_timeout_s: real seconds to wait for a time-out declared in plant seconds (``Clock.real_timeout_s``).
        real_pause_s: the same for the pause between requests, which has no lower bound.

    Raises:
        ValueError: an output block that is not one of holding registers, or names unit 0 or an impossible range.
    """

    def __init__(
        self,
        name: str,
        keys: Keys,
        *,
        outputs: Collection[Block] = (),
        real_timeout_s: Callable[[float], float] = _as_declared,
        real_pause_s: Callable[[float], float] = _as_declared,
    ) -> None:
        self.name = name
        self._keys = keys
        self._outputs = frozenset(outputs)
        for block in self._outputs:
            _refuse_impossible(name, block, writing=True)
        self._real_timeout_s = real_timeout_s
        self._real_pause_s = real_pause_s
        self._turn = asyncio.Lock()
        self._wanted = False
        self._link: Link | None = None
        self._silences = 0
        self.connects = 0  # how often a connection has been made; grows with every new one
        self.last_reply_s = 0.0  # real seconds from sending the last request that was answered to its reply
        self._free_at_s = 0.0
        self._restless = False  # RTU: the line must be silent before the next request
        self._owed: dict[int, dict[bytes, float]] = {}  # RTU: unit, head of the reply, loop time until it may come

    async def open(self) -> None:
        """Connect. Returns at once when connected already.

        From then on a connection that was lost is opened again by the next
        request, until ``close``.

        Raises:
            NotConnected: it could not be opened within the connect time-out.
        """
        self._wanted = True
        if self._link is not None and self._link.usable:  # as it mostly is
            return
        async with self._turn:
            await self._open_link()

    async def read(self, block: Block) -> tuple[int, ...]:
        """Registers (0..65535) or bits (0, 1) of a block, exactly ``block.count`` of them.

        Raises:
            NotConnected: not opened, cannot be opened, or lost while waiting.
            NoAnswer: no reply within the reply time-out, or an earlier one is still awaited (RTU).
            Refused: the device replied with an exception.
            InvalidReply: a reply came that does not fit the request.
            ValueError: unit 0, or a range that no device has; a fault of the caller.
        """
        _refuse_impossible(self.name, block, writing=False)
        question = read_question(block)
        async with self._turn:
            reply = await self._ask(question, read_message(question))
        return values_of(reply, question)

    async def write(self, block: Block, values: Sequence[int]) -> None:
        """Write a declared output block in one request (function 16).

        Returns when the device has acknowledged. That is no proof of position.

        Args:
            block: one of the declared output blocks, exactly.
            values: ``block.count`` register values, 0..65535.

        Raises:
            WriteForbidden: the block was not declared when the connection was made; nothing was sent.
            NotConnected, NoAnswer, Refused, InvalidReply: as for ``read``.
            ValueError: another number of values, or one out of range; a fault of the caller.
        """
        if block not in self._outputs:
            raise WriteForbidden(f"{self.name}: {block} is no declared output; nothing was sent")
        if len(values) != block.count or not all(0 <= value <= LARGEST_REGISTER for value in values):
            raise ValueError(f"{self.name}: {block} takes {block.count} values 0..65535, got {list(values)}")
        question = write_question(block)
        async with self._turn:
            await self._ask(question, write_message(question, values))

    async def close(self) -> None:
        """Close; safe to call at any time. A request in flight ends with NotConnected."""
        self._wanted = False
        self._drop_link()
        await asyncio.sleep(0)  # lets the transport close its socket

    async def _ask(self, question: Question, message: bytes) -> bytes:
        """One request with everything that must come before it."""
        link = await self._open_link()
        if link.rtu:
            await self._fall_silent(link)
            await self._settle_debts(link, question)
        return await self._exchange(link, question, message)

    async def _open_link(self) -> Link:
        if self._link is not None and self._link.usable:
            return self._link
        self._link = None
        if not self._wanted:
            raise NotConnected(f"{self.name}: not open")
        link = Link(self.name, rtu=self._keys.transport != "tcp")
        await link.open(self._keys, self._real_timeout_s(self._keys.connect_timeout_s))
        if not self._wanted:  # closed meanwhile
            link.close()
            raise NotConnected(f"{self.name}: not open")
        self._link = link
        self._silences = 0
        self.connects += 1
        return link

    def _drop_link(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = None

    async def _fall_silent(self, link: Link) -> None:
        """Wait until the line has been silent for the quiet period, if it must be."""
        if not (self._restless or link.stirred):
            return
        self._restless = True
        try:
            await link.fall_silent(self._quiet_s())
        except InvalidReply:
            self._drop_link()
            raise
        self._restless = False

    def _quiet_s(self) -> float:
        """Real seconds of silence; those of a plant that runs fast shrink with it, down to what a loopback needs."""
        declared_s = self._keys.quiet_after_timeout_s
        return max(self._real_pause_s(declared_s), min(declared_s, SHORTEST_QUIET_S))

    async def _settle_debts(self, link: Link, question: Question) -> None:
        """Make sure that no late reply can be taken for the one to come."""
        owed = self._still_owed(question.unit_id)
        if question.head not in owed:
            return
        shorter = _shorter_read(question, owed)
        if shorter is None:
            raise NoAnswer(
                f"{self.name}: {question}: not asked, a late reply to an earlier request could be taken for this one"
            )
        await self._exchange(link, shorter, read_message(shorter))

    def _still_owed(self, unit_id: int) -> dict[bytes, float]:
        now_s = asyncio.get_running_loop().time()
        owed = {head: until_s for head, until_s in self._owed.get(unit_id, {}).items() if until_s > now_s}
        self._owed[unit_id] = owed
        return owed

    async def _exchange(self, link: Link, question: Question, message: bytes) -> bytes:
        """Send, wait, and keep account of what is still to come."""
        await self._pause()
        answered = False
        sent_s = asyncio.get_running_loop().time()
        try:
            reply = await link.exchange(question, message, self._real_timeout_s(self._keys.reply_timeout_s))
            answered = True
            self.last_reply_s = asyncio.get_running_loop().time() - sent_s
        except NoAnswer:
            self._silences += 1
            if self._silences >= SILENCES_UNTIL_REOPENED:
                self._drop_link()
            raise
        except InvalidReply:
            if not link.rtu:
                self._drop_link()
            raise
        finally:  # a cancelled request is one without a reply, too
            if not answered:
                self._note_debt(link, question)
            self._free_at_s = asyncio.get_running_loop().time() + self._real_pause_s(self._keys.pause_s)
        self._silences = 0
        return self._normal_reply(link, reply, question)

    def _normal_reply(self, link: Link, reply: bytes, question: Question) -> bytes:
        code = exception_code(reply)
        if code is not None:
            if self._still_owed(question.unit_id):  # it may be a late one, and the true reply still to come
                self._note_debt(link, question)
            raise Refused(f"{self.name}: {question}: the device answers exception {code}", code)
        self._owed.pop(question.unit_id, None)  # it answers in order, so nothing older is still to come
        return reply

    def _note_debt(self, link: Link, question: Question) -> None:
        if not link.rtu:
            return  # there the transaction id tells
        self._restless = True
        link.stir()
        latest_s = LATEST_REPLY * self._real_timeout_s(self._keys.reply_timeout_s)
        self._owed.setdefault(question.unit_id, {})[question.head] = asyncio.get_running_loop().time() + latest_s

    async def _pause(self) -> None:
        rest_s = self._free_at_s - asyncio.get_running_loop().time()
        if rest_s > 0:
            await asyncio.sleep(rest_s)


def _shorter_read(question: Question, owed: Collection[bytes]) -> Question | None:
    """A read of part of the same registers whose reply cannot be mistaken for one that is owed."""
    function = READ_FUNCTIONS[Table.HOLDING] if question.function == WRITE_FUNCTION else question.function
    for count in range(question.count, 0, -1):
        shorter = replace(question, function=function, count=count)
        if shorter.head not in owed:
            return shorter
    return None


def _refuse_impossible(name: str, block: Block, *, writing: bool) -> None:
    longest = LONGEST_WRITE if writing else LONGEST_READS[block.table]
    if not 1 <= block.unit_id <= 255:  # noqa: PLR2004 - one byte; 0 is a broadcast, which nobody answers
        raise ValueError(f"{name}: unit id {block.unit_id}, allowed is 1 to 255; unit 0 addresses all and none answers")
    if writing and block.table is not Table.HOLDING:
        raise ValueError(f"{name}: {block}: only holding registers can be an output")
    if not (1 <= block.count <= longest and 0 <= block.address <= block.address + block.count - 1 <= LAST_ADDRESS):
        raise ValueError(f"{name}: {block}: allowed are 1 to {longest} at addresses 0 to 65535")
