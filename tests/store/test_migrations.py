"""Steps from an empty file to today's layout."""

from pathlib import Path

import pytest

from gateway.store.database import Database, OpenedAs, rows
from gateway.store.errors import StoreMisused, StoreNewer
from gateway.store.migrations import PLANT, UPLINK, Migrations, Step
from tests.store.support import UTC_MS, fill, opened

LATER = Migrations(
    (
        *PLANT.steps,
        Step(number=2, name="notes", statements=("CREATE TABLE note (text TEXT NOT NULL) STRICT",)),
        Step(number=3, name="more notes", statements=("ALTER TABLE note ADD COLUMN person TEXT",)),
    )
)


def recorded(database: Database) -> list[tuple[object, ...]]:
    with database.reader() as reader:
        return rows(reader, "SELECT number, name, utc_ms FROM migration ORDER BY number")


def test_each_step_is_recorded_with_its_time(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path, PLANT, utc_ms=1000) as database:
        fill(database, 2)
    with opened(path, LATER, utc_ms=2000) as database:
        assert database.opened.steps == (2, 3)
        assert database.opened.found is OpenedAs.KEPT
        assert recorded(database) == [(1, "plant", 1000), (2, "notes", 2000), (3, "more notes", 2000)]
        with database.reader() as reader:
            assert rows(reader, "SELECT count(*) FROM journal") == [(2,)]
    with opened(path, LATER, utc_ms=3000) as database:
        assert database.opened.steps == ()


def test_a_step_that_fails_leaves_nothing_and_those_before_it_stay(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    broken = Migrations(
        (
            *LATER.steps[:2],
            Step(number=3, name="broken", statements=("CREATE TABLE half (x INTEGER) STRICT", "CREATE TABEL oops")),
        )
    )
    with opened(path):
        pass
    with pytest.raises(StoreMisused, match="syntax error"):
        Database(path, broken, utc_ms=UTC_MS)
    with opened(path, LATER) as database:  # the lock was given back, too
        assert database.opened.found is OpenedAs.KEPT
        assert database.opened.steps == (3,)
        with database.reader() as reader:
            assert rows(reader, "SELECT name FROM sqlite_master WHERE name = 'half'") == []


def test_a_newer_database_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path, LATER):
        pass
    before = path.read_bytes()
    with pytest.raises(StoreNewer, match=r"layout step 3 \(more notes\).*this program knows 1"):
        Database(path, PLANT, utc_ms=UTC_MS)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.glob("*damaged*")] == []


def test_a_database_of_the_other_kind_is_not_taken_for_ours(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path, UPLINK):
        pass
    with opened(path, PLANT) as database:
        assert database.opened.found is OpenedAs.SET_ASIDE
        assert "uplink" in database.opened.reason


def test_steps_are_numbered_without_gaps() -> None:
    with pytest.raises(ValueError, match=r"without gaps, got \[1, 3\]"):
        Migrations((LATER.steps[0], LATER.steps[2]))
