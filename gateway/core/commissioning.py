"""Whether the gateway may write at all: only once a person has commissioned the outputs, and until one takes that back.

A new site observes: it polls, judges, alarms and records, and writes nothing,
no heartbeat either. A person in one of the site's roles commissions the
outputs with a reason. That holds for these outputs alone: when the part of the
configuration that says what is written where is another one after a start, it
has lapsed, and the site observes again. Decides nothing about levels.
"""

from dataclasses import dataclass

from gateway.core.outcome import Event, EventKind
from gateway.core.request import Origin, Request


@dataclass(frozen=True, slots=True, kw_only=True)
class CommissioningRule:
    """What is to be commissioned, and by whom.

    Args:
        roles: that may commission the outputs, and go back to observing.
        fingerprint: of all that the configuration says about what is written where; compared, never read.
        registers: tags of the registers that are written, for the record.
    """

    roles: frozenset[str]
    fingerprint: str
    registers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Commissioned:
    """Who has let the gateway write, when, why, and for which outputs."""

    person: str
    role: str
    utc_ms: int
    reason: str
    fingerprint: str


def refusal_to_commission(rule: CommissioningRule | None, now: Commissioned | None, request: Request) -> str:
    """Why this person may not let the gateway write; empty when they may."""
    refusal = _not_theirs(rule, request)
    if not refusal and request.origin is not Origin.LOCAL:
        return "commission_on_site"
    return refusal or ("already_so" if now is not None else "")


def refusal_to_observe(rule: CommissioningRule | None, now: Commissioned | None, request: Request) -> str:
    """Why this person may not stop the gateway from writing; empty when they may."""
    return _not_theirs(rule, request) or ("already_so" if now is None else "")


def _not_theirs(rule: CommissioningRule | None, request: Request) -> str:
    if rule is None:
        return "no_outputs"
    return "" if request.role in rule.roles else "commissioning_role"


def after_restart(
    rule: CommissioningRule | None, saved: Commissioned | None
) -> tuple[Commissioned | None, list[Event]]:
    """What is left of it after a start: it lapses when it was given for other outputs than there are now."""
    if saved is None or (rule is not None and rule.fingerprint == saved.fingerprint):
        return saved, []
    why = "no outputs are declared any more" if rule is None else "what is written where has changed"
    return None, [Event(kind=EventKind.COMMISSIONING_LAPSED, reason=why, facts={"was_by": saved.person})]
