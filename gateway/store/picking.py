"""Some tags' readings out of a chunk, tag by tag, for those who need neither the others nor the registers. Pure.

What is not asked for is passed over and not looked at, so a damage there shows
by the checksum alone. The layout is that of ``chunk``.
"""

import math
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from operator import add, le

from gateway.local.messages import ChunkHeader
from gateway.store.chunk import Registers, Sort, fitting, inflated, members_of, places_of, sort_of, within
from gateway.store.columns import ColumnReader
from gateway.store.errors import ChunkDamaged
from gateway.store.value_rule import Kind, Order, Rule, stepped


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Readings of one tag, in the order of their numbers.

    Args:
        places: of each in the chunk, from 0.
        in_scan: number of the scan that saw each first.
        monotonic_ms: when each had arrived, as the one below.
        utc_ms: the same on the wall clock.
        source_utc_ms: stamp of each.
        sort: place of each one's sort.
        values: of the numbers; of others nothing to look at.
    """

    places: Sequence[int]
    in_scan: Sequence[int]
    monotonic_ms: Sequence[int]
    utc_ms: Sequence[int]
    source_utc_ms: Sequence[int]
    sort: Sequence[int]
    values: Sequence[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picked:
    """What was asked for.

    Args:
        sorts: what readings of the chunk are, each sort once.
        in_order: whether no reading arrived, or was seen, before one of a lower number, by scan and by both clocks.
        stretches: by tag; of tags without a reading there is none.
    """

    sorts: Sequence[Sort]
    in_order: bool
    stretches: Mapping[str, Stretch]


def picked_of(header: ChunkHeader, body: bytes, wanted: frozenset[str]) -> Picked:
    """Readings of some tags.

    Args:
        header: of the chunk.
        body: of the chunk.
        wanted: the tags; those that the chunk does not have are left out.

    Raises:
        ChunkDamaged: body and header do not belong together, or what is looked at makes no sense.
    """
    reader = ColumnReader(inflated(header, body))
    length, scans = reader.items(), reader.items()
    if length != header.last_n - header.first_n + 1:
        raise ChunkDamaged(f"the header names samples {header.first_n} to {header.last_n}, the body has {length}")
    try:
        return _picked(reader, length, scans, wanted)
    except (ValueError, OverflowError, IndexError, struct.error) as error:
        raise ChunkDamaged(f"samples {header.first_n} to {header.last_n} cannot be unpacked: {error}") from error


def _picked(reader: ColumnReader, length: int, scans: int, wanted: frozenset[str]) -> Picked:
    for _ in range(4):  # scan, both clocks and trust, of the scans
        reader.parts(scans, ())
    in_scan, monotonic_ms = reader.steps(length), reader.steps(length)
    utc_ms = list(map(add, monotonic_ms, reader.steps(length)))
    reader.parts(length, ())  # trust
    ahead_ms = reader.column(length)
    sorts = [sort_of(entry) for entry in reader.text().split("\n")]
    sort = within(reader.column(length), len(sorts), "a reading of sort")
    tags = reader.text().split("\n")
    members = members_of(places_of(reader.column(length), len(tags)), len(tags))
    mine = [place for place, tag in enumerate(tags) if tag in wanted]
    values = _values(reader, members, mine, [isinstance(one, tuple) for one in sorts], sort)
    return Picked(
        sorts=sorts,
        in_order=all(map(_rising, (in_scan, monotonic_ms, utc_ms))),
        stretches={
            tags[place]: Stretch(
                places=(at := members[place]),
                in_scan=[in_scan[i] for i in at],
                monotonic_ms=[monotonic_ms[i] for i in at],
                utc_ms=[utc_ms[i] for i in at],
                source_utc_ms=[utc_ms[i] + ahead_ms[i] for i in at],
                sort=[sort[i] for i in at],
                values=own,
            )
            for place, own in zip(mine, values, strict=True)
        },
    )


def _rising(column: Sequence[int]) -> bool:
    return all(map(le, column, column[1:]))


def _values(
    reader: ColumnReader,
    members: Sequence[Sequence[int]],
    mine: Sequence[int],
    numeric: Sequence[bool],
    sort: Sequence[int],
) -> Iterator[list[float]]:
    table = [Rule(Order(reader.count()), Kind(reader.count()), *reader.doubles(2)) for _ in range(reader.items())]
    rules = [None if number == 0 else table[number - 1] for number in reader.column(len(members))]
    registers = _registers(reader, members, mine, rules)
    own_numbers = {place: [i for i in members[place] if numeric[sort[i]]] for place in mine}
    counts = [len(own) if all(numeric) else sum(numeric[sort[i]] for i in own) for own in members]
    ruled = _laid_out([count if rule is not None else 0 for count, rule in zip(counts, rules, strict=True)])
    plain = _laid_out([0 if rule is not None else count for count, rule in zip(counts, rules, strict=True)])
    left = reader.parts(ruled[-1], [(ruled[place], ruled[place + 1]) for place in mine])
    doubles = reader.octets(8 * plain[-1])
    for place, own, steps in zip(mine, registers, left, strict=True):
        found = dict.fromkeys(members[place], 0.0)
        if rules[place] is None:
            kept = struct.unpack_from(f"<{counts[place]}d", doubles, 8 * plain[place])
            found.update(zip(own_numbers[place], kept, strict=True))
        else:
            _follow_rule(found, own, own_numbers[place], steps)
        if not all(map(math.isfinite, found.values())):
            raise ChunkDamaged("a value that is not finite")
        yield list(found.values())


def _follow_rule(
    found: dict[int, float], own: Sequence[Registers], numbers: Sequence[int], steps: Sequence[int]
) -> None:
    for one in own:
        if one.rule is not None:
            found.update(zip(one.places, one.rule.values(one.numbers, one.length), strict=True))
    for i, few in zip(numbers, steps, strict=True):
        if few:
            found[i] = stepped(found[i], few)


def _laid_out(counts: Sequence[int]) -> list[int]:
    """Where each begins that lies behind the others, and the end of the last."""
    return list(accumulate(counts, initial=0))


def _registers(
    reader: ColumnReader, members: Sequence[Sequence[int]], mine: Sequence[int], rules: Sequence[Rule | None]
) -> list[list[Registers]]:
    common = reader.column(len(members))
    lengths = [(one - 1,) if one > 0 else reader.column(len(own)) for one, own in zip(common, members, strict=True)]
    firsts = [int.from_bytes(reader.octets(2 * own[0])) for own in lengths]
    laid_out = _laid_out([len(own) - 1 for own in members])
    steps = reader.parts(laid_out[-1], [(laid_out[place], laid_out[place + 1]) for place in mine])
    found: list[list[Registers]] = []
    for place, own_steps in zip(mine, steps, strict=True):
        numbers, own, each = list(accumulate(own_steps, initial=firsts[place])), members[place], lengths[place]
        if len(each) == 1:
            found.append([fitting(own, numbers, each[0], rules[place])])
        else:
            alone = zip(own, numbers, each, strict=True)
            found.append([fitting([i], [number], size, rules[place]) for i, number, size in alone])
    return found
