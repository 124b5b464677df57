"""Frames: whole, in pieces, with rubbish behind."""

import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.local import frames
from gateway.local.messages import (
    Answered,
    Ask,
    AskHistory,
    AskStatus,
    ChunkHeader,
    Confirm,
    FromField,
    Hello,
    History,
    JournalEntry,
    LiveEvent,
    Refusal,
    TagValue,
    ToField,
    Values,
    Watch,
)

words = st.text(max_size=12)
counts = st.integers(min_value=0, max_value=2**53)
figures = st.floats(allow_nan=False, allow_infinity=False)
tag_values = st.builds(
    TagValue,
    tag=words,
    quality=words,
    value=st.none() | figures,
    utc_ms=counts,
    n=counts,
    text=st.none() | words,
    in_words=words,
)
facts = st.dictionaries(words, words | counts | st.booleans(), max_size=3)
entries = st.builds(
    JournalEntry,
    n=counts,
    run=counts,
    scan=counts,
    monotonic_ms=counts,
    utc_ms=counts,
    utc_trusted=st.booleans(),
    kind=words,
    facts=facts,
)
headers = st.builds(
    ChunkHeader,
    stream=words,
    run=counts,
    first_n=counts,
    last_n=counts,
    first_utc_ms=counts,
    last_utc_ms=counts,
    configuration=words,
    checksum=counts,
    size_bytes=counts,
)
from_field: st.SearchStrategy[FromField] = st.one_of(
    st.builds(Hello, client=words, site=words, rate=figures),
    st.builds(Values, scan=counts, utc_ms=counts, values=st.lists(tag_values, max_size=3).map(tuple)),
    st.builds(LiveEvent, entry=entries),
    st.builds(
        History, id=counts, stream=words, chunks=st.lists(headers, max_size=2).map(tuple), newest_n=counts, gap=words
    ),
    st.builds(Answered, id=words, granted=st.booleans(), text=words),
    st.builds(Refusal, text=words),
)
to_field: st.SearchStrategy[ToField] = st.one_of(
    st.just(Watch()),
    st.builds(AskStatus, id=counts),
    st.builds(AskHistory, id=counts, stream=words, after_n=counts),
    st.builds(Confirm, reader=words, stream=words, n=counts),
    st.builds(Ask, id=words, action=words, reason=words, measured=st.dictionaries(words, figures, max_size=3)),
)
from_field_stream = st.lists(st.tuples(from_field, st.binary(max_size=40)), min_size=1, max_size=4)
to_field_stream = st.lists(st.tuples(to_field, st.just(b"")), min_size=1, max_size=4)


def framed(body: bytes, attachment: bytes = b"") -> bytes:
    return struct.pack(">II", 4 + len(body) + len(attachment), len(body)) + body + attachment


@given(from_field_stream)
def test_what_the_field_process_sends_comes_out_whole(stream: list[tuple[FromField, bytes]]) -> None:
    decoder = frames.from_field()
    assert decoder.feed(b"".join(frames.encode(*each) for each in stream)) == stream
    assert decoder.pending_bytes == 0


@given(from_field_stream)
def test_byte_by_byte_it_is_the_same(stream: list[tuple[FromField, bytes]]) -> None:
    decoder = frames.from_field()
    wire = b"".join(frames.encode(*each) for each in stream)
    assert [frame for at in range(len(wire)) for frame in decoder.feed(wire[at : at + 1])] == stream


@given(to_field_stream, st.data())
def test_cut_anywhere_it_is_the_same(stream: list[tuple[ToField, bytes]], data: st.DataObject) -> None:
    wire = b"".join(frames.encode(*each) for each in stream)
    inner = data.draw(st.lists(st.integers(min_value=0, max_value=len(wire)), max_size=6))
    decoder = frames.to_field()
    cuts = pairwise([0, *sorted(inner), len(wire)])
    assert [frame for start, end in cuts for frame in decoder.feed(wire[start:end])] == stream


@given(to_field_stream, st.binary(max_size=64))
def test_rubbish_behind_whole_frames_costs_none_of_them_and_raises_nothing_else(
    stream: list[tuple[ToField, bytes]], rubbish: bytes
) -> None:
    decoder = frames.to_field()
    whole = decoder.feed(b"".join(frames.encode(*each) for each in stream) + rubbish)
    assert whole[: len(stream)] == stream
    try:
        decoder.feed(b"")
    except frames.FrameError:
        assert decoder.pending_bytes == 0


@given(st.binary(max_size=200))
def test_any_bytes_give_messages_or_a_named_fault(rubbish: bytes) -> None:
    try:
        frames.to_field().feed(framed(rubbish))
    except frames.FrameError:
        return
    raise AssertionError(f"{rubbish!r} is no message")


def test_a_frame_of_the_limit_passes_and_one_byte_more_does_not() -> None:
    room = frames.FRAME_LIMIT_BYTES - 4 - len(frames.encode(Watch())) + 8
    wire = frames.encode(Watch(), bytes(room))
    assert len(wire) == 4 + frames.FRAME_LIMIT_BYTES
    assert frames.to_field().feed(wire) == [(Watch(), bytes(room))]
    with pytest.raises(frames.FrameTooLarge, match="1048577 bytes"):
        frames.encode(Watch(), bytes(room + 1))


def test_an_oversize_frame_is_refused_by_its_length_alone() -> None:
    with pytest.raises(frames.FrameTooLarge, match="at most 1048576"):
        frames.to_field().feed(struct.pack(">I", frames.FRAME_LIMIT_BYTES + 1))


@pytest.mark.parametrize(
    ("wire", "fault"),
    [
        (struct.pack(">I", 3), frames.FrameMalformed),
        (struct.pack(">II", 6, 3) + b"{}", frames.FrameMalformed),
        (framed(b""), frames.NotJson),
        (framed(b"\xff\xfe"), frames.NotJson),
        (framed(b'{"type":"watch"'), frames.NotJson),
        (framed(b'{"type":"ask","id":"\xff","action":"reset"}'), frames.NotJson),
        (framed(b'{"type":"watch","more":' + b"[" * 100_000 + b"]" * 100_000 + b"}"), frames.NotJson),
        (framed(b'{"type":"open_the_valve"\x00}'), frames.NotJson),  # the type alone would be another fault
        (framed(b'{"type":"open_the_valve","more":' + b"[" * 100_000 + b"]" * 100_000 + b"}"), frames.NotJson),
        (framed(b"[]"), frames.UnknownMessage),
        (framed(b"{}"), frames.UnknownMessage),
        (framed(b'{"type":7}'), frames.UnknownMessage),
        (framed(b'{"type":"open_the_valve"}'), frames.UnknownMessage),
        (framed(b'{"type":"status","id":1}'), frames.UnknownMessage),  # of the other direction
        (framed(b'{"type":"ask_status"}'), frames.WrongMessage),
        (framed(b'{"type":"ask_status","id":"one"}'), frames.WrongMessage),
        (framed(b'{"type":"ask_history","id":1,"stream":"journal","after_n":1e400}'), frames.WrongMessage),
    ],
)
def test_each_fault_has_its_name(wire: bytes, fault: type[frames.FrameError]) -> None:
    with pytest.raises(fault):
        frames.to_field().feed(wire)


def test_after_a_fault_nothing_more_is_taken() -> None:
    decoder = frames.to_field()
    with pytest.raises(frames.UnknownMessage):
        decoder.feed(framed(b"{}"))
    with pytest.raises(frames.UnknownMessage):
        decoder.feed(frames.encode(Watch()))


def test_fields_of_a_later_version_are_ignored() -> None:
    wire = framed(b'{"type":"ask_status","colour":{"deep":[1,2]},"id":7}')
    assert frames.to_field().feed(wire) == [(AskStatus(id=7), b"")]


def test_a_bad_value_has_no_number_on_the_wire() -> None:
    told = Values(scan=1, utc_ms=2, values=(TagValue(tag="AIT-510", quality="bad", reason="stale"),))
    assert b'"value"' not in frames.encode(told)
    assert frames.from_field().feed(frames.encode(told)) == [(told, b"")]
