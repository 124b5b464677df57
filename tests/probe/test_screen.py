"""Registers on a terminal."""

import math
import re
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.drivers.modbus.codec import Encoding, decode, encode
from gateway.probe.registers import Registers
from gateway.probe.screen import GROUPS, USUAL_GROUPS, View, bit_table, changes, number_text, register_table

FLOAT = Encoding("float32", "CDAB")


def held(*words: int, first: int = 0) -> Registers:
    return Registers(words=dict(enumerate(words, start=first)))


def row(text: str, address: int, table: int = 0) -> list[str]:
    """Cells of the row of an address in one of the tables."""
    lines = text.split("\n\n")[table].splitlines()
    return next(line.split() for line in lines if line.split()[0].lstrip("*") == str(address))


def test_one_word_is_shown_in_every_way() -> None:
    text = register_table(held(0x9142), View(groups=["words"], width=80))
    assert row(text, 0) == ["0", "9142", "37186", "-28350", "1001", "0001", "0100", "0010", "9142", ".B"]


def test_four_orders_of_a_float_stand_side_by_side_and_only_one_is_sane() -> None:
    text = register_table(held(*encode(7.2134, FLOAT), first=16), View(groups=["f32"], width=80))
    assert row(text, 16)[2] == "7.2134"
    assert [cell for cell in row(text, 16)[1:] if cell.startswith(("~", "-~")) or cell == "nan"] != []


@pytest.mark.parametrize("group", GROUPS[1:])
def test_each_cell_is_what_the_codec_says(group: str) -> None:
    kinds = {"f32": "float32", "u32": "uint32", "i32": "int32", "f64": "float64", "u64": "uint64", "i64": "int64"}
    words = [0x4049, 0x0FDB, 0x0001, 0x0302]
    cells = row(register_table(held(*words), View(groups=[group], width=100)), 0)
    for cell, order in zip(cells[1:], ("ABCD", "CDAB", "BADC", "DCBA"), strict=True):
        encoding = Encoding(kinds[group], order)  # type: ignore[arg-type]  # the table above
        number = decode(words[: 2 if group.endswith("32") else 4], encoding)
        assert not isinstance(number, str)
        if abs(number) > 1e12:
            assert cell == f"{'-' if number < 0 else ''}~e{math.floor(math.log10(abs(number)))}"
        elif abs(number) < 1e-9:
            assert cell.endswith("~0")
        else:
            assert float(cell) == pytest.approx(number, rel=1e-5)


@given(st.lists(st.integers(0, 65535), min_size=1, max_size=12), st.integers(72, 300), st.booleans())
def test_no_line_is_wider_than_the_terminal_and_no_group_is_lost(words: list[int], width: int, manual: bool) -> None:  # noqa: FBT001 - drawn
    width = max(width, 86 if manual else 78)
    view = View(groups=GROUPS, width=width, counts_from=400_001 if manual else None)
    text = register_table(held(*words), view)
    assert max(len(line) for line in text.splitlines()) <= width
    for title in ("u16", *(f"{name} DCBA" for name in GROUPS[1:])):
        assert text.count(title) == 1


def test_a_wide_terminal_has_fewer_tables() -> None:
    narrow, wide = (register_table(held(1, 2), View(groups=USUAL_GROUPS, width=width)) for width in (80, 400))
    assert narrow.count("\n\n") == 5
    assert wide.count("\n\n") == 0


def test_whole_numbers_are_scaled_and_floats_are_not() -> None:
    words = encode(7.5, Encoding("float32", "ABCD"))
    text = register_table(held(*words), View(groups=["words", "f32"], width=400, scale=0.1))
    assert row(text, 0)[2:4] == ["1662.4", "1662.4"]
    assert "7.5" in row(text, 0)
    assert row(register_table(held(0xFFEC), View(groups=["words"], width=80, scale=0.1)), 0)[3] == "-2"


def test_the_number_of_the_manual_stands_beside_the_address() -> None:
    text = register_table(held(5, first=10), View(groups=["words"], width=90, counts_from=40_001))
    assert row(text, 10)[:2] == ["10", "40011"]


def test_words_that_changed_carry_a_star() -> None:
    before, now = held(1, 2, 3), held(1, 5, 3)
    assert changes(before, now) == {1}
    text = register_table(now, View(groups=["words"], width=80), changes(before, now))
    assert re.findall(r"\*\d+", text) == ["*1"]
    assert changes(None, now) == frozenset()
    assert changes(Registers(holes={0: "no reply"}), now) == frozenset(), "what was not known has not changed"


def test_neighbouring_holes_share_a_line_and_cut_long_numbers() -> None:
    found = Registers(words={0: 16528, 1: 1, 8: 3}, holes=dict.fromkeys(range(2, 8), "refused (exception 2)"))
    text = register_table(found, View(groups=["f32"], width=80))
    assert "       2  to 7: refused (exception 2)" in text
    assert row(text, 0)[1] == "4.5"
    assert row(text, 1) == ["1"], "the second word of a float that begins here is missing"


def test_a_stretch_of_zeros_is_one_line_but_never_a_word_that_is_part_of_a_number() -> None:
    text = register_table(held(0, 0, 0, 0, 0, 0, 0, 9), View(groups=["u32"], width=80))
    assert "0  to 3: all zero" in text
    assert row(text, 6)[1:3] == ["9", "589824"]


def test_a_word_that_became_zero_keeps_its_line() -> None:
    text = register_table(held(0, 0, 0), View(groups=["words"], width=80), frozenset({1}))
    assert "*1  0000" in text


def test_without_any_word_the_reason_is_said_once() -> None:
    found = Registers(holes=dict.fromkeys(range(10), "no reply"))
    assert register_table(found, View(groups=USUAL_GROUPS, width=80)).count("no reply") == 1


def test_bits_stand_sixteen_in_a_line_with_a_star_where_they_changed() -> None:
    found = Registers(words={at: int(at in (3, 17)) for at in range(20)}, holes={20: "refused (exception 2)"})
    lines = bit_table(found, View(groups=[], width=80), frozenset({17})).splitlines()
    assert lines[1].split() == ["0", *("1" if at == 3 else "0" for at in range(16))]
    assert lines[2].split() == ["16", "0", "1*", "0", "0"]
    assert "refused" in lines[3]


@pytest.mark.parametrize(
    ("number", "shown"),
    [
        (float("nan"), "nan"),
        (float("-inf"), "-inf"),
        (struct.unpack(">f", bytes.fromhex("00000001"))[0], "~0"),
        (-1e-40, "-~0"),
        (3.4e38, "~e38"),
        (-2.5e13, "-~e13"),
        (0.0, "0"),
        (7.2134, "7.2134"),
        (12345.678, "12345.68"),
        (4294967295, "4294967295"),
    ],
)
def test_what_can_be_no_measurement_is_short(number: float, shown: str) -> None:
    assert number_text(number, 12, 7) == shown


@given(st.floats(), st.integers(8, 15))
def test_a_number_fits_its_column(number: float, width: int) -> None:
    assert len(number_text(number, width)) <= width
