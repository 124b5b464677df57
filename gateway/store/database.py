"""One SQLite file: opening, settings, the one writer thread, short readers. The only file that imports sqlite3.

Decides whether a file can be used, is set aside because it is damaged, or is
refused; and gives each process start its run number. Never knows what the
tables mean, and never lets two threads write or checkpoint.

Do not open the database file by other means in the same process: closing such
a file drops SQLite's locks.
"""

import contextlib
import fcntl
import os
import queue
import sqlite3
import stat
import threading
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from gateway.store import closing_seal
from gateway.store.access import refuse_exposed
from gateway.store.errors import (
    StoreBusy,
    StoreClosed,
    StoreDamaged,
    StoreError,
    StoreFailing,
    StoreFull,
    StoreMisused,
    WriterBehind,
)
from gateway.store.seal import seal

Transaction = sqlite3.Connection  # inside BEGIN IMMEDIATE .. COMMIT, handed to the work of ``Database.submit``
Reader = sqlite3.Connection  # read-only; a Transaction is good as a Reader, too
T = TypeVar("T")

_BUSY_TIMEOUT_S = 5.0
_QUEUE_LENGTH = 256
_FILE_MODE = 0o600
_FOLDER_MODE = 0o700
_JOURNAL_SIZE_LIMIT_BYTES = 4_194_304  # what a write-ahead log is cut back to after a checkpoint

_SETTINGS = (
    "PRAGMA synchronous = FULL",  # a committed row survives a power cut
    "PRAGMA secure_delete = OFF",  # Debian compiles it on: every delete would write pages full of zeros
    "PRAGMA temp_store = MEMORY",
    f"PRAGMA journal_size_limit = {_JOURNAL_SIZE_LIMIT_BYTES}",
    "PRAGMA trusted_schema = OFF",  # nothing in a damaged schema is run
)

_KINDS: dict[int, type[StoreError]] = {
    sqlite3.SQLITE_FULL: StoreFull,
    sqlite3.SQLITE_IOERR_SHMSIZE: StoreFull,  # no room for the index of the write-ahead log
    sqlite3.SQLITE_CORRUPT: StoreDamaged,
    sqlite3.SQLITE_NOTADB: StoreDamaged,
    sqlite3.SQLITE_BUSY: StoreBusy,
    sqlite3.SQLITE_LOCKED: StoreBusy,
    sqlite3.SQLITE_IOERR: StoreFailing,
    sqlite3.SQLITE_CANTOPEN: StoreFailing,
    sqlite3.SQLITE_READONLY: StoreFailing,
    sqlite3.SQLITE_PERM: StoreFailing,
    sqlite3.SQLITE_NOMEM: StoreFailing,
    sqlite3.SQLITE_PROTOCOL: StoreFailing,
}
_PRIMARY_CODE = 0xFF  # the lower octet of an extended error code


class Layout(Protocol):
    """The tables a database shall have; ``migrations.PLANT`` and ``migrations.UPLINK`` are the two there are."""

    def apply(self, connection: Transaction, *, utc_ms: int) -> tuple[int, ...]:
        """Bring a database up to date; see ``migrations.Migrations.apply``."""


class OpenedAs(Enum):
    """What was found when the store was opened."""

    FRESH = "fresh"  # there was none
    KEPT = "kept"  # it was there and is sound
    SET_ASIDE = "set_aside"  # it was damaged; it lies under another name and a new one was started


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What opening found and did. The caller journals it.

    Args:
        found: fresh, kept or set aside.
        store: id of the store, a UUID; another one after fresh and set aside.
        run: number of this start; grows at every start, is already committed.
        steps: layout steps that were done now.
        set_aside: file name of the damaged database, empty otherwise.
        reason: what was wrong with it, empty otherwise.
    """

    found: OpenedAs
    store: str
    run: int
    steps: tuple[int, ...] = ()
    set_aside: str = ""
    reason: str = ""


class Database:
    """An open store of this process alone. Use ``opened`` first, ``submit`` and ``reader`` then, ``close`` last.

    Args:
        path: the database file. A missing folder is made with mode 0700; the file always has mode 0600.
        layout: ``migrations.PLANT`` or ``migrations.UPLINK``.
        utc_ms: now, for the records of creation and layout steps and the name of a file set aside.
        queue_length: work that may wait for the writer; more is refused at once.

    Raises:
        StoreExposed: anybody on this machine may write it.
        StoreBusy: another process has this store open.
        StoreNewer: a newer program has written it.
        StoreFull, StoreFailing: the disk does not let it be opened. Nothing is set aside then.

    It blocks while SQLite checks the file (about a second for 100 MB); call it before, or beside, the event loop.
    """

    def __init__(self, path: Path, layout: Layout, *, utc_ms: int, queue_length: int = _QUEUE_LENGTH) -> None:
        self.path = path
        self._queue_length = queue_length
        self._jobs: queue.SimpleQueue[_Job[Any] | None] = queue.SimpleQueue()
        self._gate = threading.Lock()
        self._closing = False
        _make_folder(path.parent)
        refuse_exposed(path)
        self._lock_file = _take_lock(path)
        try:
            _break_seal(path)
            self._connection, self.opened = _open(path, layout, utc_ms=utc_ms)
        except BaseException:
            os.close(self._lock_file)
            raise
        self._thread = threading.Thread(target=self._write, name=f"store writer {path.name}", daemon=True)
        self._thread.start()

    @property
    def waiting(self) -> int:
        """Pieces of work that wait for the writer."""
        return self._jobs.qsize()

    def submit(self, work: Callable[[Transaction], T]) -> Future[T]:
        """Have the writer thread run ``work`` in one transaction; returns at once, from any thread.

        The result is there when the commit is on the disk. Whatever ``work`` raises rolls everything back and
        comes out of the future. A future that is cancelled before its turn is not carried out: shield it in
        asyncio if its numbers are already given away.

        Raises (at once):
            WriterBehind: the queue is full.
            StoreClosed: after ``close``.

        Raises (from the future):
            StoreFull, StoreFailing, StoreBusy: rolled back; may be tried again.
            StoreDamaged: restart; the next open sets the file aside.
        """
        return self._queue(lambda connection: _in_transaction(connection, work))

    def checkpoint(self) -> Future[bool]:
        """Have the writer thread move the write-ahead log into the database, so that it is written from its start.

        SQLite does so by itself each 4 MB; on a full disk it is done before, since the log cannot grow then. Its file
        keeps its size: whoever fills the disk would have the room at once. The database may grow meanwhile, so the
        ballast has to be released before.

        Returns:
            Whether all of it was moved; False when a reader was in the way for five seconds.

        Raises: as ``submit``.
        """
        return self._queue(_checkpoint)

    def _queue(self, work: Callable[[sqlite3.Connection], T]) -> Future[T]:
        job = _Job(work=work, future=Future[T]())
        with self._gate:
            if self._closing:
                raise StoreClosed(f"{self.path}: closed, nothing more is written")
            if self._jobs.qsize() >= self._queue_length:
                raise WriterBehind(
                    f"{self.path}: {self._queue_length} pieces of work wait for the writer, which is all that may; "
                    "keep yours and try again later"
                )
            self._jobs.put(job)
        return job.future

    @contextlib.contextmanager
    def reader(self) -> Iterator[Reader]:
        """A read-only connection for the calling thread. Each statement is a transaction of its own.

        Keep it short: fetch all rows at once (``rows`` does), or the write-ahead log cannot be cut back.

        Raises:
            StoreClosed: after ``close``.
            StoreDamaged, StoreFailing, StoreBusy: from any statement in the block.
        """
        if self._closing:
            raise StoreClosed(f"{self.path}: closed, nothing can be read")
        with _named_errors(str(self.path)), contextlib.closing(_connect(self.path, mode="ro")) as connection:
            connection.execute("PRAGMA wal_autocheckpoint = 0")
            connection.execute("PRAGMA query_only = ON")
            yield connection

    def close(self, timeout_s: float) -> None:
        """Take no more work, finish what waits, close the file. May be called again.

        Raises:
            WriterBehind: not done after ``timeout_s`` seconds. The thread goes on by itself and does not
                keep the process from ending.
        """
        with self._gate:
            if not self._closing:
                self._closing = True
                self._jobs.put(None)
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            raise WriterBehind(f"{self.path}: {self.waiting} pieces of work not written within {timeout_s} s")

    def _write(self) -> None:
        while (job := self._jobs.get()) is not None:
            job.carry_out(self._connection, str(self.path))
        self._connection.close()
        if not Path(f"{self.path}-wal").exists():  # a full disk may have kept the log: then it is not all in the file
            with contextlib.suppress(OSError):  # or keep the seal out: then the stopped record goes without
                closing_seal.make(self.path)
        os.close(self._lock_file)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job(Generic[T]):
    work: Callable[[sqlite3.Connection], T]
    future: Future[T]

    def carry_out(self, connection: sqlite3.Connection, place: str) -> None:
        if not self.future.set_running_or_notify_cancel():
            return
        try:
            with _named_errors(place):
                result = self.work(connection)
        except BaseException as error:  # noqa: BLE001 - it belongs to whoever waits for the future, whatever it is
            self.future.set_exception(error)
        else:
            self.future.set_result(result)


@contextlib.contextmanager
def transaction(connection: Transaction) -> Iterator[None]:
    """BEGIN IMMEDIATE .. COMMIT around the block; any exception rolls back and goes on."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # SQLite has rolled back by itself after a full disk; a failing ROLLBACK must not hide the first error,
        # and the next BEGIN would tell.
        with contextlib.suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        raise


def _in_transaction(connection: sqlite3.Connection, work: Callable[[Transaction], T]) -> T:
    with transaction(connection):
        return work(connection)


def _checkpoint(connection: sqlite3.Connection) -> bool:
    ((busy, _, _),) = rows(connection, "PRAGMA wal_checkpoint(RESTART)")
    return not busy


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """The store of a stopped site, kept from starting meanwhile.

    Raises:
        StoreBusy: a process has this store open.
        StoreFailing: there is none.
    """
    if not path.exists():
        raise StoreFailing(f"{path}: there is no record yet")
    lock = _take_lock(path)
    try:
        yield
    finally:
        os.close(lock)


@contextlib.contextmanager
def unlocked(path: Path) -> Iterator[Reader]:
    """A read-only connection to a store under ``locked``; nothing is created or changed.

    Raises:
        StoreFailing, StoreDamaged: it cannot be read.
    """
    with _named_errors(str(path)), contextlib.closing(_connect(path, mode="ro")) as connection:
        connection.execute("PRAGMA query_only = ON")
        yield connection


@contextlib.contextmanager
def offline(path: Path) -> Iterator[Reader]:
    """Both: a read-only connection to the store of a stopped site, under its lock.

    Raises: as the two above.
    """
    with locked(path), unlocked(path) as reader:
        yield reader


def rows(connection: Reader, sql: str, parameters: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """All rows of a SELECT at once, so that no read transaction stays open.

    Raises:
        StoreDamaged, StoreFailing, StoreBusy, StoreMisused: by name instead of SQLite's own exceptions.
    """
    with _named_errors("reading the store"):
        return connection.execute(sql, parameters).fetchall()


def used_bytes(connection: Reader) -> int:
    """Bytes of the database that hold something; pages given back by deletions do not count."""
    ((pages,),) = rows(connection, "PRAGMA page_count")
    ((free,),) = rows(connection, "PRAGMA freelist_count")
    ((size,),) = rows(connection, "PRAGMA page_size")
    return int((pages - free) * size)


def schema_of(connection: Reader) -> dict[str, str | None]:
    """Name of each table and index, and the statement that made it."""
    return dict(rows(connection, "SELECT name, sql FROM sqlite_master"))


def blank_schema(layout: Layout) -> dict[str, str | None]:
    """The same of a database that was made just now."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as blank:
        layout.apply(blank, utc_ms=0)
        return schema_of(blank)


def remembered_run(path: Path) -> int | None:
    """The run that the file beside a database remembers; 0 when there is none, None when it is damaged.

    Raises:
        StoreFailing: it cannot be read.
    """
    return _remembered_run(path) or (None if Path(f"{path}.run").exists() else 0)


def free_bytes(connection: Reader) -> int:
    """Bytes within the file that deletions have given back, so that new rows need no room on the disk.

    Pages that the database counts and the file does not have yet, because the log was not moved, are none.
    """
    ((_, _, name),) = rows(connection, "PRAGMA database_list")
    ((free,),) = rows(connection, "PRAGMA freelist_count")
    ((pages,),) = rows(connection, "PRAGMA page_count")
    ((size,),) = rows(connection, "PRAGMA page_size")
    return max(0, int(free * size) - max(0, int(pages * size) - Path(name).stat().st_size))


@contextlib.contextmanager
def _named_errors(place: str) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise _named(error, place) from error


def _named(error: sqlite3.Error, place: str) -> StoreError:
    code = getattr(error, "sqlite_errorcode", None)
    name = getattr(error, "sqlite_errorname", None) or ""
    kind = StoreMisused if code is None else _KINDS.get(code) or _KINDS.get(code & _PRIMARY_CODE, StoreMisused)
    return kind(f"{place}: {error} ({name or type(error).__name__})", sqlite_errorname=name)


# --- opening ---------------------------------------------------------------------------------------------------


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=_FOLDER_MODE, parents=True, exist_ok=True)
    except OSError as error:
        raise StoreFailing(f"{folder}: the folder of the store cannot be made: {error.strerror}") from error


def _take_lock(path: Path) -> int:
    try:
        lock_file = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, _FILE_MODE)
    except OSError as error:
        raise StoreFailing(f"{path}.lock cannot be opened: {error.strerror}") from error
    try:
        fcntl.flock(lock_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(lock_file)
        raise StoreBusy(f"{path}: another process has this store open; only one may, stop it first") from error
    return lock_file


def _break_seal(path: Path) -> None:
    try:
        closing_seal.break_open(path)
    except OSError as error:
        raise StoreFailing(f"{path}: the seal of the last stop cannot be removed: {error.strerror}") from error


def _open(path: Path, layout: Layout, *, utc_ms: int) -> tuple[Transaction, Opened]:
    try:
        return _open_file(path, layout, utc_ms=utc_ms)
    except StoreDamaged as damage:
        name = _set_aside(path, utc_ms=utc_ms)
        connection, opened = _open_file(path, layout, utc_ms=utc_ms)
        return connection, replace(opened, found=OpenedAs.SET_ASIDE, set_aside=name, reason=str(damage))


def _open_file(path: Path, layout: Layout, *, utc_ms: int) -> tuple[Transaction, Opened]:
    found = _create_or_find(path)
    with _named_errors(str(path)), contextlib.ExitStack() as undo:
        connection = undo.enter_context(contextlib.closing(_connect(path, mode="rw")))
        if found is OpenedAs.KEPT:
            _check(connection)
        _settle(connection)
        steps = layout.apply(connection, utc_ms=utc_ms)
        _compare_tables(connection, layout)
        store, run = _start_run(connection, path, utc_ms=utc_ms)
        undo.pop_all()
    found = OpenedAs.FRESH if 1 in steps else found  # a start that was cut off may have left a file without tables
    return connection, Opened(found=found, store=store, run=run, steps=steps)


def _create_or_find(path: Path) -> OpenedAs:
    log = Path(f"{path}-wal")
    try:
        with contextlib.suppress(FileNotFoundError):
            if path.stat().st_size > 0:
                _tighten(path)
                return OpenedAs.KEPT
        if log.exists() and log.stat().st_size > 0:
            # SQLite would throw the log away without a word.
            raise StoreDamaged(f"{path}: the file is empty or gone, but its write-ahead log is not")
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, _FILE_MODE))
        _tighten(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise StoreFailing(f"{path}: cannot be made or looked at: {error.strerror}") from error
    return OpenedAs.FRESH


def _tighten(path: Path) -> None:
    if stat.S_IMODE(path.stat().st_mode) != _FILE_MODE:
        path.chmod(_FILE_MODE)


def _connect(path: Path, *, mode: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}",
        uri=True,
        timeout=_BUSY_TIMEOUT_S,
        isolation_level=None,  # transactions are opened by us, by name
        check_same_thread=False,  # opened by the caller, then the writer thread's alone
    )
    # A flipped bit in a text must not stop a read; the row's seal tells.
    connection.text_factory = lambda octets: octets.decode("utf-8", "replace")
    return connection


def _check(connection: Transaction) -> None:
    ((verdict, *_), *_) = rows(connection, "PRAGMA quick_check(1)")
    if verdict != "ok":
        raise StoreDamaged(f"the check of the file says: {verdict}")


def _settle(connection: Transaction) -> None:
    ((mode,),) = rows(connection, "PRAGMA journal_mode = WAL")
    if mode != "wal":
        raise StoreFailing(f"the file cannot be written through a write-ahead log, only {mode}; use a local disk")
    for setting in _SETTINGS:
        connection.execute(setting)


def _compare_tables(connection: Transaction, layout: Layout) -> None:
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as blank:
        layout.apply(blank, utc_ms=0)
        expected, found = _tables(blank), _tables(connection)
    if found != expected:
        wrong = sorted(name for name in expected | found if expected.get(name) != found.get(name))
        raise StoreDamaged(f"tables are missing or not as they should be: {', '.join(wrong)}")


def _tables(connection: Reader) -> dict[str, list[tuple[Any, ...]]]:
    names = rows(connection, "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    return {name: rows(connection, "SELECT * FROM pragma_table_xinfo(?)", (name,)) for (name,) in names}


def _start_run(connection: Transaction, path: Path, *, utc_ms: int) -> tuple[str, int]:
    """The store's id and this start's run number, committed."""
    store, since_utc_ms, last_run = _identity(connection) or (str(uuid.uuid4()), utc_ms, 0)
    # A file beside the database remembers the run too: receivers tell doubles by it, so that it has to grow
    # even when the database was set aside or taken away.
    run = max(last_run, _remembered_run(path)) + 1
    with transaction(connection):
        sealed = seal(store, since_utc_ms, run)
        connection.execute("INSERT OR REPLACE INTO store VALUES (1, ?, ?, ?, ?)", (store, since_utc_ms, run, sealed))
    _remember_run(path, run)
    return store, run


def _identity(connection: Reader) -> tuple[str, int, int] | None:
    found = rows(connection, "SELECT id, created_utc_ms, run, seal FROM store")
    if not found:
        return None
    if len(found) != 1 or seal(*found[0][:3]) != found[0][3]:
        raise StoreDamaged(f"the record of the store's id and run does not match its checksum: {found}")
    store, created_utc_ms, run, _ = found[0]
    return store, created_utc_ms, run


def _remembered_run(path: Path) -> int:
    try:
        run, sealed = Path(f"{path}.run").read_text("ascii").split()
        return int(run) if seal(int(run)) == int(sealed) else 0
    except (FileNotFoundError, ValueError):
        return 0
    except OSError as error:
        raise StoreFailing(f"{path}.run cannot be read: {error.strerror}") from error


def _remember_run(path: Path, run: int) -> None:
    target, fresh = Path(f"{path}.run"), Path(f"{path}.run.new")
    # Only a second copy: the database has it. A full disk must not keep the gateway from starting.
    with contextlib.suppress(OSError):
        with open(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, _FILE_MODE), "w") as file:  # noqa: PTH123 - a mode is needed
            file.write(f"{run} {seal(run)}\n")
            file.flush()
            os.fsync(file.fileno())
        fresh.rename(target)
        _sync_folder(path.parent)


def _set_aside(path: Path, *, utc_ms: int) -> str:
    """Rename a damaged database and its log together, so that what is left can be read by hand."""
    stamp = datetime.fromtimestamp(utc_ms / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists() or Path(f"{aside}-wal").exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    try:
        for suffix in ("", "-wal"):
            with contextlib.suppress(FileNotFoundError):
                Path(f"{path}{suffix}").rename(f"{aside}{suffix}")
        Path(f"{path}-shm").unlink(missing_ok=True)
        _sync_folder(path.parent)
    except OSError as error:
        raise StoreFailing(f"{path}: damaged, and cannot be renamed to {aside.name}: {error.strerror}") from error
    return aside.name


def _sync_folder(folder: Path) -> None:
    opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
