"""Devices for the probe, each in a thread of its own, so that a command can run in this one."""

import asyncio
import contextlib
import random
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager, contextmanager
from typing import TypeVar

from pyModbusTCP.server import DataBank, ModbusServer

from simulator.devices import AN1, AN2, Image
from simulator.events import EVENTS
from simulator.modbus_server import Manners
from simulator.modbus_server import ModbusServer as SimulatedServer
from simulator.plant import Plant
from tests.drivers import hostile
from tests.drivers.hostile import Asked, Peer

WAIT_S = 20.0
T = TypeVar("T")
Script = Callable[[Peer, Asked, asyncio.StreamWriter], Awaitable[None]]


@contextmanager
def in_a_thread(made: Callable[[], AbstractAsyncContextManager[T]]) -> Iterator[T]:
    """Hold an asynchronous context in a loop of its own, and hand out what it gives."""
    ready, given, failures = threading.Event(), list[T](), list[BaseException]()
    loop = asyncio.new_event_loop()
    ending = asyncio.Event()

    async def hold() -> None:
        async with made() as thing:
            given.append(thing)
            ready.set()
            await ending.wait()

    def work() -> None:
        try:
            loop.run_until_complete(hold())
        except BaseException as failure:  # noqa: BLE001 - told to the test below
            failures.append(failure)
        finally:
            ready.set()
            loop.close()

    thread = threading.Thread(target=work)
    thread.start()
    try:
        assert ready.wait(WAIT_S)
        assert not failures, failures
        yield given[0]
    finally:
        with contextlib.suppress(RuntimeError):  # it has ended by itself
            loop.call_soon_threadsafe(ending.set)
        thread.join(WAIT_S)
    assert not failures, failures


@contextmanager
def peer(script: Script, *, rtu: bool = True) -> Iterator[Peer]:
    """A peer that answers by a script."""
    with in_a_thread(lambda: hostile.peer(rtu=rtu, script=script)) as made:
        yield made


def device(tables: Mapping[tuple[int, int], Mapping[int, int]]) -> Script:
    """Units that have some tables, by unit id and function; other functions and addresses are refused."""
    units = {unit_id for unit_id, _ in tables}

    async def script(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        if asked.unit_id not in units:
            return
        table = tables.get((asked.unit_id, asked.function))
        span = range(asked.address, asked.address + asked.count)
        if table is None or any(at not in table for at in span):
            message = bytes((asked.function | 0x80, 1 if table is None else 2))
        else:
            message = hostile.read_message(asked.function, [table[at] for at in span])
        writer.write(peer.frame(asked, message))

    return script


@contextmanager
def pymodbustcp(registers: Mapping[int, int]) -> Iterator[ModbusServer]:
    """A pyModbusTCP server with some holding registers."""
    bank = DataBank()
    for address, word in registers.items():
        bank.set_holding_registers(address, [word])
    with socket.create_server(("127.0.0.1", 0)) as finder:
        port = finder.getsockname()[1]
    server = ModbusServer(host="127.0.0.1", port=port, no_block=True, data_bank=bank)
    server.start()
    try:
        yield server
    finally:
        server.stop()


@asynccontextmanager
async def simulated_line() -> AsyncIterator[tuple[int, Callable[[str], float]]]:
    """The demo's line COM1 on a calm day; its port, and what an instrument shows now."""
    plant = Plant(EVENTS["calm"])
    plant.advance(plant.now_ms + 600_000)  # settled, three analyzers show the same

    class Registers:
        """The plant without a clock."""

        def image(self, device: str) -> Image:
            return plant.image(device)

        def write(self, *, address: int, values: tuple[int, ...]) -> None:
            raise AssertionError(f"the probe wrote {values} to {address}")

        def deaf(self, device: str) -> bool:
            return device not in ("AN1", "AN2")

        def slow_s(self, device: str) -> float:
            return plant.slow_s(device)

    manners = Manners(name="COM1", devices=(AN1, AN2), rtu=True, delay_s=(0.01, 0.03))
    draws = random.Random(1)  # noqa: S311 - delays
    server = SimulatedServer(manners, Registers(), rate=lambda: 1.0, draws=draws)
    await server.start()
    try:
        yield server.port, plant.panel.reading
    finally:
        await server.stop()
