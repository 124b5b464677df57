"""What every publisher promises: take a batch, say for each parcel what became of it.

Decides nothing and keeps nothing. A publisher never stores, never retries and
never guesses: whoever hands over a parcel hears one of four outcomes and draws
the conclusion (``gateway.uplink.forwarding``). Only ``Accepted`` lets a
position move.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Protocol


class Channel(Enum):
    """What a parcel is about; a publisher turns it into its own address (a topic, a table)."""

    STATE = "state"  # whether the site is there; the newest one stays with the broker
    EVENT = "event"  # lines of the journal
    MESSAGE = "message"  # texts for people
    LIVE = "live"  # newest values
    HISTORY = "history"  # every sample, in columns
    ANSWER = "answer"  # to a request from afar
    REQUEST = "request"  # the other way: what a person has signed far away


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """One message on its way upstream.

    Args:
        channel: what it is about.
        body: the bytes as they go out.
        content_type: what the bytes are, told to the receiver where the protocol can.
        retain: whether the broker keeps it for whoever subscribes later.
        expires_s: the broker may drop it for an absent receiver after so many real seconds; None is never.
        label: what it is, in words for a log line or an error ("journal 118 of run 3").
    """

    channel: Channel
    body: bytes
    content_type: str
    retain: bool = False
    expires_s: int | None = None
    label: str = ""


@dataclass(frozen=True, slots=True)
class Accepted:
    """The receiver has taken responsibility for it: an acknowledgement with a reason code below 0x80."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """It will not be taken, and sending the same again would not help.

    Args:
        reason: in words, from the receiver or from our own bound.
        code: the receiver's reason code (0x80 and above), 0 for our own bound.
    """

    reason: str
    code: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """It was handed to the network and no answer came: it may have arrived or not. Send it again.

    Args:
        reason: why the connection ended.
        answered: whether this connection had answered anything before. If it
            had, and this parcel was alone on it, the parcel itself is suspect.
        wait_s: the receiver asks for a pause of so many real seconds.
    """

    reason: str
    answered: bool = False
    wait_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NotSent:
    """It never left: there is no connection."""

    reason: str


Outcome = Accepted | Refused | Lost | NotSent


class Publisher(Protocol):
    """One receiver upstream."""

    @property
    def connected(self) -> bool:
        """Whether a parcel handed over now would be sent."""
        ...

    @property
    def connections(self) -> int:
        """How many connections there have been, the present one included; tells a new one from the same one."""
        ...

    @property
    def wire_bytes(self) -> int:
        """What all connections so far have cost on the wire, both ways, with encryption and the headers around it."""
        ...

    @property
    def limit_bytes(self) -> int:
        """Largest body that is accepted at present, configured and by the receiver's word."""
        ...

    async def connect(self) -> None:
        """Return once connected; keeps trying, with back-off, until it is or until cancelled."""
        ...

    async def lost(self) -> str:
        """Return once there is no connection (any more), with the reason."""
        ...

    async def deliver(self, batch: Sequence[Parcel]) -> tuple[Outcome, ...]:
        """Send parcels in order and wait for the answers; one outcome for each, in the same order.

        Never raises for what the network does: that is an outcome.
        """
        ...

    async def close(self, farewell: Parcel | None = None) -> None:
        """Say farewell if there is a connection, then end it. Bounded by a time-out."""
        ...
