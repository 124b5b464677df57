"""One reading, from the wire to the decisions.

A reading either has a number or it has not; a bad one has none, so that no
code can compare it with a limit by mistake. A text is recorded and shown and
never compared. What was read is kept beside it, raw, for the record.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from gateway.core.quality import Quality, Reason
from gateway.core.tick import Tick


@dataclass(frozen=True, slots=True)
class Number:
    """A finite engineering value that may be used, good or uncertain.

    Raises:
        ValueError: the value is not finite, or the quality is BAD.
    """

    value: float
    quality: Quality = Quality.GOOD
    reason: Reason = Reason.OK

    def __post_init__(self) -> None:
        if not math.isfinite(self.value) or self.quality is Quality.BAD:
            raise ValueError(f"a Number is finite and not bad, got {self.value!r}, {self.quality.value}; use NoNumber")


@dataclass(frozen=True, slots=True)
class NoNumber:
    """No usable value, and why."""

    reason: Reason


@dataclass(frozen=True, slots=True)
class Text:
    """What a device says in words: a serial number, a firmware version.

    Raises:
        ValueError: it has characters that cannot be printed on one line.
    """

    text: str

    def __post_init__(self) -> None:
        if not self.text.isprintable():
            raise ValueError(f"a Text has printable characters only, got {self.text!r}")


Reading = Number | NoNumber | Text


class Sample(NamedTuple):
    """What one poll said about one tag. A tuple, since one is made for every reading of the plant.

    Args:
        tag: name of the tag.
        reading: the engineering value or the text, or why there is none.
        arrived: when the reply was complete.
        source_utc_ms: the device's own stamp where it has one, else the arrival.
        raw: registers or bits as read, kept for the record; empty when nothing came.
    """

    tag: str
    reading: Reading
    arrived: Tick
    source_utc_ms: int
    raw: tuple[int, ...] = ()


def reading_of(value: float) -> Reading:
    """A good number, or NOT_FINITE for NaN and the infinities."""
    return Number(value) if math.isfinite(value) else NoNumber(Reason.NOT_FINITE)
