"""Requests from afar: who asked, whether it was asked now and once, and how often. The last word before the scan.

Takes the octets that a person signed, from whoever brings them: the uplink is
believed nothing. Refused here are a signature that is not the person's, another
site, a request that has expired or was made after now, one that was taken
before, too many of them, and what can be asked on site only. What passes is
judged by the scan like every request, as one from afar.

The number of the newest request of each person is committed before that
request goes on, so that none is taken twice, whatever happens to this process.
Everything refused here is journaled; strangers cannot fill the journal, since
beyond some lines a minute they are counted and told with the next line.
"""

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, replace

from gateway.core.outcome import Event, EventKind
from gateway.core.request import Action, Answer, Origin, Request
from gateway.core.tick import Tick
from gateway.field.asking import NotAsked, request_of
from gateway.local import signatures, signed
from gateway.local.signed import Claim, NotSigned
from gateway.store import positions
from gateway.store.database import Database, Transaction
from gateway.store.errors import StoreError

LONGEST_MS = 600_000  # from signing to expiry
AHEAD_MS = 60_000  # by which the clock over there may be ahead of this one
REQUESTS_A_MINUTE = 10  # of one person
REFUSALS_A_MINUTE = 10  # lines of the journal, all strangers together

FROM_AFAR = frozenset({Action.ACKNOWLEDGE, Action.SHELVE, Action.UNSHELVE, Action.EXPLAIN, Action.RELEASE})
_NAMES_OCCURRENCE = frozenset({Action.ACKNOWLEDGE, Action.EXPLAIN})
_MINUTE_MS = 60_000
_COMMIT_PATIENCE_S = 10.0  # real
_STREAM = "requests"
_CLAIMED_LENGTH = 40  # characters of what a stranger says of himself
_UNJUDGED = frozenset({"not_recordable", "not_taken"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Correspondent:
    """A person who may ask from afar: the role, and the public key."""

    role: str
    key: str


class _Allowance:
    """So many a minute, of plant time."""

    def __init__(self, most: int) -> None:
        self._taken_ms: deque[int] = deque(maxlen=most)
        self._most = most

    def take(self, now_ms: int) -> bool:
        if len(self._taken_ms) == self._most and now_ms - self._taken_ms[0] < _MINUTE_MS:
            return False
        self._taken_ms.append(now_ms)
        return True


class AfarDesk:
    """Takes what was signed far away.

    Args:
        site: id of this site.
        people: who may ask from afar, by name.
        database: the plant's store, where the newest numbers are.
        submit: hands a request to the scan and waits for its committed answer.
        journal: has something journaled with the next scan.
        now: plant time.
    """

    def __init__(
        self,
        *,
        site: str,
        people: Mapping[str, Correspondent],
        database: Database,
        submit: Callable[[Request], Awaitable[Answer]],
        journal: Callable[[Event], None],
        now: Callable[[], Tick],
    ) -> None:
        self._site, self._people, self._database = site, people, database
        self._submit, self._journal, self._now = submit, journal, now
        self._newest = _newest_numbers(database, people, never=now().utc_ms)
        self._allowed = {name: _Allowance(REQUESTS_A_MINUTE) for name in people}
        self._told = _Allowance(REFUSALS_A_MINUTE)
        self._untold = 0

    async def submit(self, octets: bytes) -> Answer:
        """The answer to a request as it came; its id is the digest of the octets."""
        id_ = signed.digest(octets)
        claim: Claim | None = None
        proven = False
        try:
            envelope, claim = _opened(octets)
            self._refuse_stranger(envelope, claim)
            proven = True
            self._refuse_untimely(claim)
            request = self._request(id_, claim)
            await self._use_up(claim)
        except NotAsked as why:
            self._tell(id_, claim, why.reason, proven=proven)
            return Answer(request=id_, granted=False, reason=why.reason, text=why.text)
        answer = await self._submit(request)
        if answer.reason in _UNJUDGED:
            self._tell(id_, claim, answer.reason, proven=True)
        return answer

    def _refuse_stranger(self, envelope: signed.Signed, claim: Claim) -> None:
        person = self._people.get(claim.person)
        if person is None or not signatures.is_by(envelope, person.key):
            raise NotAsked("not_signed", "nobody who may ask from afar has signed this")
        if claim.site != self._site:
            raise NotAsked("other_site", f"this was asked of another site, and this one is {self._site}")
        if not self._allowed[claim.person].take(self._now().monotonic_ms):
            raise NotAsked("too_many", f"{REQUESTS_A_MINUTE} requests a minute and person from afar; wait a minute")

    def _refuse_untimely(self, claim: Claim) -> None:
        now = self._now()
        if not now.utc_trusted:
            raise NotAsked("clock_not_trusted", "the site's clock is not set, so nothing can be said to be of now")
        if claim.number > now.utc_ms + AHEAD_MS:
            ahead_s = (claim.number - now.utc_ms) // 1_000
            raise NotAsked("not_yet", f"it was signed {ahead_s} s after now by the site's clock; set the clock there")
        if not claim.number < claim.expires_utc_ms <= claim.number + LONGEST_MS:
            raise NotAsked("lasts_too_long", f"a request expires within {LONGEST_MS // 1_000} s of its signing")
        if now.utc_ms >= claim.expires_utc_ms:
            raise NotAsked("expired", f"it expired {(now.utc_ms - claim.expires_utc_ms) // 1_000} s ago; ask anew")
        if claim.number <= self._newest[claim.person]:
            raise NotAsked("asked_before", "this, or something newer of this person, was taken already; ask anew")

    def _request(self, id_: str, claim: Claim) -> Request:
        if claim.ask.person not in ("", claim.person):
            raise NotAsked("not_this_person", "a request is its signer's, and nobody else's")
        person = self._people[claim.person]
        request = request_of(claim.ask, {claim.person: person.role})
        if request.action not in FROM_AFAR:
            allowed = ", ".join(sorted(one.value for one in FROM_AFAR))
            raise NotAsked(
                "on_site_only", f"{request.action.value} is done on site only; from afar there are {allowed}"
            )
        if request.action in _NAMES_OCCURRENCE and request.occurrence < 1:
            raise NotAsked("no_occurrence", "from afar the occurrence has to be named; there may be a newer one by now")
        return replace(request, id=id_, origin=Origin.REMOTE)

    async def _use_up(self, claim: Claim) -> None:
        """Commit the number, whatever becomes of the request; in memory first, so that two at once are not both new."""
        self._newest[claim.person] = claim.number
        try:
            kept = self._database.submit(lambda transaction: self._keep(transaction, claim))
            await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(kept)), _COMMIT_PATIENCE_S)
        except (StoreError, TimeoutError):
            text = "The record cannot be written now, so nothing is taken from afar. Nothing was changed; ask anew."
            raise NotAsked("not_recordable", text) from None

    def _keep(self, transaction: Transaction, claim: Claim) -> None:
        store = self._database.opened.store
        positions.set(transaction, reader=_reader(claim.person), stream=_STREAM, n=claim.number, store=store)

    def _tell(self, id_: str, claim: Claim | None, reason: str, *, proven: bool) -> None:
        if not proven and not self._told.take(self._now().monotonic_ms):
            self._untold += 1
            return
        facts: dict[str, str | int | float | bool] = {"request": id_, "origin": Origin.REMOTE.value}
        if claim is not None:
            facts |= {"action": _printable(claim.ask.action), "subject": _printable(claim.ask.subject)}
            facts |= {} if proven else {"claims_to_be": _printable(claim.person)}
        if self._untold:
            facts["not_told"], self._untold = self._untold, 0
        person = claim.person if proven and claim is not None else ""
        self._journal(Event(kind=EventKind.AFAR_REFUSED, reason=reason, person=person, facts=facts))


def _newest_numbers(database: Database, people: Mapping[str, Correspondent], *, never: int) -> dict[str, int]:
    """Newest number of each person; who has none, or one that is damaged, has to ask after this moment."""
    with database.reader() as reader:
        known = {name: positions.get(reader, reader=_reader(name), stream=_STREAM) for name in people}
    return {name: never if found is None else found.n for name, found in known.items()}


def _reader(person: str) -> str:
    return f"afar {person}"


def _opened(octets: bytes) -> tuple[signed.Signed, Claim]:
    try:
        return signed.opened(octets)
    except NotSigned as fault:
        raise NotAsked("malformed", str(fault)) from fault


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text[:_CLAIMED_LENGTH])
