"""Register maps such as devices have, made at random from a seed, with one value shown on a display at two times.

Knows nothing of the finder. A device has one byte order and a habit (floats,
scaled integers, or both), packs its points with or without regard to even
addresses, and has set points, limits, status words, counters, totals, reserved
zeros, and now and then a mean or a maximum close to a value. Registers are
packed here by hand.
"""

import math
import random
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gateway.configuration.schema import ByteOrder, TypeName
from gateway.drivers.driver import Table
from gateway.probe.finder import Anchor

FORMATS: dict[str, str] = {
    "uint16": ">H",
    "int16": ">h",
    "uint32": ">I",
    "int32": ">i",
    "float32": ">f",
    "float64": ">d",
}
HABITS = {
    "floats": {"float32": 12, "float64": 0.3, "uint16": 2, "int16": 0.5, "uint32": 1.5, "int32": 0.2},
    "integers": {"float32": 0.5, "float64": 0, "uint16": 10, "int16": 4, "uint32": 2, "int32": 0.5},
    "both": {"float32": 5, "float64": 0.2, "uint16": 5, "int16": 2, "uint32": 2, "int32": 0.5},
}
POWERS = {"uint16": (0, -1, -2, -3), "int16": (0, -1, -2), "uint32": (0, 0, -1, -2, -3), "int32": (0, -1, -2)}
FURNITURE = ("status", "status", "zero", "zero", "counter", "limit", "limit", "set point", "all ones")


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One number of the map at both times; ``power`` is that of its scale."""

    kind: TypeName
    order: ByteOrder
    power: int
    raw: tuple[float, float]
    moving: bool
    address: int = -1
    table: Table = Table.HOLDING

    def rows(self) -> tuple[list[int], list[int]]:
        """Its registers at both times."""
        first, second = (registers(raw, self.kind, self.order) for raw in self.raw)
        return first, second


@dataclass(frozen=True, slots=True, kw_only=True)
class Puzzle:
    """A map, the point that is looked for, and what was seen of it."""

    points: tuple[Point, ...]
    wanted: Point
    anchors: tuple[Anchor, Anchor]


def registers(raw: float, kind: str, order: str) -> list[int]:
    """The registers of a number."""
    data = struct.pack(FORMATS[kind], raw if kind.startswith("float") else int(raw))
    pairs = [data[at : at + 2] for at in range(0, len(data), 2)]
    if order in ("CDAB", "DCBA"):
        pairs.reverse()
    return [int.from_bytes(pair, "little" if order in ("BADC", "DCBA") else "big") for pair in pairs]


def puzzle(draws: random.Random) -> Puzzle:
    """One map with one question."""
    while True:
        points = _map(draws)
        moving = [point for point in points if point.moving]
        wanted = draws.choice(moving)
        shown = _displayed(wanted, draws)
        if shown is not None:
            words = [_words(points, time) for time in (0, 1)]
            first, second = (Anchor(displayed=text, words=row) for text, row in zip(shown, words, strict=True))
            return Puzzle(points=points, wanted=wanted, anchors=(first, second))


def _map(draws: random.Random) -> tuple[Point, ...]:
    order: ByteOrder = draws.choices(("ABCD", "CDAB", "BADC", "DCBA"), (45, 35, 10, 10))[0]
    swapped = order in ("BADC", "DCBA") and draws.random() < 0.3
    single: ByteOrder = "BADC" if swapped else "ABCD"
    habit = HABITS[draws.choice(tuple(HABITS))]
    even = draws.random() < 0.7
    points: list[Point] = []
    tables = [Table.HOLDING, Table.INPUT] if draws.random() < 0.25 else [draws.choice((Table.HOLDING, Table.INPUT))]
    for table in tables:
        size, at = draws.randint(20, 80), draws.choice((0, 0, 1, 10, 100, 300))
        end = at + size
        while at < end:
            for point in _next(draws, habit, order, single):
                width = len(point.rows()[0])
                at += (at % 2) if even and width > 1 else 0
                points.append(_placed(point, table, at))
                at += width
    return tuple(points)


def _placed(point: Point, table: Table, address: int) -> Point:
    return Point(
        kind=point.kind,
        order=point.order,
        power=point.power,
        raw=point.raw,
        moving=point.moving,
        address=address,
        table=table,
    )


def _next(draws: random.Random, habit: dict[str, float], order: ByteOrder, single: ByteOrder) -> Sequence[Point]:
    if draws.random() < 0.35:
        return [_furniture(draws, order, single)]
    kind = draws.choices(tuple(habit), tuple(habit.values()))[0]
    measured = _MEASURED[kind](draws, kind, single if kind in ("uint16", "int16") else order)
    return [measured, _companion(draws, measured)] if draws.random() < 0.1 else [measured]


def _furniture(draws: random.Random, order: ByteOrder, single: ByteOrder) -> Point:
    what = draws.choice(FURNITURE)
    if what == "set point":
        value = struct.unpack(">f", struct.pack(">f", round(10 ** draws.uniform(-1, 3), 2)))[0]
        return Point(kind="float32", order=order, power=0, raw=(value, value), moving=False)
    first = {
        "status": draws.choice((0, 1, 2, 3, 4, 16, 17, 256, 0x8001, 0x0810)),
        "zero": 0,
        "counter": draws.randint(0, 60000),
        "limit": draws.choice((100, 250, 500, 1000, 2000, 1500, 10000, 32000)),
        "all ones": 0xFFFF,
    }[what]
    second = first + draws.randint(1, 4000) if what == "counter" else first
    if what == "status" and draws.random() < 0.3:
        second = first ^ (1 << draws.randint(0, 7))
    return Point(kind="uint16", order=single, power=0, raw=(first, second), moving=False)


def _integer(draws: random.Random, kind: str, order: ByteOrder) -> Point:
    power = draws.choice(POWERS[kind])
    largest = 4.4 if kind == "int16" else 4.7
    first = round(10 ** draws.uniform(2, largest))
    first = -first if kind.startswith("int") and draws.random() < 0.25 else first
    second = first + _step(draws, first)
    low, high = (-32768, 32767) if kind == "int16" else (0, 65535) if kind == "uint16" else (-(2**31), 2**31 - 1)
    second = min(high, max(low, second))
    return Point(kind=_kind(kind), order=order, power=power, raw=(first, second), moving=True)


def _total(draws: random.Random, kind: str, order: ByteOrder) -> Point:
    first = round(10 ** draws.uniform(3.5, 8.7))
    moved = (first, first + draws.randint(1, 3000))
    return Point(kind=_kind(kind), order=order, power=draws.choice(POWERS[kind]), raw=moved, moving=True)


def _float(draws: random.Random, kind: str, order: ByteOrder) -> Point:
    first = 10 ** draws.uniform(-1.3, 3.7)
    first = -first if draws.random() < 0.08 else first
    second = first * (1 + draws.choice((-1, 1)) * draws.uniform(0.01, 0.15))
    packed = [struct.unpack(FORMATS[kind], struct.pack(FORMATS[kind], one))[0] for one in (first, second)]
    return Point(kind=_kind(kind), order=order, power=0, raw=(packed[0], packed[1]), moving=True)


def _companion(draws: random.Random, point: Point) -> Point:
    """A mean or an extreme of the same quantity: close, and not the same."""
    near = [raw * (1 + draws.uniform(-0.01, 0.01)) for raw in point.raw]
    if point.kind == "float32":
        near = [struct.unpack(">f", struct.pack(">f", raw))[0] for raw in near]
    elif point.kind != "float64":
        near = [max(0.0, min(65535.0, round(raw))) if point.kind == "uint16" else round(raw) for raw in near]
        if point.kind == "int16":
            near = [max(-32768, min(32767, raw)) for raw in near]
    return Point(kind=point.kind, order=point.order, power=point.power, raw=(near[0], near[1]), moving=True)


_MEASURED: dict[str, Callable[[random.Random, str, ByteOrder], Point]] = {
    "uint16": _integer,
    "int16": _integer,
    "int32": _integer,
    "uint32": _total,
    "float32": _float,
    "float64": _float,
}


def _kind(name: str) -> TypeName:
    kinds: dict[str, TypeName] = {
        "uint16": "uint16",
        "int16": "int16",
        "uint32": "uint32",
        "int32": "int32",
        "float32": "float32",
        "float64": "float64",
    }
    return kinds[name]


def _step(draws: random.Random, raw: float) -> int:
    return draws.choice((-1, 1)) * max(1, round(abs(raw) * draws.uniform(0.01, 0.15)))


def _displayed(point: Point, draws: random.Random) -> tuple[str, str] | None:
    """What the display shows: three to five digits (a total in full), as many decimals as the device has at most."""
    values = [raw * 10.0**point.power for raw in point.raw]
    whole_digits = 1 + math.floor(math.log10(abs(values[0]))) if values[0] else 1
    decimals = max(0, draws.randint(3, 5) - whole_digits)
    if not point.kind.startswith("float"):
        decimals = min(decimals, -point.power)
    first, second = (f"{value:.{decimals}f}" for value in values)
    digits = len(first.replace(".", "").replace("-", "").lstrip("0"))
    return (first, second) if first != second and digits >= 3 else None


def _words(points: Sequence[Point], time: int) -> dict[Table, dict[int, int]]:
    """All registers at one time; reserved ones between the points read zero."""
    tables: dict[Table, dict[int, int]] = {}
    for table in {point.table for point in points}:
        mine = [point for point in points if point.table is table]
        last = max(point.address + len(point.rows()[0]) for point in mine)
        tables[table] = dict.fromkeys(range(min(point.address for point in mine), last), 0)
        for point in mine:
            for i, word in enumerate(point.rows()[time]):
                tables[table][point.address + i] = word
    return tables
