"""A bypass that one person asks for and another confirms, where the site wants that.

Until the second has confirmed, the interlock protects as before. The first
step stands for as long as a release's does, is told by its number, and is gone
with any restart. The second needs one of the roles the interlock names, and is
never the first again, whatever role he has by then.
"""

from dataclasses import dataclass, replace

from gateway.core.interlock import InterlockRule
from gateway.core.request import Origin, Request


@dataclass(frozen=True, slots=True, kw_only=True)
class BypassOffer:
    """What the first person has asked for.

    Args:
        number: by which the second confirms it.
        request: as it was asked.
        until_ms: monotonic; afterwards it is asked for anew.
    """

    number: int
    request: Request
    until_ms: int


def wanted(rule: InterlockRule, request: Request) -> bool:
    """Whether a request is only the first step."""
    return bool(rule.bypass_second_roles) and not request.confirm


def refusal(rule: InterlockRule, offer: BypassOffer | None, request: Request, now_ms: int) -> str:
    """Why a second person may not confirm; empty when it may be carried out."""
    if offer is None or offer.number != request.confirm or offer.request.subject != rule.id or now_ms > offer.until_ms:
        return "bypass_offer_gone"
    if offer.request.person == request.person:
        return "same_person"
    if request.role not in rule.bypass_second_roles:
        return "second_role"
    return "bypass_on_site" if request.origin is not Origin.LOCAL and not rule.bypass_remote_allowed else ""


def confirmed(offer: BypassOffer, second: Request) -> Request:
    """What is carried out: the first person's request, in the names of both."""
    both = f"{offer.request.person} and {second.person}"
    return replace(offer.request, person=both, reason=f"{offer.request.reason}; {second.reason}")
