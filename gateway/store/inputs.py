"""What else the scan was given besides samples: requests and read-backs, as text and back. Pure.

With the samples, the scans' ticks and the state a run began with, this is
everything a replay needs to decide the same again.
"""

from dataclasses import dataclass

import msgspec

from gateway.core.output import Readback
from gateway.core.request import Request
from gateway.store.errors import ChunkDamaged


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherInput:
    """One request or read-back, and its place among the samples.

    Args:
        scan: number of the scan that took it.
        after_n: number of the last sample that arrived before it.
        given: what it was.
    """

    scan: int
    after_n: int
    given: Request | Readback


class _Line(msgspec.Struct, omit_defaults=True):
    request: Request | None = None
    read_back: Readback | None = None


_encoder = msgspec.json.Encoder()
_decoder = msgspec.json.Decoder(_Line)


def to_line(given: Request | Readback) -> str:
    """One line of JSON."""
    line = _Line(request=given) if isinstance(given, Request) else _Line(read_back=given)
    return _encoder.encode(line).decode()


def from_line(text: str) -> Request | Readback:
    """What was written.

    Raises:
        ChunkDamaged: it is neither a request nor a read-back.
    """
    try:
        line = _decoder.decode(text)
    except msgspec.MsgspecError as error:
        raise ChunkDamaged(f"an input of the scan cannot be read: {error}") from error
    given = line.request or line.read_back
    if given is None:
        raise ChunkDamaged("an input of the scan is neither a request nor a read-back")
    return given
