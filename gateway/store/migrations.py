"""The layout of both databases, as numbered steps from an empty file to today's.

Decides which steps a file still lacks, and refuses one that a newer program
has written. A released step is never edited; a change is a new step. Never
decides what to do with a damaged file (``database``).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.store.database import Transaction, rows, transaction
from gateway.store.errors import StoreDamaged, StoreMisused, StoreNewer


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One change of the layout.

    Args:
        number: 1 for the first, then without gaps.
        name: short, never changed later; it tells files of different kinds apart.
        statements: SQL, one statement each.
    """

    number: int
    name: str
    statements: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Migrations:
    """All steps of one kind of database, in order.

    Raises:
        ValueError: the numbers are not 1, 2, 3 ...
    """

    steps: Sequence[Step]

    def __post_init__(self) -> None:
        numbers = [step.number for step in self.steps]
        if numbers != list(range(1, len(numbers) + 1)):
            raise ValueError(f"migration steps are numbered 1, 2, 3 ... without gaps, got {numbers}")

    def apply(self, connection: Transaction, *, utc_ms: int) -> tuple[int, ...]:
        """Bring a database up to date, each step with its record in a transaction of its own.

        Args:
            connection: the only one that writes, outside a transaction.
            utc_ms: the time to record.

        Returns:
            Numbers of the steps that were done now.

        Raises:
            StoreNewer: the database has steps that this program does not know.
            StoreDamaged: the recorded steps are not the first ones of this kind of database.
            StoreFull, StoreFailing: a step could not be committed; those before it stay.
        """
        done = self._done(connection)
        todo = self.steps[len(done) :]
        for step in todo:
            _carry_out(connection, step, utc_ms=utc_ms)
        return tuple(step.number for step in todo)

    def _done(self, connection: Transaction) -> list[tuple[int, str]]:
        if not rows(connection, "SELECT name FROM sqlite_master"):
            return []
        try:
            done = [(n, name) for n, name in rows(connection, "SELECT number, name FROM migration ORDER BY number")]
        except StoreMisused as error:
            raise StoreDamaged(f"the record of the database's layout cannot be read: {error}") from error
        self._compare(done)
        return done

    def _compare(self, done: list[tuple[int, str]]) -> None:
        known = [(step.number, step.name) for step in self.steps]
        common = min(len(done), len(known))
        if done[:common] != known[:common] or [n for n, _ in done] != list(range(1, len(done) + 1)):
            raise StoreDamaged(f"the recorded layout steps are {done}, this kind of database has {known}")
        if len(done) > len(known):
            raise StoreNewer(
                f"the database has layout step {done[-1][0]} ({done[-1][1]}), this program knows {len(known)}; "
                "install the newer program again, or move the file away to start a new one"
            )


def _carry_out(connection: Transaction, step: Step, *, utc_ms: int) -> None:
    with transaction(connection):
        for statement in step.statements:
            connection.execute(statement)
        connection.execute("INSERT INTO migration VALUES (?, ?, ?)", (step.number, step.name, utc_ms))


_RECORD_AND_IDENTITY = (
    "CREATE TABLE migration (number INTEGER PRIMARY KEY, name TEXT NOT NULL, utc_ms INTEGER NOT NULL) STRICT",
    """CREATE TABLE store (one INTEGER PRIMARY KEY CHECK (one = 1), id TEXT NOT NULL, created_utc_ms INTEGER NOT NULL,
        run INTEGER NOT NULL, seal INTEGER NOT NULL) STRICT""",
)
_POSITIONS = (
    """CREATE TABLE position (reader TEXT NOT NULL, stream TEXT NOT NULL, n INTEGER NOT NULL, store TEXT NOT NULL,
        seal INTEGER NOT NULL, PRIMARY KEY (reader, stream)) STRICT, WITHOUT ROWID""",
)

PLANT = Migrations(
    (
        Step(
            number=1,
            name="plant",
            statements=(
                *_RECORD_AND_IDENTITY,
                *_POSITIONS,
                "CREATE TABLE configuration (id INTEGER PRIMARY KEY, hash TEXT NOT NULL UNIQUE, document BLOB) STRICT",
                """CREATE TABLE sample_chunk (last_n INTEGER PRIMARY KEY, first_n INTEGER NOT NULL,
                    run INTEGER NOT NULL, first_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL,
                    configuration INTEGER NOT NULL, seal INTEGER NOT NULL, body BLOB NOT NULL) STRICT""",
                """CREATE TABLE sample_gap (last_n INTEGER PRIMARY KEY, first_n INTEGER NOT NULL,
                    seal INTEGER NOT NULL) STRICT""",
                """CREATE TABLE journal (n INTEGER PRIMARY KEY, hash BLOB NOT NULL, seal INTEGER NOT NULL,
                    entry BLOB NOT NULL) STRICT""",
                """CREATE TABLE journal_head (one INTEGER PRIMARY KEY CHECK (one = 1), n INTEGER NOT NULL,
                    hash BLOB NOT NULL) STRICT""",
                """CREATE TABLE beginning (run INTEGER PRIMARY KEY, said INTEGER NOT NULL, configuration TEXT NOT NULL,
                    checksum BLOB NOT NULL, state BLOB NOT NULL) STRICT""",
                """CREATE TABLE machine_state (one INTEGER PRIMARY KEY CHECK (one = 1), monotonic_ms INTEGER NOT NULL,
                    utc_ms INTEGER NOT NULL, utc_trusted INTEGER NOT NULL, boot_id TEXT NOT NULL, run INTEGER NOT NULL,
                    configuration TEXT NOT NULL, checksum BLOB NOT NULL, state BLOB NOT NULL) STRICT""",
            ),
        ),
    )
)

UPLINK = Migrations(
    (
        Step(
            number=1,
            name="uplink",
            statements=(
                *_RECORD_AND_IDENTITY,
                *_POSITIONS,
                """CREATE TABLE delivered (reader TEXT NOT NULL, stream TEXT NOT NULL, store TEXT NOT NULL,
                    first_n INTEGER NOT NULL, last_n INTEGER NOT NULL, seal INTEGER NOT NULL,
                    PRIMARY KEY (reader, stream, first_n)) STRICT, WITHOUT ROWID""",
            ),
        ),
    )
)
