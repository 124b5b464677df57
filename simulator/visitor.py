"""The visiting operator of the demo: waits, takes a grab sample, and releases by the scenario's rule, in two steps.

Asks over the local socket as any person at the site would, and is refused as
any person would be.
"""

import asyncio
import itertools
from collections.abc import Callable

from gateway.local.client import FieldClient
from gateway.local.messages import Answered, Ask, OutputStatus
from simulator.events import Bypass, Hold
from simulator.stage import Control, StageError

_LOOK_AGAIN_S = 0.5
GRAB_ITEM = "grab sample"


class Visitor:
    """One person at the plant.

    Args:
        field: connection to the field process.
        control: the plant, where the sample is taken.
        say: told what the visitor does.
    """

    def __init__(self, field: FieldClient, control: Control, say: Callable[[str], None]) -> None:
        self._field, self._control, self._say = field, control, say
        self._ids = itertools.count(1)

    async def commission(self) -> None:
        """Let the gateway write its outputs, unless it does already.

        Raises:
            StageError: the gateway refuses it.
        """
        if not (await self._field.status()).observing:
            return
        reason = "loops checked against the displays, valve seen to divert"
        self._say(f"commissions the outputs, so far nothing is written: {reason}")
        answer = await self._field.ask(Ask(id="visitor-commissions", action="commission", reason=reason))
        if not answer.granted:
            raise StageError(f"the outputs cannot be commissioned: {answer.text}")

    async def release_when_ready(self, output: str) -> Answered:
        """Wait until nothing but the sample is missing, take it, and release. Returns the last answer."""
        while not _only_the_sample_is_missing(await self._output(output)):  # noqa: ASYNC110 - asked, not told
            await asyncio.sleep(_LOOK_AGAIN_S)
        await self.take_sample()
        return await self.release(output, "start-up, instruments read beside the display, sample in order")

    async def take_sample(self) -> Answered:
        """Measure what is true at the taps and enter it."""
        truth = await self._control.truth()
        measured = {
            "turbidity_ntu": round(float(truth["turbidity_valve_ntu"]), 2),
            "total_chlorine_mg_l": round(float(truth["chlorine_tap_mg_l"]), 2),
        }
        self._say("takes a grab sample: " + ", ".join(f"{name} {value:g}" for name, value in measured.items()))
        return await self._field.ask(Ask(id=self._id(), action="grab_sample", measured=measured))

    async def release(self, output: str, reason: str) -> Answered:
        """Both steps of a release; the second only when the first has offered it."""
        self._say(f"asks for the release of {output}")
        offered = await self._field.ask(Ask(id=self._id(), action="release", subject=output, reason=reason))
        if not offered.confirm:
            self._say(f"is refused: {offered.text}")
            return offered
        self._say(f"confirms with number {offered.confirm}")
        confirm = Ask(id=self._id(), action="release", subject=output, reason=reason, confirm=offered.confirm)
        return await self._field.ask(confirm)

    async def bypass_when_due(self, bypass: Bypass) -> Answered:
        """Put an interlock aside when the script says so."""
        await self._until(bypass.at_s)
        self._say(f"bypasses {bypass.interlock} for {bypass.minutes:g} minutes: {bypass.reason}")
        asked = Ask(
            id=self._id(),
            action="bypass",
            subject=bypass.interlock,
            reason=bypass.reason,
            duration_s=bypass.minutes * 60,
        )
        answer = await self._field.ask(asked)
        self._say(f"is answered: {answer.text}")
        return answer

    async def hold_when_due(self, hold: Hold) -> Answered:
        """Announce a hold, and end it, when the script says so; returns the last answer."""
        await self._until(hold.at_s)
        self._say(f"holds {hold.instrument}, planned for {hold.minutes:g} minutes: {hold.reason}")
        asked = Ask(
            id=self._id(),
            action="hold",
            subject=hold.instrument,
            reason=hold.reason,
            duration_s=hold.minutes * 60,
        )
        answer = await self._field.ask(asked)
        self._say(f"is answered: {answer.text}")
        if hold.ends_s is None:
            return answer
        await self._until(hold.ends_s)
        self._say(f"ends the hold of {hold.instrument}")
        answer = await self._field.ask(Ask(id=self._id(), action="end_hold", subject=hold.instrument))
        self._say(f"is answered: {answer.text}")
        return answer

    async def _until(self, since_event_s: float) -> None:
        while (await self._control.truth())["since_event_s"] < since_event_s:  # noqa: ASYNC110 - asked, not told
            await asyncio.sleep(_LOOK_AGAIN_S)

    async def _output(self, name: str) -> OutputStatus:
        outputs = (await self._field.status()).outputs
        return next(one for one in outputs if one.output == name)

    def _id(self) -> str:
        return f"visitor-{next(self._ids)}"


def _only_the_sample_is_missing(output: OutputStatus) -> bool:
    missing = [item.text for item in output.release if not item.satisfied]
    return bool(output.release) and all(GRAB_ITEM in text for text in missing)
