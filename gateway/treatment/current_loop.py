"""What a 4-20 mA current says by itself: the bands of NAMUR NE 43. Pure.

At or below 3.6 mA and at or above 21.0 mA the transmitter reports a failure,
which is never scaled into a number. From 3.8 to 20.5 mA the value is valid;
the two narrow bands between are of neither kind, and are suspect.
"""

from enum import Enum

from gateway.treatment.refusal import NotCovered, not_negative

SOURCE = "NAMUR NE 43"
LOW_MA, HIGH_MA = 4.0, 20.0
"""Ends of the span."""
FAILED_LOW_MA, FAILED_HIGH_MA = 3.6, 21.0
VALID_LOW_MA, VALID_HIGH_MA = 3.8, 20.5


class LoopState(Enum):
    """The band that a current lies in."""

    FAILURE_LOW = "failure_low"
    BETWEEN_LOW = "between_failure_and_saturation_low"
    SATURATED_LOW = "saturated_low_valid"
    MEASURING = "measuring"
    SATURATED_HIGH = "saturated_high_valid"
    BETWEEN_HIGH = "between_saturation_and_failure_high"
    FAILURE_HIGH = "failure_high"


def loop_state(current_ma: float) -> LoopState:
    """The band of a current.

    Args:
        current_ma: mA, from 0.

    Raises:
        NotCovered: below 0 or no number.
    """
    not_negative("current mA", current_ma, SOURCE)
    if current_ma <= FAILED_LOW_MA:
        return LoopState.FAILURE_LOW
    if current_ma >= FAILED_HIGH_MA:
        return LoopState.FAILURE_HIGH
    if current_ma < LOW_MA:
        return LoopState.SATURATED_LOW if current_ma >= VALID_LOW_MA else LoopState.BETWEEN_LOW
    if current_ma > HIGH_MA:
        return LoopState.SATURATED_HIGH if current_ma <= VALID_HIGH_MA else LoopState.BETWEEN_HIGH
    return LoopState.MEASURING


def loop_value(current_ma: float, low: float, high: float) -> float:
    """The value a current stands for, beyond the ends of the span too.

    Args:
        current_ma: mA.
        low: value at 4 mA.
        high: value at 20 mA.

    Raises:
        NotCovered: the transmitter reports a failure.
    """
    if loop_state(current_ma) in (LoopState.FAILURE_LOW, LoopState.FAILURE_HIGH):
        raise NotCovered("current mA", current_ma, f"above {FAILED_LOW_MA} and below {FAILED_HIGH_MA}", SOURCE)
    return low + (current_ma - LOW_MA) / (HIGH_MA - LOW_MA) * (high - low)
