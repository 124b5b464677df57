"""What a check of the record found, and where."""

from dataclasses import dataclass
from enum import Enum


class Fault(Enum):
    """Kinds of findings."""

    EDITED = "edited"  # the row is there and is not what was written
    INSERTED = "inserted"  # the row was never written by us
    DELETED = "deleted"  # rows between others are gone
    TRUNCATED = "truncated"  # the newest rows are gone
    HEAD = "head"  # the head record is gone or does not match the newest row
    DAMAGED = "damaged"  # the row cannot be read or does not match its checksum


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that is wrong.

    Args:
        fault: what kind.
        n: number of the first row concerned.
        text: where, what was found, what should be there.
    """

    fault: Fault
    n: int
    text: str
