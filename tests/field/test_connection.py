"""Limits of one connection that depend on time, on a time of the test's own."""

import asyncio
import socket
from dataclasses import dataclass, field
from typing import cast

import pytest

from gateway.field.connection import Bucket, Connection, Ending, Limits
from gateway.local.messages import Refusal, ToField


@dataclass
class Transport:
    """Stands for asyncio's: the test says how much of what was written has been taken."""

    end: socket.socket
    waiting_bytes: int = 0
    aborted: bool = False

    def get_extra_info(self, _: str) -> socket.socket:
        return self.end

    def set_write_buffer_limits(self, *, high: int) -> None:
        """Not needed here."""

    def get_write_buffer_size(self) -> int:
        return self.waiting_bytes

    def write(self, wire: bytes) -> None:
        self.waiting_bytes += len(wire)

    def abort(self) -> None:
        self.aborted = True


@dataclass
class Host:
    limits: Limits = field(default_factory=Limits)
    ends: list[Ending] = field(default_factory=list)

    def joined(self, client: Connection) -> None:
        """Nothing to do."""

    def took(self, client: Connection, message: ToField) -> None:
        """Nothing to do."""

    def has_room(self, client: Connection) -> None:
        """Nothing to do."""

    def gone(self, client: Connection) -> None:
        """Nothing to do."""

    def ended(self, client: Connection, ending: Ending) -> None:  # noqa: ARG002 - the protocol's
        self.ends.append(ending)


class Watched:
    """A connection, its transport, and its time."""

    def __init__(self, end: socket.socket) -> None:
        self.now_s = 100.0
        self.host = Host(limits=Limits(hello_s=1_000.0))
        self.transport = Transport(end)
        self.client = Connection(self.host, lambda: self.now_s)
        self.client.connection_made(cast("asyncio.BaseTransport", self.transport))

    def after(self, seconds: float, *, taken_bytes: int = 0) -> list[Ending]:
        """How it stands some time later, checked each second as the server does."""
        self.transport.waiting_bytes -= taken_bytes
        for _ in range(round(seconds)):
            self.now_s += 1.0
            self.client.check()
        return self.host.ends


@pytest.fixture
def ends() -> tuple[socket.socket, socket.socket]:
    return socket.socketpair(socket.AF_UNIX)


@pytest.fixture
def watched(ends: tuple[socket.socket, socket.socket]) -> Watched:
    return Watched(ends[0])


@pytest.fixture(autouse=True)
def close_ends(ends: tuple[socket.socket, socket.socket]) -> object:
    yield
    for end in ends:
        end.close()


def test_a_client_that_takes_nothing_is_cut_off_after_five_seconds(watched: Watched) -> None:
    watched.client.send(b"x" * 1_000)
    assert watched.after(5) == []
    assert watched.after(1) == [Ending.UNREAD]
    assert watched.transport.aborted


def test_a_slow_client_that_takes_something_now_and_then_stays(watched: Watched) -> None:
    watched.client.send(b"x" * 1_000)
    for _ in range(20):
        assert watched.after(4, taken_bytes=10) == []
    assert watched.after(6) == [Ending.UNREAD]


def test_more_to_read_is_no_sign_of_reading(watched: Watched) -> None:
    for _ in range(6):
        watched.client.send(b"x" * 1_000)
        watched.after(1)
    assert watched.host.ends == [Ending.UNREAD]


def test_a_client_with_nothing_to_read_may_be_quiet_for_ever(watched: Watched) -> None:
    watched.client.send(b"x" * 1_000)
    assert watched.after(900, taken_bytes=1_000) == []


def test_a_mebibyte_may_wait_and_no_byte_more(watched: Watched) -> None:
    watched.client.send(b"x" * 1_048_575)
    watched.client.send(b"x")
    assert watched.host.ends == []
    watched.client.send(b"x")
    assert watched.host.ends == [Ending.UNREAD]
    assert watched.transport.waiting_bytes == 1_048_576


def test_nothing_is_sent_to_a_client_that_has_been_cut_off(watched: Watched) -> None:
    watched.client.cut(Ending.STOPPED)
    watched.client.tell(Refusal(text="late"))
    watched.client.refuse(Ending.BAD_FRAME, "late")
    assert watched.transport.waiting_bytes == 0
    assert watched.host.ends == [Ending.STOPPED]


def test_five_requests_at_once_and_then_one_each_fifth_of_a_second() -> None:
    bucket = Bucket(5, 100.0)
    assert [bucket.take(100.0) for _ in range(6)] == [True] * 5 + [False]
    assert [bucket.take(100.25), bucket.take(100.25)] == [True, False]
    assert [bucket.take(900.0) for _ in range(6)] == [True] * 5 + [False]
