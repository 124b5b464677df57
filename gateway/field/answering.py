"""Requests on their way to the scan, and their answers on the way back: given only once they are committed."""

import asyncio
from collections import deque
from collections.abc import Callable

from gateway.core.request import Action, Answer, Request
from gateway.field.image import InputImage

_NOT_TAKEN = "The decisions are too far behind to take a request. Nothing was changed; try again."
_NOT_WRITABLE = "The record cannot be written now; without it nothing is given back or put aside. Nothing was changed."
_TAKES_PROTECTION_AWAY = frozenset(
    {
        Action.RELEASE,
        Action.RESET,
        Action.BYPASS,
        Action.SHELVE,
        Action.TAKE_OUT_OF_SERVICE,
        Action.COMMISSION,
        Action.DECOMMISSION,
    }
)
_NOT_JUDGED = "Not judged in time, and it may still be. See the status before you ask again."
_NOT_RECORDED = (
    "Judged, but the record cannot be written now, and what is not recorded has no effect that gives anything back. "
    "See the status before you ask again."
)


class AnswerDesk:
    """Who waits for which answer.

    Args:
        image: where requests go.
        writable: whether the record can be written now; what takes protection away is refused while it cannot.
        patience_s: real seconds a person waits for the commit.
    """

    def __init__(self, image: InputImage, *, writable: Callable[[], bool], patience_s: float = 20.0) -> None:
        self._image = image
        self._writable = writable
        self._patience_s = patience_s
        self._waiting: dict[str, asyncio.Future[Answer]] = {}
        self._given: deque[tuple[int, Answer]] = deque()

    async def submit(self, request: Request) -> Answer:
        """Hand a request to the next scan and wait for the committed answer."""
        if request.action in _TAKES_PROTECTION_AWAY and not self._writable():
            return Answer(request=request.id, granted=False, reason="not_recordable", text=_NOT_WRITABLE)
        answer: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        if request.id in self._waiting or not self._image.put(request):
            return Answer(request=request.id, granted=False, reason="not_taken", text=_NOT_TAKEN)
        self._waiting[request.id] = answer
        try:
            return await asyncio.wait_for(answer, self._patience_s)
        except TimeoutError:
            judged = any(one.request == request.id for _, one in self._given)
            reason, text = ("not_recorded", _NOT_RECORDED) if judged else ("not_judged", _NOT_JUDGED)
            return Answer(request=request.id, granted=False, reason=reason, text=text)
        finally:
            del self._waiting[request.id]

    def answered(self, answer: Answer, scan: int) -> None:
        """The scan has judged; the person hears of it when that scan is committed."""
        self._given.append((scan, answer))

    def committed(self, scan: int) -> None:
        """Everything up to this scan is in the record."""
        while self._given and self._given[0][0] <= scan:
            _, answer = self._given.popleft()
            waiting = self._waiting.get(answer.request)
            if waiting is not None and not waiting.done():
                waiting.set_result(answer)
