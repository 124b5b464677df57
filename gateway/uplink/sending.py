"""From parcels to the publisher and back with a verdict: who goes first, what is sent again, what is set aside.

Decides, for each parcel, when it is dealt with: accepted, or set aside because
it can never be accepted. A parcel whose answer was lost is sent again, after
that one at a time, so that one which itself ends the connection is found and
does not stand in the way of the rest for ever. A parcel that is refused for a
reason that somebody can put right (no permission, quota) is not sent again
blindly: ``Held`` says so, and the caller waits before it tries. Never moves a
position and never knows what a parcel means.
"""

import asyncio
import contextlib
import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum

from gateway.publishers.publisher import Accepted, Lost, NotSent, Outcome, Parcel, Publisher, Refused

log = logging.getLogger(__name__)

SET_ASIDE_AFTER = 3  # connections that ended with the parcel alone on them, after they had answered something else
_NEVER_BETTER = {0, 0x95, 0x99}  # our own bound, packet too large, payload format invalid: the same bytes fail again


class Urgency(IntEnum):
    """Who goes first."""

    ALARMS = 0  # events and messages
    LIVE = 1
    HISTORY = 2


class Held(Exception):  # noqa: N818 - named for what is the case
    """The receiver refuses for a reason that sending again does not change; wait, then try again.

    Args:
        parcel: what was refused.
        refusal: why.
        dealt_with: how many of the batch were dealt with before it.
    """

    def __init__(self, parcel: Parcel, refusal: Refused, *, dealt_with: int) -> None:
        super().__init__(f"{parcel.label} refused: {refusal.reason} (reason code {refusal.code:#04x})")
        self.parcel = parcel
        self.refusal = refusal
        self.dealt_with = dealt_with


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """It will not be sent any more.

    Args:
        label: what it was.
        reason: why.
    """

    label: str
    reason: str


class Lanes:
    """Lets the more urgent go first. Whoever has something to send says so with ``wanting`` and asks with ``turn``."""

    def __init__(self) -> None:
        self._wanting = dict.fromkeys(Urgency, 0)
        self._changed = asyncio.Event()

    @contextlib.contextmanager
    def wanting(self, urgency: Urgency) -> Iterator[None]:
        """As long as the block lasts, the less urgent wait."""
        self._wanting[urgency] += 1
        try:
            yield
        finally:
            self._wanting[urgency] -= 1
            self._changed.set()

    def free(self, urgency: Urgency) -> bool:
        """Whether nobody more urgent has something to send."""
        return not any(self._wanting[other] for other in Urgency if other < urgency)

    async def turn(self, urgency: Urgency) -> None:
        """Return when nobody more urgent has something to send."""
        while not self.free(urgency):
            self._changed.clear()
            await self._changed.wait()


class Sender:
    """Sends parcels until they are dealt with.

    Args:
        publisher: where to.
        greeting: made anew and sent first on every connection; it also shows whether the broker answers at all.
        introduction: sent after it on every connection, before anything else.
        on_set_aside: told of each parcel that was set aside.
        lanes: who goes first.
    """

    def __init__(
        self,
        publisher: Publisher,
        *,
        greeting: Callable[[], Parcel],
        introduction: Sequence[Parcel] = (),
        on_set_aside: Callable[[SetAside], None] = lambda _: None,
        lanes: Lanes | None = None,
    ) -> None:
        self._publisher = publisher
        self._greeting = greeting
        self._introduction = tuple(introduction)
        self._on_set_aside = on_set_aside
        self._greeted = 0
        self._greets = asyncio.Lock()
        self.lanes = lanes if lanes is not None else Lanes()

    @property
    def limit_bytes(self) -> int:
        """Largest body the publisher takes at present."""
        return self._publisher.limit_bytes

    async def ready(self) -> None:
        """Return once connected and greeted."""
        async with self._greets:
            while not self._publisher.connected or self._greeted != self._publisher.connections:
                await self._publisher.connect()
                number = self._publisher.connections
                parcels = [self._greeting(), *self._introduction]
                outcomes = await self._publisher.deliver(parcels)
                for parcel, outcome in zip(parcels, outcomes, strict=True):
                    if isinstance(outcome, Refused):
                        log.error("%s is refused: %s", parcel.label, outcome.reason)
                if all(isinstance(outcome, Accepted | Refused) for outcome in outcomes):
                    self._greeted = number

    async def send(self, batch: Sequence[Parcel], urgency: Urgency) -> None:
        """Return when every parcel has been accepted or set aside.

        Raises:
            Held: one was refused for a reason that may be put right; those before it are dealt with.
        """
        pending, alone, losses = list(batch), False, 0
        while pending:
            await self.ready()
            await self.lanes.turn(urgency)
            group = pending[:1] if alone else pending
            outcomes = await self._publisher.deliver(group)
            done = self._dealt_with(group, outcomes, before=len(batch) - len(pending))
            del pending[:done]
            losses = 0 if done else losses
            if done < len(group) and isinstance(culprit := outcomes[done], Lost):
                losses += alone and culprit.answered
                alone = True
            if losses >= SET_ASIDE_AFTER:
                self._set_aside(pending.pop(0), f"{losses} connections ended with it under way")
                losses = 0

    async def send_once(self, batch: Sequence[Parcel], urgency: Urgency) -> bool:
        """Send what is worth nothing later. Returns whether all of it was accepted; never repeats."""
        if not self._publisher.connected or self._greeted != self._publisher.connections:
            return False
        await self.lanes.turn(urgency)
        outcomes = await self._publisher.deliver(batch)
        for parcel, outcome in zip(batch, outcomes, strict=True):
            if isinstance(outcome, Refused):
                log.error("%s refused: %s", parcel.label, outcome.reason)
        return all(isinstance(outcome, Accepted) for outcome in outcomes)

    def _dealt_with(self, group: Sequence[Parcel], outcomes: Sequence[Outcome], *, before: int) -> int:
        """How many from the front are dealt with. What was accepted behind a gap is sent again: order before thrift."""
        for index, (parcel, outcome) in enumerate(zip(group, outcomes, strict=True)):
            match outcome:
                case Accepted():
                    continue
                case Refused(code=code) if code in _NEVER_BETTER:
                    self._set_aside(parcel, outcome.reason)
                case Refused():
                    raise Held(parcel, outcome, dealt_with=before + index)
                case Lost() | NotSent():
                    return index
        return len(group)

    def _set_aside(self, parcel: Parcel, reason: str) -> None:
        log.error("set aside: %s: %s", parcel.label, reason)
        self._on_set_aside(SetAside(label=parcel.label, reason=reason))
