"""What people ask for. Judged at the scan, never anywhere else.

A request says who, in which role, from where, why, and what it was based on;
the scan checks all of it again whatever the sender says.
"""

from dataclasses import dataclass, field
from enum import Enum


class Action(Enum):
    """Everything a person can ask the decisions for."""

    ACKNOWLEDGE = "acknowledge"  # I have seen this occurrence of this alarm
    RESET = "reset"  # let go of a latched alarm, or of an interlock that is reset directly
    SHELVE = "shelve"  # silence an alarm for a time
    UNSHELVE = "unshelve"
    TAKE_OUT_OF_SERVICE = "take_out_of_service"
    RETURN_TO_SERVICE = "return_to_service"
    EXPLAIN = "explain"  # enter the cause of an occurrence, or what was done about it, afterwards
    BYPASS = "bypass"  # put an interlock aside for a time
    END_BYPASS = "end_bypass"
    HOLD = "hold"  # announce that an instrument is held, with a planned end
    END_HOLD = "end_hold"
    RELEASE = "release"  # give an output back after a trip or a start
    GRAB_SAMPLE = "grab_sample"  # a sample taken by hand and measured
    ENTER = "enter"  # results, checks of instruments, notes and reasons, afterwards; all of them or none
    COMMISSION = "commission"  # let the gateway write its outputs
    DECOMMISSION = "decommission"  # back to observing: nothing is written any more


class Origin(Enum):
    """Where a request comes from; some are refused from afar."""

    LOCAL = "local"  # at the plant, over the local socket
    REMOTE = "remote"  # from the office, signed
    LOGIC = "logic"  # from a program of ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One request.

    Args:
        id: chosen by the sender; a repeated id gets the same answer.
        action: what is asked.
        subject: alarm, interlock, output, tag or device; empty for a grab sample and for commissioning.
        person: who asks, a name of the site's people table; empty is nobody.
        role: the person's role, looked up by the field process.
        origin: from where.
        reason: why, in the person's words.
        duration_ms: for shelve, bypass and hold; 0 means that none was given.
        occurrence: for acknowledge and explain, the occurrence meant; 0 means the newest.
        confirm: for release, and for a bypass that two persons answer for, the number offered by the first step; 0 is
            the first step.
        measured: for a grab sample, quantity to value, such as ``{"turbidity_ntu": 0.8}``.
        measure: for out of service, what is done instead meanwhile.
        cause: for explain, what caused it.
        corrective_action: for explain, what was done about it.
        entries: for enter, the rows as ``entering`` reads them.
        corrected: for enter, number to kind of the entries that the rows correct, looked up by the field process.
    """

    id: str
    action: Action
    subject: str = ""
    person: str = ""
    role: str = ""
    origin: Origin = Origin.LOCAL
    reason: str = ""
    duration_ms: int = 0
    occurrence: int = 0
    confirm: int = 0
    measured: dict[str, float] = field(default_factory=dict)
    measure: str = ""
    cause: str = ""
    corrective_action: str = ""
    entries: tuple[dict[str, str], ...] = ()
    corrected: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One line of a tick list: what must be true, whether it is, and what it says now.

    Args:
        text: the condition in plain words.
        satisfied: whether it holds now.
        detail: the figures behind it.
        wait_ms: the time until it can hold if all stays as it is; 0 when not known or satisfied.
    """

    text: str
    satisfied: bool
    detail: str = ""
    wait_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of a request.

    Args:
        request: id of the request.
        granted: carried out (or, for the first of two steps, offered).
        reason: code of a refusal, empty when granted.
        text: one sentence for the person.
        items: the tick list of a release.
        confirm: the number to repeat in the second step; 0 when there is none.
        numbers: of the journal's lines that what was entered has become, given when it is journaled.
    """

    request: str
    granted: bool
    reason: str = ""
    text: str = ""
    items: tuple[Item, ...] = ()
    confirm: int = 0
    numbers: tuple[int, ...] = ()
