"""The frame of the bench: what a row hands over, how it is judged, shown and kept.

A row is a function that takes a ``Scale`` and gives ``Figure``s. A figure
holds one value a round, of the gateway and, where there is one, of the bare
library doing the same work in the same round. Judged are medians; what is
printed is also written down, with machine, versions and time, and a run of a
few rows leaves the others in the file as they were. Measures nothing itself.
"""

import json
import os
import platform
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from statistics import median
from typing import Any, Literal, TypeVar

LIBRARIES = ("influxdb-client", "msgspec", "paho-mqtt", "pymodbus", "uvloop")
T = TypeVar("T")
Verdict = Literal["not met", "met", "stretch met"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How much a run does; the figures come from ``FULL``.

    Args:
        rounds: repetitions; each gives one value, and alternates gateway and baseline.
        connections: how many devices are polled at a time, of the rows that poll.
        tags: sizes of the sites of the rows that scan.
        times: growth: multiples of tags and devices.
        short: every row does as little as still shows that it works.
    """

    rounds: int = 5
    connections: tuple[int, ...] = (1, 8, 64)
    tags: tuple[int, ...] = (100, 1_000, 5_000)
    times: tuple[int, ...] = (1, 2, 4, 8)
    short: bool = False


FULL = Scale()
SHORT = Scale(rounds=1, connections=(1, 4), tags=(100, 300), times=(1, 2), short=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What a figure is to reach: exactly one of ``at_least`` and ``at_most``.

    Args:
        at_least: the smallest that is good enough.
        at_most: the largest that is good enough.
        stretch: the same, for more than good enough.
        of: the gateway's own value, or its ratio to the baseline.
    """

    at_least: float | None = None
    at_most: float | None = None
    stretch: float | None = None
    of: Literal["value", "ratio"] = "value"

    def __post_init__(self) -> None:
        if (self.at_least is None) == (self.at_most is None):
            raise ValueError("a goal is either at least or at most something")

    def judge(self, reached: float) -> Verdict:
        """Whether what was reached is enough."""
        if self.stretch is not None and self._enough(reached, self.stretch):
            return "stretch met"
        limit = self.at_least if self.at_least is not None else self.at_most
        assert limit is not None
        return "met" if self._enough(reached, limit) else "not met"

    def _enough(self, reached: float, limit: float) -> bool:
        return reached >= limit if self.at_least is not None else reached <= limit

    def __str__(self) -> str:
        sign, limit = (">=", self.at_least) if self.at_least is not None else ("<=", self.at_most)
        stretch = "" if self.stretch is None else f", stretch {self.stretch:g}"
        return f"{sign} {limit:g}{' of bare' if self.of == 'ratio' else ''}{stretch}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One line of the table.

    Args:
        name: what was measured, at which size.
        unit: of the values.
        gateway: one value a round.
        baseline: the bare library's value of the same rounds; empty when there is none.
        goal: None when the line is only there to be known.
        work: what gateway and baseline have done in all (requests, steps, bytes, ...), to show that it was the same.
        remark: how it was measured, where that is not plain.
    """

    name: str
    unit: str
    gateway: Sequence[float]
    baseline: Sequence[float] = ()
    goal: Goal | None = None
    work: tuple[int, int] | None = None
    remark: str = ""

    def __post_init__(self) -> None:
        if self.baseline and len(self.baseline) != len(self.gateway):
            raise ValueError(f"{self.name}: {len(self.gateway)} rounds beside {len(self.baseline)}")
        if self.goal is not None and self.goal.of == "ratio" and not self.baseline:
            raise ValueError(f"{self.name}: a goal of the bare library's, and no baseline")

    @property
    def ratio(self) -> float | None:
        """Gateway to baseline: the median over the rounds, so that a slow minute of the machine weighs on both."""
        if not self.baseline:
            return None
        return median(ours / bare for ours, bare in zip(self.gateway, self.baseline, strict=True))

    @property
    def verdict(self) -> Verdict | None:
        """None when there is nothing to reach."""
        if self.goal is None:
            return None
        reached = self.ratio if self.goal.of == "ratio" else median(self.gateway)
        assert reached is not None
        return self.goal.judge(reached)


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the bench: its title, and what measures it."""

    title: str
    measure: Callable[[Scale], Sequence[Figure]]


def alternately(rounds: int, gateway: Callable[[], T], baseline: Callable[[], T]) -> tuple[list[T], list[T]]:
    """What both give, one after the other in each round, and the other one first in every second round."""
    ours: list[T] = []
    bare: list[T] = []
    for number in range(rounds):
        if number % 2:
            bare.append(baseline())
            ours.append(gateway())
        else:
            ours.append(gateway())
            bare.append(baseline())
    return ours, bare


# --- the table -------------------------------------------------------------------------------------------------

_WIDTHS = (46, 16, 10, 21, 10, 21, 6, 24, 11)
_HEADS = ("what", "unit", "gateway", "range", "bare", "range", "ratio", "goal", "")


def headline() -> str:
    """The heads of the columns."""
    return _line(_HEADS)


def lines_of(key: str, row: Row, figures: Sequence[Figure]) -> list[str]:
    """A row of the bench as the lines of a table."""
    lines = [f"{key}: {row.title}"]
    for figure in figures:
        ratio = "" if figure.ratio is None else f"{figure.ratio:.2f}"
        shown = (*_shown(figure.gateway), *_shown(figure.baseline), ratio, str(figure.goal or ""), figure.verdict or "")
        lines.append(_line((f"  {figure.name}", figure.unit, *shown)))
        lines += [f"      {figure.remark}"] if figure.remark else []
    return lines


def _shown(values: Sequence[float]) -> tuple[str, str]:
    if not values:
        return "", ""
    return _rounded(median(values)), f"{_rounded(min(values))} .. {_rounded(max(values))}"


def _rounded(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1_000 else f"{value:.3g}"


def _line(cells: Sequence[str]) -> str:
    texts = [
        cell.rjust(width) if 2 <= at <= 6 else cell.ljust(width)
        for at, (cell, width) in enumerate(zip(cells, _WIDTHS, strict=True))
    ]
    return " ".join(texts).rstrip()


# --- the file --------------------------------------------------------------------------------------------------


def record_of(row: Row, figures: Sequence[Figure], scale: Scale, busy: float) -> dict[str, Any]:
    """What is kept of a row: where and when it was measured, and every value.

    Args:
        row: the row.
        figures: what it gave.
        scale: how much was done.
        busy: load of the machine just before, processes.
    """
    return {
        "title": row.title,
        "when": datetime.now(UTC).isoformat(timespec="seconds"),
        "rounds": scale.rounds,
        "load_before": round(busy, 2),
        "machine": machine(),
        "versions": versions(),
        "figures": [_kept(figure) for figure in figures],
    }


def _kept(figure: Figure) -> dict[str, Any]:
    return {
        "name": figure.name,
        "unit": figure.unit,
        "gateway": _summary(figure.gateway),
        "baseline": _summary(figure.baseline),
        "ratio": figure.ratio,
        "goal": None if figure.goal is None else str(figure.goal),
        "verdict": figure.verdict,
        "work": None if figure.work is None else {"gateway": figure.work[0], "baseline": figure.work[1]},
        "remark": figure.remark,
    }


def _summary(values: Sequence[float]) -> dict[str, Any] | None:
    if not values:
        return None
    return {"median": median(values), "lowest": min(values), "highest": max(values), "values": list(values)}


def merge(file: Path, records: Mapping[str, Mapping[str, Any]]) -> None:
    """Put measured rows into the file; those that were not run stay as they are."""
    kept = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
    merged = dict(sorted({**kept, **records}.items()))
    file.write_text(json.dumps(merged, indent=1, allow_nan=False) + "\n", encoding="utf-8")


def machine() -> dict[str, Any]:
    """What the figures were measured on."""
    return {
        "processor": _first_of(Path("/proc/cpuinfo"), "model name"),
        "cores": os.cpu_count(),
        "memory": _first_of(Path("/proc/meminfo"), "MemTotal"),
        "system": f"{platform.system()} {platform.release()} {platform.machine()}",
    }


def versions() -> dict[str, str]:
    """Python and the libraries that stand as baselines or do the work."""
    installed = {name: _installed(name) for name in LIBRARIES}
    return {"python": sys.version.split()[0], **{name: version for name, version in installed.items() if version}}


def _installed(library: str) -> str:
    try:
        return metadata.version(library)
    except metadata.PackageNotFoundError:
        return ""


def _first_of(file: Path, key: str) -> str:
    lines = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
    return next((line.partition(":")[2].strip() for line in lines if line.startswith(key)), "unknown")
