"""The samples and scans of one commit, packed into few octets and back. Pure.

A chunk explains itself: with its header it can be unpacked anywhere, without
the database and without the configuration. It is packed in columns, tag by
tag, because what is alike then lies side by side. Unpacking gives back exactly
what was packed, or says that the chunk is damaged; never anything between.

Body: one octet for the format (1), then a raw deflate stream of the columns in
the order in which ``pack`` writes them.
"""

import struct
import zlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.tick import Tick
from gateway.local.messages import ChunkHeader
from gateway.store.columns import ColumnReader, ColumnWriter
from gateway.store.errors import ChunkDamaged, NotStorable
from gateway.store.inputs import OtherInput, from_line, to_line
from gateway.store.value_rule import Kind, KnownRules, Order, Rule, Words, stepped, steps_between, whole, words_of

STREAM = "samples"
_FORMAT = 1
_LEVEL = 1  # the highest level gains four parts in a hundred; joining chunks gains two thirds
_MOST_BYTES = 33_554_432  # of an unpacked chunk; more is a damaged or hostile one
_TEXT = "text"  # in the place of a quality
_LARGEST_REGISTER = 0xFFFF
_MOST_REGISTERS = 125  # of one sample: what one read can bring


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleRow:
    """One accepted sample.

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
    known = KnownRules() if rules is None else rules
    _write_values(writer, list(by_tag.values()), [_rule_of(tag, own, known) for tag, own in by_tag.items()])
    _write_others(writer, others)
    body = bytes((_FORMAT,)) + zlib.compress(bytes(writer.octets), _LEVEL, -zlib.MAX_WBITS)
    return _header(samples, body, run=run, configuration=configuration), body


def unpack(header: ChunkHeader, body: bytes) -> Contents:
    """Exactly what was packed.

    Raises:
        ChunkDamaged: body and header do not belong together, or the body makes no sense.
    """
    reader = ColumnReader(_inflated(header, body))
    length, scans = reader.items(), reader.items()
    if length != header.last_n - header.first_n + 1:
        raise ChunkDamaged(f"the header names samples {header.first_n} to {header.last_n}, the body has {length}")
    try:
        ticks = [ScanTick(scan=scan, tick=tick) for scan, tick in _read_moments(reader, scans)]
        rows = list(_read_rows(reader, length, header.first_n))
        others = _read_others(reader)
        reader.finish()
    except (ValueError, OverflowError, IndexError, struct.error) as error:
        raise ChunkDamaged(f"samples {header.first_n} to {header.last_n} cannot be unpacked: {error}") from error
    return Contents(rows=tuple(rows), scans=tuple(ticks), others=others)


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
    writer.column([table.index(name) for name in names])


def _name(reading: Reading) -> str:
    if isinstance(reading, Number):
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


def _write_values(writer: ColumnWriter, by_tag: Sequence[Sequence[Sample]], rules: Sequence[Rule | None]) -> None:
    table = [rule for rule in dict.fromkeys(rules) if rule is not None]
    writer.count(len(table))
    for rule in table:
        writer.count(rule.order.value)
        writer.count(rule.kind.value)
        writer.doubles((rule.scale, rule.offset))
    writer.column([0 if rule is None else table.index(rule) + 1 for rule in rules])
    _write_words(writer, by_tag, rules)
    _write_leftovers(writer, by_tag, rules)


def _rule_of(tag: str, samples: Sequence[Sample], known: KnownRules) -> Rule | None:
    readings = [(s.raw, s.reading.value) for s in samples if isinstance(s.reading, Number)]
    return known.find(tag, readings) if readings else None


def _write_words(writer: ColumnWriter, by_tag: Sequence[Sequence[Sample]], rules: Sequence[Rule | None]) -> None:
    """Registers of a tag as one number each: the first as it is, the others as steps."""
    lengths = [[len(sample.raw) for sample in samples] for samples in by_tag]
    writer.column([own[0] + 1 if len(set(own)) == 1 else 0 for own in lengths])
    for own in lengths:
        if len(set(own)) > 1:
            writer.column(own)
    steps: list[int] = []
    for samples, rule in zip(by_tag, rules, strict=True):
        numbers = [whole(sample.raw, _order(rule)) for sample in samples]
        writer.octets += numbers[0].to_bytes(2 * len(samples[0].raw))
        steps += [here - before for before, here in pairwise(numbers)]
    writer.column(steps)


def _write_leftovers(writer: ColumnWriter, by_tag: Sequence[Sequence[Sample]], rules: Sequence[Rule | None]) -> None:
    steps: list[int] = []
    plain: list[float] = []
    for samples, rule in zip(by_tag, rules, strict=True):
        for sample in samples:
            if not isinstance(sample.reading, Number):
                continue
            if rule is None:
                plain.append(sample.reading.value)
            else:
                steps.append(steps_between(rule.value(sample.raw), sample.reading.value))
    writer.column(steps)
    writer.doubles(plain)


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


def _inflated(header: ChunkHeader, body: bytes) -> bytes:
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


def _read_moments(reader: ColumnReader, length: int) -> list[tuple[int, Tick]]:
    scans, monotonic = reader.steps(length), reader.steps(length)
    ahead, trusted = reader.steps(length), reader.column(length)
    return [
        (scan, Tick(monotonic_ms=ms, utc_ms=ms + more, utc_trusted=bool(trust)))
        for scan, ms, more, trust in zip(scans, monotonic, ahead, trusted, strict=True)
    ]


def _read_rows(reader: ColumnReader, length: int, first_n: int) -> Iterator[SampleRow]:
    moments = _read_moments(reader, length)
    source_ahead_ms = reader.column(length)
    names = _read_readings(reader, length)
    tags = reader.text().split("\n")
    places = _places(reader.column(length), len(tags))
    words, values = _read_values(reader, places, names, len(tags))
    for i, (scan, arrived) in enumerate(moments):
        sample = Sample(
            tag=tags[places[i]],
            reading=_reading(names[i], values[i]),
            arrived=arrived,
            source_utc_ms=arrived.utc_ms + source_ahead_ms[i],
            raw=words[i],
        )
        yield SampleRow(n=first_n + i, scan=scan, sample=sample)


_Name = tuple[Quality, Reason] | NoNumber | Text


def _read_readings(reader: ColumnReader, length: int) -> list[_Name]:
    table = [_name_of(entry) for entry in reader.text().split("\n")]
    return [table[place] for place in reader.column(length)]


def _name_of(entry: str) -> _Name:
    quality, _, rest = entry.partition(" ")
    if quality == _TEXT:
        return Text(rest)
    return NoNumber(Reason(rest)) if quality == "none" else (Quality(quality), Reason(rest))


def _reading(name: _Name, value: float) -> Reading:
    if isinstance(name, NoNumber | Text):
        return name
    quality, reason = name
    return Number(value, quality, reason)


def _places(codes: Sequence[int], tags: int) -> list[int]:
    places, follower, before, known = [], dict[int, int](), -1, 0
    for code in codes:
        place = follower.get(before, -1) if code == 0 else known if code == 1 else code - 2
        if not 0 <= place < tags:
            raise ChunkDamaged(f"a sample of tag {place}, the chunk has {tags}")
        places.append(place)
        follower[before], before, known = place, place, max(known, place + 1)
    return places


def _read_values(
    reader: ColumnReader, places: Sequence[int], names: Sequence[_Name], tags: int
) -> tuple[list[Words], list[float]]:
    """Registers and values in the order of the samples; a value where there is none stays 0 and is not looked at."""
    members: list[list[int]] = [[] for _ in range(tags)]
    for i, place in enumerate(places):
        members[place].append(i)
    if not all(members):
        raise ChunkDamaged("a tag without a sample")
    table = [Rule(Order(reader.count()), Kind(reader.count()), *reader.doubles(2)) for _ in range(reader.items())]
    rules = [None if number == 0 else table[number - 1] for number in reader.column(tags)]
    words = _read_words(reader, members, rules, len(places))
    return words, _read_leftovers(reader, members, rules, words, names)


def _read_words(
    reader: ColumnReader, members: Sequence[Sequence[int]], rules: Sequence[Rule | None], length: int
) -> list[Words]:
    common = reader.column(len(members))
    lengths = [
        [one - 1] * len(own) if one > 0 else reader.column(len(own)) for one, own in zip(common, members, strict=True)
    ]
    firsts = [int.from_bytes(reader.octets(2 * own[0])) for own in lengths]
    steps = iter(reader.column(length - len(members)))
    words: list[Words] = [()] * length
    for own, rule, own_lengths, first in zip(members, rules, lengths, firsts, strict=True):
        number = first
        for place, i in enumerate(own):
            number += next(steps) if place else 0
            words[i] = words_of(number, own_lengths[place], _order(rule))
    return words


def _read_leftovers(
    reader: ColumnReader,
    members: Sequence[Sequence[int]],
    rules: Sequence[Rule | None],
    words: Sequence[Words],
    names: Sequence[_Name],
) -> list[float]:
    numbers = [isinstance(name, tuple) for name in names]
    ruled = [(i, rule) for own, rule in zip(members, rules, strict=True) if rule for i in own if numbers[i]]
    plain = [i for own, rule in zip(members, rules, strict=True) if rule is None for i in own if numbers[i]]
    values = [0.0] * len(words)
    for (i, rule), steps in zip(ruled, reader.column(len(ruled)), strict=True):
        values[i] = stepped(rule.value(words[i]), steps)
    for i, value in zip(plain, reader.doubles(len(plain)), strict=True):
        values[i] = value
    return values
