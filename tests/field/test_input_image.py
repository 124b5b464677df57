"""The hand-over between everything that arrives and the scan."""

import pytest

from gateway.core.output import Readback
from gateway.core.request import Action, Request
from gateway.core.sample import Number, Sample
from gateway.core.tick import Tick
from gateway.field.image import InputImage


def sample(tag: str, value: float) -> Sample:
    tick = Tick(monotonic_ms=0, utc_ms=0)
    return Sample(tag=tag, reading=Number(value), arrived=tick, source_utc_ms=0)


def request(name: str) -> Request:
    return Request(id=name, action=Action.ACKNOWLEDGE)


def test_the_scan_takes_everything_once_in_order_of_arrival() -> None:
    image = InputImage()
    arrivals = (sample("A", 1.0), request("r1"), Readback(codes={"product": 0}), sample("A", 2.0))
    for arrival in arrivals:
        assert image.put(arrival)
    assert image.take() == arrivals
    assert image.take() == ()


def test_samples_are_numbered_without_gaps_and_go_on_from_the_store() -> None:
    image = InputImage(next_n=41)
    image.put(sample("A", 1.0))
    image.put(request("r1"))
    image.put(sample("B", 2.0))
    image.take()
    assert [(numbered.n, numbered.sample.tag) for numbered in image.taken] == [(41, "A"), (42, "B")]
    image.put(sample("A", 3.0))
    image.take()
    assert [numbered.n for numbered in image.taken] == [43]
    image.take()
    assert image.taken == ()


def test_the_latest_sample_is_the_one_a_scan_has_taken() -> None:
    image = InputImage()
    assert image.latest("A") is None
    image.put(sample("A", 1.0))
    assert image.latest("A") is None
    image.put(sample("A", 2.0))
    image.take()
    newest = image.latest("A")
    assert newest is not None
    assert (newest.n, newest.sample.reading) == (2, Number(2.0))


def test_when_full_the_oldest_sample_of_the_same_tag_gives_way() -> None:
    image = InputImage(bound=4)
    image.put(sample("A", 1.0))
    image.put(sample("B", 1.0))
    image.put(sample("B", 2.0))
    image.put(request("r1"))
    assert image.put(sample("B", 3.0))
    assert image.take() == (sample("A", 1.0), sample("B", 2.0), request("r1"), sample("B", 3.0))
    assert image.statistics().replaced == 1
    assert [numbered.n for numbered in image.taken] == [1, 2, 3]


@pytest.mark.parametrize("arrival", [sample("C", 9.0), request("r9"), Readback(codes={})])
def test_when_full_and_the_tag_is_new_the_oldest_sample_of_all_gives_way(
    arrival: Sample | Request | Readback,
) -> None:
    image = InputImage(bound=3)
    image.put(request("r1"))
    image.put(sample("B", 1.0))
    image.put(sample("A", 1.0))
    assert image.put(arrival)
    assert image.take() == (request("r1"), sample("A", 1.0), arrival)


def test_requests_and_readbacks_never_give_way() -> None:
    image = InputImage(bound=2)
    image.put(request("r1"))
    image.put(Readback(codes={"product": 0}))
    assert not image.put(sample("A", 1.0))
    assert not image.put(request("r2"))
    assert image.statistics().refused == 2
    assert image.take() == (request("r1"), Readback(codes={"product": 0}))
    assert image.put(request("r2"))
