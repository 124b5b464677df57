"""What a person's entries correct, looked up in the record before the scan judges them.

Decides nothing: the scan says whether a correction can be taken. It cannot
look anything up itself, so the kind of the entry meant comes with the request,
and a replay finds it there again.
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import replace

from gateway.core.outcome import EventKind
from gateway.core.request import Answer, Request
from gateway.store import journal
from gateway.store.database import Database, Reader
from gateway.store.errors import StoreError

_PATIENCE_S = 10.0  # real
_LONGEST_NUMBER = 15  # digits
_NOT_LOOKED_UP = "The record cannot be read now, so what is to be corrected cannot be found. Nothing was entered."


class CorrectedEntries:
    """Hands requests on, those that correct something with the kinds of what they correct.

    Args:
        database: the plant's store.
        submit: hands a request to the scan and waits for its committed answer.
    """

    def __init__(self, database: Database, submit: Callable[[Request], Awaitable[Answer]]) -> None:
        self._database = database
        self._submit = submit

    async def submit(self, request: Request) -> Answer:
        """The answer of the scan, or a refusal when the record cannot be read in time."""
        numbers = {row["corrects"].strip() for row in request.entries if row.get("corrects", "").strip()}
        if not numbers:
            return await self._submit(request)
        try:
            looked_up = self._database.submit(lambda reader: kinds_of(reader, numbers))
            found = await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(looked_up)), _PATIENCE_S)
        except (StoreError, TimeoutError):
            return Answer(request=request.id, granted=False, reason="not_looked_up", text=_NOT_LOOKED_UP)
        return await self._submit(replace(request, corrected=found))


def kinds_of(reader: Reader, numbers: Iterable[str]) -> dict[str, str]:
    """Kind of every entry that these numbers name; a number that names none is left out."""
    found: dict[str, str] = {}
    for number in numbers:
        if number.isascii() and number.isdigit() and 0 < len(number) <= _LONGEST_NUMBER:
            lines = journal.read_entries(reader, int(number) - 1, 1)
            if lines and lines[0].n == int(number) and lines[0].kind == EventKind.ENTERED.value:
                found[number] = str(lines[0].facts["entry"])
    return found
