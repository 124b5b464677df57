"""A range of addresses, with holes and without."""

import asyncio
from collections.abc import Awaitable, Callable, Collection

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.probe.asking import Outcome, Reply
from gateway.probe.registers import Registers, read_range

SILENT = Reply(outcome=Outcome.SILENT)


class Device:
    """Has some addresses, each holding its own number, and refuses a read that touches any other."""

    def __init__(self, has: Collection[int], *, longest: int = 125) -> None:
        self.has, self.longest = frozenset(has), longest
        self.asked: list[tuple[int, int]] = []

    async def read(self, address: int, count: int) -> Reply:
        self.asked.append((address, count))
        span = range(address, address + count)
        if count > self.longest or not self.has.issuperset(span):
            return Reply(outcome=Outcome.REFUSES, code=2)
        return Reply(outcome=Outcome.ANSWERS, words=tuple(span))


def read(ask: Callable[[int, int], Awaitable[Reply]], first: int, count: int, longest: int = 125) -> Registers:
    return asyncio.run(read_range(ask, first=first, count=count, longest=longest))


@given(has=st.frozensets(st.integers(0, 299)), first=st.integers(0, 150), count=st.integers(1, 150))
def test_every_address_is_read_or_a_hole_and_none_but_those_named_is_asked_for(
    has: frozenset[int], first: int, count: int
) -> None:
    device = Device(has)
    found = read(device.read, first, count, longest=60)
    wanted = range(first, first + count)
    assert found.words == {at: at for at in wanted if at in has}
    assert set(found.holes) == set(wanted) - has
    assert all(first <= at and at + size <= first + count and size <= 60 for at, size in device.asked)


def test_a_range_without_holes_is_read_in_as_few_pieces_as_the_device_allows() -> None:
    device = Device(range(1000))
    assert len(read(device.read, 100, 300).words) == 300
    assert device.asked == [(100, 125), (225, 125), (350, 50)]


def test_one_hole_costs_a_few_requests_and_no_neighbour() -> None:
    device = Device(set(range(125)) - {77})
    found = read(device.read, 0, 125)
    assert found.holes == {77: "refused (exception 2)"}
    assert len(found.words) == 124
    assert len(device.asked) < 20


def test_a_device_that_hands_out_less_than_it_was_asked_for_is_read_all_the_same() -> None:
    found = read(Device(range(200), longest=32).read, 0, 200)
    assert len(found.words) == 200


def test_a_long_number_is_not_cut_while_a_refused_piece_is_long() -> None:
    device = Device(set(range(120)) - {99})
    read(device.read, 0, 120)
    assert all(at % 4 == 0 for at, size in device.asked if size > 8)


def answering(*replies: Reply) -> tuple[Callable[[int, int], Awaitable[Reply]], list[tuple[int, int]]]:
    asked: list[tuple[int, int]] = []
    left = list(replies)

    async def ask(address: int, count: int) -> Reply:
        asked.append((address, count))
        reply = left.pop(0)
        return Reply(outcome=Outcome.ANSWERS, words=(7,) * count) if reply.outcome is Outcome.ANSWERS else reply

    return ask, asked


ANSWER = Reply(outcome=Outcome.ANSWERS)


def test_a_missing_reply_is_asked_for_once_more() -> None:
    ask, asked = answering(SILENT, ANSWER)
    assert read(ask, 0, 10).words == dict.fromkeys(range(10), 7)
    assert asked == [(0, 10), (0, 10)]


def test_a_piece_without_a_reply_is_a_hole_among_those_that_answer() -> None:
    ask, _ = answering(ANSWER, SILENT, SILENT, ANSWER)
    found = read(ask, 0, 30, longest=10)
    assert found.holes == dict.fromkeys(range(10, 20), "no reply")
    assert len(found.words) == 20


@pytest.mark.parametrize(
    ("reply", "times", "why"),
    [
        pytest.param(SILENT, 2, "no reply", id="nobody"),
        pytest.param(Reply(outcome=Outcome.REFUSES, code=1), 1, "no such table (exception 1)", id="no such table"),
        pytest.param(Reply(outcome=Outcome.ABSENT, code=11), 1, "the converter says", id="nobody behind a converter"),
        pytest.param(Reply(outcome=Outcome.REFUSES, code=4), 1, "refused (exception 4)", id="device failure"),
        pytest.param(Reply(outcome=Outcome.GARBLED), 2, "no reply to the request", id="nonsense"),
    ],
)
def test_what_cannot_get_better_ends_the_reading(reply: Reply, times: int, why: str) -> None:
    ask, asked = answering(*[reply] * times)
    found = read(ask, 0, 500)
    assert len(asked) == times
    assert set(found.holes) == set(range(500))
    assert why in found.holes[499]
