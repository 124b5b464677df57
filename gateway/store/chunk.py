"""The samples and scans of one commit, packed into few octets and back. Pure.

A chunk explains itself: with its header it can be unpacked anywhere, without
the database and without the configuration. It is packed in columns, tag by
tag, because what is alike then lies side by side. Unpacking gives back exactly
what was packed, or says that the chunk is damaged; never anything between.

Body: one octet for the format (1), then a raw deflate stream of the columns in
the order in which ``pack`` writes them.
"""

import math
import struct
import zlib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import accumulate, pairwise
from operator import add
from typing import NamedTuple

from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.tick import Tick
from gateway.local.messages import ChunkHeader
from gateway.store.columns import ColumnReader, ColumnWriter
from gateway.store.errors import ChunkDamaged, NotStorable
from gateway.store.inputs import OtherInput, from_line, to_line
from gateway.store.value_rule import (
    LITTLE,
    Kind,
    KnownRules,
    Order,
    Rule,
    Words,
    stepped,
    steps_between,
    whole,
    wholes,
    words_of,
)

STREAM = "samples"
_FORMAT = 1
_LEVEL = 1  # the highest level gains four parts in a hundred; joining chunks gains two thirds
_MOST_BYTES = 33_554_432  # of an unpacked chunk; more is a damaged or hostile one
_TEXT = "text"  # in the place of a quality
_GOOD = f"{Quality.GOOD.value} {Reason.OK.value}"
_LARGEST_REGISTER = 0xFFFF
_MOST_REGISTERS = 125  # of one sample: what one read can bring


class SampleRow(NamedTuple):
    """One accepted sample. A tuple, since one is made for every reading of the plant.

    Args:
        n: its number, without gaps.
        scan: number of the scan that saw it first.
        sample: as the scan saw it, registers included.
    """

    n: int
    scan: int
    sample: Sample


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanTick:
    """When a scan was.

    Args:
        scan: number of the scan.
        tick: its moment.
    """

    scan: int
    tick: Tick


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What a chunk holds, in the order in which it was packed."""

    rows: tuple[SampleRow, ...]
    scans: tuple[ScanTick, ...]
    others: tuple[OtherInput, ...] = ()


Sort = tuple[Quality, Reason] | NoNumber | Text
"""What a reading is beside its value: quality and reason of a number, or all there is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Registers:
    """Samples of one tag with equally many registers.

    Args:
        places: of the samples in the chunk.
        numbers: the registers of each as one number, as ``whole`` makes it.
        length: how many registers.
        rule: how the values follow from them; None when they do not.
    """

    places: Sequence[int]
    numbers: Sequence[int]
    length: int
    rule: Rule | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """What a chunk holds, the samples not one by one but each thing in a column, all in the order of their numbers.

    Args:
        first_n: number of the first sample.
        in_scan: number of the scan that saw each first.
        monotonic_ms: when each had arrived, as the two below.
        utc_ms: the same on the wall clock.
        utc_trusted: whether that one was known good.
        source_utc_ms: stamp of each.
        tags: tag of each.
        sorts: what the readings are, each sort once.
        sort: place of each one's sort.
        values: of the numbers; of others nothing to look at.
        registers: tag by tag.
        scans: of the same period.
        others: as they were packed.
    """

    first_n: int
    in_scan: Sequence[int]
    monotonic_ms: Sequence[int]
    utc_ms: Sequence[int]
    utc_trusted: Sequence[bool]
    source_utc_ms: Sequence[int]
    tags: Sequence[str]
    sorts: Sequence[Sort]
    sort: Sequence[int]
    values: Sequence[float]
    registers: Sequence[Registers]
    scans: tuple[ScanTick, ...]
    others: tuple[OtherInput, ...]


def pack(
    samples: Sequence[SampleRow],
    scans: Sequence[ScanTick],
    *,
    run: int,
    configuration: str,
    others: Sequence[OtherInput] = (),
    rules: KnownRules | None = None,
) -> tuple[ChunkHeader, bytes]:
    """Pack one commit.

    Args:
        samples: at least one, numbered without gaps. When none came, keep the scans for the next commit.
        scans: of the same period.
        run: number of this process start.
        configuration: hash of the configuration in force.
        others: requests and read-backs that the same scans took.
        rules: known from chunks before, and added to; saves looking for them, and is not needed to unpack.

    Raises:
        NotStorable: no samples, a gap in their numbers, a register outside 0 to 65535, a line break in a tag.
    """
    _refuse_unfit(samples)
    writer = ColumnWriter()
    writer.count(len(samples))
    writer.count(len(scans))
    _write_moments(writer, [scan.scan for scan in scans], [scan.tick for scan in scans])
    _write_moments(writer, [row.scan for row in samples], [row.sample.arrived for row in samples])
    writer.column([row.sample.source_utc_ms - row.sample.arrived.utc_ms for row in samples])
    _write_readings(writer, [row.sample.reading for row in samples])
    by_tag = _write_tags(writer, samples)
    _write_values(writer, by_tag, _columns(by_tag, KnownRules() if rules is None else rules))
    _write_others(writer, others)
    body = bytes((_FORMAT,)) + zlib.compress(bytes(writer.octets), _LEVEL, -zlib.MAX_WBITS)
    return _header(samples, body, run=run, configuration=configuration), body


def unpack(header: ChunkHeader, body: bytes) -> Contents:
    """Exactly what was packed.

    Raises:
        ChunkDamaged: body and header do not belong together, or the body makes no sense.
    """
    columns = columns_of(header, body)
    return Contents(rows=tuple(_rows(columns)), scans=columns.scans, others=columns.others)


def columns_of(header: ChunkHeader, body: bytes) -> Columns:
    """The same, for those who need no ``Sample`` of each: the lesser part of the work.

    Raises:
        ChunkDamaged: as ``unpack``, whatever of the body it is that makes no sense.
    """
    reader = ColumnReader(inflated(header, body))
    length, scans = reader.items(), reader.items()
    if length != header.last_n - header.first_n + 1:
        raise ChunkDamaged(f"the header names samples {header.first_n} to {header.last_n}, the body has {length}")
    try:
        columns = _read_columns(reader, length, scans, header.first_n)
        reader.finish()
    except (ValueError, OverflowError, IndexError, struct.error) as error:
        raise ChunkDamaged(f"samples {header.first_n} to {header.last_n} cannot be unpacked: {error}") from error
    return columns


# --- packing ---------------------------------------------------------------------------------------------------


def _refuse_unfit(samples: Sequence[SampleRow]) -> None:
    if not samples:
        raise NotStorable("a chunk holds at least one sample; keep the scans for the next commit")
    for n, row in enumerate(samples, samples[0].n):
        if row.n != n:
            raise NotStorable(f"sample {row.n} of {row.sample.tag} stands where {n} should; numbers have no gaps")
        raw = row.sample.raw
        if raw and (len(raw) > _MOST_REGISTERS or min(raw) < 0 or max(raw) > _LARGEST_REGISTER):
            raise NotStorable(
                f"sample {n} of {row.sample.tag} has registers {raw}; up to 125 of 0 to 65535 are allowed"
            )
        if "\n" in row.sample.tag:
            raise NotStorable(f"sample {n}: tag {row.sample.tag!r} has a line break")


def _write_others(writer: ColumnWriter, others: Sequence[OtherInput]) -> None:
    writer.count(len(others))
    writer.steps([one.scan for one in others])
    writer.steps([one.after_n for one in others])
    writer.text("\n".join(to_line(one.given) for one in others))


def _write_moments(writer: ColumnWriter, scans: Sequence[int], ticks: Sequence[Tick]) -> None:
    writer.steps(scans)
    writer.steps([tick.monotonic_ms for tick in ticks])
    writer.steps([tick.utc_ms - tick.monotonic_ms for tick in ticks])  # moves only when the wall clock is set
    writer.column([tick.utc_trusted for tick in ticks])


def _write_readings(writer: ColumnWriter, readings: Sequence[Reading]) -> None:
    """Qualities and reasons by name, so that a chunk outlives a change of their order; texts as they are."""
    names = [_name(reading) for reading in readings]
    table = list(dict.fromkeys(names))
    writer.text("\n".join(table))
    places = {name: place for place, name in enumerate(table)}
    writer.column([places[name] for name in names])


def _name(reading: Reading) -> str:
    if isinstance(reading, Number):
        if reading.quality is Quality.GOOD and reading.reason is Reason.OK:  # as most are
            return _GOOD
        return _name_of_number(reading.quality, reading.reason)
    return f"{_TEXT} {reading.text}" if isinstance(reading, Text) else f"none {reading.reason.value}"


@cache
def _name_of_number(quality: Quality, reason: Reason) -> str:
    return f"{quality.value} {reason.value}"


def _write_tags(writer: ColumnWriter, samples: Sequence[SampleRow]) -> dict[str, list[Sample]]:
    """Tags in the order of their first sample; then for each sample its tag.

    Polls repeat in the same order, so that most samples bear the tag which followed the tag before at the last
    time (0), or the next new one (1); else the place in the table and two.
    """
    by_tag: dict[str, list[Sample]] = defaultdict(list)
    for row in samples:
        by_tag[row.sample.tag].append(row.sample)
    writer.text("\n".join(by_tag))
    places = {tag: place for place, tag in enumerate(by_tag)}
    writer.column(_tag_codes([places[row.sample.tag] for row in samples]))
    return by_tag


def _tag_codes(places: Sequence[int]) -> list[int]:
    codes, follower, before, known = [], dict[int, int](), -1, 0
    for place in places:
        if follower.get(before) == place:
            codes.append(0)
        else:
            codes.append(1 if place == known else place + 2)
        follower[before], before, known = place, place, max(known, place + 1)
    return codes


@dataclass(frozen=True, slots=True)
class _Column:
    """What of one tag's registers and values goes into the chunk.

    Args:
        rule: how the values follow from the registers; None when they do not.
        numbers: the registers of each sample as one number.
        left: how far each value is from what the rule says; empty without a rule.
    """

    rule: Rule | None
    numbers: Sequence[int]
    left: Sequence[int] = ()


def _columns(by_tag: Mapping[str, Sequence[Sample]], known: KnownRules) -> list[_Column]:
    """Of every tag. Those that follow one rule, as before, are computed together, which halves the time of packing."""
    together: dict[tuple[Rule, int], list[str]] = defaultdict(list)
    for tag, samples in by_tag.items():
        rule, length = known.known(tag), len(samples[0].raw)
        if rule is not None and all(len(one.raw) == length and isinstance(one.reading, Number) for one in samples):
            together[rule, length].append(tag)
    found: dict[str, _Column] = {}
    for (rule, length), tags in together.items():
        found |= dict(_following(rule, length, {tag: by_tag[tag] for tag in tags}))
    return [found.get(tag) or _column(tag, samples, known) for tag, samples in by_tag.items()]


def _following(rule: Rule, length: int, by_tag: Mapping[str, Sequence[Sample]]) -> Iterator[tuple[str, _Column]]:
    """The columns of those tags whose values still follow the rule, of so many registers each."""
    readings = [one for samples in by_tag.values() for one in samples]
    numbers = wholes([one.raw for one in readings], length, rule.order)
    values = [one.reading.value for one in readings if isinstance(one.reading, Number)]
    left = list(map(steps_between, rule.values(numbers, length), values))
    end = 0
    for tag, samples in by_tag.items():
        at, end = end, end + len(samples)
        if max(left[at:end]) <= LITTLE and min(left[at:end]) >= -LITTLE:
            yield tag, _Column(rule, numbers[at:end], left[at:end])


def _column(tag: str, samples: Sequence[Sample], known: KnownRules) -> _Column:
    readings = [(one.raw, one.reading.value) for one in samples if isinstance(one.reading, Number)]
    rule = known.find(tag, readings) if readings else None
    left = [] if rule is None else [steps_between(rule.value(words), value) for words, value in readings]
    return _Column(rule, [whole(one.raw, _order(rule)) for one in samples], left)


def _write_values(writer: ColumnWriter, by_tag: Mapping[str, Sequence[Sample]], columns: Sequence[_Column]) -> None:
    table = {rule: place for place, rule in enumerate(dict.fromkeys(one.rule for one in columns if one.rule), 1)}
    writer.count(len(table))
    for rule in table:
        writer.count(rule.order.value)
        writer.count(rule.kind.value)
        writer.doubles((rule.scale, rule.offset))
    writer.column([0 if one.rule is None else table[one.rule] for one in columns])
    _write_words(writer, list(by_tag.values()), columns)
    writer.column([steps for one in columns for steps in one.left])
    ruleless = [samples for samples, one in zip(by_tag.values(), columns, strict=True) if one.rule is None]
    writer.doubles([one.reading.value for samples in ruleless for one in samples if isinstance(one.reading, Number)])


def _write_words(writer: ColumnWriter, by_tag: Sequence[Sequence[Sample]], columns: Sequence[_Column]) -> None:
    """Registers of a tag as one number each: the first as it is, the others as steps."""
    lengths = [[len(sample.raw) for sample in samples] for samples in by_tag]
    writer.column([own[0] + 1 if len(set(own)) == 1 else 0 for own in lengths])
    for own in lengths:
        if len(set(own)) > 1:
            writer.column(own)
    steps: list[int] = []
    for own, one in zip(lengths, columns, strict=True):
        writer.octets += one.numbers[0].to_bytes(2 * own[0])
        steps += [here - before for before, here in pairwise(one.numbers)]
    writer.column(steps)


def _order(rule: Rule | None) -> Order:
    return Order.ABCD if rule is None else rule.order


def _header(samples: Sequence[SampleRow], body: bytes, *, run: int, configuration: str) -> ChunkHeader:
    times = [row.sample.arrived.utc_ms for row in samples]
    return ChunkHeader(
        stream=STREAM,
        run=run,
        first_n=samples[0].n,
        last_n=samples[-1].n,
        first_utc_ms=min(times),
        last_utc_ms=max(times),
        configuration=configuration,
        checksum=zlib.crc32(body),
        size_bytes=len(body),
    )


# --- unpacking -------------------------------------------------------------------------------------------------


def inflated(header: ChunkHeader, body: bytes) -> bytes:
    """The columns of a body.

    Raises:
        ChunkDamaged: it is not what the header says.
    """
    if len(body) != header.size_bytes or zlib.crc32(body) != header.checksum:
        raise ChunkDamaged(f"samples {header.first_n} to {header.last_n} do not match their checksum")
    if body[:1] != bytes((_FORMAT,)):
        raise ChunkDamaged(f"samples {header.first_n} to {header.last_n}: format {body[:1].hex()}, known is {_FORMAT}")
    stream = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        octets = stream.decompress(body[1:], _MOST_BYTES)
    except zlib.error as error:
        raise ChunkDamaged(f"samples {header.first_n} to {header.last_n} cannot be unpacked: {error}") from error
    if not stream.eof:
        raise ChunkDamaged(f"samples {header.first_n} to {header.last_n}: cut short, or more than {_MOST_BYTES} bytes")
    return octets


def _read_others(reader: ColumnReader) -> tuple[OtherInput, ...]:
    length = reader.items()
    scans, places = reader.steps(length), reader.steps(length)
    lines = reader.text().split("\n") if length else [reader.text()][1:]
    return tuple(
        OtherInput(scan=scan, after_n=after_n, given=from_line(line))
        for scan, after_n, line in zip(scans, places, lines, strict=True)
    )


def _read_columns(reader: ColumnReader, length: int, scans: int, first_n: int) -> Columns:
    scan_numbers, *scan_moments = _read_moments(reader, scans)
    in_scan, monotonic_ms, utc_ms, trusted = _read_moments(reader, length)
    ahead_ms = reader.column(length)
    sorts = [sort_of(entry) for entry in reader.text().split("\n")]
    sort = within(reader.column(length), len(sorts), "a reading of sort")
    tags = reader.text().split("\n")
    places = places_of(reader.column(length), len(tags))
    registers = _read_registers(reader, members_of(places, len(tags)), length)
    return Columns(
        first_n=first_n,
        in_scan=in_scan,
        monotonic_ms=monotonic_ms,
        utc_ms=utc_ms,
        utc_trusted=list(map(bool, trusted)),
        source_utc_ms=list(map(add, utc_ms, ahead_ms)),
        tags=[tags[place] for place in places],
        sorts=sorts,
        sort=sort,
        registers=registers,
        values=_read_values(reader, registers, [isinstance(sorts[place], tuple) for place in sort]),
        scans=tuple(map(_scan_tick, scan_numbers, *scan_moments)),
        others=_read_others(reader),
    )


def _scan_tick(scan: int, monotonic_ms: int, utc_ms: int, trusted: int) -> ScanTick:
    return ScanTick(scan=scan, tick=_tick(monotonic_ms, utc_ms, bool(trusted)))


def _tick(monotonic_ms: int, utc_ms: int, trusted: bool) -> Tick:  # noqa: FBT001 - as the columns come
    return Tick(monotonic_ms=monotonic_ms, utc_ms=utc_ms, utc_trusted=trusted)


def _read_moments(reader: ColumnReader, length: int) -> tuple[list[int], list[int], list[int], list[int]]:
    """Scan, both clocks and trust."""
    scans, monotonic_ms = reader.steps(length), reader.steps(length)
    utc_ms = list(map(add, monotonic_ms, reader.steps(length)))
    return scans, monotonic_ms, utc_ms, reader.column(length)


def sort_of(entry: str) -> Sort:
    """What an entry of the table of sorts says.

    Raises:
        ValueError: no such quality or reason.
    """
    quality, _, rest = entry.partition(" ")
    if quality == _TEXT:
        return Text(rest)
    if quality == "none":
        return NoNumber(Reason(rest))
    number = Number(0.0, Quality(quality), Reason(rest))  # which refuses a bad one
    return number.quality, number.reason


def within(places: list[int], length: int, what: str) -> list[int]:
    """Places in a table of such a length.

    Raises:
        ChunkDamaged: one lies outside.
    """
    lowest, highest = min(places), max(places)
    if lowest < 0 or highest >= length:
        raise ChunkDamaged(f"{what} {lowest if lowest < 0 else highest}, the chunk has {length}")
    return places


def places_of(codes: Sequence[int], tags: int) -> list[int]:
    """Undo ``_tag_codes``: the place of each sample's tag.

    Raises:
        ChunkDamaged: one lies outside of the table.
    """
    places, follower, before, known = [], dict[int, int](), -1, 0
    for code in codes:
        if code == 0:  # the usual case, in which all stays as it is
            place = follower.get(before, -1)
        else:
            place = known if code == 1 else code - 2
            follower[before], known = place, max(known, place + 1)
        places.append(place)
        before = place
    return within(places, tags, "a sample of tag")


def members_of(places: Sequence[int], tags: int) -> list[list[int]]:
    """The places of each tag's samples.

    Raises:
        ChunkDamaged: a tag has none.
    """
    members: list[list[int]] = [[] for _ in range(tags)]
    for i, place in enumerate(places):
        members[place].append(i)
    if not all(members):
        raise ChunkDamaged("a tag without a sample")
    return members


def _read_registers(reader: ColumnReader, members: Sequence[Sequence[int]], length: int) -> list[Registers]:
    table = [Rule(Order(reader.count()), Kind(reader.count()), *reader.doubles(2)) for _ in range(reader.items())]
    rules = [None if number == 0 else table[number - 1] for number in reader.column(len(members))]
    common = reader.column(len(members))
    lengths = [(one - 1,) if one > 0 else reader.column(len(own)) for one, own in zip(common, members, strict=True)]
    firsts = [int.from_bytes(reader.octets(2 * own[0])) for own in lengths]
    steps, at = reader.column(length - len(members)), 0
    registers: list[Registers] = []
    for own, rule, own_lengths, first in zip(members, rules, lengths, firsts, strict=True):
        numbers = list(accumulate(steps[at : at + len(own) - 1], initial=first))
        at += len(own) - 1
        if len(own_lengths) == 1:
            registers.append(fitting(own, numbers, own_lengths[0], rule))
        else:
            each = zip(own, numbers, own_lengths, strict=True)
            registers += [fitting([i], [number], one, rule) for i, number, one in each]
    return registers


def fitting(places: Sequence[int], numbers: Sequence[int], length: int, rule: Rule | None) -> Registers:
    """The samples of one tag, whose numbers have to fit into so many registers.

    Raises:
        ChunkDamaged: they do not.
    """
    if not 0 <= length <= _MOST_REGISTERS or min(numbers) < 0 or max(numbers) >> 16 * length:
        raise ChunkDamaged(f"registers of sample {places[0]} or one after it do not fit into {length}")
    return Registers(places=places, numbers=numbers, length=length, rule=rule)


def _read_values(reader: ColumnReader, registers: Sequence[Registers], is_number: Sequence[bool]) -> list[float]:
    values = [0.0] * len(is_number)
    ruled: list[int] = []
    plain: list[int] = []
    for own in registers:
        numbers = [i for i in own.places if is_number[i]]
        if own.rule is None:
            plain += numbers
        else:
            ruled += numbers
            for i, value in zip(own.places, own.rule.values(own.numbers, own.length), strict=True):
                values[i] = value
    for i, steps in zip(ruled, reader.column(len(ruled)), strict=True):
        if steps:
            values[i] = stepped(values[i], steps)
    for i, value in zip(plain, reader.doubles(len(plain)), strict=True):
        values[i] = value
    if not all(map(math.isfinite, values)):
        raise ChunkDamaged("a value that is not finite")
    return values


# --- samples out of columns ------------------------------------------------------------------------------------


def _rows(columns: Columns) -> Iterator[SampleRow]:
    moments = list(zip(columns.monotonic_ms, columns.utc_ms, columns.utc_trusted, strict=True))
    ticks = {moment: _tick(*moment) for moment in set(moments)}  # what came in one reply has one
    each = zip(columns.in_scan, columns.tags, columns.sort, columns.values, moments, columns.source_utc_ms, strict=True)
    words = _words(columns)
    for i, (scan, tag, sort, value, moment, source_utc_ms) in enumerate(each):
        reading = _reading(columns.sorts[sort], value)
        sample = Sample(tag=tag, reading=reading, arrived=ticks[moment], source_utc_ms=source_utc_ms, raw=words[i])
        yield SampleRow(n=columns.first_n + i, scan=scan, sample=sample)


def _reading(sort: Sort, value: float) -> Reading:
    return Number(value, *sort) if isinstance(sort, tuple) else sort


def _words(columns: Columns) -> list[Words]:
    words: list[Words] = [()] * len(columns.tags)
    for own in columns.registers:
        for i, one in zip(own.places, words_of(own.numbers, own.length, _order(own.rule)), strict=True):
            words[i] = one
    return words
