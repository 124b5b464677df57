"""The decisions' state as bytes for the store, and back. Nothing else knows how it is written."""

import zlib

from pydantic import TypeAdapter, ValidationError

from gateway.core.state import ScanState

_ADAPTER = TypeAdapter(ScanState)
_LEVEL = 6  # the state is written every few seconds, and of the demo site goes into one page of the database


class Unreadable(Exception):  # noqa: N818 - named for what is the case
    """The bytes are no state of this program; the text says why."""


def to_bytes(state: ScanState) -> bytes:
    """Deflated JSON of a state. What is as nothing has happened yet is left out, and read as such."""
    return zlib.compress(_ADAPTER.dump_json(state, exclude_defaults=True), _LEVEL)


def from_bytes(octets: bytes) -> ScanState:
    """The state that was written.

    Raises:
        Unreadable: damaged, or written by a program whose state has another shape.
    """
    try:
        return _ADAPTER.validate_json(zlib.decompress(octets))
    except (zlib.error, ValidationError) as error:
        raise Unreadable(f"the saved state cannot be read: {str(error).splitlines()[0]}") from error
