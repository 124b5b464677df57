"""How far each reader is: in plant.db what it has confirmed, in uplink.db what was delivered.

A position is the last n of a stream, of one store; a position of another
store means nothing. Decides nothing about retention (``retention``) or about
what is sent next (the uplink).
"""

from collections.abc import Iterable
from dataclasses import dataclass

from gateway.store.database import Reader, Transaction, rows
from gateway.store.seal import seal


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """Everything up to and including ``n`` of this ``store`` is done."""

    n: int
    store: str


@dataclass(frozen=True, slots=True, order=True)
class Range:
    """Numbers from first to last, both included."""

    first_n: int
    last_n: int

    def __post_init__(self) -> None:
        if self.first_n > self.last_n:
            raise ValueError(f"a range runs forward, got {self.first_n} to {self.last_n}")


def set(  # noqa: A001 - read as positions.set
    transaction: Transaction, *, reader: str, stream: str, n: int, store: str
) -> None:
    """Move a reader's position, forward or back.

    Args:
        transaction: of the writer.
        reader: name of the reader, as the site's configuration has it.
        stream: ``journal`` or ``samples``.
        n: the last number done; 0 is before the first.
        store: id of the store the number belongs to.
    """
    transaction.execute(
        "INSERT OR REPLACE INTO position (reader, stream, n, store, seal) VALUES (?, ?, ?, ?, ?)",
        (reader, stream, n, store, seal(reader, stream, n, store)),
    )


def get(connection: Reader, *, reader: str, stream: str) -> Position | None:
    """A reader's position; None when it has none, or when the row does not match its checksum (start again then)."""
    found = rows(connection, "SELECT n, store, seal FROM position WHERE reader = ? AND stream = ?", (reader, stream))
    if not found or seal(reader, stream, *found[0][:2]) != found[0][2]:
        return None
    n, store, _ = found[0]
    return Position(n=n, store=store)


def deliver(transaction: Transaction, *, reader: str, stream: str, store: str, delivered: Range) -> tuple[Range, ...]:
    """Note what was delivered, for a reader that works at two places (backlog and current) until they meet.

    Ranges of an earlier store are dropped.

    Returns:
        All ranges now, joined where they touch, in order. One range means that backlog and current have met.
    """
    before = ranges(transaction, reader=reader, stream=stream, store=store)
    after = joined((*before, delivered))
    transaction.execute("DELETE FROM delivered WHERE reader = ? AND stream = ?", (reader, stream))
    transaction.executemany(
        "INSERT INTO delivered (reader, stream, store, first_n, last_n, seal) VALUES (?, ?, ?, ?, ?, ?)",
        [(reader, stream, store, r.first_n, r.last_n, seal(reader, stream, store, r.first_n, r.last_n)) for r in after],
    )
    return after


def ranges(connection: Reader, *, reader: str, stream: str, store: str) -> tuple[Range, ...]:
    """What was delivered of this store, in order. A range that does not match its checksum counts as not delivered."""
    found = rows(
        connection,
        """SELECT first_n, last_n, seal FROM delivered WHERE reader = ? AND stream = ? AND store = ?
            ORDER BY first_n""",
        (reader, stream, store),
    )
    return tuple(
        Range(first_n, last_n)
        for first_n, last_n, sealed in found
        if seal(reader, stream, store, first_n, last_n) == sealed
    )


def joined(parts: Iterable[Range]) -> tuple[Range, ...]:
    """The same numbers in as few ranges as possible, in order. Pure."""
    result: list[Range] = []
    for part in sorted(parts):
        if result and part.first_n <= result[-1].last_n + 1:
            result[-1] = Range(result[-1].first_n, max(result[-1].last_n, part.last_n))
        else:
            result.append(part)
    return tuple(result)


def missing(delivered: Iterable[Range], *, after_n: int, newest_n: int) -> tuple[Range, ...]:
    """What is still to deliver between ``after_n`` (excluded) and ``newest_n`` (included), in order. Pure."""
    result: list[Range] = []
    next_n = after_n + 1
    for part in joined(delivered):
        last_missing_n = min(part.first_n - 1, newest_n)
        if next_n <= last_missing_n:
            result.append(Range(next_n, last_missing_n))
        next_n = max(next_n, part.last_n + 1)
    if next_n <= newest_n:
        result.append(Range(next_n, newest_n))
    return tuple(result)
