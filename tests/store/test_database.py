"""One file, one writer, short readers."""

import os
import sqlite3
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from gateway.store import positions
from gateway.store.database import Database, OpenedAs, Transaction, rows
from gateway.store.errors import (
    StoreBusy,
    StoreClosed,
    StoreDamaged,
    StoreExposed,
    StoreFailing,
    StoreMisused,
    WriterBehind,
)
from gateway.store.migrations import PLANT, UPLINK
from gateway.store.positions import Position
from tests.store.support import UTC_MS, WAIT_S, fill, opened


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def set_n(transaction: Transaction, n: int) -> None:
    positions.set(transaction, reader="office", stream="journal", n=n, store="s")


def n_of(database: Database) -> int:
    with database.reader() as reader:
        position = positions.get(reader, reader="office", stream="journal")
    return position.n if position else 0


def test_a_new_store_is_readable_by_its_owner_alone(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        with opened(tmp_path / "record" / "plant.db") as database:
            fill(database, 1)
            assert mode(tmp_path / "record") == 0o700
            found = {path.name: mode(path) for path in (tmp_path / "record").iterdir()}
        found |= {path.name: mode(path) for path in (tmp_path / "record").iterdir()}
    finally:
        os.umask(before)
    beside = {"plant.db-wal", "plant.db-shm", "plant.db.lock", "plant.db.run", "plant.db.closed"}
    assert {"plant.db", *beside} == found.keys()
    assert {0o600} == {*found.values()}


@pytest.mark.parametrize("name", [".", "plant.db", "plant.db.run"])
def test_a_record_that_anybody_may_write_is_refused_with_what_to_do_and_left_as_it_is(
    tmp_path: Path, name: str
) -> None:
    path = tmp_path / "record" / "plant.db"
    with opened(path):
        pass
    exposed = path.parent / name
    exposed.chmod(mode(exposed) | 0o002)
    before = path.read_bytes()
    with pytest.raises(StoreExposed, match=f"{exposed}.*must not be writable by others.*chmod o-w {exposed}"):
        Database(path, PLANT, utc_ms=UTC_MS)
    assert (path.read_bytes(), mode(exposed) & 0o002) == (before, 0o002)
    exposed.chmod(mode(exposed) & ~0o002)
    with opened(path) as database:
        assert database.opened.found is OpenedAs.KEPT


def test_a_file_that_others_could_read_is_tightened(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path):
        pass
    path.chmod(0o644)
    with opened(path):
        assert mode(path) == 0o600


def test_settings_are_those_that_survive_a_power_cut(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:

        def ask(transaction: Transaction) -> dict[str, object]:
            names = ("journal_mode", "synchronous", "secure_delete", "temp_store", "journal_size_limit")
            return {name: rows(transaction, f"PRAGMA {name}")[0][0] for name in names}

        found = database.submit(ask).result(WAIT_S)
    assert found == {
        "journal_mode": "wal",
        "synchronous": 2,
        "secure_delete": 0,
        "temp_store": 2,
        "journal_size_limit": 4_194_304,
    }


def test_every_table_is_strict(tmp_path: Path) -> None:
    for layout in (PLANT, UPLINK):
        with opened(tmp_path / f"{id(layout)}.db", layout) as database, database.reader() as reader:
            loose = rows(reader, "SELECT name FROM pragma_table_list WHERE NOT strict AND name NOT LIKE 'sqlite_%'")
        assert loose == []


def test_the_first_start_is_fresh_and_the_next_is_kept_with_a_larger_run(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        first = database.opened
    with opened(path) as database:
        second = database.opened
    assert (first.found, second.found) == (OpenedAs.FRESH, OpenedAs.KEPT)
    assert (first.run, second.run) == (1, 2)
    assert first.store == second.store
    assert (first.steps, second.steps) == ((1,), ())


def test_the_run_is_committed_before_the_store_may_be_used(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database, database.reader() as reader:
        assert rows(reader, "SELECT run, id FROM store") == [(database.opened.run, database.opened.store)]


def test_the_run_grows_on_even_when_the_database_was_taken_away(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    for _ in range(3):
        with opened(path) as database:
            store = database.opened.store
    path.unlink()
    with opened(path) as database:
        assert database.opened.run == 4
        assert database.opened.store != store
        assert database.opened.found is OpenedAs.FRESH


def test_work_is_committed_when_its_future_is_done(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        assert database.submit(lambda t: rows(t, "SELECT 42")).result(WAIT_S) == [(42,)]
        database.submit(lambda t: set_n(t, 7)).result(WAIT_S)
        assert n_of(database) == 7


def test_work_that_fails_leaves_nothing_behind_and_the_next_goes_on(tmp_path: Path) -> None:
    def fail(transaction: Transaction) -> None:
        set_n(transaction, 9)
        raise LookupError("no such tag")

    with opened(tmp_path / "plant.db") as database:
        with pytest.raises(LookupError, match="no such tag"):
            database.submit(fail).result(WAIT_S)
        assert n_of(database) == 0
        database.submit(lambda t: set_n(t, 3)).result(WAIT_S)
        assert n_of(database) == 3


def test_a_wrong_statement_is_named_as_ours_and_keeps_the_name_sqlite_gave_it(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        with pytest.raises(StoreMisused) as caught:
            database.submit(lambda t: t.execute("SELECT * FROM nowhere")).result(WAIT_S)
        assert caught.value.sqlite_errorname == "SQLITE_ERROR"
        with pytest.raises(StoreMisused) as caught:
            database.submit(lambda t: t.execute("INSERT INTO position VALUES ('a', 'b', NULL, 'c', 5)")).result(WAIT_S)
        assert caught.value.sqlite_errorname == "SQLITE_CONSTRAINT_NOTNULL"


def test_a_full_queue_refuses_at_once_and_takes_work_again_later(tmp_path: Path) -> None:
    started, go_on = threading.Event(), threading.Event()

    def wait(_: Transaction) -> None:
        started.set()
        assert go_on.wait(WAIT_S)

    with opened(tmp_path / "plant.db", queue_length=3) as database:
        database.submit(wait)
        assert started.wait(WAIT_S)
        waiting = [database.submit(lambda t, n=n: set_n(t, n)) for n in (1, 2, 3)]  # type: ignore[misc]
        with pytest.raises(WriterBehind, match="3 pieces of work"):
            database.submit(lambda t: set_n(t, 4))
        assert database.waiting == 3
        go_on.set()
        for future in waiting:
            future.result(WAIT_S)
        assert n_of(database) == 3
        database.submit(lambda t: set_n(t, 5)).result(WAIT_S)
        assert n_of(database) == 5


def test_work_cancelled_before_its_turn_is_not_carried_out(tmp_path: Path) -> None:
    started, go_on = threading.Event(), threading.Event()

    def wait(_: Transaction) -> None:
        started.set()
        assert go_on.wait(WAIT_S)

    with opened(tmp_path / "plant.db") as database:
        database.submit(wait)
        assert started.wait(WAIT_S)
        unwanted = database.submit(lambda t: set_n(t, 8))
        assert unwanted.cancel()
        last = database.submit(lambda _: None)
        go_on.set()
        last.result(WAIT_S)
        assert n_of(database) == 0


def test_closing_finishes_what_waits_and_takes_no_more(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    database = Database(path, PLANT, utc_ms=UTC_MS)
    for n in range(1, 51):
        database.submit(lambda t, n=n: set_n(t, n))  # type: ignore[misc]
    database.close(WAIT_S)
    database.close(WAIT_S)
    with pytest.raises(StoreClosed):
        database.submit(lambda t: set_n(t, 99))
    with pytest.raises(StoreClosed), database.reader():
        pass
    with opened(path) as again:
        assert n_of(again) == 50


def test_closing_gives_up_after_its_time_out_and_says_so(tmp_path: Path) -> None:
    started, go_on = threading.Event(), threading.Event()

    def wait(_: Transaction) -> None:
        started.set()
        assert go_on.wait(WAIT_S)

    database = Database(tmp_path / "plant.db", PLANT, utc_ms=UTC_MS)
    database.submit(wait)
    assert started.wait(WAIT_S)
    with pytest.raises(WriterBehind, match="not written within"):
        database.close(0.01)
    go_on.set()
    database.close(WAIT_S)


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        with pytest.raises(StoreFailing) as caught, database.reader() as reader:
            set_n(reader, 1)
        assert caught.value.sqlite_errorname.startswith("SQLITE_READONLY")


def test_readers_work_beside_the_writer_and_never_see_half_a_commit(tmp_path: Path) -> None:
    def both(transaction: Transaction, n: int) -> None:
        positions.set(transaction, reader="a", stream="journal", n=n, store="s")
        positions.set(transaction, reader="b", stream="journal", n=n, store="s")

    with opened(tmp_path / "plant.db") as database:
        last = [database.submit(lambda t, n=n: both(t, n)) for n in range(1, 201)][-1]  # type: ignore[misc]
        seen = 0
        while not last.done():
            with database.reader() as reader:
                found = rows(reader, "SELECT n FROM position")
            assert len({n for (n,) in found}) <= 1
            seen += 1
        last.result(WAIT_S)
        assert seen > 0
        with database.reader() as reader:
            assert positions.get(reader, reader="b", stream="journal") == Position(n=200, store="s")


def test_the_write_ahead_log_does_not_grow_without_end(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        for _ in range(60):
            database.submit(
                lambda t: t.execute("INSERT INTO configuration (hash) SELECT hex(randomblob(100000))")
            ).result(WAIT_S)
        assert (tmp_path / "plant.db-wal").stat().st_size <= 6_000_000


def test_a_store_that_another_process_has_open_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    script = (
        "import sys, pathlib; from gateway.store.database import Database; from gateway.store.migrations import PLANT\n"
        "from gateway.store.errors import StoreBusy\n"
        f"try: Database(pathlib.Path(sys.argv[1]), PLANT, utc_ms={UTC_MS})\n"
        "except StoreBusy as error: print('busy', error)\n"
    )
    with opened(path) as database:
        fill(database, 1)
        child = subprocess.run(
            [sys.executable, "-c", script, str(path)], capture_output=True, text=True, timeout=60, check=True
        )
        assert child.stdout.startswith("busy")
        database.submit(lambda t: set_n(t, 2)).result(WAIT_S)
    with pytest.raises(StoreBusy), opened(path), opened(path):
        pass


def test_rubbish_is_set_aside_and_a_new_store_is_started(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    path.write_bytes(b"not a database at all" * 1000)
    with opened(path) as database:
        assert database.opened.found is OpenedAs.SET_ASIDE
        assert database.opened.set_aside == "plant.db.damaged-20250206T000000Z"
        assert "SQLITE_NOTADB" in database.opened.reason
        fill(database, 1)
    assert (tmp_path / "plant.db.damaged-20250206T000000Z").read_bytes().startswith(b"not a database")


def test_a_second_damaged_file_of_the_same_second_does_not_replace_the_first(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    for text in (b"one", b"two"):
        path.write_bytes(text * 1000)
        with opened(path):
            pass
    assert (tmp_path / "plant.db.damaged-20250206T000000Z").read_bytes().startswith(b"one")
    assert (tmp_path / "plant.db.damaged-20250206T000000Z-2").read_bytes().startswith(b"two")


def test_a_store_set_aside_gets_a_new_id_and_a_larger_run(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        before = database.opened
    path.write_bytes(b"x" * 8192)
    with opened(path) as database:
        assert database.opened.store != before.store
        assert database.opened.run == before.run + 1


def test_a_log_whose_database_is_gone_is_set_aside_and_not_thrown_away(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    (tmp_path / "plant.db-wal").write_bytes(b"what was committed last")
    with opened(path) as database:
        assert database.opened.found is OpenedAs.SET_ASIDE
        name = database.opened.set_aside
    assert (tmp_path / f"{name}-wal").read_bytes() == b"what was committed last"


def test_a_database_of_something_else_is_set_aside_whole(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE recipe (name TEXT)")
    other.close()
    with opened(path) as database:
        assert database.opened.found is OpenedAs.SET_ASIDE
        assert "layout" in database.opened.reason
    kept = sqlite3.connect(tmp_path / database.opened.set_aside)
    assert kept.execute("SELECT name FROM sqlite_master").fetchall() == [("recipe",)]
    kept.close()


def test_a_missing_table_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path):
        pass
    vandal = sqlite3.connect(path)
    vandal.execute("DROP TABLE machine_state")
    vandal.close()
    with opened(path) as database:
        assert database.opened.found is OpenedAs.SET_ASIDE
        assert "machine_state" in database.opened.reason


def test_a_changed_store_record_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path):
        pass
    vandal = sqlite3.connect(path, isolation_level=None)
    vandal.execute("UPDATE store SET run = 1000000")
    vandal.close()
    with opened(path) as database:
        assert database.opened.found is OpenedAs.SET_ASIDE
        assert database.opened.run == 2


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "record").write_text("a file in the way")
    with pytest.raises(StoreFailing, match="record"):
        Database(tmp_path / "record" / "plant.db", PLANT, utc_ms=UTC_MS)


def test_damage_found_while_reading_is_named(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        fill(database, 40)
    size = path.stat().st_size
    with opened(path) as database:
        with path.open("r+b") as file:  # behind SQLite's back; the lock that this loses is not needed any more here
            for page in range(1, size // 4096):
                file.seek(page * 4096)
                file.write(b"\xff" * 4096)
        with pytest.raises(StoreDamaged), database.reader() as reader:
            rows(reader, "SELECT * FROM journal")
    with opened(path) as database:
        assert database.opened.found is OpenedAs.SET_ASIDE
