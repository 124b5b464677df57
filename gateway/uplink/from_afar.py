"""Carries requests that people have signed far away to the field process, and the answers back. Looks into neither.

What cannot be carried now is dropped, never kept: a request is of the moment,
and whoever asked hears nothing and asks anew.
"""

import asyncio
import contextlib
import logging

from gateway.local.client import NoReply
from gateway.local.messages import Answered
from gateway.publishers.payload import answer_parcel
from gateway.uplink.field_link import FieldLink
from gateway.uplink.sending import Sender, Urgency

_WAIT_AT_MOST = 8  # requests; the office is told nothing of more at once
_PAUSE_S = 0.5  # real, after each: whoever floods the topic leaves the socket to history and the rest
_UNDERSTOOD_FROM = 1  # minor version of the local socket

log = logging.getLogger(__name__)


class FromAfar:
    """One courier for one site.

    Args:
        site: its id.
        sender: where the answers go.
    """

    def __init__(self, *, site: str, sender: Sender) -> None:
        self._site, self._sender = site, sender
        self._waiting: asyncio.Queue[bytes] = asyncio.Queue(_WAIT_AT_MOST)
        self._dropped = 0

    def heard(self, octets: bytes) -> None:
        """A request came; returns at once."""
        try:
            self._waiting.put_nowait(octets)
        except asyncio.QueueFull:
            self._dropped += 1

    async def run(self, link: FieldLink) -> None:
        """Carry for as long as a connection to the field process lasts; what came while there was none is dropped."""
        while not self._waiting.empty():
            self._waiting.get_nowait()
        while True:
            octets = await self._waiting.get()
            if self._dropped:
                log.warning("%s requests from afar are dropped: too many at once", self._dropped)
                self._dropped = 0
            if link.hello.minor < _UNDERSTOOD_FROM:
                log.warning("the field process is older and takes no requests from afar; install the same release")
                continue
            with contextlib.suppress(NoReply):  # then there is no answer to carry, and the one who asked knows as much
                await self._answer(await link.ask_afar(octets))
            await asyncio.sleep(_PAUSE_S)

    async def _answer(self, answered: Answered) -> None:
        if not await self._sender.send_once([answer_parcel(answered, site=self._site)], Urgency.ALARMS):
            log.warning("the answer to request %s did not reach the office", answered.id)
