"""One Modbus connection: TCP, RTU over TCP, or a serial line.

The only file that imports pymodbus. It carries one request at a time to a
device and hands back a reply that is proven to belong to it, or an error that
says what came instead. It decides nothing about values, never repeats a
request by itself, and writes nothing but the blocks it was made with.

What the library is not left to do, and why:

* *Judging replies.* It accepts another function, another count, transaction 0.
  Every byte is shown to ``reply`` first; the library sees only whole replies
  that were accepted there.
* *Waiting.* A lost connection would not wake a waiting request, and its own
  repeats hide a dead device. Time-outs, loss and reconnection are ours.
* *Late replies on RTU.* A frame of a serial line carries no number that ties
  it to its request, so a reply that comes too late looks like the reply to the
  next request of the same shape (same unit, function and byte count). Three
  things stand against that. After a request without an accepted reply the line
  must first be silent for the quiet period, and what comes until then is thrown
  away. A shape that is still owed a reply is not asked again before the unit
  has answered another shape: devices answer in order, so whatever was owed has
  come by then; a shorter read of the same registers serves where the next
  request would have the owed shape itself. And where no shorter read exists (a
  single register), the unit is not asked for that shape until a late reply is
  out of the question.
"""

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Collection, Coroutine, Sequence
from dataclasses import replace
from typing import Any, Final

from pymodbus import FramerType, ModbusException
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException
from pymodbus.pdu import ModbusPDU

from gateway.configuration.schema import NetworkConnection, SerialConnection
from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import EdgeError, InvalidReply, NoAnswer, NotConnected, Refused, WriteForbidden
from gateway.drivers.modbus.codec import LARGEST_REGISTER
from gateway.drivers.modbus.reply import (
    BIT_FUNCTIONS,
    READ_FUNCTIONS,
    WRITE_FUNCTION,
    Accepted,
    Question,
    Unfinished,
    Verdict,
    Wrong,
    judge_rtu,
    judge_tcp,
    read_question,
    write_question,
)

SILENCES_UNTIL_REOPENED: Final = 3  # a peer that vanished without a word looks like this; so does a dead device
LATEST_REPLY: Final = 3  # reply time-outs after which a late reply is out of the question
SHORTEST_QUIET_S: Final = 0.05  # real; a time-out of a fast plant is longer, and holds up its line for long
LONGEST_NOISE: Final = 10  # quiet periods to wait for silence before the connection is given up
TRANSACTIONS_REMEMBERED: Final = 64
BUFFER_BYTES: Final = 4096  # the library throws everything away above 264, and two replies may come in one piece
LIBRARY_TIMEOUT_S: Final = 86_400.0  # never the one that ends a wait
LAST_ADDRESS: Final = 0xFFFF
LONGEST_WRITE: Final = 123  # Modbus Application Protocol V1.1b3, 6.12
LONGEST_READS: Final = {Table.COIL: 2000, Table.DISCRETE: 2000, Table.HOLDING: 125, Table.INPUT: 125}
PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}

Keys = NetworkConnection | SerialConnection
_Client = AsyncModbusTcpClient | AsyncModbusSerialClient
_Call = Callable[[_Client], Coroutine[Any, Any, ModbusPDU]]

if logging.getLogger("pymodbus").level == logging.NOTSET:
    # Each failed poll would leave a line there; the errors below say the same, once, with the place.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


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
        self._link: _Link | None = None
        self._silences = 0
        self.connects = 0  # how often a connection has been made; grows with every new one
        self.last_reply_s = 0.0  # real seconds from sending the last request that was answered to its reply
        self._free_at_s = 0.0
        self._transaction = 0  # TCP: of the newest request; a new connection goes on from it
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
            reply = await self._ask(question, _reading(block))
        return self._values(reply, question)

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
        async with self._turn:
            await self._ask(write_question(block), _writing(block, values))

    async def close(self) -> None:
        """Close; safe to call at any time. A request in flight ends with NotConnected."""
        self._wanted = False
        self._drop_link()
        await asyncio.sleep(0)  # lets the transport close its socket

    async def _ask(self, question: Question, call: _Call) -> ModbusPDU:
        """One request with everything that must come before it."""
        link = await self._open_link()
        if link.framing is FramerType.RTU:
            await self._fall_silent(link)
            await self._settle_debts(link, question)
        return await self._exchange(link, question, call)

    async def _open_link(self) -> "_Link":
        if self._link is not None and self._link.usable:
            return self._link
        self._link = None
        if not self._wanted:
            raise NotConnected(f"{self.name}: not open")
        link = _Link(self.name, self._keys, transaction=self._transaction)
        await link.open(self._real_timeout_s(self._keys.connect_timeout_s))
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

    async def _fall_silent(self, link: "_Link") -> None:
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

    async def _settle_debts(self, link: "_Link", question: Question) -> None:
        """Make sure that no late reply can be taken for the one to come."""
        owed = self._still_owed(question.unit_id)
        if question.head not in owed:
            return
        shorter = _shorter_read(question, owed)
        if shorter is None:
            raise NoAnswer(
                f"{self.name}: {question}: not asked, a late reply to an earlier request could be taken for this one"
            )
        await self._exchange(link, read_question(shorter), _reading(shorter))

    def _still_owed(self, unit_id: int) -> dict[bytes, float]:
        now_s = asyncio.get_running_loop().time()
        owed = {head: until_s for head, until_s in self._owed.get(unit_id, {}).items() if until_s > now_s}
        self._owed[unit_id] = owed
        return owed

    async def _exchange(self, link: "_Link", question: Question, call: _Call) -> ModbusPDU:
        """Send, wait, and keep account of what is still to come."""
        await self._pause()
        answered = False
        sent_s = asyncio.get_running_loop().time()
        try:
            reply = await link.exchange(question, call, self._real_timeout_s(self._keys.reply_timeout_s))
            answered = True
            self.last_reply_s = asyncio.get_running_loop().time() - sent_s
        except NoAnswer:
            self._silences += 1
            if self._silences >= SILENCES_UNTIL_REOPENED:
                self._drop_link()
            raise
        except InvalidReply:
            if link.framing is FramerType.SOCKET:
                self._drop_link()
            raise
        finally:  # a cancelled request is one without a reply, too
            self._transaction = link.transaction
            if not answered:
                self._note_debt(link, question)
            self._free_at_s = asyncio.get_running_loop().time() + self._real_pause_s(self._keys.pause_s)
        self._silences = 0
        return self._normal_reply(link, reply, question)

    def _normal_reply(self, link: "_Link", reply: ModbusPDU, question: Question) -> ModbusPDU:
        if reply.isError():
            if self._still_owed(question.unit_id):  # it may be a late one, and the true reply still to come
                self._note_debt(link, question)
            code = reply.exception_code
            raise Refused(f"{self.name}: {question}: the device answers exception {code}", code)
        self._owed.pop(question.unit_id, None)  # it answers in order, so nothing older is still to come
        return reply

    def _note_debt(self, link: "_Link", question: Question) -> None:
        if link.framing is FramerType.SOCKET:
            return  # there the transaction id tells
        self._restless = True
        link.stir()
        latest_s = LATEST_REPLY * self._real_timeout_s(self._keys.reply_timeout_s)
        self._owed.setdefault(question.unit_id, {})[question.head] = asyncio.get_running_loop().time() + latest_s

    async def _pause(self) -> None:
        rest_s = self._free_at_s - asyncio.get_running_loop().time()
        if rest_s > 0:
            await asyncio.sleep(rest_s)

    def _values(self, reply: ModbusPDU, question: Question) -> tuple[int, ...]:
        if question.function in BIT_FUNCTIONS:
            values = tuple(int(bit) for bit in reply.bits[: question.count])
        else:
            values = tuple(reply.registers)
        if reply.function_code != question.function or len(values) != question.count:
            raise InvalidReply(
                f"{self.name}: {question}: function {reply.function_code} with {len(values)} values came"
            )
        return values


class _Link:
    """One opened socket or port: what is asked on it now, and what has come."""

    def __init__(self, name: str, keys: Keys, *, transaction: int) -> None:
        self.name = name
        self.framing = FramerType.SOCKET if keys.transport == "tcp" else FramerType.RTU
        self._client = _client_of(keys, self)
        self._up = asyncio.Event()
        self._closed = False
        self._lost = False
        self._question: Question | None = None
        self.transaction = transaction
        self._unanswered: deque[int] = deque(maxlen=TRANSACTIONS_REMEMBERED)
        self._trouble: asyncio.Future[EdgeError] = asyncio.get_running_loop().create_future()
        self.stirred = False
        self._last_stir_s = asyncio.get_running_loop().time()

    @property
    def usable(self) -> bool:
        """Whether a request can be sent."""
        return self._up.is_set() and not self._lost and not self._closed and self._client.connected

    async def open(self, limit_s: float) -> None:
        """Connect, or raise NotConnected."""
        connecting = asyncio.ensure_future(self._connect())
        try:
            await asyncio.wait({connecting}, timeout=limit_s)
            connected = connecting.done() and connecting.result()
        finally:
            await _end(connecting)
            if not self.usable:
                self.close()
        if not connected:
            raise NotConnected(
                f"{self.name}: {_place(self._client)} cannot be connected (waited {limit_s:g} s at most)"
            )

    async def _connect(self) -> bool:
        if not await self._client.connect():
            return False
        await self._up.wait()
        self._client.ctx.max_buffer_size = BUFFER_BYTES
        # The library begins again at 1, and a reply of the connection before could be taken for one of this.
        self._client.ctx.next_tid = self.transaction
        return True

    def close(self) -> None:
        """Close; a waiting request ends with NotConnected."""
        self._closed = True
        self._client.close()
        self._lose("closed while waiting for the reply")

    async def exchange(self, question: Question, call: _Call, limit_s: float) -> ModbusPDU:
        """Send one request and wait for its reply, for trouble, or for the end of patience."""
        self._question = question
        self._trouble = asyncio.get_running_loop().create_future()
        asking = asyncio.ensure_future(call(self._client))
        events: set[asyncio.Future[Any]] = {asking, self._trouble}
        try:
            await asyncio.wait(events, timeout=limit_s, return_when=asyncio.FIRST_COMPLETED)
            return self._outcome(asking, question, limit_s)
        finally:
            if self._question is not None:
                self._unanswered.append(self.transaction)
            self._question = None
            await _end(asking)

    def _outcome(self, asking: asyncio.Future[ModbusPDU], question: Question, limit_s: float) -> ModbusPDU:
        if self._trouble.done():
            raise self._trouble.result()
        if not asking.done():
            raise NoAnswer(f"{self.name}: {question}: no reply within {limit_s:g} s")
        try:
            return asking.result()
        except ConnectionException as fault:
            raise NotConnected(f"{self.name}: {question}: {fault}") from fault
        except ModbusException as fault:
            raise InvalidReply(f"{self.name}: {question}: {fault}") from fault

    def stir(self) -> None:
        """The line is not known to be silent from now on."""
        self._last_stir_s = asyncio.get_running_loop().time()

    async def fall_silent(self, quiet_s: float) -> None:
        """Wait until nothing has come for ``quiet_s``; raises InvalidReply when that does not happen."""
        loop = asyncio.get_running_loop()
        patience_until_s = loop.time() + LONGEST_NOISE * quiet_s
        while (rest_s := self._last_stir_s + quiet_s - loop.time()) > 0:
            if loop.time() > patience_until_s:
                raise InvalidReply(
                    f"{self.name}: bytes keep coming that nobody asked for; the line does not fall silent"
                )
            await asyncio.sleep(rest_s)
        self.stirred = False

    def on_connected(self, up: bool) -> None:  # noqa: FBT001 - the library calls it so
        """The library opened the connection, or lost it."""
        if up:
            self._up.set()
        else:
            self._lost = True
            self._lose("the connection was lost while waiting for the reply")

    def on_packet(self, sending: bool, data: bytes) -> bytes:  # noqa: FBT001 - the library calls it so
        """The library is about to send, or has gathered bytes; what is returned is what it goes on with."""
        if sending:
            self.transaction = int.from_bytes(data[:2], "big")
            return data
        if self._question is None:
            self.stirred = True
            self.stir()
            return b""
        return self._admit(data, self._judge(data, self._question), self._question)

    def _judge(self, data: bytes, question: Question) -> Verdict:
        if self.framing is FramerType.RTU:
            return judge_rtu(data, question)
        return judge_tcp(data, question, transaction=self.transaction, unanswered=self._unanswered)

    def _admit(self, data: bytes, verdict: Verdict, question: Question) -> bytes:
        match verdict:
            case Accepted():
                self._question = None
                return data
            case Unfinished(late_bytes):
                return data[:late_bytes]
            case Wrong(text):
                self._report(InvalidReply(f"{self.name}: {question}: {text}"))
                return b""

    def _lose(self, what: str) -> None:
        if self._question is not None:
            self._report(NotConnected(f"{self.name}: {self._question}: {what}"))

    def _report(self, error: EdgeError) -> None:
        if not self._trouble.done():
            self._trouble.set_result(error)


async def _end(task: asyncio.Future[Any]) -> None:
    """Cancel a task that is not done, see it end, and let nobody miss its exception."""
    if not task.done():
        task.cancel()
        await asyncio.wait({task})
    if not task.cancelled():
        task.exception()


def _client_of(keys: Keys, link: _Link) -> _Client:
    if isinstance(keys, SerialConnection):
        return AsyncModbusSerialClient(
            keys.device,
            framer=FramerType.RTU,
            baudrate=keys.baud_rate,
            parity=PARITIES[keys.parity],
            stopbits=keys.stop_bits,
            retries=0,
            reconnect_delay=0,
            timeout=LIBRARY_TIMEOUT_S,
            trace_packet=link.on_packet,
            trace_connect=link.on_connected,
        )
    return AsyncModbusTcpClient(
        keys.host,
        port=keys.port,
        framer=link.framing,
        retries=0,
        reconnect_delay=0,
        timeout=LIBRARY_TIMEOUT_S,
        trace_packet=link.on_packet,
        trace_connect=link.on_connected,
    )


def _place(client: _Client) -> str:
    parameters = client.comm_params
    return f"{parameters.host}:{parameters.port}" if parameters.port else parameters.host


def _reading(block: Block) -> _Call:
    async def call(client: _Client) -> ModbusPDU:
        methods = {
            Table.COIL: client.read_coils,
            Table.DISCRETE: client.read_discrete_inputs,
            Table.HOLDING: client.read_holding_registers,
            Table.INPUT: client.read_input_registers,
        }
        return await methods[block.table](block.address, count=block.count, device_id=block.unit_id)

    return call


def _writing(block: Block, values: Sequence[int]) -> _Call:
    async def call(client: _Client) -> ModbusPDU:
        return await client.write_registers(block.address, list(values), device_id=block.unit_id)

    return call


def _shorter_read(question: Question, owed: Collection[bytes]) -> Block | None:
    """A read of part of the same registers whose reply cannot be mistaken for one that is owed."""
    function = READ_FUNCTIONS[Table.HOLDING] if question.function == WRITE_FUNCTION else question.function
    table = next(table for table, number in READ_FUNCTIONS.items() if number == function)
    block = Block(unit_id=question.unit_id, table=table, address=question.address, count=question.count)
    for count in range(question.count, 0, -1):
        shorter = replace(block, count=count)
        if read_question(shorter).head not in owed:
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
