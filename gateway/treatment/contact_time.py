"""How long the water stays in a tank, by volume, flow and a factor. Pure.

The time that counts is not volume over flow: water takes short cuts. The
baffling factor (the modal or the T10 time of a tracer test over volume/flow)
says how far. Which of the two is meant decides the rule: 22 CCR 60301.230 asks
for the modal time, the federal tables for T10 at peak hourly flow, with the
least volume (the level signal) and the highest flow of the averaging window.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gateway.treatment.refusal import NotCovered, above_zero, not_negative, within

SOURCE = "EPA SWTR Guidance Manual (1991) App. C"
TRACER_SOURCE = "22 CCR 60301.600, tracer study"

BAFFLING: Mapping[str, float] = {
    "unbaffled (mixed flow)": 0.1,
    "poor": 0.3,
    "average": 0.5,
    "superior": 0.7,
    "perfect (plug flow)": 1.0,
}
"""T10/T by condition of the tank: EPA SWTR Guidance Manual (1991) Table C-5, repeated in EPA 815-R-20-003."""


def contact_time_s(volume_m3: float, baffling_factor: float, flow_m3_s: float) -> float:
    """Contact time of a tank.

    Args:
        volume_m3: of water in it, from 0.
        baffling_factor: 1 for plug flow (pipes: WAC 246-290-636(2)), less for a real tank; above 0.
        flow_m3_s: through it, above 0.

    Raises:
        NotCovered: outside these ranges; no flow has no contact time.
    """
    return theoretical_detention_s(volume_m3, flow_m3_s) * _factor(baffling_factor)


def _factor(baffling_factor: float) -> float:
    within("baffling factor", baffling_factor, 0.0, 1.0, SOURCE)
    return above_zero("baffling factor", baffling_factor, SOURCE)


def theoretical_detention_s(volume_m3: float, flow_m3_s: float) -> float:
    """Volume over flow, s.

    Args:
        volume_m3: of water, from 0.
        flow_m3_s: through it, above 0.

    Raises:
        NotCovered: outside these ranges.
    """
    return not_negative("volume m3", volume_m3, SOURCE) / above_zero("flow m3/s", flow_m3_s, SOURCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class TracerTest:
    """One run of a tracer study.

    Args:
        flow_m3_s: held during the run.
        modal_s: from injection to the highest concentration at the exit.
    """

    flow_m3_s: float
    modal_s: float


def modal_time_s(study: Sequence[TracerTest], flow_m3_s: float) -> float:
    """Modal contact time at a flow between the tested ones, s.

    Flow x modal time of a run is the volume that takes part; between two runs the smaller of their two volumes
    counts, so that the time is never longer than either run supports.

    Args:
        study: at least one run.
        flow_m3_s: now.

    Raises:
        NotCovered: no run, or a flow outside the tested range, for which nothing is known.
    """
    runs = sorted(study, key=lambda run: run.flow_m3_s)
    if not runs:
        raise NotCovered("tracer study", "of no run", "at least one run", TRACER_SOURCE)
    above_zero("flow m3/s", flow_m3_s, TRACER_SOURCE)
    within("flow m3/s", flow_m3_s, runs[0].flow_m3_s, runs[-1].flow_m3_s, TRACER_SOURCE)
    place = bisect_left([run.flow_m3_s for run in runs], flow_m3_s)
    if runs[place].flow_m3_s == flow_m3_s:
        return runs[place].modal_s
    return min(run.flow_m3_s * run.modal_s for run in runs[place - 1 : place + 1]) / flow_m3_s


def modal_time_if_inverse_s(test: TracerTest, flow_m3_s: float) -> float:
    """Modal time if it went in inverse proportion to flow: an assumption, to plan a tracer study with, s.

    Not for compliance: outside its tested flows a tank may behave otherwise; ``modal_time_s`` refuses there.

    Args:
        test: one run.
        flow_m3_s: above 0.

    Raises:
        NotCovered: no such flow.
    """
    return test.modal_s * test.flow_m3_s / above_zero("flow m3/s", flow_m3_s, TRACER_SOURCE)
