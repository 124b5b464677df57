"""The connection and two implementations of Modbus that are not ours: pyModbusTCP and libmodbus (with mbpoll)."""

import asyncio
import contextlib
import ctypes
import os
import re
import socket
import subprocess
import termios
import threading
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from typing import Any

import pytest
from pyModbusTCP.server import DataBank, ModbusServer

from gateway.configuration.schema import NetworkConnection, SerialConnection
from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import NoAnswer, NotConnected, Refused
from gateway.drivers.modbus.codec import Encoding, decode, encode
from gateway.drivers.modbus.connection import ModbusConnection
from tests.drivers import hostile
from tests.drivers.hostile import Asked, Peer
from tests.drivers.test_modbus_connection import run

OUTPUT = Block(unit_id=1, table=Table.HOLDING, address=320, count=4)
FLOAT = Encoding("float32", "CDAB")


def block(table: Table, address: int, count: int, *, unit_id: int = 1) -> Block:
    return Block(unit_id=unit_id, table=table, address=address, count=count)


# --- pyModbusTCP and mbpoll ------------------------------------------------------------------------------------


@pytest.fixture
def controller() -> Iterator[ModbusServer]:
    """A pyModbusTCP server on a free port, with something in each table."""
    bank = DataBank()
    bank.set_coils(0, [True, False, True, True, False, False, False, True, True])
    bank.set_discrete_inputs(3, [False, True, True])
    bank.set_holding_registers(16, list(encode(12345.678, FLOAT)))
    bank.set_input_registers(0, [6400, 32000, 65535])
    with socket.create_server(("127.0.0.1", 0)) as finder:
        port = finder.getsockname()[1]
    server = ModbusServer(host="127.0.0.1", port=port, no_block=True, data_bank=bank)
    server.start()
    yield server
    server.stop()


@contextlib.asynccontextmanager
async def connected_to(server: ModbusServer) -> AsyncIterator[ModbusConnection]:
    keys = NetworkConnection(transport="tcp", host="127.0.0.1", port=server.port, reply_timeout_s=5.0)
    connection = ModbusConnection("PC1", keys, outputs=[OUTPUT])
    await connection.open()
    try:
        yield connection
    finally:
        await connection.close()


def test_pymodbustcp_hands_out_all_four_tables(controller: ModbusServer) -> None:
    async def scenario() -> None:
        async with connected_to(controller) as connection:
            assert await connection.read(block(Table.COIL, 0, 9)) == (1, 0, 1, 1, 0, 0, 0, 1, 1)
            assert await connection.read(block(Table.DISCRETE, 3, 3)) == (0, 1, 1)
            assert await connection.read(block(Table.INPUT, 0, 3)) == (6400, 32000, 65535)
            turbidity = decode(await connection.read(block(Table.HOLDING, 16, 2)), FLOAT)
            assert turbidity == pytest.approx(12345.678, abs=0.001)

    run(scenario())


def test_pymodbustcp_refuses_what_it_does_not_have(controller: ModbusServer) -> None:
    controller.data_bank = DataBank(h_regs_size=10)
    controller.data_hdl.data_bank = controller.data_bank

    async def scenario() -> None:
        async with connected_to(controller) as connection:
            with pytest.raises(Refused, match="exception 2") as caught:
                await connection.read(block(Table.HOLDING, 8, 4))
            assert caught.value.code == 2
            assert await connection.read(block(Table.HOLDING, 8, 2)) == (0, 0)

    run(scenario())


def test_what_is_written_stands_in_pymodbustcp_and_mbpoll_reads_it_there(controller: ModbusServer) -> None:
    async def scenario() -> None:
        async with connected_to(controller) as connection:
            await connection.write(OUTPUT, [17, 42405, 0, 13107])
            assert await connection.read(OUTPUT) == (17, 42405, 0, 13107)

    run(scenario())
    assert controller.data_bank.get_holding_registers(319, 6) == [0, 17, 42405, 0, 13107, 0]
    command = ["mbpoll", "-m", "tcp", "-p", str(controller.port), "-a", "1", "-0", "-r", "320", "-c", "4", "-t", "4"]
    shown = subprocess.run([*command, "-1", "127.0.0.1"], check=True, capture_output=True, text=True, timeout=20)
    values = dict(re.findall(r"^\[(\d+)\]:\s+(\d+)", shown.stdout, flags=re.MULTILINE))
    assert values == {"320": "17", "321": "42405", "322": "0", "323": "13107"}


def test_a_server_that_stops_is_noticed_and_one_that_is_back_is_read_again(controller: ModbusServer) -> None:
    async def scenario() -> None:
        async with connected_to(controller) as connection:
            assert await connection.read(block(Table.INPUT, 0, 1)) == (6400,)
            await asyncio.to_thread(controller.stop)
            with pytest.raises(NotConnected):
                await connection.read(block(Table.INPUT, 0, 1))
            await asyncio.to_thread(controller.start)
            assert await connection.read(block(Table.INPUT, 0, 1)) == (6400,)

    run(scenario())


# --- libmodbus on a serial line --------------------------------------------------------------------------------


class Mapping(ctypes.Structure):
    """``modbus_mapping_t`` of libmodbus 3.1."""

    _fields_ = (
        *((name, ctypes.c_int) for name in ("nb_bits", "start_bits", "nb_input_bits", "start_input_bits")),
        *((name, ctypes.c_int) for name in ("nb_input", "start_input", "nb_holding", "start_holding")),
        ("bits", ctypes.POINTER(ctypes.c_uint8)),
        ("input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("input", ctypes.POINTER(ctypes.c_uint16)),
        ("holding", ctypes.POINTER(ctypes.c_uint16)),
    )


def library() -> Any:
    loaded = ctypes.CDLL("libmodbus.so.5", use_errno=True)
    loaded.modbus_new_rtu.restype = ctypes.c_void_p
    loaded.modbus_new_rtu.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_char, ctypes.c_int, ctypes.c_int]
    loaded.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
    loaded.modbus_reply.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(Mapping)]
    loaded.modbus_receive.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    loaded.modbus_mapping_free.argtypes = [ctypes.POINTER(Mapping)]
    loaded.modbus_set_slave.argtypes = [ctypes.c_void_p, ctypes.c_int]
    loaded.modbus_set_indication_timeout.argtypes = [ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint32]
    for name in ("modbus_connect", "modbus_close", "modbus_free"):
        getattr(loaded, name).argtypes = [ctypes.c_void_p]
    return loaded


class SerialDevice:
    """A libmodbus device on a serial port, in a thread of its own."""

    def __init__(self, port: str, unit_id: int) -> None:
        self._library = library()
        self._context = self._library.modbus_new_rtu(port.encode(), 19200, b"N", 8, 1)
        assert self._library.modbus_set_slave(self._context, unit_id) == 0
        assert self._library.modbus_set_indication_timeout(self._context, 0, 50_000) == 0
        self.mapping = self._library.modbus_mapping_new(16, 16, 64, 64)
        assert self._library.modbus_connect(self._context) == 0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        query = ctypes.create_string_buffer(260)
        while not self._stopping.is_set():
            length = self._library.modbus_receive(self._context, query)
            if length > 0:
                self._library.modbus_reply(self._context, query, length, self.mapping)

    def stop(self) -> None:
        """End the thread and give everything back."""
        self._stopping.set()
        self._thread.join()
        self._library.modbus_close(self._context)
        self._library.modbus_mapping_free(self.mapping)
        self._library.modbus_free(self._context)


class Line:
    """Pseudo-terminals joined to a bus of two wires: what one says, all others hear."""

    def __init__(self, members: int) -> None:
        pairs = [os.openpty() for _ in range(members)]
        self._inner = [inner for inner, _ in pairs]
        self._outer = [outer for _, outer in pairs]
        self.ports = [os.ttyname(outer) for outer in self._outer]
        for outer in self._outer:
            tty.setraw(outer, termios.TCSANOW)
        for inner in self._inner:
            others = [other for other in self._inner if other != inner]
            asyncio.get_running_loop().add_reader(inner, self._carry(inner, others))

    def _carry(self, source: int, targets: list[int]) -> Callable[[], None]:
        def carry() -> None:
            data = os.read(source, 4096)
            for target in targets:
                os.write(target, data)

        return carry

    def close(self) -> None:
        """Take the line apart."""
        for inner, outer in zip(self._inner, self._outer, strict=True):
            asyncio.get_running_loop().remove_reader(inner)
            os.close(inner)
            os.close(outer)


@contextlib.asynccontextmanager
async def serial_line() -> AsyncIterator[tuple[ModbusConnection, SerialDevice, SerialDevice]]:
    """Our connection on a serial line with libmodbus devices 11 and 12; nobody is 13."""
    with contextlib.ExitStack() as stack:
        line = Line(members=3)
        stack.callback(line.close)
        first, second = (SerialDevice(port, unit) for port, unit in zip(line.ports[1:], (11, 12), strict=True))
        stack.callback(first.stop)
        stack.callback(second.stop)
        keys = SerialConnection(
            transport="rtu",
            device=line.ports[0],
            baud_rate=19200,
            parity="none",
            reply_timeout_s=1.0,
            quiet_after_timeout_s=0.05,
            pause_s=0.005,
        )
        outputs = [block(Table.HOLDING, 8, 3, unit_id=12)]
        connection = ModbusConnection("COM2", keys, outputs=outputs)
        await connection.open()
        try:
            yield connection, first, second
        finally:
            await connection.close()


def test_two_libmodbus_units_on_a_serial_line_are_read_and_written() -> None:
    async def scenario() -> None:
        async with serial_line() as (connection, first, second):
            for at, register in enumerate(encode(0.25, FLOAT)):
                first.mapping.contents.holding[at] = register
            second.mapping.contents.input[5] = 0xFFFE
            second.mapping.contents.input_bits[3] = 1
            assert decode(await connection.read(block(Table.HOLDING, 0, 2, unit_id=11)), FLOAT) == 0.25
            assert await connection.read(block(Table.INPUT, 4, 3, unit_id=12)) == (0, 0xFFFE, 0)
            assert await connection.read(block(Table.DISCRETE, 0, 5, unit_id=12)) == (0, 0, 0, 1, 0)
            assert await connection.read(block(Table.COIL, 0, 9, unit_id=11)) == (0,) * 9
            await connection.write(block(Table.HOLDING, 8, 3, unit_id=12), [1, 2, 65535])
            assert second.mapping.contents.holding[7:12] == [0, 1, 2, 65535, 0]
            assert first.mapping.contents.holding[7:12] == [0] * 5

    run(scenario())


def test_a_unit_that_is_not_there_and_a_refusal_do_not_disturb_the_others_on_the_line() -> None:
    async def scenario() -> None:
        async with serial_line() as (connection, first, _):
            first.mapping.contents.holding[0] = 4711
            with pytest.raises(NoAnswer, match="COM2: unit 13"):
                await connection.read(block(Table.HOLDING, 0, 2, unit_id=13))
            assert await connection.read(block(Table.HOLDING, 0, 2, unit_id=11)) == (4711, 0)
            with pytest.raises(Refused) as caught:
                await connection.read(block(Table.HOLDING, 60, 10, unit_id=11))
            assert caught.value.code == 2
            assert await connection.read(block(Table.HOLDING, 0, 2, unit_id=11)) == (4711, 0)

    run(scenario())


def test_a_serial_port_that_is_not_there_cannot_be_connected() -> None:
    async def scenario() -> None:
        keys = SerialConnection(transport="rtu", device="/dev/no-such-port")
        with pytest.raises(NotConnected, match="COM2: /dev/no-such-port cannot be connected"):
            await ModbusConnection("COM2", keys).open()

    run(scenario())


# --- two units through a converter -----------------------------------------------------------------------------


def test_two_units_behind_a_converter_answer_in_turn_while_a_third_is_dead() -> None:
    async def third_is_dead(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        if asked.unit_id != 13:
            await hostile.good(peer, asked, writer)

    async def scenario() -> None:
        async with hostile.peer(rtu=True, script=third_is_dead) as peer:
            keys = NetworkConnection(
                transport="rtu_over_tcp",
                host="127.0.0.1",
                port=peer.port,
                reply_timeout_s=0.3,
                quiet_after_timeout_s=0.02,
            )
            connection = ModbusConnection("COM1", keys)
            await connection.open()
            for _ in range(4):
                for unit_id in (11, 12):
                    values = await connection.read(block(Table.HOLDING, 10, 2, unit_id=unit_id))
                    assert values == (1000 * unit_id + 10, 1000 * unit_id + 11)
                with pytest.raises(NoAnswer, match="unit 13"):
                    await connection.read(block(Table.HOLDING, 10, 2, unit_id=13))
            assert peer.connections == 1
            await connection.close()

    run(scenario())
