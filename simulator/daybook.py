"""What was true and what the gateway believed, day by day, side by side. Pure bookkeeping.

Takes a look at both now and then and keeps lowest, highest and last; knows
neither plant nor gateway, only names and numbers.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field


@dataclass
class Range:
    """Lowest, highest and newest of a quantity; nothing yet is not a number."""

    low: float = math.inf
    high: float = -math.inf
    last: float = math.nan

    def take(self, value: float) -> None:
        """One more look."""
        self.last = value
        if value < self.low:  # noqa: PLR1730 - taken millions of times a month; calls cost three times as much
            self.low = value
        if value > self.high:  # noqa: PLR1730 - the same
            self.high = value


@dataclass
class Day:
    """One local day.

    Args:
        date: of the day, as printed.
        true: quantity to what the plant had.
        believed: tag to what the gateway held for true; readings that were bad are not in it.
        told: events of the gateway by kind, with their subjects.
    """

    date: str
    true: dict[str, Range] = field(default_factory=dict)
    believed: dict[str, Range] = field(default_factory=dict)
    told: dict[str, list[str]] = field(default_factory=dict)

    def look(self, true: Mapping[str, float], believed: Mapping[str, float]) -> None:
        """Note one instant."""
        for book, values in ((self.true, true), (self.believed, believed)):
            for name, value in values.items():
                known = book.get(name)
                if known is None:
                    known = book[name] = Range()
                known.take(value)

    def grown(self, quantity: str, before: "Day | None") -> float:
        """How much a running total has grown since the end of the day before."""
        now = self.true.get(quantity, Range()).last
        start = 0.0 if before is None else before.true.get(quantity, Range(last=0.0)).last
        return now - start


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the table.

    Args:
        heading: what it is; unit: below that.
        digits: behind the point.
        of: picks the number out of a day and the day before; not a number where there is none.
    """

    heading: str
    unit: str
    digits: int
    of: Callable[[Day, Day | None], float]

    @property
    def width(self) -> int:
        """Characters it takes, the gap behind it included."""
        return max(len(self.heading), len(self.unit), 5) + 2

    def cell(self, day: Day, before: Day | None) -> str:
        """The number as it is printed."""
        value = self.of(day, before)
        return f"{value:.{self.digits}f}" if math.isfinite(value) else "-"


def _grown(quantity: str, divisor: float = 1.0) -> Callable[[Day, Day | None], float]:
    return lambda day, before: day.grown(quantity, before) / divisor


def _true(quantity: str, which: str) -> Callable[[Day, Day | None], float]:
    return lambda day, _: float(getattr(day.true.get(quantity, _NOTHING), which))


def _believed(tag: str, which: str) -> Callable[[Day, Day | None], float]:
    return lambda day, _: float(getattr(day.believed.get(tag, _NOTHING), which))


_NOTHING = Range(math.nan, math.nan, math.nan)
TRUE = (
    Column("turb max", "NTU", 2, _true("turbidity_tap_ntu", "high")),
    Column("into tank", "m3", 2, _grown("into_tank_l", 1000)),
    Column("of it bad", "L", 1, _grown("out_of_limits_into_tank_l")),
    Column("delivered", "m3", 2, _grown("delivered_l", 1000)),
    Column("emergency", "m3", 1, _true("emergency_tank_m3", "last")),
)
BELIEVED = (
    Column("turb mean", "NTU", 2, _believed("DV-CFE24", "last")),
    Column("turb max", "NTU", 2, _believed("AIT-510", "high")),
    Column("CT least", "mg.min/L", 0, _believed("DV-CT", "low")),
    Column("dose least", "mJ/cm2", 0, _believed("DV-DOSE", "low")),
    Column("delivered", "m3", 2, _believed("DV-DELIV", "last")),
    Column("valid", "%", 1, _believed("DV-COMPL", "last")),
)
_DATE_WIDTH = 12


def table(days: Iterable[Day]) -> str:
    """The days as lines; what was true first, then what the gateway believed."""
    true_width = sum(column.width for column in TRUE)
    lines = [
        f"{'':<{_DATE_WIDTH}}{'true water':<{true_width}}| as the gateway believed",
        _row("day", [c.heading for c in TRUE], [c.heading for c in BELIEVED], "trips; P1, P2"),
        _row("", [c.unit for c in TRUE], [c.unit for c in BELIEVED], ""),
    ]
    before: Day | None = None
    for day in days:
        lines.append(
            _row(day.date, [c.cell(day, before) for c in TRUE], [c.cell(day, before) for c in BELIEVED], _told(day))
        )
        before = day
    return "\n".join(lines)


def _row(first: str, true: Iterable[str], believed: Iterable[str], last: str) -> str:
    left = "".join(f"{text:<{column.width}}" for text, column in zip(true, TRUE, strict=True))
    right = "".join(f"{text:<{column.width}}" for text, column in zip(believed, BELIEVED, strict=True))
    return f"{first:<{_DATE_WIDTH}}{left}| {right}{last}".rstrip()


def _told(day: Day) -> str:
    alarms = day.told.get("alarm", [])
    trips = " ".join(dict.fromkeys(day.told.get("trip", []))) or "-"
    counts = ", ".join(str(sum(one.startswith(priority) for one in alarms)) for priority in ("P1", "P2"))
    return f"{trips}; {counts}"
