"""The decisions' state as bytes for the store, and back. Nothing else knows how it is written."""

import zlib

from pydantic import TypeAdapter, ValidationError

from gateway.core.state import ScanState

_ADAPTER = TypeAdapter(ScanState)
_LEVEL = 6  # the state is written every few seconds, and of the demo site goes into two pages of the database
# Lengths are multiples of it: a row that stays as long is written over in its pages, touching no others.
_STEP_BYTES = 256


class Unreadable(Exception):  # noqa: N818 - named for what is the case
    """The bytes are no state of this program; the text says why."""


def to_bytes(state: ScanState) -> bytes:
    """Deflated JSON of a state, then zeros. What is as nothing has happened yet is left out, and read as such."""
    deflated = zlib.compress(_ADAPTER.dump_json(state, exclude_defaults=True), _LEVEL)
    return deflated + bytes(-len(deflated) % _STEP_BYTES)


def from_bytes(octets: bytes) -> ScanState:
    """The state that was written.

    Raises:
        Unreadable: damaged, or written by a program whose state has another shape.
    """
    try:
        return _ADAPTER.validate_json(_inflated(octets))
    except (zlib.error, ValidationError) as error:
        raise Unreadable(f"the saved state cannot be read: {str(error).splitlines()[0]}") from error


def _inflated(octets: bytes) -> bytes:
    """Raises zlib.error when the stream does not end, or something but zeros follows it."""
    stream = zlib.decompressobj()
    found = stream.decompress(octets)
    if not stream.eof or stream.unused_data.strip(b"\0"):
        raise zlib.error("it is cut short, or goes on behind its end")
    return found
