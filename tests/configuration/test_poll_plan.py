"""Tags to read blocks: nothing undeclared is read, nothing too long, nothing twice."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.configuration.poll_plan import Block, PlannedBlock, Table, plan_blocks
from gateway.configuration.schema import Device, Tag


def device(*, unit_id: int = 11, connection: str = "COM1", **manners: Any) -> Device:
    return Device(service="a device", connection=connection, unit_id=unit_id, **manners)


def tag(address: int, **keys: Any) -> Tag:
    defaults = {"service": "a tag", "device": "AN1", "table": "holding", "type": "uint16", "poll_interval_s": 5.0}
    return Tag(**{**defaults, "address": address, **keys})


def plan(tags: dict[str, Tag], devices: dict[str, Device] | None = None) -> tuple[PlannedBlock, ...]:
    return plan_blocks(connection="COM1", devices=devices or {"AN1": device()}, tags=tags)


def spans(planned: tuple[PlannedBlock, ...]) -> list[tuple[int, int, int]]:
    return [(block.block.address, block.block.count, block.interval_ms) for block in planned]


FLOAT = {"type": "float32", "byte_order": "CDAB"}
TURBIDITY_CONTROLLER = {
    "AIT-501": tag(10, poll_interval_s=15.0, **FLOAT),
    "AIT-511": tag(12, **FLOAT),
    "AIT-512": tag(14, **FLOAT),
    "AIT-510": tag(16, **FLOAT),
    "FIT-510S": tag(18, poll_interval_s=15.0, **FLOAT),
    "AN1-STS": tag(20),
    "AN1-AGE": tag(21, poll_interval_s=60.0),
    "AN1-TST": tag(90, poll_interval_s=60.0, **FLOAT),
}


def test_neighbours_of_one_interval_are_read_together_over_holes_that_are_declared() -> None:
    planned = plan(TURBIDITY_CONTROLLER)
    assert spans(planned) == [(12, 9, 5000), (10, 10, 15000), (21, 1, 60000), (90, 2, 60000)]
    assert planned[0].tags == ("AIT-511", "AIT-512", "AIT-510", "AN1-STS")
    assert [slot.offset for slot in planned[0].slots] == [0, 2, 4, 8]


def test_a_hole_with_one_undeclared_register_is_never_read() -> None:
    assert spans(plan({"A": tag(300), "B": tag(302)})) == [(300, 1, 5000), (302, 1, 5000)]


def test_a_hole_larger_than_the_bound_is_not_read_even_if_declared() -> None:
    slow = {f"S{i}": tag(1 + i, poll_interval_s=60.0) for i in range(9)}
    assert spans(plan({"A": tag(0), "B": tag(10), **slow}))[:2] == [(0, 1, 5000), (10, 1, 5000)]
    assert spans(plan({"A": tag(0), "B": tag(10), **slow}, {"AN1": device(largest_hole=9)}))[0] == (0, 11, 5000)


def test_registers_of_another_table_do_not_fill_a_hole() -> None:
    tags = {"A": tag(0), "B": tag(2), "C": tag(1, table="input")}
    assert spans(plan(tags)) == [(0, 1, 5000), (2, 1, 5000), (1, 1, 5000)]


def test_a_block_is_never_longer_than_the_device_hands_out() -> None:
    tags = {f"T{i:03}": tag(2 * i, **FLOAT) for i in range(40)}
    planned = plan(tags, {"AN1": device(longest_read=9)})
    assert {block.block.count for block in planned} == {8}
    assert sum(len(block.slots) for block in planned) == 40


def test_the_protocols_own_limits_hold_for_registers_and_bits() -> None:
    registers = plan({f"T{i:04}": tag(i) for i in range(300)})
    assert [block.block.count for block in registers] == [125, 125, 50]
    bits = plan({f"T{i:04}": tag(i, table="coil", type="bool") for i in range(2300)})
    assert [block.block.count for block in bits] == [2000, 300]


def test_a_device_may_hand_out_fewer_bits_than_the_protocol_allows() -> None:
    bits = plan(
        {f"T{i:04}": tag(i, table="coil", type="bool") for i in range(70)}, {"AN1": device(longest_bit_read=32)}
    )
    assert [block.block.count for block in bits] == [32, 32, 6]


def test_a_tag_wanted_fast_at_times_has_a_block_apart_with_its_own_pace() -> None:
    tags = {"ZSO": tag(0), "ZSC": tag(1, hurried_interval_s=1.0), "FSL": tag(2, hurried_interval_s=1.0), "X": tag(3)}
    planned = plan(tags)
    assert [(b.tags, b.interval_ms, b.hurried_ms) for b in planned] == [
        (("ZSC", "FSL"), 5000, 1000),
        (("ZSO", "X"), 5000, 5000),
    ]


def test_devices_behind_other_connections_are_left_out() -> None:
    devices = {"AN1": device(), "AN2": device(unit_id=12), "PC1": device(unit_id=1, connection="PC1")}
    tags = {"A": tag(0), "B": tag(0, device="AN2"), "C": tag(0, device="PC1")}
    assert [(b.block.unit_id, b.tags) for b in plan(tags, devices)] == [(11, ("A",)), (12, ("B",))]
    assert plan_blocks(connection="COM9", devices=devices, tags=tags) == ()


def test_two_tags_on_the_same_register_share_one_read() -> None:
    tags = {"WORD": tag(5), "LONG": tag(4, type="uint32"), "NEXT": tag(6)}
    (planned,) = plan(tags)
    assert planned.block == Block(unit_id=11, table=Table.HOLDING, address=4, count=3)
    assert {slot.tag: (slot.offset, slot.count) for slot in planned.slots} == {
        "LONG": (0, 2),
        "WORD": (1, 1),
        "NEXT": (2, 1),
    }


def test_a_tag_that_its_device_cannot_hand_out_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="tag BIG: takes 4 registers, its device hands out 2"):
        plan({"BIG": tag(0, type="uint64")}, {"AN1": device(longest_read=2)})
    with pytest.raises(ValueError, match="tag EDGE: reaches address 65536"):
        plan({"EDGE": tag(65535, type="uint32")})


KINDS = st.sampled_from(["uint16", "float32", "uint64", "bcd48"])


@given(
    places=st.lists(st.tuples(st.integers(0, 400), KINDS, st.sampled_from([5.0, 15.0])), min_size=1, max_size=60),
    longest_read=st.integers(4, 125),
    largest_hole=st.integers(0, 20),
)
def test_any_tags_are_all_read_once_and_nothing_else_is_touched(
    places: list[tuple[int, str, float]], longest_read: int, largest_hole: int
) -> None:
    tags = {f"T{i}": tag(a, type=k, poll_interval_s=s) for i, (a, k, s) in enumerate(places)}
    planned = plan(tags, {"AN1": device(longest_read=longest_read, largest_hole=largest_hole)})
    declared = {a for t in tags.values() for a in range(t.address, t.address + t.registers)}
    assert sorted(name for block in planned for name in block.tags) == sorted(tags)
    for block in planned:
        start, count = block.block.address, block.block.count
        assert 1 <= count <= longest_read
        assert set(range(start, start + count)) <= declared
        for slot in block.slots:
            assert start + slot.offset == tags[slot.tag].address
            assert slot.offset + slot.count <= count
            assert block.interval_ms == tags[slot.tag].poll_interval_s * 1000


def test_a_string_takes_the_registers_it_says() -> None:
    (planned,) = plan({"NAME": tag(100, type="string", string_registers=8), "NEXT": tag(108)})
    assert [(slot.tag, slot.offset, slot.count) for slot in planned.slots] == [("NAME", 0, 8), ("NEXT", 8, 1)]
