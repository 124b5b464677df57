"""The log that a killed process left beside its database, checked frame by frame. Pure.

SQLite reads the log up to the first frame whose checksum fails and says
nothing about the rest; so a changed octet in it silently takes back commits.
Decides whether something readable lies behind such a frame. Format and
checksum: SQLite, "Database File Format", section 4, "The Write-Ahead Log".
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass

_HEADER = struct.Struct(">8I")  # magic, version, page size, checkpoint, two salts, two checksums
_FRAME = struct.Struct(">6I")  # page, size after a commit, two salts, two checksums
_MAGIC, _BIG_ENDIAN = 0x377F0682, 1
_WORD = 0xFFFFFFFF


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFault:
    """Where a log stops being readable.

    Args:
        frame: the first frame that does not hold what was written, counted from 1; 0 is the log's own head.
        behind: frames behind it that cannot be read any more.
    """

    frame: int
    behind: int


def fault_in(log: bytes) -> LogFault | None:
    """The first frame that was changed; None when all that was committed to the log is readable.

    What an earlier use of the same file left behind the newest frame is no fault, nor is a last frame that is not
    complete: its commit was never confirmed to anybody.
    """
    if not log:
        return None
    if len(log) < _HEADER.size:
        return LogFault(frame=0, behind=0)
    magic, _, page_size, _, *salts, first, second = _HEADER.unpack_from(log)
    order = ">" if magic & _BIG_ENDIAN else "<"
    frames = list(_frames(log, page_size)) if magic & ~_BIG_ENDIAN == _MAGIC and page_size else []
    running = _checksum(log[: _HEADER.size - 8], (0, 0), order)
    if running != (first, second) or (not frames and len(log) > _HEADER.size + _FRAME.size + page_size):
        return LogFault(frame=0, behind=len(frames))
    for number, frame in enumerate(frames, 1):
        _, _, *own_salts, first, second = _FRAME.unpack_from(frame)
        ours = own_salts == salts
        running = _checksum(frame[_FRAME.size :], _checksum(frame[:8], running, order), order) if ours else running
        if ours and running == (first, second):
            continue
        behind = sum(_salts(other) == salts for other in frames[number:])
        half = any(own == one for own, one in zip(own_salts, salts, strict=True))
        return LogFault(frame=number, behind=behind) if ours or half or behind else None
    return None


def _frames(log: bytes, page_size: int) -> Iterator[bytes]:
    size = _FRAME.size + page_size
    for at in range(_HEADER.size, len(log) - size + 1, size):
        yield log[at : at + size]


def _salts(frame: bytes) -> list[int]:
    return list(_FRAME.unpack_from(frame)[2:4])


def _checksum(octets: bytes, before: tuple[int, int], order: str) -> tuple[int, int]:
    first, second = before
    words = struct.unpack(f"{order}{len(octets) // 4}I", octets)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & _WORD
        second = (second + odd + first) & _WORD
    return first, second
