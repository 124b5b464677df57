"""Where a batch ends, what it answers for, and what happens when it was not delivered."""

import asyncio

from gateway.core.sample import Number, Sample
from gateway.core.tick import Tick
from gateway.local.messages import ChunkHeader
from gateway.publishers.columns import Batch
from gateway.store import chunk
from gateway.uplink.batches import Batching
from gateway.uplink.process import StoredChunks
from gateway.uplink.thinning import Thinning

START_UTC_MS = 1_740_562_260_000
Chunk = tuple[ChunkHeader, bytes]


def packed(first_n: int, last_n: int, *, run: int = 1, configuration: str = "c", value: float | None = 5.0) -> Chunk:
    """Readings of one tag; each another value when none is given."""
    rows = []
    for n in range(first_n, last_n + 1):
        arrived = Tick(monotonic_ms=n * 1_000, utc_ms=START_UTC_MS + n * 1_000)
        reading = Number(float(n) if value is None else value)
        sample = Sample(tag="A", reading=reading, arrived=arrived, source_utc_ms=arrived.utc_ms)
        rows.append(chunk.SampleRow(n=n, scan=n, sample=sample))
    return chunk.pack(rows, [], run=run, configuration=configuration)


def batching(most_rows: int = 1_000) -> Batching:
    return Batching(open_chunk=StoredChunks(), thinning=Thinning({}), most_rows=most_rows)


def made(by: Batching, chunks: list[Chunk], after_n: int) -> list[Batch]:
    async def all_of_them() -> list[Batch]:
        return [batch async for batch in by.batches(chunks, after_n=after_n)]

    return asyncio.run(all_of_them())


def shape(batches: list[Batch]) -> list[tuple[int, int, list[int]]]:
    return [(batch.first_n, batch.last_n, [row.n for row in batch.rows]) for batch in batches]


def test_chunks_that_follow_each_other_are_one_batch_that_answers_for_all_of_them() -> None:
    assert shape(made(batching(), [packed(1, 10), packed(11, 30)], 0)) == [(1, 30, [1])]


def test_nothing_worth_sending_is_still_answered_for() -> None:
    by = batching()
    made(by, [packed(1, 10)], 0)
    assert shape(made(by, [packed(11, 20)], 10)) == [(11, 20, [])]


def test_a_batch_ends_with_the_chunk_that_makes_it_large_enough() -> None:
    chunks = [packed(1 + 10 * at, 10 + 10 * at, value=None) for at in range(4)]
    assert [(b.first_n, b.last_n) for b in made(batching(most_rows=15), chunks, 0)] == [(1, 20), (21, 40)]


def test_a_new_run_a_new_configuration_and_a_hole_in_the_record_begin_a_new_batch() -> None:
    chunks = [packed(1, 5), packed(6, 9, run=2), packed(10, 12, run=2, configuration="d"), packed(20, 22, run=2)]
    batches = made(batching(), chunks, 0)
    assert [(b.run, b.configuration, b.first_n, b.last_n) for b in batches] == [
        (1, "c", 1, 5),
        (2, "c", 6, 9),
        (2, "d", 10, 12),
        (2, "c", 20, 22),
    ]


def test_a_chunk_that_is_partly_delivered_is_gone_on_with_in_its_middle() -> None:
    assert shape(made(batching(), [packed(1, 10, value=None)], 7)) == [(8, 10, [8, 9, 10])]


def test_what_was_not_delivered_is_not_taken_for_reported() -> None:
    """Read again it would equal itself, be held back, and never arrive."""
    by = batching()
    assert shape(made(by, [packed(1, 10)], 0)) == [(1, 10, [1])]
    assert shape(made(by, [packed(1, 20)], 0)) == [(1, 20, [1])], "it had not arrived"
    assert shape(made(by, [packed(21, 30)], 20)) == [(21, 30, [])], "it has"


def test_part_of_a_batch_delivered_begins_anew_after_that_part() -> None:
    by = batching()
    made(by, [packed(1, 10, value=None)], 0)
    assert shape(made(by, [packed(1, 10, value=None), packed(11, 12, value=10.0)], 6)) == [(7, 12, [7, 8, 9, 10])]


def test_a_reading_held_back_in_an_earlier_batch_comes_with_the_jump() -> None:
    by = batching()
    made(by, [packed(1, 10)], 0)
    assert shape(made(by, [packed(11, 11, value=50.0)], 10)) == [(11, 11, [10, 11])]
