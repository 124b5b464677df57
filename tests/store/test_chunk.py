"""Packing gives back what went in, or says that it is damaged."""

import math
import random
import struct
import zlib

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.tick import Tick
from gateway.store.chunk import SampleRow, ScanTick, pack, unpack
from gateway.store.columns import ColumnReader, ColumnWriter, fold, unfold
from gateway.store.errors import ChunkDamaged, NotStorable
from gateway.store.value_rule import Kind, Order, Rule, find_rule, stepped, steps_between, whole, words_of
from tests.store.support import UTC_MS, chunk_from, rows_from, scans_of

TEXT = Text("FS-501 V2")
finite = st.floats(allow_nan=False, allow_infinity=False)
ticks = st.builds(
    Tick,
    monotonic_ms=st.integers(0, 2**50),
    utc_ms=st.integers(-(2**45), 2**45),
    utc_trusted=st.booleans(),
)
readings = st.one_of(
    st.builds(Number, finite, st.sampled_from((Quality.GOOD, Quality.UNCERTAIN)), st.sampled_from(Reason)),
    st.builds(NoNumber, st.sampled_from(Reason)),
    st.builds(Text, st.text(st.characters(codec="utf-8"), max_size=8).filter(str.isprintable)),
    st.sampled_from((Text(""), Text("good ok"), Text("text none"))),
)
tags = st.one_of(
    st.sampled_from(("AIT-510", "FIT-905", "ZSC-901")), st.text(st.characters(exclude_characters="\n", codec="utf-8"))
)
samples = st.builds(
    Sample,
    tag=tags,
    reading=readings,
    arrived=ticks,
    source_utc_ms=st.integers(-(2**45), 2**45),
    raw=st.one_of(
        st.lists(st.integers(0, 0xFFFF), max_size=5), st.lists(st.integers(0, 0xFFFF), min_size=7, max_size=125)
    ).map(tuple),
)


@st.composite
def periods(draw: st.DrawFn) -> tuple[list[SampleRow], list[ScanTick]]:
    first_n = draw(st.integers(1, 2**40))
    drawn = draw(st.lists(st.tuples(samples, st.integers(0, 2**40)), min_size=1, max_size=30))
    rows = [SampleRow(n=first_n + i, scan=scan, sample=sample) for i, (sample, scan) in enumerate(drawn)]
    scans = draw(st.lists(st.builds(ScanTick, scan=st.integers(0, 2**40), tick=ticks), max_size=12))
    return rows, scans


def bits(reading: Reading) -> bytes:
    return struct.pack(">d", reading.value) if isinstance(reading, Number) else b""


@given(periods())
@settings(deadline=None, max_examples=300)
def test_what_was_packed_comes_back_exactly(period: tuple[list[SampleRow], list[ScanTick]]) -> None:
    rows, scans = period
    header, body = pack(rows, scans, run=7, configuration="abc")
    contents = unpack(header, body)
    assert list(contents.rows) == rows
    assert list(contents.scans) == scans
    assert [bits(r.sample.reading) for r in contents.rows] == [bits(r.sample.reading) for r in rows]  # -0.0 is not 0.0
    assert (header.first_n, header.last_n, header.run) == (rows[0].n, rows[-1].n, 7)
    assert header.first_utc_ms == min(r.sample.arrived.utc_ms for r in rows)
    assert header.last_utc_ms == max(r.sample.arrived.utc_ms for r in rows)
    assert header.size_bytes == len(body)


def test_a_long_block_of_registers_comes_back() -> None:
    rows = rows_from(1, 1)
    wide = [SampleRow(n=1, scan=1, sample=with_raw(rows[0].sample, raw=tuple(range(65_000, 65_125))))]
    wide.append(SampleRow(n=2, scan=1, sample=with_raw(rows[0].sample, raw=tuple(range(125)))))
    assert list(unpack(*pack(wide, [], run=1, configuration="")).rows) == wide


def with_raw(sample: Sample, *, raw: tuple[int, ...]) -> Sample:
    return Sample(
        tag=sample.tag, reading=sample.reading, arrived=sample.arrived, source_utc_ms=sample.source_utc_ms, raw=raw
    )


@pytest.mark.parametrize("raw", [(-1,), (65_536,), (0,) * 126])
def test_what_is_no_register_is_refused(raw: tuple[int, ...]) -> None:
    row = rows_from(1, 1)[0]
    with pytest.raises(NotStorable, match="registers"):
        pack([SampleRow(n=1, scan=1, sample=with_raw(row.sample, raw=raw))], [], run=1, configuration="")


def test_a_gap_within_a_chunk_and_an_empty_chunk_are_refused() -> None:
    rows = rows_from(1, 5)
    with pytest.raises(NotStorable, match=r"sample 4 of .* stands where 3 should"):
        pack([*rows[:2], *rows[3:]], [], run=1, configuration="")
    with pytest.raises(NotStorable, match="at least one sample"):
        pack([], scans_of(rows), run=1, configuration="")


@pytest.mark.parametrize("flip", range(0, 200, 7))
def test_a_flipped_bit_is_noticed(flip: int) -> None:
    header, body = chunk_from(1)
    place = flip * 8191 % (len(body) * 8)
    damaged = bytearray(body)
    damaged[place // 8] ^= 1 << place % 8
    with pytest.raises(ChunkDamaged, match="checksum"):
        unpack(header, bytes(damaged))


@given(st.data())
@settings(deadline=None, max_examples=300)
def test_a_body_with_a_forged_checksum_is_unpacked_or_refused_but_breaks_nothing(data: st.DataObject) -> None:
    """Whoever can compute the checksum may still only get ChunkDamaged out of it, never another exception."""
    header, body = chunk_from(1)
    writer = ColumnWriter()
    writer.octets += _inflated(body)
    for _ in range(data.draw(st.integers(1, 4))):
        writer.octets[data.draw(st.integers(0, len(writer.octets) - 1))] = data.draw(st.integers(0, 255))
    forged = body[:1] + _deflated(bytes(writer.octets))
    header = msgspec.structs.replace(header, checksum=_crc(forged), size_bytes=len(forged))
    try:
        contents = unpack(header, forged)
    except ChunkDamaged:
        return
    assert len(contents.rows) == 40


def _inflated(body: bytes) -> bytes:
    return zlib.decompress(body[1:], -zlib.MAX_WBITS)


def _deflated(octets: bytes) -> bytes:
    return zlib.compress(octets, 1, -zlib.MAX_WBITS)


def _crc(octets: bytes) -> int:
    return zlib.crc32(octets)


def test_a_chunk_that_unpacks_to_too_much_is_refused() -> None:
    header, body = chunk_from(1)
    bomb = body[:1] + _deflated(bytes(40_000_000))
    header = msgspec.structs.replace(header, checksum=_crc(bomb), size_bytes=len(bomb))
    with pytest.raises(ChunkDamaged, match="more than"):
        unpack(header, bomb)


# --- figures ---------------------------------------------------------------------------------------------------


def realistic(seconds: int) -> tuple[list[SampleRow], list[ScanTick]]:
    """55 tags in 11 blocks polled each five seconds: floats with noise, loop counts, scaled registers, states."""
    noise = random.Random(20250206)  # noqa: S311 - seeded noise is no cryptography
    blocks = [[f"AIT-{b}{i}0" for i in range(5)] for b in range(11)]
    rows: list[SampleRow] = []
    for poll in range(seconds // 5):
        for b, block in enumerate(blocks):
            arrived_ms = 1_000_000 + 5000 * poll + 410 * b + noise.randint(0, 30)
            tick = Tick(monotonic_ms=arrived_ms, utc_ms=UTC_MS + arrived_ms)
            for i, tag in enumerate(block):
                raw, value = _reading_of(b % 4, 1000 * b + 100 * i, noise)
                sample = Sample(tag=tag, reading=Number(value), arrived=tick, source_utc_ms=tick.utc_ms, raw=raw)
                rows.append(SampleRow(n=len(rows) + 1, scan=arrived_ms // 1000, sample=sample))
    scans = [
        ScanTick(scan=1000 + s, tick=Tick(monotonic_ms=1_000_000 + 1000 * s, utc_ms=UTC_MS + 1_000_000 + 1000 * s))
        for s in range(seconds)
    ]
    return rows, scans


def _reading_of(kind: int, place: int, noise: random.Random) -> tuple[tuple[int, ...], float]:
    match kind:
        case 0:
            octets = struct.pack(">f", (place + 300) / 1000 * noise.gauss(1, 0.01))
            high, low = struct.unpack(">HH", octets)
            return (low, high), struct.unpack(">f", octets)[0]
        case 1:
            counts = 8000 + place + noise.randint(-60, 60)
            return (counts,), (counts - 6400) / (32_000 - 6400) * 20.0
        case 2:
            counts = place + noise.randint(-3, 3)
            return (counts,), counts * 0.1
        case _:
            return (1,), 1.0


def test_a_text_costs_its_length_once() -> None:
    raw = (0x4653, 0x2D35, 0x3031, 0x2056, 0x3200)
    moments = [Tick(monotonic_ms=1_000 * n, utc_ms=1_000 * n) for n in range(1, 501)]
    rows = [
        SampleRow(n=n, scan=n, sample=Sample(tag="SERIAL", reading=TEXT, arrived=at, source_utc_ms=at.utc_ms, raw=raw))
        for n, at in enumerate(moments, 1)
    ]
    header, body = pack(rows, [], run=1, configuration="c")
    assert list(unpack(header, body).rows) == rows
    assert len(body) < 200


@pytest.mark.parametrize(("seconds", "limit"), [(10, 7.5), (300, 3.0)])
def test_a_sample_takes_few_bytes(seconds: int, limit: float) -> None:
    rows, scans = realistic(seconds)
    header, body = pack(rows, scans, run=1, configuration="c" * 64)
    assert list(unpack(header, body).rows) == rows
    assert len(body) / len(rows) < limit


# --- columns ---------------------------------------------------------------------------------------------------


@given(st.integers(-(2**200), 2**200))
def test_folding_is_undone(number: int) -> None:
    assert fold(number) >= 0
    assert unfold(fold(number)) == number


@given(st.lists(st.integers(-(2**70), 2**70)), st.lists(st.integers(-60, 60)), st.text(), st.lists(finite))
def test_columns_come_back_in_order(wide: list[int], small: list[int], text: str, doubles: list[float]) -> None:
    writer = ColumnWriter()
    writer.column(wide)
    writer.text(text)
    writer.steps(small)
    writer.doubles(doubles)
    writer.column(small)
    reader = ColumnReader(bytes(writer.octets))
    assert reader.column(len(wide)) == wide
    assert reader.text() == text
    assert reader.steps(len(small)) == small
    assert reader.doubles(len(doubles)) == doubles
    assert reader.column(len(small)) == small
    reader.finish()


@pytest.mark.parametrize("cut", range(1, 8))
def test_columns_cut_short_are_damaged(cut: int) -> None:
    writer = ColumnWriter()
    writer.column([300, 5, 70_000, 4])
    reader = ColumnReader(bytes(writer.octets[:-cut]))
    with pytest.raises(ChunkDamaged):
        reader.column(4)


def test_a_number_that_does_not_end_is_damaged() -> None:
    for octets in (b"\x80", b"\x81" * 299, b"\x81" * 300 + b"\x01", b"\x81" * 2_000_000):
        with pytest.raises(ChunkDamaged, match="does not end"):
            ColumnReader(octets).count()
    assert ColumnReader(b"\x80" * 299 + b"\x01").count() == 1 << 7 * 299


def test_what_is_left_over_is_damaged() -> None:
    with pytest.raises(ChunkDamaged, match="1 octets are left over"):
        ColumnReader(b"\x00").finish()


# --- rules -----------------------------------------------------------------------------------------------------


@given(finite, finite)
@example(0.0, -0.0)
def test_the_distance_between_two_numbers_leads_from_one_to_the_other(a: float, b: float) -> None:
    assert struct.pack(">d", stepped(a, steps_between(a, b))) == struct.pack(">d", b)


@given(st.lists(st.integers(0, 0xFFFF), max_size=6).map(tuple), st.sampled_from(Order))
def test_registers_as_one_number_come_back(words: tuple[int, ...], order: Order) -> None:
    assert words_of([whole(words, order)], len(words), order) == [words]


@given(
    st.integers(0, 10).flatmap(
        lambda length: st.lists(st.lists(st.integers(0, 0xFFFF), min_size=length, max_size=length))
    ),
    st.builds(Rule, st.sampled_from(Order), st.sampled_from(Kind), finite, finite),
)
def test_a_rule_makes_of_a_column_what_it_makes_of_each(column: list[list[int]], rule: Rule) -> None:
    words = [tuple(one) for one in column]
    numbers, length = [whole(one, rule.order) for one in words], len(words[0]) if words else 0
    each = [struct.pack(">d", rule.value(one)) for one in words]
    assert [struct.pack(">d", value) for value in rule.values(numbers, length)] == each
    assert words_of(numbers, length, rule.order) == words


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (Order.ABCD, (0x4128, 0x0000)),
        (Order.CDAB, (0x0000, 0x4128)),
        (Order.BADC, (0x2841, 0x0000)),
        (Order.DCBA, (0x0000, 0x2841)),
    ],
)
def test_a_float_is_read_in_each_order(order: Order, words: tuple[int, ...]) -> None:
    assert Rule(order, Kind.FLOAT, 1.0, 0.0).value(words) == 10.5


def test_the_usual_rules_are_found() -> None:
    counts = [(n,) for n in (6400, 7123, 20_000, 31_999)]
    assert find_rule([(w, w[0] * 0.1) for w in counts]) == Rule(Order.ABCD, Kind.UNSIGNED, 0.1, 0.0)
    minus = [((65_535,), -1.0), ((3,), 3.0)]
    assert find_rule(minus) == Rule(Order.ABCD, Kind.SIGNED, 1.0, 0.0)
    floats = [((0x0000, 0x4128), 10.5), ((0x0000, 0x3F80), 1.0)]
    assert find_rule(floats) == Rule(Order.CDAB, Kind.FLOAT, 1.0, 0.0)


def test_a_loop_is_a_line_and_little_is_left() -> None:
    readings = [((n,), (n - 6400) / 25_600 * 20.0) for n in range(6400, 32_000, 97)]
    rule = find_rule(readings)
    assert rule is not None
    assert max(abs(steps_between(rule.value(words), value)) for words, value in readings[10:]) < 100


def test_where_nothing_fits_plain_values_are_kept() -> None:
    noise = random.Random(3)  # noqa: S311 - seeded noise is no cryptography
    assert find_rule([((noise.randint(0, 65_535),), noise.random() * 1e300) for _ in range(9)]) is None


def test_a_rule_makes_nothing_infinite() -> None:
    assert Rule(Order.ABCD, Kind.FLOAT, 1.0, 0.0).value((0x7F80, 0)) == 0.0
    assert math.isfinite(Rule(Order.ABCD, Kind.UNSIGNED, 1e308, 0.0).value((65_535,)))
