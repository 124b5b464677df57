"""Who asks, and what became of it. Decides which person a local user is; never whether a request is granted.

A user of the machine may stand for several persons of the site's table; then
the message has to name one. Who is not in the table is nobody, whatever the
message says. What a person asks is turned into a request for the scan, which
judges it; an id that a person repeats gets the same answer.
"""

import asyncio
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass

from gateway.core.request import Action, Answer, Item, Origin, Request
from gateway.local.messages import Answered, Ask, ListItem

ANSWERS_KEPT = 1_000

_WORD_LIMIT = 64  # characters of an id, a name or a quantity
_REASON_LIMIT = 1_000  # characters
_MEASURED_LIMIT = 32  # quantities of one grab sample
_ROWS_LIMIT = 500  # of one request
_FIELDS_LIMIT = 32  # of a row
_DURATION_LIMIT_S = 366 * 86_400.0


class NotAsked(Exception):  # noqa: N818 - named for what is the case
    """The message does not become a request.

    Args:
        reason: short code.
        text: one sentence for the person.
    """

    def __init__(self, reason: str, text: str) -> None:
        super().__init__(text)
        self.reason = reason
        self.text = text


def refused(ask: Ask, why: NotAsked) -> Answered:
    """The answer to a message that does not become a request."""
    return Answered(id=ask.id, granted=False, reason=why.reason, text=why.text)


def answered(answer: Answer) -> Answered:
    """The scan's answer as a message."""
    return Answered(
        id=answer.request,
        granted=answer.granted,
        reason=answer.reason,
        text=answer.text,
        items=tuple(_list_item(item) for item in answer.items),
        confirm=answer.confirm,
        numbers=answer.numbers,
    )


def request_of(ask: Ask, persons: Mapping[str, str]) -> Request:
    """The request of a local user.

    Args:
        ask: what came over the socket.
        persons: whom this user may act as, person to role.

    Raises:
        NotAsked: the user is nobody, has not said who of several, the action
            does not exist, or a field is longer than can be meant.
    """
    person = _person(ask, persons)
    _check_size(ask)
    return Request(
        id=ask.id,
        action=_action(ask),
        subject=ask.subject,
        person=person,
        role=persons[person],
        origin=Origin.LOCAL,
        reason=ask.reason,
        duration_ms=round(ask.duration_s * 1000),
        occurrence=ask.occurrence,
        confirm=ask.confirm,
        measured=dict(ask.measured),
        measure=ask.measure,
        cause=ask.cause,
        corrective_action=ask.corrective_action,
        entries=tuple(dict(row) for row in ask.entries),
    )


def _person(ask: Ask, persons: Mapping[str, str]) -> str:
    if not persons:
        raise NotAsked("not_a_person", "your user stands for nobody in this site's table of people")
    if ask.person and ask.person not in persons:
        raise NotAsked("not_this_person", f"your user may act as {_listed(persons)}, and not as anybody else")
    if not ask.person and len(persons) > 1:
        raise NotAsked("person_needed", f"your user may act as {_listed(persons)}; say as whom you ask")
    return ask.person or next(iter(persons))


def _listed(persons: Mapping[str, str]) -> str:
    return ", ".join(sorted(persons))


def _action(ask: Ask) -> Action:
    try:
        return Action(ask.action)
    except ValueError:
        known = ", ".join(action.value for action in Action)
        raise NotAsked(
            "unknown_action", f"there is no action {ask.action[:_WORD_LIMIT]!r}; there are {known}"
        ) from None


def _check_size(ask: Ask) -> None:
    """What is asked ends in the journal and on people's screens: short, and in one line."""
    if not ask.id:
        raise NotAsked("malformed", "a request needs an id, so that it can be repeated")
    for word in (ask.id, ask.subject, *ask.measured):
        if len(word) > _WORD_LIMIT or not word.isprintable():
            raise NotAsked("malformed", f"{word[:20]!r}... is no name: at most {_WORD_LIMIT} printable characters")
    for text in (ask.reason, ask.measure, ask.cause, ask.corrective_action):
        if len(text) > _REASON_LIMIT or not text.isprintable():
            raise NotAsked("malformed", f"a text has at most {_REASON_LIMIT} printable characters, in one line")
    if len(ask.measured) > _MEASURED_LIMIT:
        raise NotAsked("malformed", f"a grab sample has at most {_MEASURED_LIMIT} quantities, not {len(ask.measured)}")
    _check_rows(ask)
    if not 0 <= ask.duration_s <= _DURATION_LIMIT_S:
        raise NotAsked("malformed", f"a duration of {ask.duration_s:g} s; at most a year, and not negative")


def _check_rows(ask: Ask) -> None:
    if len(ask.entries) > _ROWS_LIMIT:
        raise NotAsked("malformed", f"{len(ask.entries)} rows at once; enter at most {_ROWS_LIMIT}, and the rest after")
    for row in ask.entries:
        if len(row) > _FIELDS_LIMIT:
            raise NotAsked("malformed", f"a row has at most {_FIELDS_LIMIT} fields, not {len(row)}")
        for name, text in row.items():
            if len(name) > _WORD_LIMIT or len(text) > _REASON_LIMIT or not (name + text).isprintable():
                problem = f"field {name[:20]!r} of a row has at most {_REASON_LIMIT} printable characters, in one line"
                raise NotAsked("malformed", problem)


def _list_item(item: Item) -> ListItem:
    return ListItem(text=item.text, satisfied=item.satisfied, detail=item.detail, wait_s=item.wait_ms / 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    ask: Ask
    answer: "asyncio.Future[Answered]"


class Answers:
    """The answers given last, by person and id of the request.

    When it is full the oldest answer is forgotten, never a request that still
    waits for its answer; with nothing but such requests a new one is refused.

    Args:
        capacity: how many are kept.
    """

    def __init__(self, capacity: int = ANSWERS_KEPT) -> None:
        self._capacity = capacity
        self._asked: OrderedDict[tuple[str, str], _Asked] = OrderedDict()

    def known(self, person: str, ask: Ask) -> "asyncio.Future[Answered] | None":
        """The answer, given or to come, when this person has asked this before.

        Raises:
            NotAsked: the same id stood for something else.
        """
        before = self._asked.get((person, ask.id))
        if before is None:
            return None
        if before.ask != ask:
            raise NotAsked("id_reused", f"you used the id {ask.id!r} for something else; choose a new one")
        return before.answer

    def keep(self, person: str, ask: Ask, answer: "asyncio.Future[Answered]") -> None:
        """Remember a request and where its answer will be."""
        self._asked[person, ask.id] = _Asked(ask=ask, answer=answer)

    def make_room(self) -> None:
        """Forget the oldest answer if there is no room for another.

        Raises:
            NotAsked: all of them still wait.
        """
        if len(self._asked) < self._capacity:
            return
        given = next((key for key, asked in self._asked.items() if asked.answer.done()), None)
        if given is None:
            raise NotAsked("busy", f"{self._capacity} requests wait for their answers; ask again in a minute")
        del self._asked[given]

    def waiting(self) -> list["asyncio.Future[Answered]"]:
        """Where the answers that have not been given yet will be."""
        return [asked.answer for asked in self._asked.values() if not asked.answer.done()]
