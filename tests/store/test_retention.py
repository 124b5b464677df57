"""What may be forgotten, and never before it is delivered."""

from pathlib import Path

import pytest

from gateway.store import journal, positions, retention, sample_log
from gateway.store.ballast import Ballast
from gateway.store.database import Database, used_bytes
from gateway.store.errors import StoreFailing
from gateway.store.retention import Forgotten, Gap
from tests.store.support import UTC_MS, WAIT_S, chunk_from, fill, opened

ALL_OLD = UTC_MS + 10**9
COMMITS, COUNT = 30, 200
LAST_N = COMMITS * COUNT


def confirm(database: Database, reader: str, n: int, store: str = "") -> None:
    own = store or database.opened.store
    database.submit(lambda t: positions.set(t, reader=reader, stream="samples", n=n, store=own)).result(WAIT_S)


def forget(
    database: Database,
    *,
    readers: tuple[str, ...] = ("office",),
    keep_since_utc_ms: int = ALL_OLD,
    budget_bytes: int = 0,
    force: bool = False,
    at_most_chunks: int = 200,
) -> Forgotten:
    return database.submit(
        lambda t: retention.forget(
            t,
            store=database.opened.store,
            readers=readers,
            keep_since_utc_ms=keep_since_utc_ms,
            budget_bytes=budget_bytes,
            force=force,
            at_most_chunks=at_most_chunks,
        )
    ).result(WAIT_S)


def left(database: Database) -> tuple[int, int]:
    with database.reader() as reader:
        assert sample_log.verify(reader) == []
        assert journal.verify(reader) == []
        return sample_log.oldest_n(reader), sample_log.newest_n(reader)


def test_within_the_budget_nothing_is_forgotten(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, COMMITS, count=COUNT)
        confirm(database, "office", LAST_N)
        done = forget(database, budget_bytes=10**9)
        assert (done.chunks, done.over_budget, done.gap) == (0, False, None)
        assert left(database) == (1, LAST_N)


def test_over_the_budget_the_oldest_go_until_it_is_kept(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, COMMITS, count=COUNT)
        confirm(database, "office", LAST_N)
        with database.reader() as reader:
            before = used_bytes(reader)
        done = forget(database, budget_bytes=before - 8_000)
        assert 0 < done.chunks < COMMITS - 1
        assert done.samples == done.chunks * COUNT
        assert done.used_bytes < before
        assert left(database) == (done.samples + 1, LAST_N)
        again = done
        while again.over_budget:
            again = forget(database, budget_bytes=before - 8_000)
            assert again.chunks
        assert again.used_bytes <= before - 8_000
        with database.reader() as reader:
            assert sample_log.gap_after(reader, 0).endswith("were forgotten by retention")


def test_what_one_named_reader_lacks_is_kept(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, COMMITS, count=COUNT)
        confirm(database, "office", LAST_N)
        confirm(database, "historian", 5 * COUNT + 1)
        done = forget(database, readers=("office", "historian"))
        assert (done.chunks, done.over_budget, done.gap) == (5, True, None)
        assert left(database) == (5 * COUNT + 1, LAST_N)


@pytest.mark.parametrize("store", ["", "another store"])
def test_a_reader_that_never_confirmed_in_this_store_keeps_everything(tmp_path: Path, store: str) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 3, count=COUNT)
        if store:
            confirm(database, "office", LAST_N, store)
        assert forget(database).chunks == 0


def test_young_samples_are_kept_though_delivered(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, COMMITS, count=COUNT)
        confirm(database, "office", LAST_N)
        young = chunk_from(10 * COUNT + 1, COUNT)[0].last_utc_ms
        assert forget(database, keep_since_utc_ms=young).chunks == 10


def test_without_named_readers_only_age_counts(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 5, count=COUNT)
        assert forget(database, readers=()).chunks == 4


def test_the_newest_chunk_stays_and_the_numbers_go_on(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 3, count=COUNT)
        assert forget(database, readers=(), force=True).chunks == 2
        assert forget(database, readers=(), force=True).chunks == 0
        database.submit(lambda t: sample_log.append(t, *chunk_from(3 * COUNT + 1))).result(WAIT_S)
        assert left(database) == (2 * COUNT + 1, 3 * COUNT + 40)


def test_one_call_forgets_so_many_chunks_at_most(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, COMMITS, count=COUNT)
        confirm(database, "office", LAST_N)
        assert [forget(database, at_most_chunks=12).chunks for _ in range(4)] == [12, 12, 5, 0]


def test_a_forced_loss_comes_back_as_the_gap_that_it_is(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 10, count=COUNT)
        confirm(database, "office", LAST_N)
        confirm(database, "historian", 2 * COUNT + 50)
        done = forget(database, readers=("office", "historian"), force=True, at_most_chunks=6)
        assert done.chunks == 6
        assert done.gap == Gap(
            first_n=2 * COUNT + 51,
            last_n=6 * COUNT,
            first_utc_ms=chunk_from(2 * COUNT + 1, COUNT)[0].first_utc_ms,
            last_utc_ms=chunk_from(5 * COUNT + 1, COUNT)[0].last_utc_ms,
            readers=("historian",),
        )


def test_force_without_loss_has_no_gap(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 10, count=COUNT)
        confirm(database, "office", LAST_N)
        assert forget(database, force=True, at_most_chunks=6).gap is None


def test_force_on_young_but_delivered_samples_says_which(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 10, count=COUNT)
        confirm(database, "office", LAST_N)
        young = chunk_from(3 * COUNT + 1, COUNT)[0].first_utc_ms
        gap = forget(database, force=True, keep_since_utc_ms=young, at_most_chunks=6).gap
        assert gap is not None
        assert (gap.first_n, gap.last_n, gap.readers) == (3 * COUNT + 1, 6 * COUNT, ())


def test_the_journal_is_never_forgotten(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        fill(database, 10, count=COUNT)
        forget(database, readers=(), force=True)
        with database.reader() as reader:
            assert journal.newest(reader).n == 10
            assert journal.verify(reader) == []


def test_ballast_takes_real_room_and_gives_it_back(tmp_path: Path) -> None:
    ballast = Ballast(tmp_path / "ballast", 3_000_000)
    assert not ballast.held
    ballast.reserve()
    ballast.reserve()
    assert ballast.held
    found = ballast.path.stat()
    assert found.st_size == 3_000_000
    assert found.st_blocks * 512 >= 3_000_000
    assert found.st_mode & 0o777 == 0o600
    ballast.release()
    ballast.release()
    assert not ballast.held


def test_ballast_of_another_size_is_brought_to_the_size_asked_for(tmp_path: Path) -> None:
    Ballast(tmp_path / "ballast", 2_000_000).reserve()
    smaller = Ballast(tmp_path / "ballast", 1_000_000)
    assert not smaller.held
    smaller.reserve()
    assert smaller.held


def test_ballast_where_none_can_be_made_says_so(tmp_path: Path) -> None:
    with pytest.raises(StoreFailing, match="ballast"):
        Ballast(tmp_path / "nowhere" / "ballast", 1000).reserve()
