"""The decisions' state comes back from its bytes as it was, or not at all."""

import json
import zlib
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gateway.core.quality import Quality, Reason
from gateway.core.request import Action
from gateway.core.sample import Number, Text
from gateway.core.state import ScanState
from gateway.core.tick import Tick
from gateway.core.validity import TagState
from gateway.store.scan_state import Unreadable, from_bytes, to_bytes
from tests.core.plants import GOOD_GRAB, Bench


def rich_state() -> ScanState:
    """Something of everything: trips, latches, bypass, shelf, hold, grab, offer, exposure, memories."""
    bench = Bench()
    bench.deliver()
    bench.ask(Action.BYPASS, "I-LEVELS", duration_ms=600_000)
    bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=600_000)
    bench.ask(Action.TAKE_OUT_OF_SERVICE, "CHLORINE-LOW")
    bench.read(FLOW=3.6, TURB=12.25, LEVEL_A=95.0, LEVEL_B=95.0, HOLD_801=1.0, FLOW_510=Reason.NO_ANSWER)
    bench.reads["TANK"] = Number(94.1, Quality.UNCERTAIN, Reason.OVER_RANGE)
    bench.run(5)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    bench.read(FLOW_510=1.0, LEVEL_C=Reason.LOOP_FAULT)
    bench.run(30)
    bench.state = replace(bench.state, offer=None)
    return bench.state


def test_a_rich_state_comes_back_equal() -> None:
    state = rich_state()
    assert any(one.tripped for one in state.interlocks.values())
    assert any(one.bypassed_until_ms for one in state.interlocks.values())
    assert any(one.counting for one in state.exposures.values())
    assert from_bytes(to_bytes(state)) == state


def test_an_offer_comes_back_too() -> None:
    bench = Bench()
    bench.controlled()
    bench.run(61)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    bench.ask(Action.RELEASE, "product")
    assert bench.state.offer is not None
    assert from_bytes(to_bytes(bench.state)) == bench.state


@given(value=st.floats(allow_nan=False, allow_infinity=False), ms=st.integers(0, 2**62))
def test_every_finite_number_and_every_stamp_comes_back_exactly(value: float, ms: int) -> None:
    state = ScanState(tick=Tick(monotonic_ms=ms, utc_ms=ms))
    tags = Bench().state.tags
    changed = tags["TURB"]._replace(reading=Number(value), accepted_ms=ms, moved_value=value)
    state = replace(state, tags={"TURB": changed})
    assert from_bytes(to_bytes(state)) == state


READING = TagState._fields.index("reading")
WRITTEN_ONCE = (  # in records that are kept for years, by position
    "reading",
    "accepted_ms",
    "newest_utc_ms",
    "delivered",
    "moved_ms",
    "moved_value",
    "previous_ms",
    "previous_value",
    "rate_per_min",
    "held_since_ms",
    "governors",
    "level",
    "contradicted_since_ms",
    "has_say",
)


def test_the_state_of_a_tag_keeps_its_order_and_one_without_what_came_later_can_be_read() -> None:
    assert TagState._fields[: len(WRITTEN_ONCE)] == WRITTEN_ONCE
    state = rich_state()
    document = json.loads(zlib.decompress(to_bytes(state)))
    document["tags"] = {tag: one[: len(WRITTEN_ONCE)] for tag, one in document["tags"].items()}
    read = from_bytes(zlib.compress(json.dumps(document).encode()))
    assert read.tags == {tag: one._replace(says_until_ms=0) for tag, one in state.tags.items()}


def damaged() -> dict[str, bytes]:
    whole = to_bytes(rich_state())
    document = json.loads(zlib.decompress(whole))
    document["outputs"]["product"].pop("level")
    bad_number = json.loads(zlib.decompress(whole))
    bad_number["tags"]["TURB"][READING] = {"value": None, "quality": "good", "reason": "no such reason"}
    return {
        "nothing": b"",
        "cut off": whole[: len(whole) // 2],
        "cut off within its end": whole.rstrip(b"\0")[:-1],
        "something behind it": whole + b"x",
        "no deflate": b"{}",
        "no json": zlib.compress(b"what is this"),
        "another shape": zlib.compress(json.dumps(document).encode()),
        "a reason nobody knows": zlib.compress(json.dumps(bad_number).encode()),
    }


@pytest.mark.parametrize("name", damaged())
def test_bytes_that_are_no_state_say_so(name: str) -> None:
    with pytest.raises(Unreadable, match="the saved state cannot be read"):
        from_bytes(damaged()[name])


def test_a_state_takes_whole_steps_of_256_bytes_and_is_read_without_the_zeros_too() -> None:
    state = rich_state()
    assert len(to_bytes(state)) % 256 == 0
    assert from_bytes(to_bytes(state).rstrip(b"\0")) == state


@given(st.text(st.characters(codec="utf-8")).filter(str.isprintable))
@example("12.5")  # a text that looks like a number stays a text
@example("")
def test_a_text_comes_back_as_a_text(text: str) -> None:
    state = ScanState(tick=Tick(monotonic_ms=0, utc_ms=0))
    state = replace(state, tags={"TURB": Bench().state.tags["TURB"]._replace(reading=Text(text))})
    assert from_bytes(to_bytes(state)) == state
