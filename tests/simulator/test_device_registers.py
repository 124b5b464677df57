"""The registers of all 17 devices, decoded by hand: types and orders as scenario section 6 has them."""

import struct
from collections.abc import Sequence
from dataclasses import replace

import pytest

from simulator.devices import DEVICES, DISCRETE_INPUTS, HOLDING_REGISTERS, LINES, behind
from simulator.events import EVENTS
from simulator.faults import Faults
from simulator.plant import Plant


@pytest.fixture(scope="module")
def plant() -> Plant:
    one = Plant(EVENTS["calm"])
    one.advance(one.now_ms + 20_000)
    return one


def words(plant: Plant, device: str, address: int, count: int) -> list[int]:
    table = plant.image(device).tables[HOLDING_REGISTERS]
    return [table[at] for at in range(address, address + count)]


def high_first(registers: Sequence[int]) -> bytes:
    return struct.pack(f">{len(registers)}H", *registers)


def low_first(registers: Sequence[int]) -> bytes:
    return high_first(registers[::-1])


def swapped(registers: Sequence[int]) -> bytes:
    return b"".join(struct.pack("<H", word) for word in registers)


def reversed_(registers: Sequence[int]) -> bytes:
    return high_first(registers)[::-1]


def number(form: str, data: bytes) -> float:
    value: float = struct.unpack(form, data)[0]
    return value


def test_there_are_seventeen_devices_with_a_hundred_and_one_tags_on_six_lines() -> None:
    assert len(DEVICES) == 17
    tags = [point.tag for device in DEVICES.values() for point in device.points]
    assert len(tags) == len(set(tags)) == 101
    assert LINES == ("COM1", "UV1", "OZ1", "COM2", "RI1", "PC1")
    units = {line: [device.unit_id for device in behind(line)] for line in LINES}
    assert units["COM1"] == [11, 12, 13]
    assert sorted(units["COM2"]) == [21, 22, 23, 24, 41, 42, 43, 44, 45, 51]
    assert (units["OZ1"], units["UV1"], units["RI1"], units["PC1"]) == ([31], [1], [7], [1])


def test_floats_of_every_order(plant: Plant) -> None:
    assert number(">f", low_first(words(plant, "AN1", 90, 2))) == pytest.approx(12345.678, rel=1e-6)
    assert number(">f", high_first(words(plant, "UV1", 200, 2))) == pytest.approx(plant.panel.reading("AIT-702"))
    assert number(">f", swapped(words(plant, "FM2", 0, 2))) == pytest.approx(plant.panel.reading("FIT-701"))
    assert number(">f", reversed_(words(plant, "DP1", 0, 2))) == pytest.approx(plant.state.dosing.setpoint_ml_h)


def test_totals_of_two_and_four_registers(plant: Plant) -> None:
    assert number(">I", high_first(words(plant, "UV1", 206, 2))) == 7_840 + 25 * 24 + 9
    assert number(">I", low_first(words(plant, "OZ1", 8, 2))) == 5_230
    assert number(">I", reversed_(words(plant, "DP1", 4, 2))) == int(plant.state.dosing.strokes)
    treated_m3 = 20_951.640 + plant.state.totals.into_tank_m3 + plant.state.totals.diverted_m3
    assert number(">Q", high_first(words(plant, "FM2", 4, 4))) / 1_000 == pytest.approx(treated_m3, abs=0.0006)


def test_signed_and_scaled_numbers(plant: Plant) -> None:
    assert number(">i", high_first(words(plant, "PW1", 0, 2))) / 1_000 == pytest.approx(231, abs=5)
    assert number(">i", high_first(words(plant, "PW1", 4, 2))) / 1_000 == pytest.approx(6.5, abs=2)
    assert words(plant, "AN3", 100, 2)[0] / 10 == pytest.approx(74.8, abs=0.8)
    assert words(plant, "OZ1", 0, 1)[0] / 10 == pytest.approx(93, abs=0.5)
    assert words(plant, "OZ1", 2, 1)[0] / 10 == pytest.approx(8 * plant.state.tap.flow_m3_h, abs=0.3)
    assert words(plant, "VF1", 8450, 2) == [0b101, 0]
    assert words(plant, "PW1", 20, 2) == [100, 90]
    assert words(plant, "BL1", 0, 2)[1] == 0
    assert plant.image("OZ1").tables[DISCRETE_INPUTS] == {0: 1}


def with_faults(plant: Plant, faults: Faults) -> Plant:
    """The same plant with something wrong; the caller takes it away again."""
    plant.added = faults
    return plant


def test_e14_another_unit_sends_another_order_and_the_status_word_stays(plant: Plant) -> None:
    try:
        with_faults(plant, Faults(byte_orders={"AN1": "ABCD"}))
        assert number(">f", high_first(words(plant, "AN1", 90, 2))) == pytest.approx(12345.678, rel=1e-6)
        assert number(">f", low_first(words(plant, "AN1", 90, 2))) != pytest.approx(12345.678, rel=1e-2)
        assert words(plant, "AN1", 20, 1) == [0]
    finally:
        plant.added = Faults()


def test_an3_that_cleans_itself_has_no_value(plant: Plant) -> None:
    try:
        with_faults(plant, Faults(held=frozenset({"AN3"})))
        assert words(plant, "AN3", 100, 2) == [65_535, 1]
    finally:
        plant.added = Faults()


def test_a_forced_tag_shows_on_any_device(plant: Plant) -> None:
    try:
        with_faults(plant, Faults(forced={"UV1-STS": 0b11, "OZ1-FLT": 15}))
        assert words(plant, "UV1", 208, 1) == [0b11]
        assert words(plant, "OZ1", 10, 1) == [15]
    finally:
        plant.added = Faults()


def test_a_calibrated_analyzer_shows_hold_and_calibration(plant: Plant) -> None:
    try:
        with_faults(plant, Faults(held=frozenset({"AN1"}), calibrating=frozenset({"AN1"})))
        assert words(plant, "AN1", 20, 1) == [0b11]
    finally:
        plant.added = Faults()


def test_without_mains_only_what_hangs_on_the_ups_answers() -> None:
    one = Plant(EVENTS["calm"])
    one.added = replace(one.added, mains_lost=True)
    assert {name for name in DEVICES if not one.deaf(name)} == {"AN1", "AN2", "AN3", "RI1", "PC1", "PW1"}


def test_a_dead_line_silences_what_is_behind_it_and_nothing_else() -> None:
    one = Plant(EVENTS["calm"])
    one.added = replace(one.added, lines=frozenset({"COM2"}))
    assert {name for name in DEVICES if one.deaf(name)} == {device.name for device in behind("COM2")}
