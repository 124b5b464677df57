"""What one scan decided: levels for every output, and events for the journal."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from gateway.core.request import Answer
from gateway.core.validity import Verdict

Fact = str | int | float | bool


class EventKind(Enum):
    """Every event the decisions can journal. Alarm and interlock words after ISA-18.2."""

    # alarms
    ALARM = "alarm"
    RTN = "return_to_normal"
    ACK = "acknowledged"
    ACK_REFUSED = "acknowledge_refused"
    RESET = "reset"
    RESET_REFUSED = "reset_refused"
    SHELVE = "shelved"
    SHELVE_REFUSED = "shelve_refused"
    UNSHELVE = "unshelved"
    SUPPRESS = "suppressed"
    UNSUPPRESS = "unsuppressed"
    OUT_OF_SERVICE = "out_of_service"
    IN_SERVICE = "in_service"
    SERVICE_REFUSED = "service_refused"
    FIRST_OUT = "first_out"
    CAUSE_GROUP = "cause_group"  # several alarms have one cause: the subject
    CHATTER = "chatter"  # one alarm annunciates again and again
    STALE = "stale"  # one alarm has stood for too long
    FLOOD_BEGIN = "flood_begin"
    FLOOD_END = "flood_end"
    EXPLAINED = "explained"  # a person entered the cause of an occurrence, or the corrective action, or both
    HIDDEN_CHANGE = "hidden_change"  # the condition moved behind a shelf, suppression or out of service
    # interlocks
    TRIP = "trip"
    CAUSE_CLEARED = "cause_cleared"
    CAUSE_RETURNED = "cause_returned"
    RESTORED = "restored"
    RESTART_HOLD = "restart_hold"
    BYPASS_ON = "bypass_on"
    BYPASS_OFF = "bypass_off"
    BYPASS_REFUSED = "bypass_refused"
    WOULD_TRIP = "would_trip"
    # instruments
    HOLD_ON = "hold_on"  # a person holds an instrument until a planned end
    HOLD_OFF = "hold_off"
    HOLD_REFUSED = "hold_refused"
    # outputs
    LEVEL = "level"  # an output is to stand at another level
    PROVING = "proving"  # after a start: counting good live data before it may return by itself
    START_LATCHED = "start_latched"  # after a start: stays safe until a person releases
    RETURNED = "returned"  # came back by the site's restart rule
    RELEASED = "released"
    RELEASE_OFFERED = "release_offered"
    BYPASS_OFFERED = "bypass_offered"
    RELEASE_REFUSED = "release_refused"
    FOREIGN_WRITE = "foreign_write"  # somebody else wrote our registers
    CONTROLLER_RESTARTED = "controller_restarted"
    REESTABLISHED = "reestablished"  # a trip whose record was lost, taken back from the controller
    EXPOSURE = "exposure"  # litres that may have passed before the output was proven safe
    # motors
    MOTOR_START = "motor_start"
    MOTOR_START_REFUSED = "motor_start_refused"
    MOTOR_STOP = "motor_stop"
    # commissioning
    COMMISSIONED = "commissioned"  # from now on the outputs are written
    DECOMMISSIONED = "decommissioned"  # a person went back to observing
    COMMISSIONING_LAPSED = "commissioning_lapsed"  # given for other outputs than there are now
    # people and time
    LIMIT_CHANGE = "limit_change"  # a start with another configuration: one key that is different, a limit or another
    GRAB_SAMPLE = "grab_sample"
    GRAB_REFUSED = "grab_refused"
    ENTERED = "entered"  # a result, a check of an instrument, a note or a reason; ``entry`` reads its facts
    ENTRY_REFUSED = "entry_refused"
    REQUEST_REFUSED = "request_refused"
    AFAR_REFUSED = "afar_refused"  # asked from afar, and refused before the decisions heard of it
    CLOCK_STEP = "clock_step"
    GAP = "gap"  # readings that were given up and are nowhere
    STORE_REPLACED = "store_replaced"  # a damaged store was set aside and a new one begun
    RECORD_SEALED = "record_sealed"  # once a day: the hash of the samples since the line before, and of the journal
    START = "start"
    STOP = "stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line of the journal before it is numbered and chained.

    Args:
        kind: what happened.
        subject: alarm, interlock, output or tag id.
        occurrence: which annunciation of an alarm; 0 where it has no meaning.
        reason: short code where the kind needs one.
        person: who asked, empty for logic.
        facts: values then in force, by name with the unit in the name.
    """

    kind: EventKind
    subject: str = ""
    occurrence: int = 0
    reason: str = ""
    person: str = ""
    facts: Mapping[str, Fact] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Everything one scan decided.

    Args:
        levels: output id to level name, of every output, every scan.
        events: what happened, in the order in which it was decided.
        answers: to the requests of this scan.
        hurried: tags that want polling at their fast interval for now.
        verdicts: what each tag is worth.
        writes: whether the levels are to be written at all; while False the site observes.
    """

    levels: Mapping[str, str]
    events: tuple[Event, ...] = ()
    answers: tuple[Answer, ...] = ()
    hurried: frozenset[str] = frozenset()
    verdicts: Mapping[str, Verdict] = field(default_factory=dict)
    writes: bool = False
