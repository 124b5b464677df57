"""The simulated devices asked by independent Modbus clients: pyModbusTCP and mbpoll, and by bytes written by hand."""

import asyncio
import contextlib
import os
import pty
import random
import shutil
import struct
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace

import pytest
from pyModbusTCP.client import ModbusClient

from gateway.configuration.schema import REGISTERS
from simulator import modbus_pdu as pdus
from simulator.devices import AN1, AN2, DEVICES, DISCRETE_INPUTS, HOLDING_REGISTERS, INPUT_REGISTERS, PC1, RI1, Image
from simulator.events import EVENTS
from simulator.modbus_server import Manners, ModbusServer
from simulator.plant import Plant
from simulator.simulation import FIXED_PORTS, LINES

COM1 = Manners(name="COM1", devices=(AN1, AN2), rtu=True, delay_s=(0.02, 0.12), one_at_a_time=frozenset({"AN2"}))
TCP_PC1 = Manners(name="PC1", devices=(PC1,), rtu=False, delay_s=(0.002, 0.01))
TCP_RI1 = Manners(name="RI1", devices=(RI1,), rtu=False, delay_s=(0.002, 0.01))
MBPOLL = shutil.which("mbpoll") or "mbpoll"  # missing, it fails the test that needs it


class Registers:
    """A plant behind the servers, without a clock."""

    def __init__(self) -> None:
        self.plant = Plant(EVENTS["calm"])

    def image(self, device: str) -> Image:
        return self.plant.image(device)

    def write(self, *, address: int, values: tuple[int, ...]) -> None:
        self.plant.write(address=address, values=values)

    def deaf(self, device: str) -> bool:
        return self.plant.deaf(device)

    def slow_s(self, device: str) -> float:
        return self.plant.slow_s(device)


@asynccontextmanager
async def serving(manners: Manners, rate: float = 60.0) -> AsyncIterator[tuple[ModbusServer, Registers]]:
    registers = Registers()
    server = ModbusServer(manners, registers, rate=lambda: rate, draws=random.Random(1))  # noqa: S311 - delays
    await server.start()
    try:
        yield server, registers
    finally:
        await server.stop()


def ask(port: int, unit_id: int, question: Callable[[ModbusClient], object]) -> object:
    client = ModbusClient(host="127.0.0.1", port=port, unit_id=unit_id, timeout=2.0, auto_open=True)
    try:
        return question(client)
    finally:
        client.close()


def test_pymodbustcp_reads_pc1_as_the_plant_has_it() -> None:
    async def scenario() -> None:
        async with serving(TCP_PC1) as (server, registers):
            registers.plant.advance(registers.plant.now_ms + 7_000)
            words = await asyncio.to_thread(ask, server.port, 1, lambda it: it.read_holding_registers(300, 24))
            assert isinstance(words, list)
            assert words[10] == 7
            assert words[6:9] == [0x2502, 0x2609, 0x0007]
            assert words[0] == 3
            bits = await asyncio.to_thread(ask, server.port, 1, lambda it: it.read_coils(0, 3))
            assert bits == [False, True, True]

    asyncio.run(scenario())


def test_pymodbustcp_reads_ri1_counts_and_contacts() -> None:
    async def scenario() -> None:
        async with serving(TCP_RI1) as (server, registers):
            counts = await asyncio.to_thread(ask, server.port, 7, lambda it: it.read_input_registers(0, 12))
            assert isinstance(counts, list)
            assert counts[3] == round(6400 + 20 / 30 * 25_600)
            contacts = await asyncio.to_thread(ask, server.port, 7, lambda it: it.read_discrete_inputs(0, 10))
            assert contacts == [False, True, False, True, True, False, True, False, True, False]
            registers.plant.added = replace(registers.plant.added, loops={"LIT-151": 5120})
            counts = await asyncio.to_thread(ask, server.port, 7, lambda it: it.read_input_registers(1, 1))
            assert counts == [5120]

    asyncio.run(scenario())


def test_a_written_block_changes_pc1_and_reads_back() -> None:
    async def scenario() -> None:
        async with serving(TCP_PC1) as (server, registers):
            done = await asyncio.to_thread(
                ask, server.port, 1, lambda it: it.write_multiple_registers(320, [9, 42405, 0, 13107])
            )
            assert done is True
            assert registers.plant.controller.registers == (9, 42405, 0, 13107)
            assert registers.plant.controller.supply_stopped
            back = await asyncio.to_thread(ask, server.port, 1, lambda it: it.read_holding_registers(320, 4))
            assert back == [9, 42405, 0, 13107]

    asyncio.run(scenario())


REFUSED: list[tuple[str, int, Callable[[ModbusClient], object]]] = [
    ("a read longer than 64 registers", 2, lambda it: it.read_holding_registers(300, 65)),
    ("a read beyond the end", 2, lambda it: it.read_holding_registers(322, 3)),
    ("a table it has not", 1, lambda it: it.read_input_registers(300, 1)),
    ("a write outside 320 to 323", 2, lambda it: it.write_multiple_registers(319, [1, 2])),
    ("a write of one register by function 6", 1, lambda it: it.write_single_register(321, 42405)),
    ("a coil written", 1, lambda it: it.write_single_coil(0, bit_value=True)),
]


@pytest.mark.parametrize(("what", "code", "question"), REFUSED, ids=[each[0] for each in REFUSED])
def test_pc1_refuses_with_the_right_exception(what: str, code: int, question: Callable[[ModbusClient], object]) -> None:
    async def scenario() -> None:
        async with serving(TCP_PC1) as (server, registers):

            def asked(client: ModbusClient) -> int:
                assert not question(client), what
                return int(client.last_except)

            assert await asyncio.to_thread(ask, server.port, 1, asked) == code
            assert registers.plant.controller.registers == (0, 0, 0, 0)

    asyncio.run(scenario())


def test_a_fifth_connection_is_closed_at_once() -> None:
    async def scenario() -> None:
        async with serving(TCP_RI1) as (server, _):
            open_ones = [await asyncio.open_connection("127.0.0.1", server.port) for _ in range(5)]
            assert await asyncio.wait_for(open_ones[4][0].read(), 2) == b""
            reader, writer = open_ones[0]
            writer.write(bytes.fromhex("000100000006 07 02 0000 0001"))
            assert await asyncio.wait_for(reader.read(64), 2) == bytes.fromhex("000100000004 07 02 01 00")
            for _, each in open_ones:
                each.close()

    asyncio.run(scenario())


def test_a_stream_that_is_not_modbus_tcp_is_hung_up_on() -> None:
    async def scenario() -> None:
        async with serving(TCP_RI1) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(b"GET / HTTP/1.1\r\n\r\n")
            assert await asyncio.wait_for(reader.read(), 2) == b""
            writer.close()

    asyncio.run(scenario())


def test_mbpoll_reads_pc1_over_tcp() -> None:
    async def scenario() -> None:
        async with serving(TCP_PC1) as (server, _):
            text = await mbpoll("-m", "tcp", "-p", str(server.port), "-a", "1", "-r", "305", "-c", "1", "127.0.0.1")
            assert "[305]: \t1000" in text

    asyncio.run(scenario())


def test_mbpoll_reads_both_analyzers_over_the_serial_framing() -> None:
    async def scenario() -> None:
        async with serving(COM1) as (server, _):
            with serial_port() as (controller, path):
                bridge = asyncio.create_task(bridged(controller, server.port))
                line = ("-m", "rtu", "-b", "9600", "-P", "even")
                first = await mbpoll(*line, "-a", "11", "-r", "91", "-c", "2", "-t", "4:hex", path)
                second = await mbpoll(*line, "-a", "12", "-r", "1", "-c", "4", "-t", "3", path)
                bridge.cancel()
                await asyncio.gather(bridge, return_exceptions=True)
            low, high = struct.unpack(">HH", struct.pack(">f", 12345.678))[::-1]
            assert f"[91]: \t0x{low:04X}" in first
            assert f"[92]: \t0x{high:04X}" in first
            assert "[1]: \t740" in second

    asyncio.run(scenario())


async def mbpoll(*arguments: str) -> str:
    process = await asyncio.create_subprocess_exec(
        MBPOLL, "-1", "-o", "2", *arguments, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    out, _ = await asyncio.wait_for(process.communicate(), 10)
    return out.decode()


@contextmanager
def serial_port() -> Iterator[tuple[int, str]]:
    controller, port = pty.openpty()
    tty.setraw(controller)
    try:
        yield controller, os.ttyname(port)
    finally:
        os.close(controller)
        os.close(port)


async def bridged(controller: int, port: int) -> None:
    """Carry bytes between a pseudo terminal and the server, as a serial converter does."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    loop = asyncio.get_running_loop()
    loop.add_reader(controller, lambda: writer.write(os.read(controller, 256)))
    try:
        while received := await reader.read(256):
            os.write(controller, received)
    finally:
        loop.remove_reader(controller)
        writer.close()


def rtu(unit_id: int, pdu: bytes) -> bytes:
    body = bytes((unit_id,)) + pdu
    return body + pdus.crc(body)


READ_AIT_801 = bytes.fromhex("04 0000 0001")
READ_STATUS = bytes.fromhex("03 0014 0001")


def test_the_crc_is_that_of_the_serial_line_guide() -> None:
    assert pdus.crc(bytes.fromhex("0207")) == bytes.fromhex("4112")
    assert pdus.crc(b"123456789") == 0x4B37.to_bytes(2, "little")


async def heard(reader: asyncio.StreamReader, within_s: float) -> bytes:
    try:
        return await asyncio.wait_for(reader.read(64), within_s)
    except TimeoutError:
        return b""


def test_a_frame_with_a_wrong_crc_or_for_nobody_is_not_answered_and_the_next_one_is() -> None:
    async def scenario() -> None:
        async with serving(COM1) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(rtu(11, READ_STATUS)[:-1] + b"\x00")
            writer.write(rtu(13, READ_STATUS))
            assert await heard(reader, 0.2) == b""
            writer.write(rtu(11, READ_STATUS))
            assert await heard(reader, 2) == rtu(11, bytes.fromhex("03 02 0000"))
            writer.close()

    asyncio.run(scenario())


def test_an_analyzer_takes_no_write_and_no_unknown_function() -> None:
    async def scenario() -> None:
        async with serving(COM1) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(rtu(11, bytes.fromhex("10 0014 0001 02 0001")))
            assert await heard(reader, 2) == rtu(11, bytes.fromhex("90 01"))
            writer.write(rtu(11, bytes.fromhex("2B 0E 01 00")))
            assert await heard(reader, 2) == rtu(11, bytes.fromhex("AB 01"))
            writer.close()

    asyncio.run(scenario())


def test_an2_works_on_one_request_at_a_time_and_an1_on_the_same_line_queues() -> None:
    async def scenario() -> None:
        async with serving(COM1, rate=1.0) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(rtu(12, READ_AIT_801) + rtu(12, READ_AIT_801))
            reply = rtu(12, bytes.fromhex("04 02 02E4"))
            assert await asyncio.wait_for(reader.readexactly(len(reply)), 2) == reply
            assert await heard(reader, 0.3) == b""
            writer.write(rtu(11, READ_STATUS) + rtu(11, READ_STATUS))
            reply = rtu(11, bytes.fromhex("03 02 0000"))
            assert await asyncio.wait_for(reader.readexactly(2 * len(reply)), 2) == reply + reply
            writer.close()

    asyncio.run(scenario())


def test_replies_take_their_plant_time_divided_by_the_rate() -> None:
    async def took_s(rate: float) -> float:
        async with serving(replace(COM1, delay_s=(0.3, 0.3)), rate=rate) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            loop = asyncio.get_running_loop()
            begun = loop.time()
            writer.write(rtu(11, READ_STATUS))
            assert await heard(reader, 3)
            writer.close()
            return loop.time() - begun

    assert asyncio.run(took_s(1.0)) >= 0.3
    assert asyncio.run(took_s(60.0)) < 0.3


def test_a_silent_device_takes_the_request_and_says_nothing() -> None:
    async def scenario() -> None:
        async with serving(COM1) as (server, registers):
            registers.plant.added = replace(registers.plant.added, silent=frozenset({"AN1"}))
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(rtu(11, READ_STATUS))
            assert await heard(reader, 0.2) == b""
            writer.write(rtu(12, READ_AIT_801))
            assert await heard(reader, 2) == rtu(12, bytes.fromhex("04 02 02E4"))
            writer.close()

    asyncio.run(scenario())


@pytest.mark.parametrize("cut", range(1, 13))
def test_a_request_in_two_pieces_is_put_together(cut: int) -> None:
    whole = bytes.fromhex("0001 0000 0006 07 04 0000 0002") + bytes.fromhex("0002 0000 0006 07 04 0001 0001")
    first, left_over = pdus.split_tcp(whole[:cut])
    rest, nothing = pdus.split_tcp(left_over + whole[cut:])
    assert [request.transaction for request in first + rest] == [1, 2]
    assert nothing == b""


def test_a_serial_request_in_single_bytes_is_put_together() -> None:
    left_over, found = b"", []
    for byte in rtu(1, bytes.fromhex("10 0140 0004 08 0001 0002 0003 0004")) + rtu(11, READ_STATUS):
        requests, left_over = pdus.split_rtu(left_over + bytes((byte,)))
        found += requests
    assert [(request.unit_id, request.pdu[0]) for request in found] == [(1, 16), (11, 3)]


@pytest.mark.parametrize("device", DEVICES.values(), ids=list(DEVICES))
def test_no_two_tags_of_a_device_share_a_register_and_all_lie_within_its_tables(device: object) -> None:
    assert isinstance(device, type(PC1))
    taken = [
        (point.table, point.address + at) for point in device.points for at in range(REGISTERS[point.encoding.kind])
    ]
    assert len(set(taken)) == len(taken)
    assert set(taken) <= {(t, a) for t, (first, n) in device.extents.items() for a in range(first, first + n)}
    assert {t for t, _ in taken} <= {1, DISCRETE_INPUTS, HOLDING_REGISTERS, INPUT_REGISTERS}


def test_the_server_stops_with_connections_open() -> None:
    async def scenario() -> None:
        async with serving(TCP_PC1) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        with contextlib.suppress(ConnectionError):
            assert await asyncio.wait_for(reader.read(), 2) == b""
        writer.close()

    asyncio.run(scenario())


COM2 = next(manners for manners in LINES if manners.name == "COM2")
TCP_UV1 = next(manners for manners in LINES if manners.name == "UV1")
RTU_OZ1 = next(manners for manners in LINES if manners.name == "OZ1")
READ_FLOW = bytes.fromhex("03 0000 0002")


def test_every_device_stands_behind_one_port_of_the_scenario() -> None:
    assert sorted(device.name for manners in LINES for device in manners.devices) == sorted(DEVICES)
    assert {manners.name: FIXED_PORTS[manners.name] for manners in LINES} == {
        "COM1": 15011,
        "COM2": 15012,
        "PC1": 15020,
        "UV1": 15021,
        "OZ1": 15022,
        "RI1": 15023,
    }


def test_a_byte_takes_its_time_on_the_line() -> None:
    async def took_s(byte_s: float) -> float:
        async with serving(replace(COM2, delay_s=(0.0, 0.0), byte_s=byte_s, spoiled=0.0), rate=1.0) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            loop = asyncio.get_running_loop()
            begun = loop.time()
            writer.write(rtu(41, READ_FLOW))
            assert len(await asyncio.wait_for(reader.readexactly(9), 3)) == 9
            writer.close()
            return loop.time() - begun

    assert asyncio.run(took_s(0.02)) >= (8 + 9) * 0.02
    assert asyncio.run(took_s(0.0)) < (8 + 9) * 0.02
    assert COM2.byte_s == pytest.approx(0.000521, abs=1e-6)
    assert LINES[0].byte_s == pytest.approx(0.001146, abs=1e-6)


def test_one_reply_in_two_thousand_comes_with_a_wrong_crc_and_the_next_one_is_good() -> None:
    server = ModbusServer(COM2, Registers(), rate=lambda: 60.0, draws=random.Random(3))  # noqa: S311 - noise
    request = pdus.Request(41, READ_FLOW)
    replies = [server._on_the_line(request, bytes.fromhex("03 04 00000000")) for _ in range(20_000)]
    spoiled = [reply for reply in replies if pdus.crc(reply[:-2]) != reply[-2:]]
    assert 3 <= len(spoiled) <= 20
    assert {len(reply) for reply in replies} == {9}


def test_a_spoiled_reply_arrives_whole_in_length() -> None:
    async def scenario() -> None:
        async with serving(replace(COM2, spoiled=1.0)) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(rtu(41, READ_FLOW))
            reply = await asyncio.wait_for(reader.readexactly(9), 2)
            assert pdus.crc(reply[:-2]) != reply[-2:]
            writer.close()

    asyncio.run(scenario())


def test_uv1_drops_a_second_connection_without_a_word_and_takes_one_when_the_first_is_gone() -> None:
    async def scenario() -> None:
        async with serving(TCP_UV1) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            second, dropped = await asyncio.open_connection("127.0.0.1", server.port)
            assert await asyncio.wait_for(second.read(), 2) == b""
            ask_status = bytes.fromhex("0001 0000 0006 01 03 00D0 0001")
            writer.write(ask_status)
            assert await asyncio.wait_for(reader.readexactly(11), 2) == bytes.fromhex("0001 0000 0005 01 03 02 0001")
            writer.close()
            dropped.close()
            while server._peers:  # noqa: ASYNC110 - until the server has noticed
                await asyncio.sleep(0.01)
            third, last = await asyncio.open_connection("127.0.0.1", server.port)
            last.write(ask_status)
            assert len(await asyncio.wait_for(third.readexactly(11), 2)) == 11
            last.close()

    asyncio.run(scenario())


def test_oz1_speaks_serial_frames_and_has_one_contact() -> None:
    async def scenario() -> None:
        async with serving(RTU_OZ1) as (server, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(rtu(31, bytes.fromhex("02 0000 0001")))
            assert await heard(reader, 2) == rtu(31, bytes.fromhex("02 01 01"))
            writer.write(rtu(31, bytes.fromhex("02 0001 0001")))
            assert await heard(reader, 2) == rtu(31, bytes.fromhex("82 02"))
            writer.close()

    asyncio.run(scenario())


def test_a_dead_line_takes_requests_and_says_nothing_and_comes_back() -> None:
    async def scenario() -> None:
        async with serving(COM2) as (server, registers):
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            registers.plant.added = replace(registers.plant.added, lines=frozenset({"COM2"}))
            writer.write(rtu(41, READ_FLOW))
            writer.write(rtu(51, READ_FLOW))
            assert await heard(reader, 0.2) == b""
            registers.plant.added = replace(registers.plant.added, lines=frozenset())
            writer.write(rtu(41, READ_FLOW))
            assert len(await heard(reader, 2)) == 9
            writer.close()

    asyncio.run(scenario())


def test_a_slow_device_answers_late_and_the_others_on_its_line_in_between() -> None:
    async def scenario() -> None:
        async with serving(replace(COM2, spoiled=0.0), rate=10.0) as (server, registers):
            registers.plant.added = replace(registers.plant.added, slow={"FM1": 3.0})
            reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(rtu(41, READ_FLOW) + rtu(42, READ_FLOW))
            first = await asyncio.wait_for(reader.readexactly(9), 2)
            second = await asyncio.wait_for(reader.readexactly(9), 2)
            assert (first[0], second[0]) == (42, 41)
            writer.close()

    asyncio.run(scenario())
