"""Readings taken a stretch at a time are worth what judging them scan by scan makes of them."""

import random
from collections.abc import Iterator, Sequence
from itertools import groupby
from operator import le

import pytest

from gateway.configuration.plant import load_site
from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample
from gateway.core.state import rules_of
from gateway.core.tick import Tick
from gateway.core.validity import judge
from gateway.records.day import tags_of
from gateway.records.judging import Judging
from gateway.records.series import Series, State
from gateway.store.chunk import SampleRow, Sort, columns_of, pack
from gateway.store.picking import Picked, Stretch, picked_of
from simulator.site import DEMO_SITE

SITE = load_site(DEMO_SITE)
RULES = rules_of(SITE.plant)
BEGIN_MS = 1_738_364_400_000
STEADY = {"ZSO-901": 1.0, "FSL-510": 1.0, "AN1-TST": 12345.678, "FIT-510S": 250.0, "FIT-801S": 30.0, "AN1-STS": 0.0}
STEADY |= {"AN2-STS": 0.0}
LEVELS = {"AIT-510": 0.7, "AIT-501": 3.2, "AIT-801": 5.5, "FIT-701": 1.2, "FIT-201": 1.2}
TROUBLES = (
    *(("none", ""),) * 6,
    ("bad", "AIT-510"), ("missed", "AIT-801"), ("missed", "FIT-510S"), ("jump", "AIT-510"), ("clipped", "AIT-510"),
    ("still", "AIT-510"), ("still", "AIT-801"), ("zero", "FSL-510"), ("zero", "FIT-801S"), ("bits", "AN1-STS"),
    ("bits", "AN2-STS"), ("zero", "FIT-701"), ("zero", "AN1-TST"), ("stamps", "AIT-501"), ("late", "FIT-201"),
)  # fmt: skip
LASTING = {"still": (700, 1_000), "jump": (5, 60), "missed": (5, 400)}
TAGS = sorted(Judging(RULES, tags_of(SITE.site.record)).tags)


def troubled(draws: random.Random, trouble: str, tag: str, value: float) -> Reading | None:
    """What a tag says in a stretch of some trouble; None when it does not answer."""
    if trouble == "missed":
        return None
    if trouble == "bad" and draws.random() < 0.5:
        return NoNumber(Reason.NO_ANSWER)
    if trouble == "clipped" and draws.random() < 0.3:
        return Number(value, Quality.UNCERTAIN, Reason.OVER_RANGE)
    if trouble == "bits":
        return Number(float(draws.choice((0, 1, 4, 8, 16))))
    return Number({"still": LEVELS.get(tag, 0.0), "zero": 0.0, "jump": value + 5.0}.get(trouble, value))


def readings(seed: int, seconds: int, troubles: Sequence[tuple[str, str]] = TROUBLES) -> Iterator[SampleRow]:
    draws, n, trouble, where, until = random.Random(seed), 1, "none", "", 0  # noqa: S311 - makes test data
    for second in range(seconds):
        if second >= until:
            trouble, where = draws.choice(troubles)
            until = second + draws.randrange(*LASTING.get(trouble, (20, 300)))
        second_ms = 1_000 * second + draws.randrange(3)
        for tag in TAGS:
            if second % (15 if tag in {"AIT-501", "FIT-510S", "FIT-801S"} else 5):
                continue
            value = STEADY.get(tag, draws.gauss(LEVELS.get(tag, 50.0), 0.03))
            here = trouble if tag == where else "none"
            reading = troubled(draws, here, tag, value)
            if reading is None:
                continue
            at_ms = second_ms - (700 if here == "late" and draws.random() < 0.1 else 0)
            tick = Tick(monotonic_ms=at_ms, utc_ms=BEGIN_MS + at_ms)
            back_ms = draws.choice((0, 0, 0, 5_000, 60_000, -20_000)) if here == "stamps" else 0
            sample = Sample(tag=tag, reading=reading, arrived=tick, source_utc_ms=tick.utc_ms - back_ms)
            yield SampleRow(n=n, scan=second + 1, sample=sample)
            n += 1


def chunk_of(rows: Sequence[SampleRow]) -> Picked:
    """As ``picked_of`` gives them."""
    sorts = list(dict.fromkeys(_sort(row.sample.reading) for row in rows))
    by_tag: dict[str, list[tuple[int, SampleRow]]] = {}
    for place, row in enumerate(rows):
        by_tag.setdefault(row.sample.tag, []).append((place, row))
    moments = [(row.scan, row.sample.arrived.monotonic_ms, row.sample.arrived.utc_ms) for row in rows]
    in_order = all(map(_no_later, moments, moments[1:]))
    return Picked(sorts=sorts, in_order=in_order, stretches={tag: _stretch(own, sorts) for tag, own in by_tag.items()})


def _no_later(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    return all(map(le, one, other))


def _sort(reading: Reading) -> Sort:
    return (reading.quality, reading.reason) if isinstance(reading, Number) else reading


def _stretch(own: Sequence[tuple[int, SampleRow]], sorts: Sequence[Sort]) -> Stretch:
    samples = [row.sample for _, row in own]
    return Stretch(
        places=[place for place, _ in own],
        in_scan=[row.scan for _, row in own],
        monotonic_ms=[one.arrived.monotonic_ms for one in samples],
        utc_ms=[one.arrived.utc_ms for one in samples],
        source_utc_ms=[one.source_utc_ms for one in samples],
        sort=[sorts.index(_sort(one.reading)) for one in samples],
        values=[one.reading.value if isinstance(one.reading, Number) else 0.0 for one in samples],
    )


def judged(rows: Sequence[SampleRow], *, scans_a_chunk: int) -> dict[str, Series]:
    """The series when so many scans lie in a chunk. The last third is another run."""
    found = Judging(RULES, tags_of(SITE.site.record))
    for (late, _), some in groupby(rows, lambda row: (3 * row.n > 2 * len(rows), row.scan // scans_a_chunk)):
        run = 2 if late else 1
        found.take(run, chunk_of(list(some)))
    found.finish()
    return found.series


@pytest.mark.parametrize("seed", range(3))
def test_stretches_give_the_series_that_judging_each_scan_gives(seed: int) -> None:
    rows = list(readings(seed, 7_200))
    by_scan = judged(rows, scans_a_chunk=1)
    assert judged(rows, scans_a_chunk=300) == by_scan
    assert judged(rows, scans_a_chunk=37) == by_scan
    states = {State(state) for series in by_scan.values() for state in series.states}
    assert len(states) >= 3, "there was something to judge"


def test_a_calm_stretch_is_taken_without_judging_each_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    count = 0

    def counted(*arguments: object, **more: object) -> object:
        nonlocal count
        count += 1
        return judge(*arguments, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("gateway.records.judging.judge", counted)
    rows = list(readings(1, 3_600, (("none", ""),)))
    judged(rows, scans_a_chunk=300)
    calm, count = count, 0
    judged(rows, scans_a_chunk=1)
    assert 3 * calm < count


def test_what_is_picked_is_what_unpacking_all_of_a_chunk_gives() -> None:
    rows = list(readings(7, 900))
    header, body = pack(rows, (), run=1, configuration="")
    whole, picked = columns_of(header, body), picked_of(header, body, frozenset({"AIT-510", "ZSO-901", "no such tag"}))
    assert set(picked.stretches) == {"AIT-510", "ZSO-901"}
    for tag, one in picked.stretches.items():
        at = [i for i, other in enumerate(whole.tags) if other == tag]
        assert list(one.places) == at
        for column in ("in_scan", "monotonic_ms", "utc_ms", "source_utc_ms", "sort", "values"):
            assert list(getattr(one, column)) == [getattr(whole, column)[i] for i in at], f"{tag}, {column}"
