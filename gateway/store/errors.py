"""Everything that can go wrong at the store.

    StoreError
    ├── StoreFull        no room on the disk; nothing was written, earlier rows stay readable
    ├── StoreFailing     the disk or its permissions fail (input/output error, read-only, cannot open)
    ├── StoreExposed     anybody on the machine may write it; refused, untouched
    ├── StoreBusy        another process holds the store, or a lock was not had in time
    ├── StoreDamaged     the file does not hold what it should
    │   └── ChunkDamaged a chunk does not match its checksum or cannot be unpacked
    ├── StoreNewer       written by a newer program; refused, untouched
    ├── StoreClosed      the store has been closed
    ├── StoreMisused     a statement of ours is wrong (a fault of ours)
    ├── WriterBehind     the writer's queue is full, or it did not finish in time
    ├── OutOfSequence    a number does not follow the newest one; nothing was written
    └── NotStorable      a value would not come back as it went in (NaN in a fact, a register above 65535)

Each says where, what was found, what is allowed and what to do. Where SQLite
said something, its own name for it is kept in ``sqlite_errorname``.
"""


class StoreError(Exception):
    """Root of all errors at the store.

    Args:
        text: place, value found, what is allowed, what to do.
        sqlite_errorname: SQLite's name such as ``SQLITE_FULL``; empty when it was not SQLite that complained.
    """

    def __init__(self, text: str, *, sqlite_errorname: str = "") -> None:
        super().__init__(text)
        self.sqlite_errorname = sqlite_errorname


class StoreFull(StoreError):  # noqa: N818 - named for what is the case
    """No room on the disk. The transaction was rolled back; release the ballast and forget old samples."""


class StoreFailing(StoreError):  # noqa: N818 - named for what is the case
    """The disk or its permissions fail. The transaction was rolled back; it may be tried again."""


class StoreExposed(StoreError):  # noqa: N818 - named for what is the case
    """Anybody on the machine may write the record. It was not touched; look at it, and take that right away."""


class StoreBusy(StoreError):  # noqa: N818 - named for what is the case
    """Another process holds the store, or a lock was not had within the busy time-out."""


class StoreDamaged(StoreError):  # noqa: N818 - named for what is the case
    """The file does not hold what it should. The next open sets it aside and starts a new one."""


class ChunkDamaged(StoreDamaged):
    """A chunk does not match its checksum or cannot be unpacked; it must not be used."""


class StoreNewer(StoreError):  # noqa: N818 - named for what is the case
    """The database was written by a newer program. It was not touched; install that program or move the file."""


class StoreClosed(StoreError):  # noqa: N818 - named for what is the case
    """The store has been closed; nothing more is taken."""


class StoreMisused(StoreError):  # noqa: N818 - named for what is the case
    """A statement or a row of ours is wrong. Nothing was written."""


class WriterBehind(StoreError):  # noqa: N818 - named for what is the case
    """The writer's queue is full, or it did not finish its work before the time-out."""


class OutOfSequence(StoreError):  # noqa: N818 - named for what is the case
    """A number does not follow the newest one of its stream. Nothing was written."""


class NotStorable(StoreError):  # noqa: N818 - named for what is the case
    """A value would not come back as it went in. Nothing was written."""
