"""Grinder pumps P-101A (duty) and P-101B (lag) of the sump (scenario section 3, event E06). Pure.

A clogged pump draws too much and lifts too little until its overload trips;
the trip stays until the clog is taken out. Levels are the sump's own: what the
water does is decided in ``tanks``.
"""

from dataclasses import dataclass

from simulator.wide_records import renewed

DUTY_M, LAG_M, STOP_M, HIGH_FLOAT_M = 0.90, 1.20, 0.40, 1.50
LIFT_M3_H, CLOGGED_M3_H = 4.0, 1.2
CURRENT_A, CLOGGED_A = 7.2, 10.8
OVERLOAD_S = 360.0
P_101A, P_101B = "P-101A", "P-101B"
STARTS_M = {P_101A: DUTY_M, P_101B: LAG_M}
STARTS_FIRST = {P_101A: 18_240, P_101B: 6_105}
RUN_FIRST_S = {P_101A: 402_900 * 60.0, P_101B: 74_300 * 60.0}


@dataclass(frozen=True, kw_only=True)
class Grinder:
    """One pump.

    Args:
        name: P-101A or P-101B.
        runs: it turns; clogged: against something.
        tripped: its overload has let go.
        overload_s: how long it has been drawing too much.
        starts, run_s: since it was new.
    """

    name: str
    runs: bool = False
    clogged: bool = False
    tripped: bool = False
    overload_s: float = 0.0
    starts: int = 0
    run_s: float = 0.0

    @property
    def lift_m3_h(self) -> float:
        """What it lifts."""
        return (CLOGGED_M3_H if self.clogged else LIFT_M3_H) * self.runs

    @property
    def current_a(self) -> float:
        """What it draws."""
        return (CLOGGED_A if self.clogged else CURRENT_A) * self.runs


def new(name: str) -> Grinder:
    """A pump that stands, with the figures of its life so far."""
    return Grinder(name=name, starts=STARTS_FIRST[name], run_s=RUN_FIRST_S[name])


def step(one: Grinder, *, level_m: float, power: bool, clogged: bool, forced: bool, dt_s: float) -> Grinder:
    """A pump after a step.

    Args:
        one: before.
        level_m: of the sump.
        power: there are mains.
        clogged: something is stuck in it.
        forced: PC1 wants it on whatever the level at which it starts (I-15, local).
        dt_s: length of the step.
    """
    overload_s = one.overload_s + dt_s if one.runs and clogged else 0.0
    tripped = clogged and (one.tripped or overload_s >= OVERLOAD_S)
    wanted = level_m >= STARTS_M[one.name] or forced or (one.runs and level_m > STOP_M)
    runs = power and wanted and not tripped
    return renewed(
        one,
        runs=runs,
        clogged=clogged,
        tripped=tripped,
        overload_s=overload_s,
        starts=one.starts + (runs and not one.runs),
        run_s=one.run_s + dt_s * runs,
    )
