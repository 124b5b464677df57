"""An instrument that a person holds: announced with a reason and a planned end, and not trusted until it is over.

A held reading is no value for anybody: nothing starts, fires or ends because of
it, and a permission that looks at it is withdrawn meanwhile, without a latch and
without a call. That is so until a grace time after the planned end; from then on
the reading is simply bad, as it is from the first moment on where an interlock
that stops something looks at it. A hold never ends by itself, since nothing but
a person knows whether the probe is back in the water. It survives a restart.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from gateway.core.quality import Reason
from gateway.core.request import Origin, Request
from gateway.core.sample import NoNumber
from gateway.core.validity import HELD, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldRule:
    """What may be held, by whom and for how long.

    Args:
        subjects: what can be named, a tag or a device, and the tags that are held then.
        roles: who may.
        remote_allowed: whether it may be announced, and ended, from afar.
        longest_ms: how far away the planned end may be.
        grace_ms: so long after the planned end a held reading becomes a bad one.
        settle_ms: so long after the end of a hold its reading does not count yet.
        needs_entry: whether it can be ended only after a check or a note about what is held has been entered.
    """

    subjects: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    roles: frozenset[str] = field(default_factory=frozenset)
    remote_allowed: bool = False
    longest_ms: int = 14_400_000
    grace_ms: int = 1_800_000
    settle_ms: int = 0
    needs_entry: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldState:
    """One announced hold; times are monotonic.

    Args:
        tags: what is held.
        person: who announced it.
        reason: why, in the person's words.
        since_ms: when it was announced.
        until_ms: its planned end.
        ended_ms: when it was ended; None while it stands.
        entered: whether a check or a note about what is held has been entered since.
    """

    tags: tuple[str, ...]
    person: str
    reason: str
    since_ms: int
    until_ms: int
    ended_ms: int | None = None
    entered: bool = False


NO_RULE = HoldRule()


def refusal_to_hold(rule: HoldRule, holds: Mapping[str, HoldState], request: Request) -> str:
    """Why a hold is refused, the first reason that applies; empty when it is not. Standing, it gets a new end."""
    if request.subject not in rule.subjects:
        return "not_holdable"
    not_this_person = _not_allowed(rule, request)
    if not_this_person:
        return not_this_person
    if request.duration_ms <= 0:
        return "no_duration"
    if request.duration_ms > rule.longest_ms:
        return "too_long"
    tags = set(rule.subjects[request.subject])
    others = [one for subject, one in holds.items() if subject != request.subject and one.ended_ms is None]
    return "already_held" if any(tags & set(one.tags) for one in others) else ""


def refusal_to_end(rule: HoldRule, holds: Mapping[str, HoldState], request: Request) -> str:
    """Why the end of a hold is refused; empty when it is not."""
    hold = holds.get(request.subject)
    if hold is None or hold.ended_ms is not None:
        return "not_held"
    not_this_person = _not_allowed(rule, request)
    return not_this_person or ("no_entry" if rule.needs_entry and not hold.entered else "")


def with_entry(holds: Mapping[str, HoldState], tag: str) -> Mapping[str, HoldState]:
    """The holds after something was entered about a tag."""
    return {
        subject: replace(one, entered=True) if tag in one.tags and one.ended_ms is None else one
        for subject, one in holds.items()
    }


def _not_allowed(rule: HoldRule, request: Request) -> str:
    if request.role not in rule.roles:
        return "hold_role"
    return "" if rule.remote_allowed or request.origin is Origin.LOCAL else "hold_on_site"


def announced(rule: HoldRule, before: HoldState | None, request: Request, now_ms: int) -> HoldState:
    """The hold that was asked for; one that stands already keeps its begin."""
    standing = before is not None and before.ended_ms is None
    return HoldState(
        tags=rule.subjects[request.subject],
        person=request.person,
        reason=request.reason,
        since_ms=before.since_ms if before is not None and standing else now_ms,
        until_ms=now_ms + request.duration_ms,
        entered=before is not None and standing and before.entered,
    )


def settled(rule: HoldRule, holds: Mapping[str, HoldState], now_ms: int) -> Mapping[str, HoldState]:
    """The holds whose readings do not count yet."""
    left = {
        one: hold for one, hold in holds.items() if hold.ended_ms is None or now_ms - hold.ended_ms < rule.settle_ms
    }
    return holds if len(left) == len(holds) else left


def verdicts_of(
    rule: HoldRule, holds: Mapping[str, HoldState], stops: frozenset[str], now_ms: int
) -> Mapping[str, Verdict]:
    """What every held tag is worth.

    Args:
        rule: of the site.
        holds: those that stand or settle.
        stops: tags at which an interlock looks that does more than withdraw a permission.
        now_ms: this scan.
    """
    found: dict[str, Verdict] = {}
    for hold in holds.values():
        late = hold.ended_ms is None and now_ms - hold.until_ms >= rule.grace_ms
        for tag in hold.tags:
            found[tag] = NoNumber(Reason.HOLD) if late or tag in stops else HELD
    return found


def after_restart(
    rule: HoldRule, holds: Mapping[str, HoldState], *, shift_ms: int, now_ms: int
) -> Mapping[str, HoldState]:
    """Every hold goes on, with its stamps in the new run's time; what is settling settles from the start.

    What may not be held any more is not held any more: its reading is what the instrument says.
    """
    return {
        subject: replace(
            hold,
            tags=rule.subjects[subject],
            since_ms=hold.since_ms + shift_ms,
            until_ms=hold.until_ms + shift_ms,
            ended_ms=None if hold.ended_ms is None else now_ms,
        )
        for subject, hold in holds.items()
        if subject in rule.subjects
    }
