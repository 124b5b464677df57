"""A person is answered once it is in the record, or told what is known about why not."""

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from gateway.core.request import Action, Answer, Request
from gateway.field.answering import AnswerDesk
from gateway.field.image import InputImage

PATIENCE_S = 20.0


def request(id_: str = "a") -> Request:
    return Request(id=id_, action=Action.ACKNOWLEDGE, subject="TURB-HIGH", person="VISITOR-OP")


def granted(id_: str = "a") -> Answer:
    return Answer(request=id_, granted=True, text="Done.")


def play(
    script: Callable[[AnswerDesk, InputImage], Awaitable[None]],
    *,
    bound: int = 10,
    patience_s: float = PATIENCE_S,
    writable: bool = True,
) -> None:
    async def whole() -> None:
        image = InputImage(bound=bound)
        await script(AnswerDesk(image, writable=lambda: writable, patience_s=patience_s), image)

    asyncio.run(whole())


async def handed_over(desk: AnswerDesk, id_: str = "a") -> "asyncio.Task[Answer]":
    asking = asyncio.create_task(desk.submit(request(id_)))
    await asyncio.sleep(0)
    return asking


async def turns() -> None:
    for _ in range(10):
        await asyncio.sleep(0)


def test_the_answer_waits_for_the_commit_of_its_scan() -> None:
    async def script(desk: AnswerDesk, image: InputImage) -> None:
        asking = await handed_over(desk)
        assert image.take() == (request(),)
        desk.answered(granted(), 7)
        desk.committed(6)
        await turns()
        assert not asking.done()
        desk.committed(7)
        assert await asking == granted()

    play(script)


def test_a_later_commit_answers_everything_before_it() -> None:
    async def script(desk: AnswerDesk, _: InputImage) -> None:
        first, second = await handed_over(desk, "a"), await handed_over(desk, "b")
        desk.answered(granted("a"), 7)
        desk.answered(granted("b"), 9)
        desk.committed(8)
        assert await first == granted("a")
        assert not second.done()
        desk.committed(30)
        assert await second == granted("b")

    play(script)


def test_what_is_judged_and_not_recorded_in_time_is_told_so() -> None:
    async def script(desk: AnswerDesk, _: InputImage) -> None:
        asking = await handed_over(desk)
        desk.answered(granted(), 7)
        answer = await asking
        assert (answer.granted, answer.reason) == (False, "not_recorded")
        assert "the record cannot be written" in answer.text
        assert "See the status" in answer.text
        desk.committed(7)  # too late for this person, and no fault

    play(script, patience_s=0.05)


def test_what_nobody_judged_in_time_is_not_called_judged() -> None:
    async def script(desk: AnswerDesk, _: InputImage) -> None:
        answer = await (await handed_over(desk))
        assert (answer.granted, answer.reason) == (False, "not_judged")
        assert "Not judged in time, and it may still be." in answer.text

    play(script, patience_s=0.05)


def test_a_request_that_finds_no_room_is_told_that_nothing_was_changed() -> None:
    async def script(desk: AnswerDesk, image: InputImage) -> None:
        first = await handed_over(desk, "a")
        answer = await desk.submit(request("b"))
        assert (answer.granted, answer.reason) == (False, "not_taken")
        assert "Nothing was changed" in answer.text
        assert image.take() == (request("a"),)
        desk.answered(granted("a"), 1)
        desk.committed(1)
        assert await first == granted("a")

    play(script, bound=1)


def test_an_id_that_still_waits_is_not_taken_twice() -> None:
    async def script(desk: AnswerDesk, image: InputImage) -> None:
        first = await handed_over(desk)
        assert (await desk.submit(request())).reason == "not_taken"
        assert len(image.take()) == 1
        desk.answered(granted(), 1)
        desk.committed(1)
        assert await first == granted()

    play(script)


def test_an_answer_that_nobody_waits_for_any_more_is_dropped() -> None:
    async def script(desk: AnswerDesk, _: InputImage) -> None:
        asking = await handed_over(desk)
        asking.cancel()
        await asyncio.gather(asking, return_exceptions=True)
        desk.answered(granted(), 1)
        desk.committed(1)
        again = await handed_over(desk)
        desk.answered(granted(), 2)
        desk.committed(2)
        assert await again == granted()

    play(script)


@pytest.mark.parametrize("action", list(Action))
def test_while_the_record_cannot_be_written_nothing_is_given_back_or_put_aside(action: Action) -> None:
    away = {
        Action.RELEASE,
        Action.RESET,
        Action.BYPASS,
        Action.SHELVE,
        Action.TAKE_OUT_OF_SERVICE,
        Action.COMMISSION,
        Action.DECOMMISSION,
    }

    async def script(desk: AnswerDesk, image: InputImage) -> None:
        asked = Request(id="a", action=action, person="VISITOR-OP")
        answer = await desk.submit(asked)
        assert (answer.reason == "not_recordable") is (action in away)
        assert bool(image.take()) is (action not in away)

    play(script, writable=False, patience_s=0.01)
