"""How far a reading can be relied on, and why not.

Three qualities after OPC UA Part 8 (6.3.2); each carries one reason. Quality
is judged once, at the tag; alarms and interlocks never look at raw bits.
"""

from enum import Enum


class Quality(Enum):
    """What a reading may be used for."""

    GOOD = "good"  # fresh, in range, the device says it is healthy
    UNCERTAIN = "uncertain"  # counts, and is marked
    BAD = "bad"  # carries no number that anything may look at


class Reason(Enum):
    """Why the quality is what it is; one code a reading, worst first wins."""

    OK = "ok"
    AWAITED = "awaited"  # nothing has arrived since the start, and it is not overdue yet
    NO_ANSWER = "no_answer"  # the device did not reply in time, or the line is down
    REFUSED = "refused"  # the device replied with a Modbus exception
    INVALID_REPLY = "invalid_reply"  # a reply came, but not the one that was asked for
    STALE = "stale"  # no newer sample within stale_after_s
    NOT_FINITE = "not_finite"  # NaN, infinite, or no number in the words
    SENTINEL = "sentinel"  # the device's own code for "no value"
    OUT_OF_RANGE = "out_of_range"  # outside what the quantity can physically be
    LOOP_FAULT = "loop_fault"  # current outside the NAMUR NE 43 bands
    OVER_RANGE = "over_range"  # clipped at the top of the span: at least this much
    UNDER_RANGE = "under_range"  # clipped at the bottom of the span: at most this much
    ROUNDED = "rounded"  # a 64-bit count above 2**53: its last digits are lost in the value, never in the raw words
    DEVICE_FAULT = "device_fault"  # the device's status says so
    HOLD = "hold"  # the device or a person holds the value (cleaning, calibration)
    NO_SAMPLE_FLOW = "no_sample_flow"  # the instrument sees no fresh water
    PURGING = "purging"  # sample flow is back, the old water is not out yet
    FROZEN = "frozen"  # has not moved for longer than noise allows
    UNCERTAIN_REFUSED = "uncertain_refused"  # uncertain, and this tag may not be used so
    GOVERNOR_BAD = "governor_bad"  # the tag that vouches for this one is itself bad
    INPUT_BAD = "input_bad"  # a tag it is computed from has no usable value
    INPUT_UNCERTAIN = "input_uncertain"  # a tag it is computed from is uncertain; counts, and is marked
    WRONG_CONSTANT = "wrong_constant"  # the device's test constant reads wrong: byte order or map has changed
    UNKNOWN_STATE = "unknown_state"  # a number that stands for no state of this tag
    SPIKE = "spike"  # a jump that has not lasted long enough to be believed; counts, and is marked
    NO_FIGURE = "no_figure"  # a figure about the gateway's own machine could not be taken
    NOT_COVERED = "not_covered"  # the publication behind the formula does not cover these inputs
    PARTNER = "partner"  # contradicts a tag that should show about the same; counts, and is marked


SENTENCES: dict[Reason, str] = {
    Reason.OK: "good",
    Reason.AWAITED: "no reading since the start yet",
    Reason.NO_ANSWER: "the device does not answer",
    Reason.REFUSED: "the device refuses the request",
    Reason.INVALID_REPLY: "the device answers something that was not asked for",
    Reason.STALE: "no new reading in time",
    Reason.NOT_FINITE: "the reading is not a number",
    Reason.SENTINEL: "the device reports that it has no value",
    Reason.OUT_OF_RANGE: "the reading is physically impossible",
    Reason.LOOP_FAULT: "the current loop is broken",
    Reason.OVER_RANGE: "above the end of its span",
    Reason.UNDER_RANGE: "below the start of its span",
    Reason.ROUNDED: "so large a count that its last digits are rounded",
    Reason.DEVICE_FAULT: "the device reports a fault",
    Reason.HOLD: "the instrument is held (cleaning or calibration)",
    Reason.NO_SAMPLE_FLOW: "no sample flow, the instrument does not see the water",
    Reason.PURGING: "sample flow is back, waiting for fresh water",
    Reason.FROZEN: "the reading has not moved, the instrument looks frozen",
    Reason.UNCERTAIN_REFUSED: "the reading is uncertain and may not be used",
    Reason.GOVERNOR_BAD: "the signal that vouches for it is not available",
    Reason.INPUT_BAD: "a reading it is computed from is not available",
    Reason.INPUT_UNCERTAIN: "a reading it is computed from is uncertain",
    Reason.WRONG_CONSTANT: "the device's test number reads wrong, its byte order or map has changed",
    Reason.UNKNOWN_STATE: "the device shows a state that its manual does not name",
    Reason.SPIKE: "a sudden jump that has not lasted yet",
    Reason.NO_FIGURE: "the gateway cannot take this figure of its own machine",
    Reason.NOT_COVERED: "outside the range that the publication behind it covers",
    Reason.PARTNER: "contradicts the instrument beside it",
}
