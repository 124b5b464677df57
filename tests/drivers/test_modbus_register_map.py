"""Words of a planned block to the numbers of its tags."""

import math
from typing import Any

import pytest
from pymodbus.pdu.bit_message import ReadCoilsResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse

from gateway.configuration.poll_plan import PlannedBlock, plan_blocks
from gateway.configuration.schema import BitField, Device, Tag
from gateway.drivers.modbus.codec import Encoding, encode, words
from gateway.drivers.modbus.register_map import BlockReader


def tag(address: int, **keys: Any) -> Tag:
    defaults = {"service": "a tag", "device": "AN1", "table": "holding", "type": "uint16", "poll_interval_s": 5.0}
    return Tag(**{**defaults, "address": address, **keys})


def plan(tags: dict[str, Tag]) -> tuple[PlannedBlock, ...]:
    device = Device(service="a device", connection="COM1", unit_id=11)
    return plan_blocks(connection="COM1", devices={"AN1": device}, tags=tags)


FLOAT = {"type": "float32", "byte_order": "CDAB"}


def test_a_block_is_taken_apart_into_numbers_and_raw_words() -> None:
    (planned,) = plan({"F": tag(10, **FLOAT), "S": tag(12), "I": tag(13, type="int16")})
    high_last = encode(7.25, Encoding("float32", "CDAB"))
    assert list(BlockReader(planned).samples_of([*high_last, 9, 0xFFFE])) == [
        ("F", 7.25, high_last),
        ("S", 9, (9,)),
        ("I", -2, (0xFFFE,)),
    ]


def test_words_that_hold_no_number_say_so_and_spoil_nothing_beside_them() -> None:
    (planned,) = plan({"CLOCK": tag(306, type="bcd48"), "NEXT": tag(309)})
    clock, following = BlockReader(planned).samples_of([0x2502, 0x12FF, 0x0000, 4])
    assert clock[0] == "CLOCK"
    assert isinstance(clock[1], float)
    assert math.isnan(clock[1])
    assert clock[2] == (0x2502, 0x12FF, 0)
    assert following == ("NEXT", 4, (4,))


def test_another_count_of_words_is_a_fault_of_the_caller() -> None:
    (planned,) = plan({"A": tag(0)})
    with pytest.raises(ValueError, match="brings 1 words, got 2"):
        list(BlockReader(planned).samples_of([1, 2]))


def test_slots_are_as_wide_as_their_types() -> None:
    for kind in ("uint16", "float32", "uint64", "bcd48"):
        (planned,) = plan({"A": tag(0, type=kind)})
        assert planned.slots[0].count == words(Encoding(planned.slots[0].type))


def test_a_text_and_bits_of_a_register_are_taken_out_of_their_block() -> None:
    (planned,) = plan(
        {
            "SERIAL": tag(0, type="string", string_registers=3),
            "STATE": tag(3, bit_field=BitField(first=4, count=3)),
            "WORD": tag(3),
            "NEXT": tag(4, type="string", string_registers=1),
        }
    )
    assert sorted(BlockReader(planned).samples_of([0x4653, 0x2D35, 0x3100, 0x00B7, 0x4142])) == [
        ("NEXT", "AB", (0x4142,)),
        ("SERIAL", "FS-51", (0x4653, 0x2D35, 0x3100)),
        ("STATE", 3, (0x00B7,)),
        ("WORD", 0xB7, (0x00B7,)),
    ]


# Worked examples of the Modbus Application Protocol specification V1.1b3, written down from memory.


def test_holding_registers_108_to_110_of_the_specification() -> None:
    (planned,) = plan({f"R{one}": tag(one - 1) for one in (108, 109, 110)})
    assert (planned.block.address, planned.block.count) == (0x6B, 3)
    reply = ReadHoldingRegistersResponse()
    reply.decode(bytes.fromhex("06 022B 0000 0064"))
    assert [number for _, number, _ in BlockReader(planned).samples_of(reply.registers)] == [555, 0, 100]


def test_coils_20_to_38_of_the_specification() -> None:
    coil = {"table": "coil", "type": "bool"}
    (planned,) = plan({f"C{one}": tag(one - 1, **coil) for one in range(20, 39)})
    assert (planned.block.address, planned.block.count) == (0x13, 0x13)
    reply = ReadCoilsResponse()
    reply.decode(bytes.fromhex("03 CD 6B 05"))
    bits = [int(bit) for bit in reply.bits[: planned.block.count]]
    on = {name for name, number, _ in BlockReader(planned).samples_of(bits) if number == 1}
    assert on == {f"C{one}" for one in (20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38)}
