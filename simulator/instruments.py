"""What the instruments show of the water: sample lines, response time, noise, bubbles, faults. Pure.

Between what is true and what a register says lies an instrument. Its noise is
drawn from a generator of its own, so that the water is the same whether or not
somebody looks at it.
"""

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

from simulator.faults import Faults
from simulator.noise import wander_shares

T90_PER_TIME_CONSTANT = math.log(10)
BUBBLES_PER_DAY = 0.5
BUBBLE_NTU = (8.0, 20.0)
BUBBLE_S = (5.0, 10.0)
SWITCH_ML_MIN = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """How one quantity is measured.

    Args:
        tag: its name.
        sd: noise, in its own unit, or as a share of the reading when ``relative``.
        time_constant_s: memory of the noise.
        line_s: dead time of the sample line; t90_s: time to 90 % of a step.
        lowest, highest: end of what it can show.
    """

    tag: str
    sd: float
    time_constant_s: float
    relative: bool = False
    line_s: float = 0.0
    t90_s: float = 0.0
    lowest: float = -1e9
    highest: float = 1e9


def _turbidity(tag: str, highest: float, *, sd: float = 0.03, time_constant_s: float = 120) -> Instrument:
    return Instrument(tag=tag, sd=sd, time_constant_s=time_constant_s, line_s=25, t90_s=45, lowest=0.0, highest=highest)


def _percent(tag: str, sd: float = 0.2) -> Instrument:
    return Instrument(tag=tag, sd=sd, time_constant_s=10)


def _share(tag: str, sd: float = 0.01, *, time_constant_s: float = 10, highest: float = 1e9) -> Instrument:
    """Noise in proportion to the reading: nothing stays nothing."""
    return Instrument(tag=tag, sd=sd, time_constant_s=time_constant_s, relative=True, lowest=0.0, highest=highest)


INSTRUMENTS = (
    _turbidity("AIT-501", 40, sd=0.15, time_constant_s=300),
    _turbidity("AIT-511", 20),
    _turbidity("AIT-512", 20),
    _turbidity("AIT-510", 20),
    _share("FIT-510S", highest=500),
    Instrument(tag="AIT-801", sd=0.04, time_constant_s=180, line_s=40, t90_s=90, lowest=0.0, highest=15),
    Instrument(tag="AIT-951", sd=0.03, time_constant_s=180, line_s=40, t90_s=90, lowest=0.0, highest=15),
    Instrument(tag="TIT-801", sd=0.05, time_constant_s=600),
    Instrument(tag="AIT-802", sd=0.03, time_constant_s=600),
    _share("FIT-801S"),
    Instrument(tag="AIT-701", sd=0.15, time_constant_s=120, line_s=30, t90_s=20, lowest=0.0, highest=100),
    Instrument(tag="AIT-702", sd=0.6, time_constant_s=60, lowest=0.0),
    _share("JI-701", 0.002),
    _share("AI-703"),
    Instrument(tag="AIT-601", sd=0.1, time_constant_s=120, lowest=0.0, highest=100),
    _share("FIT-601"),
    _share("AO-602"),
    _share("JI-603"),
    Instrument(tag="TIT-604", sd=0.2, time_constant_s=600),
    Instrument(tag="AIT-605", sd=0.005, time_constant_s=120, lowest=0.0),
    _share("IIT-101A", 0.2 / 7.2),
    _share("IIT-101B", 0.2 / 7.2),
    _share("SI-201", 0.002),
    _share("IIT-201"),
    _share("IIT-301"),
    _share("IIT-302"),
    Instrument(tag="PIT-303", sd=0.1, time_constant_s=10),
    _share("FI-801"),
    _share("FIT-201"),
    _share("FIT-701"),
    _share("FIT-905"),
    _share("FIT-951"),
    _share("FIT-960"),
    Instrument(tag="EIT-901", sd=1.0, time_constant_s=60, lowest=0.0),
    _share("JIT-901"),
    Instrument(tag="LIT-101", sd=0.005, time_constant_s=10),
    _percent("LIT-151"),
    _percent("LIT-161"),
    _percent("LIT-901"),
    Instrument(tag="PDIT-501", sd=0.003, time_constant_s=10),
    Instrument(tag="PDIT-502", sd=0.003, time_constant_s=10),
    Instrument(tag="AIT-301", sd=0.08, time_constant_s=120),
    _percent("LIT-810"),
    Instrument(tag="AIT-609", sd=0.002, time_constant_s=60, lowest=0.0),
    Instrument(tag="PIT-951", sd=0.03, time_constant_s=10),
    Instrument(tag="TIT-001", sd=0.1, time_constant_s=600),
    _percent("LIT-410"),
)


class Sensor(NamedTuple):
    """One instrument at one instant.

    Args:
        settled: after the line and the response time, without noise.
        shown: what it reads.
        noise: the wandering part, in its own unit or as a share.
        line: what is under way in the sample line: (when it went in, value), oldest first.
    """

    settled: float
    shown: float
    noise: float = 0.0
    line: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """All instruments at one instant.

    Args:
        sensors: by tag.
        bubble_ntu, bubble_left_s: a bubble in the AIT-510 cell and how long it still stays.
        flow_switch_on: FSL-510.
    """

    sensors: Mapping[str, Sensor]
    bubble_ntu: float = 0.0
    bubble_left_s: float = 0.0
    flow_switch_on: bool = True

    def reading(self, tag: str) -> float:
        """What an instrument shows, in the tag's unit."""
        return self.sensors[tag].shown


def settled(true: Mapping[str, float]) -> Panel:
    """Instruments that have been looking at this water for a while."""
    return Panel(
        sensors={one.tag: Sensor(settled=true[one.tag], shown=_shown(one, true[one.tag])) for one in INSTRUMENTS}
    )


def step(
    panel: Panel, true: Mapping[str, float], faults: Faults, *, at_ms: int, dt_s: float, draws: random.Random
) -> Panel:
    """The instruments after a step.

    Args:
        panel: before.
        true: what the water is, by tag, in the tag's unit.
        faults: what is wrong.
        at_ms: plant time after the step.
        dt_s: its length.
        draws: the instruments' own generator.
    """
    bubbled = _bubbled(panel, dt_s=dt_s, draws=draws)
    seen = _seen(true, faults)
    before, gauss = panel.sensors, draws.gauss
    sensors = {}
    for one, kept, fresh in _wandering(dt_s):  # nearly fifty a step: no calls where none are needed
        tag, sensor, true_now = one.tag, before[one.tag], seen[one.tag]
        noise = kept * sensor.noise + fresh * gauss(0.0, 1.0)
        if one.line_s or one.t90_s:
            sensors[tag] = _delayed(one, sensor, true_now, noise, at_ms=at_ms, dt_s=dt_s)
        else:
            sensors[tag] = Sensor(true_now, _shown(one, true_now, noise), noise)
    shown = {**sensors, **_overruled(sensors, panel, bubbled, faults)}
    flows = shown["FIT-510S"].shown > SWITCH_ML_MIN
    return replace(bubbled, sensors=shown, flow_switch_on=panel.flow_switch_on if "FSL-510" in faults.stuck else flows)


def _seen(true: Mapping[str, float], faults: Faults) -> Mapping[str, float]:
    """What reaches the instruments, or what a drifted one takes it for."""
    drifted = {tag: true[tag] + by for tag, by in faults.offsets.items() if tag in true}
    stopped = {"FIT-510S": 0.0} if "AIT-510" in faults.blocked else {}
    return {**true, **drifted, **stopped} if drifted or stopped else true


@cache
def _wandering(dt_s: float) -> tuple[tuple[Instrument, float, float], ...]:
    """Each instrument, what it keeps of its noise in a step, and the spread of what comes to it."""
    shares = [(one, *wander_shares(one.time_constant_s, dt_s)) for one in INSTRUMENTS]
    return tuple((one, kept, one.sd * fresh) for one, kept, fresh in shares)


def _delayed(one: Instrument, sensor: Sensor, true: float, noise: float, *, at_ms: int, dt_s: float) -> Sensor:
    """Through line and response."""
    line, arriving = _through_line(one, sensor, true, at_ms) if one.line_s else ((), true)
    after = sensor.settled + (arriving - sensor.settled) * _response(one.t90_s, dt_s)
    return Sensor(after, _shown(one, after, noise), noise, line)


@cache
def _response(t90_s: float, dt_s: float) -> float:
    """Share of a step that shows after ``dt_s``."""
    return 1 - math.exp(-dt_s * T90_PER_TIME_CONSTANT / t90_s) if t90_s else 1.0


def _through_line(
    one: Instrument, sensor: Sensor, true: float, at_ms: int
) -> tuple[tuple[tuple[int, float], ...], float]:
    """The sample line after a step, and what reaches the cell."""
    line = (*sensor.line, (at_ms, true))
    due = sum(1 for entered_ms, _ in line if at_ms - entered_ms >= one.line_s * 1_000)
    return line[due:], line[due - 1][1] if due else sensor.settled


def _shown(one: Instrument, value: float, noise: float = 0.0) -> float:
    """With its noise, as far as the instrument can show it."""
    shown = value * (1 + noise) if one.relative else value + noise
    if shown < one.lowest:
        return one.lowest
    return min(shown, one.highest)


def _overruled(sensors: Mapping[str, Sensor], before: Panel, bubbled: Panel, faults: Faults) -> Mapping[str, Sensor]:
    """Sensors whose display says something else; forced beats standing, standing beats a bubble."""
    bubble = {"AIT-510": bubbled.bubble_ntu} if bubbled.bubble_left_s > 0 else {}
    held = {tag for tag, device in ANALYZERS.items() if device in faults.held}
    standing = {tag: before.sensors[tag].shown for tag in faults.blocked | held}
    forced = {tag: value for tag, value in faults.forced.items() if tag in sensors}
    says = {**bubble, **standing, **forced}
    return {tag: sensors[tag]._replace(shown=value) for tag, value in says.items()}


ANALYZERS = {
    "AIT-501": "AN1",
    "AIT-511": "AN1",
    "AIT-512": "AN1",
    "AIT-510": "AN1",
    "AIT-801": "AN2",
    "AIT-951": "AN2",
    "AIT-802": "AN2",
}


def _bubbled(panel: Panel, *, dt_s: float, draws: random.Random) -> Panel:
    """Now and then a bubble passes the AIT-510 cell."""
    if panel.bubble_left_s > 0:
        return replace(panel, bubble_left_s=panel.bubble_left_s - dt_s)
    if draws.random() >= BUBBLES_PER_DAY * dt_s / 86_400:
        return panel
    return replace(panel, bubble_ntu=draws.uniform(*BUBBLE_NTU), bubble_left_s=draws.uniform(*BUBBLE_S))
