"""Messages to bytes and back. Decides where a frame ends and whether it may pass; never touches a socket.

A frame on the local socket::

    u32 big-endian   length of all that follows, at most 1 MiB
    u32 big-endian   length of the JSON
    JSON             one message, its kind in the field "type"
    bytes            attachment; only a "history" message has one

    FrameError
    ├── FrameTooLarge       the length is above the limit; nothing behind it is looked at
    ├── FrameMalformed      the two lengths contradict each other
    ├── NotJson             the JSON part is not JSON in UTF-8, or nested without end
    ├── UnknownMessage      the type is none of this direction
    └── WrongMessage        the type is known, and a field is missing or of the wrong kind

Fields that this version does not know are ignored, so a minor version may add
fields; a new type of message may be sent only to a peer whose hello names a
minor version that knows it. After an error the place of the next frame cannot
be trusted: the decoder takes nothing more, and the connection has to end.
"""

import struct
from typing import Generic, TypeVar

import msgspec

from gateway.local.messages import FromField, Message, ToField

FRAME_LIMIT_BYTES = 1_048_576  # of what follows the first length

_LENGTH = struct.Struct(">I")
_LENGTHS = struct.Struct(">II")

M = TypeVar("M", bound=Message)
Decoded = list[tuple[M, bytes]]


class FrameError(Exception):
    """Root of all faults in a stream of frames."""


class FrameTooLarge(FrameError):  # noqa: N818 - named for what is the case
    """The frame is longer than the limit."""


class FrameMalformed(FrameError):  # noqa: N818 - named for what is the case
    """The length of the JSON does not fit into the length of the frame."""


class NotJson(FrameError):  # noqa: N818 - named for what is the case
    """The JSON part is not JSON in UTF-8."""


class UnknownMessage(FrameError):  # noqa: N818 - named for what is the case
    """The type of the message is none that may come from this side."""


class WrongMessage(FrameError):  # noqa: N818 - named for what is the case
    """A field of a known message is missing or of the wrong kind."""


class _Kind(msgspec.Struct, frozen=True):
    type: str


_encoder = msgspec.json.Encoder()
_kind_decoder = msgspec.json.Decoder(_Kind)
_from_field = msgspec.json.Decoder(FromField)
_to_field = msgspec.json.Decoder(ToField)


def encode(message: Message, attachment: bytes = b"") -> bytes:
    """One whole frame.

    Args:
        message: any message of ``gateway.local.messages``.
        attachment: what travels behind the JSON.

    Raises:
        FrameTooLarge: JSON and attachment together exceed the limit.
    """
    body = _encoder.encode(message)
    length = _LENGTH.size + len(body) + len(attachment)
    if length > FRAME_LIMIT_BYTES:
        raise FrameTooLarge(
            f"a {type(message).__name__} of {length} bytes does not fit into a frame of {FRAME_LIMIT_BYTES};"
            " send less at a time"
        )
    return _LENGTHS.pack(length, len(body)) + body + attachment


class Decoder(Generic[M]):
    """Collects bytes as they come and gives out whole messages. One for each connection and direction.

    Make it with :func:`from_field` or :func:`to_field`. It never holds more
    than one frame and what was fed last.
    """

    def __init__(self, messages: "msgspec.json.Decoder[M]") -> None:
        self._messages = messages
        self._buffer = bytearray()
        self._fault: FrameError | None = None

    @property
    def pending_bytes(self) -> int:
        """Bytes of a frame that has begun and is not whole yet."""
        return len(self._buffer)

    def feed(self, received: bytes) -> Decoded[M]:
        """Take what came and give out what is whole now, each message with its attachment.

        Messages in front of a fault are given out first; the fault is raised
        by the next call, for which ``b""`` will do.

        Raises:
            FrameError: a fault found by an earlier call, or in the first frame of this one.
        """
        if self._fault is not None:
            raise self._fault
        self._buffer += received
        whole: Decoded[M] = []
        try:
            while frame := self._cut_frame():
                whole.append(frame)
        except FrameError as fault:
            self._fault = fault
            self._buffer.clear()
            if not whole:
                raise
        return whole

    def _cut_frame(self) -> tuple[M, bytes] | None:
        end = self._end_of_frame()
        if end is None:
            return None
        _, json_length = _LENGTHS.unpack_from(self._buffer)
        json_end = _LENGTHS.size + json_length
        if json_end > end:
            raise FrameMalformed(f"a JSON part of {json_length} bytes in a frame of {end - _LENGTH.size} bytes")
        message = self._message(bytes(self._buffer[_LENGTHS.size : json_end]))
        attachment = bytes(self._buffer[json_end:end])
        del self._buffer[:end]
        return message, attachment

    def _end_of_frame(self) -> int | None:
        """Where the first frame ends, or None while it is not whole."""
        if len(self._buffer) < _LENGTH.size:
            return None
        (length,) = _LENGTH.unpack_from(self._buffer)
        if length > FRAME_LIMIT_BYTES:
            raise FrameTooLarge(f"a frame announces {length} bytes; at most {FRAME_LIMIT_BYTES} are allowed")
        if length < _LENGTH.size:
            raise FrameMalformed(f"a frame announces {length} bytes; at least {_LENGTH.size} are needed")
        end = _LENGTH.size + length
        return end if len(self._buffer) >= end else None

    def _message(self, body: bytes) -> M:
        try:
            return self._messages.decode(body)
        except msgspec.ValidationError as fault:
            raise self._misfit(body, fault) from fault
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as fault:
            raise NotJson(f"the JSON part of a frame cannot be read: {fault}") from fault

    def _misfit(self, body: bytes, fault: msgspec.ValidationError) -> FrameError:
        try:
            kind = _kind_decoder.decode(body).type
        except msgspec.ValidationError:
            return UnknownMessage(f"a message without a type: {fault}")
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as behind:  # only looked at this time
            return NotJson(f"the JSON part of a frame cannot be read: {behind}")
        if "$.type" in str(fault):
            return UnknownMessage(f"a message of type {kind[:40]!r} is not known here")
        return WrongMessage(f"a message of type {kind!r} does not hold what it must: {fault}")


def from_field() -> Decoder[FromField]:
    """A decoder for what the field process sends."""
    return Decoder(_from_field)


def to_field() -> Decoder[ToField]:
    """A decoder for what clients send to the field process."""
    return Decoder(_to_field)
