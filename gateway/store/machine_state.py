"""The last state of all machines, for the next start. One row, written over each time.

Decides only whether the row is whole. What the state means, and what may be
resumed from it, is for the caller; the bytes are opaque here.
"""

import hashlib
from dataclasses import dataclass

from gateway.core.tick import Tick
from gateway.store.database import Reader, Transaction, rows
from gateway.store.errors import StoreDamaged


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """What was saved last.

    Args:
        state: bytes of the caller.
        tick: when; its monotonic part only compares with ticks of the same boot.
        boot_id: of the machine's boot, so that a restart of the program is told from one of the box.
        run: the process start that saved it.
        configuration: hash of the configuration then in force.
    """

    state: bytes
    tick: Tick
    boot_id: str
    run: int
    configuration: str


@dataclass(frozen=True, slots=True)
class Nothing:
    """Nothing was ever saved in this store."""


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Something was saved, and it is not whole any more.

    Args:
        reason: what is wrong, for the journal.
    """

    reason: str


def save(transaction: Transaction, saved: Saved) -> None:
    """Write the one row over. In one transaction with the journal entries that led to this state.

    A state of the same length as the one before goes into the same pages; a row that is replaced would give its pages
    up and take others, which makes two more to write.
    """
    tick = saved.tick
    transaction.execute(
        """INSERT INTO machine_state VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (one) DO UPDATE SET
            monotonic_ms = excluded.monotonic_ms, utc_ms = excluded.utc_ms, utc_trusted = excluded.utc_trusted,
            boot_id = excluded.boot_id, run = excluded.run, configuration = excluded.configuration,
            checksum = excluded.checksum, state = excluded.state""",
        (
            tick.monotonic_ms,
            tick.utc_ms,
            int(tick.utc_trusted),
            saved.boot_id,
            saved.run,
            saved.configuration,
            _checksum(saved),
            saved.state,
        ),
    )


def load(reader: Reader) -> Saved | Nothing | Unreadable:
    """What was saved last, if it is whole. Damage is a value here: the start goes on without a state."""
    try:
        found = rows(
            reader,
            """SELECT monotonic_ms, utc_ms, utc_trusted, boot_id, run, configuration, state, checksum
                FROM machine_state""",
        )
    except StoreDamaged as error:
        return Unreadable(f"the saved state cannot be read: {error}")
    if not found:
        return Nothing()
    *columns, checksum = found[0]
    return _whole(columns, checksum)


def _whole(columns: list[int | str | bytes], checksum: bytes) -> Saved | Unreadable:
    monotonic_ms, utc_ms, utc_trusted, boot_id, run, configuration, state = columns
    if not (
        isinstance(monotonic_ms, int)
        and isinstance(utc_ms, int)
        and isinstance(boot_id, str)
        and isinstance(run, int)
        and isinstance(configuration, str)
        and isinstance(state, bytes)
    ):
        return Unreadable("a column of the saved state has the wrong type")
    tick = Tick(monotonic_ms=monotonic_ms, utc_ms=utc_ms, utc_trusted=bool(utc_trusted))
    saved = Saved(state=state, tick=tick, boot_id=boot_id, run=run, configuration=configuration)
    if _checksum(saved) != checksum:
        return Unreadable("the saved state does not match its checksum")
    return saved


def _checksum(saved: Saved) -> bytes:
    described = repr((saved.tick, saved.boot_id, saved.run, saved.configuration)).encode("utf-8", "surrogatepass")
    return hashlib.sha256(described + saved.state).digest()
