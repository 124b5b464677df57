"""No room on the disk: commits fail by name, what is there stays readable, the writer goes on when there is room."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.store import journal, machine_state, retention, sample_log
from gateway.store.ballast import Ballast
from gateway.store.database import Database, OpenedAs
from gateway.store.errors import StoreFailing, StoreFull
from gateway.store.migrations import PLANT
from tests.faults.small_disk import NoSmallDisk, fill_up, small_disk
from tests.store.support import UTC_MS, WAIT_S, commit, fill, opened, state_after

COUNT = 40


@pytest.fixture(name="small_disk")
def disk_of_three_megabytes(tmp_path: Path) -> Iterator[Path]:
    try:
        with small_disk(tmp_path, 3) as disk:
            yield disk
    except NoSmallDisk as why:
        pytest.skip(f"{why}; the test with a size limit runs anyway")


def commit_until_full(database: Database, n: int) -> int:
    """Number of the last commit that had room."""
    while True:
        try:
            database.submit(lambda t, n=n: commit(t, n + 1, count=COUNT)).result(WAIT_S)  # type: ignore[misc]
        except StoreFull as error:
            assert error.sqlite_errorname == "SQLITE_FULL"  # noqa: PT017 - the loop ends with this error
            return n
        n += 1


def everything_is_sound(database: Database, n: int) -> None:
    with database.reader() as reader:
        assert journal.newest(reader).n == n
        assert journal.verify(reader) == []
        assert sample_log.newest_n(reader) == n * COUNT
        assert sample_log.verify(reader) == []
        assert machine_state.load(reader) == state_after(n)


def test_a_full_disk_is_named_and_the_writer_goes_on_when_there_is_room(small_disk: Path) -> None:
    with opened(small_disk / "plant.db") as database:
        filler = small_disk / "filler"
        filler.write_bytes(bytes(2_000_000))
        n = commit_until_full(database, 0)
        assert n > 5
        for _ in range(3):
            assert commit_until_full(database, n) == n
        everything_is_sound(database, n)
        filler.unlink()
        for more in range(n + 1, n + 11):
            database.submit(lambda t, n=more: commit(t, n, count=COUNT)).result(WAIT_S)  # type: ignore[misc]
        everything_is_sound(database, n + 10)


def test_a_log_that_could_not_be_moved_into_the_database_is_kept_over_a_restart(small_disk: Path) -> None:
    path = small_disk / "plant.db"
    with opened(path) as database:
        (small_disk / "filler").write_bytes(bytes(2_000_000))
        n = commit_until_full(database, 0)
    assert Path(f"{path}-wal").stat().st_size > 0  # closing could not move it
    (small_disk / "filler").unlink()
    with opened(path) as database:
        assert database.opened.found is OpenedAs.KEPT
        everything_is_sound(database, n)


def test_a_store_that_cannot_be_opened_for_want_of_room_is_not_taken_for_damaged(small_disk: Path) -> None:
    path = small_disk / "plant.db"
    with opened(path) as database:
        fill(database, 20)
    filler = fill_up(small_disk)
    with pytest.raises(StoreFull):  # the run number cannot be committed
        Database(path, PLANT, utc_ms=UTC_MS)
    assert list(small_disk.glob("*damaged*")) == []
    filler.unlink()
    with opened(path) as database:
        assert database.opened.found is OpenedAs.KEPT
        everything_is_sound(database, 20)


def forget_oldest(database: Database, at_most_chunks: int) -> int:
    return (
        database.submit(
            lambda transaction: retention.forget(
                transaction,
                store=database.opened.store,
                readers=(),
                keep_since_utc_ms=UTC_MS + 10**9,
                budget_bytes=0,
                at_most_chunks=at_most_chunks,
            )
        )
        .result(WAIT_S)
        .chunks
    )


def forget_until_full(database: Database) -> None:
    """Deleting takes room as well: it works until there is none at all."""
    while forget_oldest(database, 1):
        pass


def test_with_ballast_released_old_samples_can_be_forgotten_on_a_full_disk(small_disk: Path) -> None:
    ballast = Ballast(small_disk / "ballast", 400_000)
    ballast.reserve()
    with opened(small_disk / "plant.db") as database:
        n = commit_until_full(database, 0)
        fill_up(small_disk)
        with pytest.raises(StoreFull):
            forget_until_full(database)
        ballast.release()
        assert forget_oldest(database, 20) == 20
        assert database.checkpoint().result(WAIT_S)
        fill_up(small_disk)  # whoever filled the disk takes what was freed, and the log has its room all the same
        for more in range(n + 1, n + 31):
            database.submit(lambda t, n=more: commit(t, n, count=COUNT)).result(WAIT_S)  # type: ignore[misc]
        everything_is_sound(database, n + 30)


def test_ballast_that_does_not_fit_takes_no_room(small_disk: Path) -> None:
    ballast = Ballast(small_disk / "ballast", 50_000_000)
    with pytest.raises(StoreFull, match="50000000 bytes"):
        ballast.reserve()
    assert list(small_disk.iterdir()) == []
    fits = Ballast(small_disk / "ballast", 1_000_000)
    fits.reserve()
    assert fits.held


def test_a_file_that_may_not_grow_is_named_and_the_writer_goes_on(tmp_path: Path) -> None:
    """The same in a process of its own whose files are limited in size; needs no privilege."""
    path = tmp_path / "plant.db"
    child = subprocess.run(
        [sys.executable, "-m", "tests.store.committing_child", str(path), "300000"],
        capture_output=True,
        text=True,
        timeout=100,
        check=True,
    )
    told = [line.split() for line in child.stdout.splitlines()]
    ((_, failed, kind, name),) = [words for words in told if words[0] == "failed"]
    assert int(failed) > 5
    assert (kind, name) in {(StoreFailing.__name__, "SQLITE_IOERR_WRITE"), (StoreFull.__name__, "SQLITE_FULL")}
    assert ["that", "was", "not", "to", "be"] not in told
    assert told[-1] == ["closed", str(int(failed) + 9)]
    with opened(path) as database:
        everything_is_sound(database, int(failed) + 9)
