"""A checksum over the columns of one row. Pure.

SQLite notices damaged pages, never a flipped bit inside a value; so every row
that something is decided by carries the seal of its other columns.
"""

import zlib


def seal(*fields: str | float | bytes | None) -> int:
    """CRC-32 over the fields, their types and their borders (never the same for ``1`` and ``"1"``)."""
    return zlib.crc32(repr(fields).encode("utf-8", "surrogatepass"))
