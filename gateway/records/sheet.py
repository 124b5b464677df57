"""What a record says, laid out and not yet printed: tables of cells, words, plots. Pure.

Every printed form is made of the same sheet. A cell has a key by which it is
found again: ``2025-02/turbidity-mean/26``.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from decimal import ROUND_HALF_UP, Decimal

CAUTION = (
    "Supervisory record of a telemetry gateway. It replaces no hard-wired protection and no judgement: "
    "local code and licensed practice decide."
)
NOTHING = "-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One figure as printed, and what it is unrounded where it is a number; a key of "" is not traced."""

    text: str
    key: str = ""
    exact: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A heading, columns, and rows of as many cells."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A heading and lines."""

    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A quantity over a span.

    Args:
        heading: what is shown, with its unit.
        span: begin and end, milliseconds UTC.
        lows, highs: of each of so many equal parts of the span; None where nothing counted.
        limits: drawn across.
        bands: shaded stretches and what they are: ``divert``, ``held``, ``bad``.
        ticks: words below the axis, each with its moment.
    """

    heading: str
    span: tuple[int, int]
    lows: tuple[float | None, ...]
    highs: tuple[float | None, ...]
    limits: tuple[float, ...]
    bands: tuple[tuple[int, int, str], ...]
    ticks: tuple[tuple[int, str], ...]

    @property
    def top(self) -> float:
        """The largest value there is room for."""
        return max([value for value in (*self.highs, *self.limits) if value is not None], default=1.0) * 1.05 or 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A record.

    Args:
        key: of the period, such as ``2025-02``.
        title: of every page.
        head: lines below it.
        parts: in order.
    """

    key: str
    title: str
    head: tuple[str, ...]
    parts: tuple[Table | Words | Plot, ...] = field(default=())

    def cells(self) -> Iterator[Cell]:
        """All cells that have a key."""
        for part in self.parts:
            if isinstance(part, Table):
                yield from (cell for row in part.rows for cell in row if cell.key)


def rounded(value: float, digits: int) -> str:
    """A figure as printed; a half goes away from zero, and this is the only place where a figure is rounded."""
    return f"{Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP):f}"


def minutes(ms: float) -> str:
    """A length of time in minutes, with one digit."""
    return rounded(ms / 60_000, 1)


def percent(part: float | None) -> str:
    """A part of one, in per cent with two digits."""
    return NOTHING if part is None else f"{rounded(part * 100, 2)} %"


def at(utc_ms: int, zone: tzinfo, form: str = "%Y-%m-%d %H:%M:%S") -> str:
    """A moment in site time."""
    return datetime.fromtimestamp(utc_ms / 1_000, UTC).astimezone(zone).strftime(form)


def plain(*texts: str) -> tuple[Cell, ...]:
    """A row of cells that are not traced."""
    return tuple(Cell(text=text) for text in texts)


def table(heading: str, columns: Sequence[str], rows: Sequence[Sequence[Cell]]) -> Table:
    """A table; one without rows says so."""
    nothing = (plain("none", *([""] * (len(columns) - 1))),)
    return Table(heading=heading, columns=tuple(columns), rows=tuple(map(tuple, rows)) or nothing)
