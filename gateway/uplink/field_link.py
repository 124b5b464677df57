"""What the uplink wants of others: the field client, unpacked chunks, kept positions. Interfaces; decides nothing."""

from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from gateway.local.client import HistoryPart, Live
from gateway.local.messages import Answered, ChunkHeader, Hello, JournalEntry, Status
from gateway.publishers.payload import SampleRow


class FieldLink(Protocol):
    """One connection to the field process, as ``gateway.local.client.FieldClient`` is one.

    Every method may raise ``gateway.local.client.FieldError``; the client paces
    itself, so few things a second can be asked.
    """

    @property
    def hello(self) -> Hello:
        """What the field process said of itself when the connection began."""
        ...

    def watch(self) -> AsyncIterator[Live]:
        """All values once, then changes, and events before they are committed."""
        ...

    async def history(self, stream: str, after_n: int, store: str) -> HistoryPart:
        """The next chunks of a stream after a position; none when there is nothing newer."""
        ...

    async def confirm(self, reader: str, stream: str, n: int) -> None:
        """Tell that a reader has delivered everything up to ``n``."""
        ...

    async def status(self) -> Status:
        """One snapshot."""
        ...

    async def ask_afar(self, octets: bytes) -> Answered:
        """Hand over what a person has signed far away."""
        ...

    async def close(self) -> None:
        """End the connection."""
        ...


Connect = Callable[[], Awaitable[FieldLink]]
"""Opens a connection to the field process; raises ``FieldError`` when that is not possible."""


class OpenChunk(Protocol):
    """Unpacks chunks of history; they travel as they are stored."""

    def entries(self, header: ChunkHeader, body: bytes) -> Sequence[JournalEntry]:
        """Lines of the journal, ascending in n. Raises ``StoreDamaged`` for what cannot be unpacked."""
        ...

    def readings(self, header: ChunkHeader, body: bytes) -> Sequence[SampleRow]:
        """Readings in engineering units, ascending in n. Raises ``StoreDamaged`` for what cannot be unpacked."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """How far a reader has delivered: everything up to ``n`` of this ``store``."""

    n: int
    store: str


class Positions(Protocol):
    """Where positions are kept; one that was set is on the disk once the call returns, unless the disk refuses."""

    async def get(self, reader: str, stream: str) -> Position | None:
        """A reader's position in a stream, None when it has none."""
        ...

    async def set(self, reader: str, stream: str, position: Position) -> None:
        """Move it, forward or back."""
        ...
