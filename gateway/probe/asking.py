"""One request at a time to a device, with what came of it as a value.

Decides what each outcome is called, and asks again where that tells more. It
can write nothing: its connection is made without an output block.
"""

import asyncio
from dataclasses import dataclass, field
from enum import Enum
from typing import Final, Protocol

from gateway.drivers.driver import Block
from gateway.drivers.errors import InvalidReply, NoAnswer, NotConnected, Refused
from gateway.probe.target import Keys

PATH_UNAVAILABLE, TARGET_SILENT = 10, 11  # Modbus Application Protocol V1.1b3, section 7: a gateway speaks
REOPENED_AFTER_S: Final = 1.0  # a device with one connection needs a moment to see that the old one is gone


class Outcome(Enum):
    """What came of one request."""

    ANSWERS = "answers"
    REFUSES = "refuses"  # an exception, which proves a device
    ABSENT = "absent"  # a converter says that nobody answers it
    SILENT = "silent"
    GARBLED = "garbled"  # something came that is no reply to the request


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """What came of one request.

    Args:
        outcome: which kind.
        words: registers or bits of an answer.
        code: exception code of a refusal, else 0.
        took_s: seconds until an answer or a refusal; 0 for the rest.
        text: what was wrong, for people.
    """

    outcome: Outcome
    words: tuple[int, ...] = ()
    code: int = 0
    took_s: float = 0.0
    text: str = ""


@dataclass(slots=True)
class Tally:
    """Reply times and outcomes of one unit."""

    took_s: list[float] = field(default_factory=list)
    counts: dict[Outcome, int] = field(default_factory=dict)

    def add(self, reply: Reply) -> None:
        """Count one reply."""
        self.counts[reply.outcome] = self.counts.get(reply.outcome, 0) + 1
        if reply.outcome in (Outcome.ANSWERS, Outcome.REFUSES):
            self.took_s.append(reply.took_s)

    @property
    def asked(self) -> int:
        """Requests so far."""
        return sum(self.counts.values())


class Connection(Protocol):
    """What is needed of the driver."""

    last_reply_s: float

    async def open(self) -> None:
        """See ``gateway.drivers.driver``."""

    async def read(self, block: Block) -> tuple[int, ...]:
        """See ``gateway.drivers.driver``."""

    async def close(self) -> None:
        """See ``gateway.drivers.driver``."""


class Line:
    """A connection to ask on.

    Args:
        connection: opened by the first request; never one that can write.
        reopened_after_s: seconds before a lost connection is opened once more.
    """

    def __init__(self, connection: Connection, *, reopened_after_s: float = REOPENED_AFTER_S) -> None:
        self.tallies: dict[int, Tally] = {}
        self._connection = connection
        self._reopened_after_s = reopened_after_s

    async def read(self, block: Block) -> Reply:
        """Ask once; a connection that was lost is opened again once.

        Raises:
            NotConnected: it cannot be opened, or is lost time and again.
        """
        try:
            await self._connection.open()
            reply = await self._once(block)
        except NotConnected:
            if not self.tallies:
                raise  # it never stood
            await asyncio.sleep(self._reopened_after_s)
            await self._connection.open()
            reply = await self._once(block)
        self.tallies.setdefault(block.unit_id, Tally()).add(reply)
        return reply

    async def _once(self, block: Block) -> Reply:
        try:
            words = await self._connection.read(block)
        except Refused as refusal:
            absent = refusal.code in (PATH_UNAVAILABLE, TARGET_SILENT)
            outcome = Outcome.ABSENT if absent else Outcome.REFUSES
            return Reply(outcome=outcome, code=refusal.code, took_s=self._connection.last_reply_s, text=str(refusal))
        except NoAnswer as silence:
            return Reply(outcome=Outcome.SILENT, text=str(silence))
        except InvalidReply as other:
            return Reply(outcome=Outcome.GARBLED, text=str(other))
        return Reply(outcome=Outcome.ANSWERS, words=words, took_s=self._connection.last_reply_s)

    async def close(self) -> None:
        """Close the connection."""
        await self._connection.close()


def line_to(name: str, keys: Keys) -> Line:
    """A line to a device, made without any writable block."""
    from gateway.drivers.modbus.connection import ModbusConnection  # noqa: PLC0415 - other commands need no driver

    return Line(ModbusConnection(name, keys))
