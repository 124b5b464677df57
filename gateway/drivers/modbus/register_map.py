"""Which registers to read together.

Decides how the tags of a connection are gathered into read blocks. Never reads
and never waits. A block holds tags of one device, one table and one pair of
intervals; it bridges a hole only where the registers in it belong to declared
tags, because a register that no manual names may answer with an exception or
change something when it is read.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from gateway.configuration.schema import Device, Tag
from gateway.drivers.driver import Block, Table
from gateway.drivers.modbus.codec import Encoding, decode, words

LONGEST_REGISTER_READ = 125  # Modbus Application Protocol V1.1b3, 6.3 and 6.4
LONGEST_BIT_READ = 2000  # the same, 6.1 and 6.2
LARGEST_HOLE = 8  # registers or bits read in vain; a second request costs more than that

BIT_TABLES = (Table.COIL, Table.DISCRETE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """Where a tag lies in its block.

    Args:
        tag: name of the tag.
        offset: its first register or bit, counted from the start of the block.
        count: how many it takes.
        encoding: how to decode them.
    """

    tag: str
    offset: int
    count: int
    encoding: Encoding


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedBlock:
    """One read request and what it brings.

    Args:
        block: what to read.
        interval_ms: from one read to the next.
        hurried_ms: the same while any of its tags is wanted fast; equal to ``interval_ms`` where none is declared.
        slots: its tags, in the order of their addresses.
    """

    block: Block
    interval_ms: int
    hurried_ms: int
    slots: tuple[Slot, ...]

    @property
    def tags(self) -> tuple[str, ...]:
        """Names of its tags."""
        return tuple(slot.tag for slot in self.slots)


def plan_blocks(
    *, connection: str, devices: Mapping[str, Device], tags: Mapping[str, Tag], largest_hole: int = LARGEST_HOLE
) -> tuple[PlannedBlock, ...]:
    """The read blocks of one connection.

    Args:
        connection: name of the connection; devices behind others are left out.
        devices: all devices of the site.
        tags: all tags of the site.
        largest_hole: most registers or bits to read in vain between two tags, and only where all are declared.

    Returns:
        blocks that hold each tag of the connection once, ordered by device, table, interval and address.

    Raises:
        ValueError: a tag takes more registers than its device hands out in one read, or reaches beyond address 65535.
    """
    planned: list[PlannedBlock] = []
    for name, device in devices.items():
        if device.connection == connection:
            own = {tag: keys for tag, keys in tags.items() if keys.device == name}
            planned.extend(_blocks_of_device(device, own, largest_hole))
    return tuple(planned)


def samples_of(planned: PlannedBlock, words_read: Sequence[int]) -> Iterator[tuple[str, float | int, tuple[int, ...]]]:
    """Takes a block apart.

    Args:
        planned: the block that was read.
        words_read: its registers or bits, exactly ``planned.block.count`` of them.

    Yields:
        name of the tag, raw number (NaN where the words hold no number, such as a BCD digit above 9), raw words.

    Raises:
        ValueError: another count of words; the driver never hands that out.
    """
    if len(words_read) != planned.block.count:
        raise ValueError(f"{planned.block} brings {planned.block.count} words, got {len(words_read)}")
    for slot in planned.slots:
        raw = tuple(words_read[slot.offset : slot.offset + slot.count])
        yield slot.tag, _number_or_nan(raw, slot.encoding), raw


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """A tag as far as its place is concerned."""

    tag: str
    table: Table
    address: int
    encoding: Encoding
    interval_ms: int
    hurried_ms: int

    @property
    def end(self) -> int:
        return self.address + words(self.encoding)

    @property
    def group(self) -> tuple[str, int, int]:
        return self.table.value, self.interval_ms, self.hurried_ms


def _blocks_of_device(device: Device, tags: Mapping[str, Tag], largest_hole: int) -> Iterator[PlannedBlock]:
    points = sorted((_point(tag, keys) for tag, keys in tags.items()), key=lambda p: (p.group, p.address, p.end, p.tag))
    declared = {(point.table, address) for point in points for address in range(point.address, point.end)}

    def bridgeable(table: Table, start: int, end: int) -> bool:
        return end - start <= largest_hole and all((table, address) in declared for address in range(start, end))

    for _, group in groupby(points, key=lambda point: point.group):
        run: list[_Point] = []
        for point in group:
            _refuse_unreadable(point, device)
            start, end = (run[0].address, max(p.end for p in run)) if run else (point.address, point.address)
            fits = max(end, point.end) - start <= _longest_read(point.table, device)
            if run and not (fits and bridgeable(point.table, end, point.address)):
                yield _planned(run, device)
                run = []
            run.append(point)
        yield _planned(run, device)


def _point(tag: str, keys: Tag) -> _Point:
    hurried_s = keys.poll_interval_s if keys.hurried_interval_s is None else keys.hurried_interval_s
    return _Point(
        tag=tag,
        table=Table(keys.table),
        address=keys.address,
        encoding=Encoding(keys.type, keys.byte_order),
        interval_ms=round(keys.poll_interval_s * 1000),
        hurried_ms=round(hurried_s * 1000),
    )


def _refuse_unreadable(point: _Point, device: Device) -> None:
    longest = _longest_read(point.table, device)
    if point.end - point.address > longest:
        raise ValueError(
            f"tag {point.tag}: takes {point.end - point.address} registers, its device hands out {longest} in one "
            "read; correct longest_read of the device or the type of the tag"
        )
    if point.end > 1 + 0xFFFF:
        raise ValueError(
            f"tag {point.tag}: reaches address {point.end - 1}, the last one is 65535; correct its address"
        )


def _longest_read(table: Table, device: Device) -> int:
    return LONGEST_BIT_READ if table in BIT_TABLES else min(device.longest_read, LONGEST_REGISTER_READ)


def _planned(run: Iterable[_Point], device: Device) -> PlannedBlock:
    points = list(run)
    start, end = points[0].address, max(point.end for point in points)
    return PlannedBlock(
        block=Block(unit_id=device.unit_id, table=points[0].table, address=start, count=end - start),
        interval_ms=points[0].interval_ms,
        hurried_ms=points[0].hurried_ms,
        slots=tuple(
            Slot(tag=point.tag, offset=point.address - start, count=words(point.encoding), encoding=point.encoding)
            for point in points
        ),
    )


def _number_or_nan(raw: tuple[int, ...], encoding: Encoding) -> float | int:
    try:
        return decode(raw, encoding)
    except ValueError:
        return math.nan
