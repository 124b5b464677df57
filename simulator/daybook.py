"""What was true and what the gateway believed, day by day, side by side. Pure bookkeeping.

Takes a look at both now and then and keeps lowest, highest and last; knows
neither plant nor gateway, only names and numbers.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field


@dataclass
class Range:
    """Lowest, highest and newest of a quantity; nothing yet is not a number."""

    low: float = math.inf
    high: float = -math.inf
    last: float = math.nan

    def take(self, value: float) -> None:
        """One more look."""
        self.low, self.high, self.last = min(self.low, value), max(self.high, value), value


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
                book.setdefault(name, Range()).take(value)

    def grown(self, quantity: str, before: "Day | None") -> float:
        """How much a running total has grown since the end of the day before."""
        now = self.true.get(quantity, Range()).last
        start = 0.0 if before is None else before.true.get(quantity, Range(last=0.0)).last
        return now - start


def table(days: Iterable[Day]) -> str:
    """The days as lines; true first, then what the gateway believed."""
    lines = [
        "             true water                                         | as the gateway believed",
        "day          turb max  into tank  of it bad  delivered  emerg.  | turb mean  turb max  CT least  dose least"
        "  delivered  valid  trips, P1, P2",
        "             NTU       m3         L          m3         m3      | NTU        NTU       mg.min/L  mJ/cm2    "
        "  m3         %",
    ]
    before: Day | None = None
    for day in days:
        lines.append(_line(day, before))
        before = day
    return "\n".join(lines)


def _line(day: Day, before: Day | None) -> str:
    true, held = day.true, day.believed
    nothing = Range(math.nan, math.nan, math.nan)

    def number(value: float, digits: int, width: int) -> str:
        return f"{'-' if not math.isfinite(value) else f'{value:.{digits}f}':<{width}}"

    def own(tag: str) -> Range:
        return held.get(tag, nothing)

    alarms = day.told.get("alarm", [])
    trips = ",".join(dict.fromkeys(day.told.get("trip", []))) or "-"
    return (
        f"{day.date:<12} "
        f"{number(true.get('turbidity_tap_ntu', nothing).high, 2, 10)}"
        f"{number(day.grown('into_tank_l', before) / 1000, 2, 11)}"
        f"{number(day.grown('out_of_limits_into_tank_l', before), 1, 11)}"
        f"{number(day.grown('delivered_l', before) / 1000, 2, 11)}"
        f"{number(true.get('emergency_tank_m3', nothing).last, 1, 8)}"
        "| "
        f"{number(own('DV-CFE24').last, 2, 11)}{number(own('AIT-510').high, 2, 10)}"
        f"{number(own('DV-CT').low, 0, 10)}{number(own('DV-DOSE').low, 0, 12)}"
        f"{number(own('DV-DELIV').last, 2, 11)}{number(own('DV-COMPL').last, 1, 7)}"
        f"{trips}; {sum(one.startswith('P1') for one in alarms)}, {sum(one.startswith('P2') for one in alarms)}"
    )
