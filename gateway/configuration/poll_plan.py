"""Which registers to read together, and how often.

Decides how the tags of a connection are gathered into read blocks. Never reads
and never waits. Pure: the poller asks by this plan, and ``purplegate check``
refuses one that cannot keep its stale limits. A block holds tags of one device,
one table and one pair of intervals; it bridges a hole only where the registers
in it belong to declared tags, because a register that no manual names may
answer with an exception or change something when it is read.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from itertools import groupby

from gateway.configuration.schema import BitField, ByteOrder, Device, Tag, TypeName


class Table(Enum):
    """The four Modbus tables."""

    COIL = "coil"  # function 1
    DISCRETE = "discrete"  # function 2, discrete input
    HOLDING = "holding"  # function 3, holding register
    INPUT = "input"  # function 4, input register


BIT_TABLES = (Table.COIL, Table.DISCRETE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A contiguous piece of one table of one unit; ``address`` is zero-based, as on the wire."""

    unit_id: int
    table: Table
    address: int
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """Where a tag lies in its block, and how it is decoded.

    Args:
        tag: name of the tag.
        offset: its first register or bit, counted from the start of the block.
        count: how many it takes.
        type: type of its number.
        byte_order: order of its bytes.
        bit_field: bits of it that are meant; None for all.
    """

    tag: str
    offset: int
    count: int
    type: TypeName
    byte_order: ByteOrder = "ABCD"
    bit_field: BitField | None = None


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


def plan_blocks(*, connection: str, devices: Mapping[str, Device], tags: Mapping[str, Tag]) -> tuple[PlannedBlock, ...]:
    """The read blocks of one connection.

    Args:
        connection: name of the connection; devices behind others are left out.
        devices: all devices of the site.
        tags: all tags of the site.

    Returns:
        blocks that hold each tag of the connection once, ordered by device, table, interval and address.

    Raises:
        ValueError: a tag takes more registers than its device hands out in one read, or reaches beyond address 65535.
    """
    planned: list[PlannedBlock] = []
    for name, device in devices.items():
        if device.connection == connection:
            own = {tag: keys for tag, keys in tags.items() if keys.device == name}
            planned.extend(_blocks_of_device(device, own))
    return tuple(planned)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """A tag as far as its place is concerned."""

    tag: str
    keys: Tag
    table: Table
    interval_ms: int
    hurried_ms: int

    @property
    def address(self) -> int:
        return self.keys.address

    @property
    def end(self) -> int:
        return self.keys.address + self.keys.registers

    @property
    def group(self) -> tuple[str, int, int]:
        return self.table.value, self.interval_ms, self.hurried_ms


def _blocks_of_device(device: Device, tags: Mapping[str, Tag]) -> Iterator[PlannedBlock]:
    points = sorted((_point(tag, keys) for tag, keys in tags.items()), key=lambda p: (p.group, p.address, p.end, p.tag))
    declared = {(point.table, address) for point in points for address in range(point.address, point.end)}

    def bridgeable(table: Table, start: int, end: int) -> bool:
        return end - start <= device.largest_hole and all((table, address) in declared for address in range(start, end))

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
        keys=keys,
        table=Table(keys.table),
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
    return device.longest_bit_read if table in BIT_TABLES else device.longest_read


def _planned(run: Iterable[_Point], device: Device) -> PlannedBlock:
    points = list(run)
    start, end = points[0].address, max(point.end for point in points)
    return PlannedBlock(
        block=Block(unit_id=device.unit_id, table=points[0].table, address=start, count=end - start),
        interval_ms=points[0].interval_ms,
        hurried_ms=points[0].hurried_ms,
        slots=tuple(_slot(point, start) for point in points),
    )


def _slot(point: _Point, start: int) -> Slot:
    keys = point.keys
    return Slot(
        tag=point.tag,
        offset=point.address - start,
        count=keys.registers,
        type=keys.type,
        byte_order=keys.byte_order,
        bit_field=keys.bit_field,
    )
