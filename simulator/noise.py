"""First-order noise: how far a quantity wanders from its mean, and how fast. Pure, given the draws."""

import math
import random
from functools import cache


def wander(deviation: float, *, sd: float, time_constant_s: float, dt_s: float, draws: random.Random) -> float:
    """The deviation after a step; its spread is ``sd`` whatever the length of the steps.

    Args:
        deviation: before the step.
        sd: standard deviation in the long run.
        time_constant_s: how long it remembers.
        dt_s: length of the step.
        draws: seeded; one normal number is taken.
    """
    kept, fresh = wander_shares(time_constant_s, dt_s)
    return kept * deviation + sd * fresh * draws.gauss(0.0, 1.0)


@cache
def wander_shares(time_constant_s: float, dt_s: float) -> tuple[float, float]:
    """What is left of the old deviation after a step, and how much new one comes."""
    kept = math.exp(-dt_s / time_constant_s)
    return kept, math.sqrt(1 - kept * kept)
