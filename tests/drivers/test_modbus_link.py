"""One opened socket or port: what happens when it goes while nobody, or somebody, waits."""

import asyncio
import contextlib
import os
import pty

import pytest

from gateway.configuration.schema import NetworkConnection, SerialConnection
from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import NoAnswer, NotConnected
from gateway.drivers.modbus.link import LARGEST_TRANSACTION, Keys, Link
from gateway.drivers.modbus.reply import read_question
from gateway.drivers.modbus.request import read_message
from tests.drivers import hostile
from tests.drivers.test_modbus_connection import run

QUESTION = read_question(Block(unit_id=11, table=Table.HOLDING, address=100, count=4))


async def opened(keys: Keys) -> Link:
    link = Link("COM1", rtu=keys.transport != "tcp")
    await link.open(keys, hostile.WAIT_S)
    return link


def at(peer: hostile.Peer) -> NetworkConnection:
    return NetworkConnection(transport="tcp", host="127.0.0.1", port=peer.port)


async def ask(link: Link, limit_s: float = hostile.WAIT_S) -> bytes:
    return await link.exchange(QUESTION, read_message(QUESTION), limit_s)


def test_a_connection_that_was_lost_before_the_request_says_so_at_once() -> None:
    async def scenario() -> None:
        async with hostile.peer() as peer:
            link = await opened(at(peer))
            await ask(link)
            peer.writers[0].close()
            await hostile.until(lambda: not link.usable)
            with pytest.raises(NotConnected, match="lost before it could be asked"):
                await ask(link)

    run(scenario())


def test_the_transaction_begins_again_at_1_and_is_never_0() -> None:
    async def scenario() -> None:
        async with hostile.peer() as peer:
            link = await opened(at(peer))
            link._transaction = LARGEST_TRANSACTION - 1
            for _ in range(2):
                await ask(link)
            assert [one.transaction for one in peer.asked] == [LARGEST_TRANSACTION, 1]
            link.close()

    run(scenario())


def test_a_host_that_no_network_can_have_cannot_be_connected() -> None:
    async def scenario() -> None:
        with pytest.raises(NotConnected, match="cannot be connected"):
            await opened(NetworkConnection(transport="tcp", host="a" * 64 + ".invalid"))

    run(scenario())


def test_a_file_that_is_no_serial_line_cannot_be_connected() -> None:
    async def scenario() -> None:
        with pytest.raises(NotConnected, match="/dev/null cannot be connected"):
            await opened(SerialConnection(transport="rtu", device="/dev/null"))

    run(scenario())


def test_a_serial_adapter_that_is_pulled_out_ends_the_wait_at_once() -> None:
    async def scenario() -> None:
        inner, outer = pty.openpty()
        keys = SerialConnection(transport="rtu", device=os.ttyname(outer))
        link = await opened(keys)
        os.close(outer)
        asking = asyncio.create_task(ask(link))
        await asyncio.sleep(0)
        os.close(inner)
        with pytest.raises(NotConnected, match="lost while waiting"):
            await asking
        assert not link.usable

    run(scenario())


def test_a_serial_line_that_takes_nothing_is_given_up_after_the_time_out_and_keeps_the_rest_unsent() -> None:
    async def scenario() -> None:
        inner, outer = pty.openpty()
        link = await opened(SerialConnection(transport="rtu", device=os.ttyname(outer)))
        os.set_blocking(outer, False)
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(outer, bytes(4096))  # nobody reads at the other end, so that it fills
        with pytest.raises(NoAnswer, match="no reply within"):
            await ask(link, 0.05)
        link.close()
        assert not link.usable
        os.close(inner)
        os.close(outer)

    run(scenario())
