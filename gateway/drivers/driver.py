"""What the field process needs of a device connection, whatever the protocol.

A driver reads blocks and writes declared output blocks. It decides nothing,
keeps no values, and never retries by itself: when to ask again is the
scheduler's business.
"""

from collections.abc import Sequence
from typing import Protocol

from gateway.configuration.poll_plan import Block, Table

__all__ = ["Block", "Connection", "Table"]


class Connection(Protocol):
    """One connection (a socket or a serial line) with one or more units behind it."""

    name: str

    async def open(self) -> None:
        """Connect. Returns at once when connected already.

        Raises:
            NotConnected: it could not be opened within the connect time-out.
        """

    async def read(self, block: Block) -> tuple[int, ...]:
        """Registers (0..65535) or bits (0, 1) of a block, exactly ``block.count`` of them.

        Raises:
            NotConnected, NoAnswer, Refused, InvalidReply: see ``errors``.
        """

    async def write(self, block: Block, values: Sequence[int]) -> None:
        """Write a declared output block in one request (function 16).

        Returns when the device has acknowledged. That is no proof of position.

        Raises:
            WriteForbidden: the block was not declared when the connection was made.
            NotConnected, NoAnswer, Refused, InvalidReply: see ``errors``.
        """

    async def close(self) -> None:
        """Close; safe to call at any time."""
