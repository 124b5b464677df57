"""The state each run began with, so that what it decided can be decided again. Opaque bytes; decides nothing."""

import hashlib
from dataclasses import dataclass

from gateway.store.database import Reader, Transaction, rows
from gateway.store.errors import StoreDamaged


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """How a run began.

    Args:
        run: number of the process start.
        said: how many journal entries the start itself made, before the first scan's own.
        configuration: hash of the configuration in force.
        state: bytes of the caller.
    """

    run: int
    said: int
    configuration: str
    state: bytes


def keep(transaction: Transaction, begun: Begun) -> None:
    """Keep it for ever; there is one for each run."""
    transaction.execute(
        "INSERT INTO beginning (run, said, configuration, checksum, state) VALUES (?, ?, ?, ?, ?)",
        (begun.run, begun.said, begun.configuration, _checksum(begun), begun.state),
    )


def fetch_all(reader: Reader) -> list[Begun]:
    """All of them, in the order of runs.

    Raises:
        StoreDamaged: one does not match its checksum.
    """
    found = []
    for run, said, configuration, checksum, state in rows(
        reader, "SELECT run, said, configuration, checksum, state FROM beginning ORDER BY run"
    ):
        begun = Begun(run=run, said=said, configuration=configuration, state=state)
        if _checksum(begun) != checksum:
            raise StoreDamaged(f"the state run {run} began with does not match its checksum")
        found.append(begun)
    return found


def _checksum(begun: Begun) -> bytes:
    described = repr((begun.run, begun.said, begun.configuration)).encode("utf-8", "surrogatepass")
    return hashlib.sha256(described + begun.state).digest()
