"""Which person a local user is, and answers that are given once."""

import asyncio
from collections.abc import Mapping

import pytest

from gateway.core.request import Action, Answer, Item, Origin, Request
from gateway.field.asking import Answers, NotAsked, answered, refused, request_of
from gateway.local.messages import Answered, Ask, ListItem

ONE = {"VISITOR-OP": "operator on site"}
TWO = {"VISITOR-OP": "operator on site", "DUTY-MGR": "manager"}


def reset(*, id: str = "q1", person: str = "", reason: str = "") -> Ask:  # noqa: A002 - the field's name
    return Ask(id=id, action="reset", subject="I-01", person=person, reason=reason)


@pytest.mark.parametrize(
    ("persons", "named", "person", "role"),
    [
        (ONE, "", "VISITOR-OP", "operator on site"),
        (ONE, "VISITOR-OP", "VISITOR-OP", "operator on site"),
        (TWO, "DUTY-MGR", "DUTY-MGR", "manager"),
    ],
)
def test_a_user_asks_as_a_person_of_the_table(persons: Mapping[str, str], named: str, person: str, role: str) -> None:
    request = request_of(reset(person=named), persons)
    assert (request.person, request.role, request.origin) == (person, role, Origin.LOCAL)


@pytest.mark.parametrize(
    ("persons", "named", "reason"),
    [
        ({}, "", "not_a_person"),
        ({}, "DUTY-MGR", "not_a_person"),
        (ONE, "DUTY-MGR", "not_this_person"),
        (TWO, "", "person_needed"),
    ],
)
def test_nobody_asks_as_somebody_else(persons: Mapping[str, str], named: str, reason: str) -> None:
    with pytest.raises(NotAsked) as caught:
        request_of(reset(person=named), persons)
    assert caught.value.reason == reason
    assert refused(reset(), caught.value) == Answered(id="q1", granted=False, reason=reason, text=caught.value.text)


def test_all_of_a_request_is_handed_on() -> None:
    ask = Ask(
        id="q1",
        action="grab_sample",
        subject="product",
        reason="release",
        duration_s=0.0005,
        occurrence=3,
        confirm=4711,
        measured={"turbidity_ntu": 0.8},
    )
    assert request_of(ask, ONE) == Request(
        id="q1",
        action=Action.GRAB_SAMPLE,
        subject="product",
        person="VISITOR-OP",
        role="operator on site",
        reason="release",
        duration_ms=0,
        occurrence=3,
        confirm=4711,
        measured={"turbidity_ntu": 0.8},
    )


def test_every_action_has_its_name_on_the_socket() -> None:
    assert [request_of(Ask(id="q", action=each.value), ONE).action for each in Action] == list(Action)


@pytest.mark.parametrize(
    ("ask", "reason", "text"),
    [
        (Ask(id="q1", action="open_the_valve"), "unknown_action", "there are acknowledge, reset"),
        (Ask(id="", action="reset"), "malformed", "needs an id"),
        (Ask(id="x" * 65, action="reset"), "malformed", "at most 64"),
        (Ask(id="q1", action="reset", subject="I-01\x1b[2J"), "malformed", "printable"),
        (Ask(id="q1", action="reset", reason="one\ntwo"), "malformed", "in one line"),
        (Ask(id="q1", action="reset", reason="x" * 1_001), "malformed", "at most 1000"),
        (Ask(id="q1", action="grab_sample", measured={str(n): 1.0 for n in range(33)}), "malformed", "not 33"),
        (Ask(id="q1", action="shelve", duration_s=-1.0), "malformed", "not negative"),
        (Ask(id="q1", action="shelve", duration_s=1e300), "malformed", "at most a year"),
    ],
)
def test_what_cannot_be_meant_is_no_request(ask: Ask, reason: str, text: str) -> None:
    with pytest.raises(NotAsked, match=text) as caught:
        request_of(ask, ONE)
    assert caught.value.reason == reason


def test_the_scans_answer_is_told_whole() -> None:
    item = Item(text="turbidity good", satisfied=False, detail="6 of 30 min", wait_ms=1_440_500)
    told = answered(Answer(request="q1", granted=False, reason="not_clear", text="not yet", items=(item,), confirm=9))
    assert told == Answered(
        id="q1",
        granted=False,
        reason="not_clear",
        text="not yet",
        items=(ListItem(text="turbidity good", satisfied=False, detail="6 of 30 min", wait_s=1440.5),),
        confirm=9,
    )


def test_an_id_stands_for_one_request_of_one_person() -> None:
    async def scenario() -> None:
        answers = Answers()
        answer: asyncio.Future[Answered] = asyncio.get_running_loop().create_future()
        answers.keep("VISITOR-OP", reset(), answer)
        assert answers.known("VISITOR-OP", reset()) is answer
        assert answers.known("DUTY-MGR", reset()) is None
        with pytest.raises(NotAsked, match="for something else"):
            answers.known("VISITOR-OP", reset(reason="other"))

    asyncio.run(scenario())


def test_the_oldest_given_answer_is_forgotten_and_never_one_still_to_come() -> None:
    async def scenario() -> None:
        answers = Answers(capacity=3)
        futures: list[asyncio.Future[Answered]] = []
        for number in range(3):
            futures.append(asyncio.get_running_loop().create_future())
            answers.make_room()
            answers.keep("VISITOR-OP", reset(id=f"q{number}"), futures[number])
        with pytest.raises(NotAsked, match="ask again in a minute") as caught:
            answers.make_room()
        assert caught.value.reason == "busy"
        futures[1].set_result(Answered(id="q1", granted=True))
        answers.make_room()
        assert [answers.known("VISITOR-OP", reset(id=f"q{number}")) is None for number in range(3)] == [
            False,
            True,
            False,
        ]
        assert answers.waiting() == [futures[0], futures[2]]

    asyncio.run(scenario())
