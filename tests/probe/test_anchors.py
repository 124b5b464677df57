"""Anchors in a file."""

from pathlib import Path

import pytest

from gateway.drivers.driver import Table
from gateway.probe.anchors import AnchorsUnusable, add_anchor, read_anchors
from gateway.probe.finder import Anchor

ANCHOR = Anchor(displayed="7.21", words={Table.HOLDING: {10: 1, 11: 2, 20: 65535}, Table.INPUT: {0: 7}}, within=0.05)


def test_anchors_come_back_as_they_were_added(tmp_path: Path) -> None:
    file = tmp_path / "ph.anchors"
    assert read_anchors(file) == []
    second = Anchor(displayed="-3", words={Table.INPUT: {65535: 0}})
    add_anchor(file, ANCHOR, at="2025-02-26T09:00:00Z", device="COM1 unit 11")
    add_anchor(file, second, at="2025-02-26T09:05:00Z", device="COM1 unit 11")
    assert [anchor for _, anchor in read_anchors(file)] == [ANCHOR, second]
    assert {line.device for line, _ in read_anchors(file)} == {"COM1 unit 11"}


GOOD = '{"at":"x","device":"d","displayed":"7.21","words":{"holding":{"0":[1]}}}'


@pytest.mark.parametrize(
    "bad",
    [
        pytest.param("{", id="no JSON"),
        pytest.param("[]", id="no object"),
        pytest.param(GOOD.replace('"7.21"', "7.21"), id="a number for the digits"),
        pytest.param(GOOD.replace("7.21", "7,21"), id="digits no display shows"),
        pytest.param(GOOD.replace("[1]", "[65536]"), id="no word"),
        pytest.param(GOOD.replace('"0"', '"-1"'), id="no address"),
        pytest.param(GOOD.replace("holding", "coil"), id="no register table"),
        pytest.param(GOOD.replace('"at":"x",', ""), id="a key missing"),
        pytest.param(GOOD.replace('"at"', '"when":"x","at"'), id="a key too many"),
        pytest.param(GOOD[:-1] + ',"within":-1}', id="a tolerance below zero"),
    ],
)
def test_a_line_that_is_no_anchor_is_refused_with_file_and_line(tmp_path: Path, bad: str) -> None:
    file = tmp_path / "a.anchors"
    file.write_text(f"{GOOD}\n\n{bad}\n", encoding="utf-8")
    with pytest.raises(AnchorsUnusable, match=r"a\.anchors:3: no anchor: .*take this one out"):
        read_anchors(file)


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "a.anchors"
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(AnchorsUnusable, match="cannot be read"):
        read_anchors(file)


def test_a_file_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    with pytest.raises(AnchorsUnusable, match="cannot be written"):
        add_anchor(tmp_path / "no" / "a.anchors", ANCHOR, at="", device="")
