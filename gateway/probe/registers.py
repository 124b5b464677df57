"""What stands in a device: a range of addresses, read in pieces that it hands out.

Decides how a range is cut, and how what a device refuses is narrowed down to
the addresses it does not have. Nothing is read twice without need, and no
address is asked for that was not named.
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final

from gateway.probe.asking import Outcome, Reply

ILLEGAL_FUNCTION: Final = 1
NARROWED: Final = (2, 3)  # illegal address; some say illegal value of a count that reaches too far
_PAIRED = 8  # long numbers are kept whole while a refused piece is longer than this

Read = Callable[[int, int], Awaitable[Reply]]
"""Address, count; what came."""


@dataclass(slots=True)
class Registers:
    """What was read.

    Args:
        words: registers or bits by address.
        holes: why an address has none.
    """

    words: dict[int, int] = field(default_factory=dict)
    holes: dict[int, str] = field(default_factory=dict)


async def read_range(read: Read, *, first: int, count: int, longest: int) -> Registers:
    """Read a range; what is refused or not answered becomes a hole with its reason.

    Args:
        read: asks for a piece.
        first: zero-based address.
        count: registers or bits.
        longest: most of them in one request.
    """
    found = Registers()
    end = first + count
    pieces = [(at, min(longest, end - at)) for at in range(first, end, longest)][::-1]
    while pieces:
        at, size = pieces.pop()
        reply = await _patiently(read, at, size)
        if reply.outcome is Outcome.ANSWERS:
            found.words.update(enumerate(reply.words, start=at))
        elif reply.outcome is Outcome.REFUSES and reply.code in NARROWED and size > 1:
            half = _half(at, size)
            pieces += [(at + half, size - half), (at, half)]
        else:
            hopeless = reply.outcome is Outcome.ABSENT or reply.code == ILLEGAL_FUNCTION or not found.words
            final = hopeless and reply.code not in NARROWED
            found.holes.update(dict.fromkeys(range(at, end if final else at + size), _why(reply)))
            if final:
                break
    return found


async def _patiently(read: Read, at: int, size: int) -> Reply:
    """Ask again once when no reply came, or none that fits."""
    reply = await read(at, size)
    return await read(at, size) if reply.outcome in (Outcome.SILENT, Outcome.GARBLED) else reply


def _half(at: int, size: int) -> int:
    half = size // 2
    return half - (at + half) % 4 if size > _PAIRED else half


def _why(reply: Reply) -> str:
    match reply.outcome:
        case Outcome.REFUSES if reply.code == ILLEGAL_FUNCTION:
            return "refused, the device has no such table (exception 1)"
        case Outcome.REFUSES:
            return f"refused (exception {reply.code})"
        case Outcome.ABSENT:
            return f"the converter says that nobody answers (exception {reply.code})"
        case Outcome.GARBLED:
            return "what came is no reply to the request"
        case _:
            return "no reply"
