"""One opened socket or port: what is asked on it now, and what has come.

It carries one request at a time, shows every byte that comes to ``reply``
first, and ends the wait with the message that was accepted there, at once with
an error when the connection is lost or something else came, or when patience
ends. Never repeats a request, never opens again, and makes nothing of the
message.
"""

import asyncio
from collections import deque
from typing import Final, Protocol

from gateway.configuration.schema import NetworkConnection, SerialConnection
from gateway.drivers.errors import EdgeError, InvalidReply, NoAnswer, NotConnected
from gateway.drivers.modbus.reply import Accepted, Question, Unfinished, Verdict, Wrong, judge_rtu, judge_tcp
from gateway.drivers.modbus.request import rtu_frame, tcp_frame
from gateway.drivers.modbus.serial_line import SerialLine

LONGEST_NOISE: Final = 10  # quiet periods to wait for silence before the connection is given up
TRANSACTIONS_REMEMBERED: Final = 64
LARGEST_TRANSACTION: Final = 0xFFFF

Keys = NetworkConnection | SerialConnection


class Wire(Protocol):
    """What carries the bytes: a transport of asyncio, or a ``SerialLine``."""

    def write(self, data: bytes) -> None:
        """Send, without waiting."""

    def abort(self) -> None:
        """Close at once."""

    def is_closing(self) -> bool:
        """Whether nothing more is sent."""


class Link(asyncio.Protocol):
    """A connection that is made once and lost once; ``opened`` makes it.

    Args:
        name: name of the connection, for errors.
        rtu: framed as on a serial line, with a checksum; else as on Modbus TCP, with a transaction id.

    Attributes:
        stirred: bytes have come that nobody asked for.
    """

    def __init__(self, name: str, *, rtu: bool) -> None:
        self.name = name
        self.rtu = rtu
        self.stirred = False
        self._loop = asyncio.get_running_loop()
        self._wire: Wire | None = None
        self._question: Question | None = None  # None once its reply has been accepted
        self._reply: asyncio.Future[bytes] = self._loop.create_future()
        self._received = b""
        self._transaction = 0
        self._unanswered: deque[int] = deque(maxlen=TRANSACTIONS_REMEMBERED)
        self._last_stir_s = self._loop.time()

    @property
    def usable(self) -> bool:
        """Whether a request can be sent."""
        return self._wire is not None and not self._wire.is_closing()

    async def open(self, keys: Keys, limit_s: float) -> None:
        """Connect.

        Args:
            keys: where to.
            limit_s: real seconds to wait at most.

        Raises:
            NotConnected: it did not come about.
        """
        try:
            async with asyncio.timeout(limit_s):
                self._wire = await self._wired(keys)
        except (OSError, ValueError) as error:  # a time-out is an OSError; a name that no host can have a ValueError
            place = keys.device if isinstance(keys, SerialConnection) else f"{keys.host}:{keys.port}"
            raise NotConnected(f"{self.name}: {place} cannot be connected (waited {limit_s:g} s at most)") from error

    async def _wired(self, keys: Keys) -> Wire:
        if isinstance(keys, SerialConnection):
            return SerialLine(keys, self)
        transport, _ = await self._loop.create_connection(lambda: self, keys.host, keys.port)
        return transport

    def close(self) -> None:
        """Close; a waiting request ends with NotConnected."""
        if self._wire is not None:
            self._wire.abort()
        self._lose("closed while waiting for the reply")

    async def exchange(self, question: Question, message: bytes, limit_s: float) -> bytes:
        """Send one request and wait for the message of its reply, for trouble, or for the end of patience.

        Args:
            question: what the message asks.
            message: from ``request``.
            limit_s: real seconds.

        Returns:
            The message that ``reply`` has accepted; it may be an exception.

        Raises:
            NotConnected: lost while waiting, or before.
            NoAnswer: patience has ended.
            InvalidReply: something else came.
        """
        if self._wire is None or self._wire.is_closing():
            raise NotConnected(f"{self.name}: {question}: the connection was lost before it could be asked")
        self._question, self._received = question, b""
        self._reply = self._loop.create_future()
        patience = self._loop.call_later(limit_s, self._give_up, question, limit_s)
        try:
            self._wire.write(self._framed(question, message))
            return await self._reply
        finally:
            patience.cancel()
            if self._question is not None:
                self._unanswered.append(self._transaction)
            self._question = None

    def _framed(self, question: Question, message: bytes) -> bytes:
        if self.rtu:
            return rtu_frame(question.unit_id, message)
        self._transaction = self._transaction % LARGEST_TRANSACTION + 1  # never 0, which some devices always answer
        return tcp_frame(question.unit_id, message, transaction=self._transaction)

    def data_received(self, data: bytes) -> None:
        """Bytes have come."""
        question = self._question
        if question is None or self._reply.done():
            self.stirred = True
            self.stir()
            return
        self._received += data
        match self._judge(self._received, question):
            case Accepted(message):
                self._question = None
                self._reply.set_result(message)
            case Unfinished(late_bytes):
                self._received = self._received[late_bytes:]
            case Wrong(text):
                self._fail(InvalidReply(f"{self.name}: {question}: {text}"))

    def _judge(self, received: bytes, question: Question) -> Verdict:
        if self.rtu:
            return judge_rtu(received, question)
        return judge_tcp(received, question, transaction=self._transaction, unanswered=self._unanswered)

    def connection_lost(self, _: Exception | None) -> None:
        """The other side has closed it, or it broke."""
        self._lose("the connection was lost while waiting for the reply")

    def _lose(self, what: str) -> None:
        if self._question is not None:
            self._fail(NotConnected(f"{self.name}: {self._question}: {what}"))

    def _give_up(self, question: Question, limit_s: float) -> None:
        self._fail(NoAnswer(f"{self.name}: {question}: no reply within {limit_s:g} s"))

    def _fail(self, error: EdgeError) -> None:
        if not self._reply.done():
            self._reply.set_exception(error)

    def stir(self) -> None:
        """The line is not known to be silent from now on."""
        self._last_stir_s = self._loop.time()

    async def fall_silent(self, quiet_s: float) -> None:
        """Wait until nothing has come for ``quiet_s``; raises InvalidReply when that does not happen."""
        patience_until_s = self._loop.time() + LONGEST_NOISE * quiet_s
        while (rest_s := self._last_stir_s + quiet_s - self._loop.time()) > 0:
            if self._loop.time() > patience_until_s:
                raise InvalidReply(
                    f"{self.name}: bytes keep coming that nobody asked for; the line does not fall silent"
                )
            await asyncio.sleep(rest_s)
        self.stirred = False
