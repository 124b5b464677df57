"""The state of the last run: whole, none, or unreadable with a reason."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.core.tick import Tick
from gateway.store import machine_state
from gateway.store.database import Database
from gateway.store.machine_state import Nothing, Saved, Unreadable
from tests.store.support import WAIT_S, opened, state_after

PAGE_BYTES = 4_096


def save(database: Database, saved: Saved) -> None:
    database.submit(lambda t: machine_state.save(t, saved)).result(WAIT_S)


def load(database: Database) -> Saved | Nothing | Unreadable:
    with database.reader() as reader:
        return machine_state.load(reader)


def test_a_new_store_has_nothing(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        assert load(database) == Nothing()


def test_the_last_state_saved_is_the_one_loaded_after_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        for n in range(1, 4):
            save(database, state_after(n))
    with opened(path) as database:
        assert load(database) == state_after(3)


def test_a_state_as_long_as_the_one_before_is_written_over_in_its_pages_and_touches_no_others(tmp_path: Path) -> None:
    draws = Random(1)  # noqa: S311 - makes test data
    path = tmp_path / "plant.db"

    def pages_touched(length: int) -> int:
        before = log_bytes(path)
        save(database, replace(state_after(1), state=draws.randbytes(length)))
        return (log_bytes(path) - before) // PAGE_BYTES

    with opened(path) as database:
        pages_touched(5_120)
        assert pages_touched(5_120) == 2  # the row and what of it goes on in a second page
        assert pages_touched(5_121) > 2


def log_bytes(path: Path) -> int:
    return path.with_name(f"{path.name}-wal").stat().st_size


@given(
    st.builds(
        Saved,
        state=st.binary(),
        tick=st.builds(
            Tick, monotonic_ms=st.integers(0, 2**60), utc_ms=st.integers(-(2**60), 2**60), utc_trusted=st.booleans()
        ),
        boot_id=st.text(st.characters(codec="utf-8", exclude_characters="\0")),
        run=st.integers(0, 2**60),
        configuration=st.text(st.characters(codec="utf-8", exclude_characters="\0")),
    )
)
@settings(deadline=None, max_examples=50)
def test_any_state_comes_back(tmp_path_factory: pytest.TempPathFactory, saved: Saved) -> None:
    with opened(tmp_path_factory.mktemp("state") / "plant.db") as database:
        save(database, saved)
        assert load(database) == saved


@pytest.mark.parametrize(
    "damage",
    [
        "state = CAST(replace(CAST(state AS TEXT), 'tripped', 'ready__') AS BLOB)",
        "state = x''",
        "monotonic_ms = monotonic_ms + 1",
        "utc_ms = utc_ms - 1",
        "utc_trusted = 0",
        "boot_id = 'another'",
        "run = run + 1",
        "configuration = 'another'",
        "checksum = zeroblob(32)",
    ],
)
def test_a_changed_column_makes_it_unreadable(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "plant.db"
    with opened(path) as database:
        save(database, state_after(1))
    with closing(sqlite3.connect(path, isolation_level=None)) as vandal:
        vandal.execute(f"UPDATE machine_state SET {damage}")  # noqa: S608 - the test's own words
    with opened(path) as database:
        assert load(database) == Unreadable("the saved state does not match its checksum")
        save(database, state_after(2))
        assert load(database) == state_after(2)
