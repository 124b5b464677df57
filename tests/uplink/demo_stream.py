"""Readings like the demo site's, made up: 117 tags in three poll classes, noise as the scenario has it (section 4).

Good for counting octets and readings, not for what a plant does: the daily
curves are rough, and nothing depends on anything else.
"""

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from gateway.configuration.schema.points import CalculatedTag
from gateway.publishers.payload import SampleRow

START_UTC_MS = 1_739_836_800_000  # 18 February 2025, 00:00 UTC
DAY_S = 86_400
CLASS_S = {"A": 5, "B": 15, "C": 60}


@dataclass(frozen=True, kw_only=True)
class Signal:
    """One made-up tag.

    Args:
        poll: class, A, B or C.
        level: value at mean flow.
        swing: how much of the level follows the day, part of the level.
        noise: standard deviation.
        lasts_s: time constant of the noise; 0 is fresh at each reading.
        step: resolution of the device.
        per_day: what a total gains in a day.
        flips: how often a day a state changes.
        counts: a heartbeat, one more each second.
        deadband: as an integrator would choose it.
    """

    poll: str
    level: float = 0.0
    swing: float = 0.0
    noise: float = 0.0
    lasts_s: float = 0.0
    step: float = 0.0
    per_day: float = 0.0
    flips: float = 0.0
    counts: bool = False
    deadband: float = 0.0


def signals() -> dict[str, Signal]:
    """117 of them: about as many measurements, totals and states as the demo has."""
    analog = {
        "AIT-510": Signal(poll="A", level=0.71, swing=0.2, noise=0.03, lasts_s=120, deadband=0.06),
        "AIT-511": Signal(poll="A", level=0.71, swing=0.2, noise=0.03, lasts_s=120, deadband=0.06),
        "AIT-512": Signal(poll="A", level=0.71, swing=0.2, noise=0.03, lasts_s=120, deadband=0.06),
        "AIT-501": Signal(poll="B", level=3.4, swing=0.2, noise=0.15, lasts_s=300, deadband=0.3),
        "AIT-801": Signal(poll="A", level=5.4, swing=0.1, noise=0.04, lasts_s=180, deadband=0.08),
        "AIT-951": Signal(poll="B", level=3.0, swing=0.1, noise=0.03, lasts_s=180, deadband=0.06),
        "AIT-701": Signal(poll="B", level=74.5, swing=0.01, noise=0.15, lasts_s=300, step=0.1, deadband=0.3),
        "AIT-702": Signal(poll="A", level=100.0, swing=0.01, noise=0.6, lasts_s=300, deadband=1.2),
        "AI-703": Signal(poll="B", level=112.0, swing=0.1, noise=1.0, lasts_s=300, deadband=2.0),
        "AIT-301": Signal(poll="B", level=2.4, swing=0.2, noise=0.08, lasts_s=300, deadband=0.16),
        "AIT-601": Signal(poll="B", level=93.0, noise=0.1, lasts_s=300, step=0.1, deadband=0.2),
        "AIT-605": Signal(poll="B", level=0.25, noise=0.005, lasts_s=300, step=0.001, deadband=0.02),
        "AIT-609": Signal(poll="A", level=0.02, noise=0.002, lasts_s=300, step=0.001, deadband=0.01),
        "AIT-802": Signal(poll="B", level=7.05, noise=0.03, lasts_s=300, step=0.01, deadband=0.06),
        "TIT-001": Signal(poll="C", level=18.0, swing=0.1, noise=0.1, lasts_s=600, step=0.1, deadband=0.5),
    }
    flows = {
        f"FIT-{n}": Signal(poll="A", level=1.4, swing=0.4, noise=0.014, deadband=0.06)
        for n in (201, 701, 905, 951, 960)
    }
    levels = {
        f"LIT-{n}": Signal(poll="B", level=50.0, swing=0.5, noise=0.1, step=0.01, deadband=0.5)
        for n in (101, 151, 161, 410, 810, 901)
    }
    pressures = {
        f"PIT-{n}": Signal(poll="B", level=4.0, swing=0.1, noise=0.012, step=0.001, deadband=0.08)
        for n in (303, 501, 502, 951)
    }
    motors = {
        f"IIT-{n}": Signal(poll="B", level=4.6, noise=0.03, step=0.1, flips=20, deadband=0.2)
        for n in (101, 102, 201, 301, 302, 601, 603, 604, 801, 901, 902)
    }
    set_points = {f"FSP-{n}": Signal(poll="B", level=1.4, swing=0.4, step=0.001, deadband=0.05) for n in range(4)}
    derived = {
        f"DV-{n}": Signal(poll="B", level=500.0, swing=0.3, noise=5.0, lasts_s=180, deadband=10.0) for n in range(8)
    }
    totals = {f"FQI-{n}": Signal(poll="C", per_day=34.0, step=0.001, deadband=0.5) for n in range(8)}
    hours = {f"KQI-{n}": Signal(poll="C", per_day=24.0, step=1.0) for n in range(8)}
    heartbeats = {name: Signal(poll="A", counts=True, deadband=65_536.0) for name in ("PC1-HB", "GW-HB")}
    calm = {f"XS-{n}": Signal(poll="A", flips=0.2) for n in range(24)}
    busy = {f"YS-{n}": Signal(poll="B", flips=30) for n in range(12)}
    own = {f"GW-{n}": Signal(poll="B", level=60.0, noise=2.0, deadband=10.0) for n in range(10)}
    groups = (analog, flows, levels, pressures, motors, set_points, derived, totals, hours, heartbeats, calm, busy, own)
    return {name: signal for group in groups for name, signal in group.items()}


def points(made: dict[str, Signal]) -> dict[str, CalculatedTag]:
    """Their keys, as far as reporting and the table of tags need them."""
    return {
        name: CalculatedTag(
            service=f"a made-up quantity of the kind of {name}",
            unit="m3/h",
            inputs={"x": name},
            formula="x",
            report_deadband=signal.deadband,
        )
        for name, signal in made.items()
    }


class Stream:
    """Readings in order of n, minute by minute; the same seed gives the same ones."""

    def __init__(self, made: dict[str, Signal], *, seed: int = 1) -> None:
        self._made = made
        self._draw = random.Random(seed)  # noqa: S311 - makes test data
        self._drift = dict.fromkeys(made, 0.0)
        self._state = dict.fromkeys(made, 0.0)
        self._n = 0
        self._second = 0

    def minutes(self, count: int) -> Iterator[Sequence[SampleRow]]:
        """The readings of each of the next minutes."""
        for _ in range(count):
            rows: list[SampleRow] = []
            for _ in range(0, 60, 5):
                self._second += 5
                rows += self._poll()
            yield rows

    def _poll(self) -> Iterator[SampleRow]:
        utc_ms = START_UTC_MS + self._second * 1_000
        for at, (name, signal) in enumerate(self._made.items()):
            if self._second % CLASS_S[signal.poll] == 0:
                self._n += 1
                if at % 8 == 0:  # the next block: its answer comes some milliseconds later
                    utc_ms += self._draw.randrange(20, 120)
                yield SampleRow(n=self._n, tag=name, utc_ms=utc_ms, value=self._value(name, signal))

    def _value(self, name: str, signal: Signal) -> float:
        day = self._second / DAY_S
        curve = math.sin(2 * math.pi * (day - 0.25)) + 0.4 * math.sin(4 * math.pi * day)
        value = signal.level * (1 + signal.swing * curve) + signal.per_day * day
        if signal.counts:
            value = float(self._second % 65_536)
        value += self._noise(name, signal)
        if self._draw.random() < signal.flips * CLASS_S[signal.poll] / DAY_S:
            self._state[name] = 1.0 - self._state[name]
        value += self._state[name] * max(1.0, signal.level)
        return round(round(value / signal.step) * signal.step, 6) if signal.step else value

    def _noise(self, name: str, signal: Signal) -> float:
        if not signal.noise:
            return 0.0
        fresh = self._draw.gauss(0.0, signal.noise)
        keeps = math.exp(-CLASS_S[signal.poll] / signal.lasts_s) if signal.lasts_s else 0.0
        self._drift[name] = keeps * self._drift[name] + math.sqrt(1 - keeps * keeps) * fresh
        return self._drift[name]
