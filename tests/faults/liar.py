"""A device that tells the truth most of the time and lies, stammers or falls silent by chance; and what the truth is.

Every register changes with every request, so that a reply to an earlier
request, to another unit or about other registers is never right by accident.

What no Modbus master can find out is not tried, and not promised: on TCP, data
changed inside a frame that is otherwise right (the protocol has no checksum;
TCP's own stands in its place); on RTU, more changed bits than the checksum is
sure to find (three), and a second copy of a reply that comes while the next
request of the same shape is already out (its frames carry no number).
"""

import asyncio
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.drivers.hostile import Asked, Peer, crc, good_message, read_message

LONGEST_FLOOD = 200  # copies of a reply
REMEMBERED = 40  # replies that may be said again


def truth(asked: Asked, request: int) -> tuple[int, ...]:
    """What registers hold when the request with this number is answered."""
    return tuple(
        (7919 * asked.unit_id + 104_729 * (asked.address + i) + 40_503 * request) & 0xFFFF for i in range(asked.count)
    )


@dataclass
class Liar:
    """The script of a peer. ``asked`` and ``request`` are the newest request and its number.

    Args:
        chance: seeded.
        share: of the replies that are not simply right.
        timeout_s: what the master waits; late is up to twice that.
        told: how often each kind of lie was told.
    """

    chance: random.Random
    share: float
    timeout_s: float
    told: dict[str, int] = field(default_factory=dict)
    request: int = 0
    asked: Asked | None = None
    _before: deque[bytes] = field(default_factory=lambda: deque(maxlen=REMEMBERED))

    async def __call__(self, peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        self.request += 1
        self.asked = asked
        _forget_what_is_over(peer, writer)
        right = peer.frame(asked, read_message(asked.function, list(truth(asked, self.request))))
        if self.chance.random() >= self.share:
            writer.write(right)
        else:
            await self._lie(peer, asked, right, writer)
        self._before.append(right)

    async def _lie(self, peer: Peer, asked: Asked, right: bytes, writer: asyncio.StreamWriter) -> None:
        lies = RTU_LIES if peer.rtu else TCP_LIES
        name = self.chance.choice(sorted(lies))
        self.told[name] = self.told.get(name, 0) + 1
        if name == "late":
            await asyncio.sleep(self.timeout_s * self.chance.uniform(0.8, 2.0))
        if name == "in pieces":
            await _in_pieces(right, self.chance, writer)
        elif name == "hung up":
            writer.write(right[: self.chance.randrange(len(right))])
            writer.close()
        else:
            writer.write(lies[name](self, peer, asked, right))

    def flipped(self, frame: bytes, bits: int) -> bytes:
        """With so many bits of it wrong."""
        changed = bytearray(frame)
        for place in self.chance.sample(range(8 * len(frame)), bits):
            changed[place // 8] ^= 1 << place % 8
        return bytes(changed)

    def earlier(self) -> bytes:
        return self.chance.choice(self._before) if self._before else b""


async def _in_pieces(frame: bytes, chance: random.Random, writer: asyncio.StreamWriter) -> None:
    cut = chance.randrange(1, len(frame))
    writer.write(frame[:cut])
    await writer.drain()
    await asyncio.sleep(0)
    writer.write(frame[cut:])


def _forget_what_is_over(peer: Peer, writer: asyncio.StreamWriter) -> None:
    """A peer keeps everything for short tests; here that would be a leak of our own."""
    peer.asked.clear()
    peer.writers[:] = [writer]
    peer.tasks[:] = [task for task in peer.tasks if not task.done()]


Lie = Callable[[Liar, Peer, Asked, bytes], bytes]


def _other_count(_: Liar, peer: Peer, asked: Asked, __: bytes) -> bytes:
    return peer.frame(asked, read_message(asked.function, [7] * (asked.count + 1)))


def _other_function(_: Liar, peer: Peer, asked: Asked, __: bytes) -> bytes:
    return peer.frame(asked, good_message(Asked(asked.transaction, asked.unit_id, 16, asked.address, asked.count)))


def _wrong_checksum(_: Liar, __: Peer, ___: Asked, right: bytes) -> bytes:
    body = right[:-2]
    return body + bytes(octet ^ 0x5A for octet in crc(body))


ANY_LIES: dict[str, Lie] = {
    "late": lambda _, __, ___, right: right,
    "silent": lambda _, __, ___, ____: b"",
    "in pieces": lambda _, __, ___, right: right,
    "hung up": lambda _, __, ___, right: right,
    "cut short": lambda liar, _, __, right: right[: liar.chance.randrange(len(right))],
    "other unit": lambda _, peer, asked, right: peer.frame(asked, _message(peer, right), unit_id=asked.unit_id % 3 + 1),
    "other count": _other_count,
    "other function": _other_function,
    "exception": lambda _, peer, asked, __: peer.frame(asked, bytes((asked.function | 0x80, 6))),
    "rubbish": lambda liar, _, __, ___: liar.chance.randbytes(liar.chance.randrange(1, 60)),
    "flood": lambda liar, _, __, right: right * liar.chance.randrange(2, LONGEST_FLOOD),
    "rubbish before": lambda liar, _, __, right: bytes((liar.chance.randrange(128, 256),)) * 3 + right,
}
TCP_LIES: dict[str, Lie] = {
    **ANY_LIES,
    "header changed": lambda liar, _, __, right: liar.flipped(right[:9], 1) + right[9:],
    "said before": lambda liar, _, __, ___: liar.earlier(),
    "said before, then right": lambda liar, _, __, right: liar.earlier() + right,
    "right, then said before": lambda liar, _, __, right: right + liar.earlier(),
}
RTU_LIES: dict[str, Lie] = {
    **ANY_LIES,
    "one bit": lambda liar, _, __, right: liar.flipped(right, 1),
    "two bits": lambda liar, _, __, right: liar.flipped(right, 2),
    "three bits": lambda liar, _, __, right: liar.flipped(right, 3),
    "wrong checksum": _wrong_checksum,
    "twice in one piece": lambda _, __, ___, right: 2 * right,
}


def _message(peer: Peer, frame: bytes) -> bytes:
    return frame[1:-2] if peer.rtu else frame[7:]
