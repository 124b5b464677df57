"""Who is on duty, where nobody is, and what an answer says."""

import pytest

from gateway.calling.reply import Reply, Word, read
from gateway.calling.rota import Gap, Shift, gaps, on_duty


def shift(person: str, start: int, end: int, *, instead: bool = False, role: str = "ONCALL-1") -> Shift:
    return Shift(role=role, person=person, from_utc_ms=start, to_utc_ms=end, instead=instead)


def test_whoever_stands_in_replaces_the_others_for_that_time() -> None:
    shifts = [shift("ANNE", 0, 100), shift("BEN", 40, 60, instead=True)]
    assert [on_duty(shifts, "ONCALL-1", at) for at in (39, 40, 59, 60, 100)] == [
        ("ANNE",),
        ("BEN",),
        ("BEN",),
        ("ANNE",),
        (),
    ]


def test_gaps_are_found_between_before_and_after_the_shifts_and_in_roles_without_any() -> None:
    shifts = [shift("ANNE", 10, 40), shift("BEN", 30, 50), shift("ANNE", 60, 80)]
    assert gaps(shifts, ["ONCALL-1"], from_utc_ms=0, to_utc_ms=100) == [
        Gap(role="ONCALL-1", from_utc_ms=0, to_utc_ms=10),
        Gap(role="ONCALL-1", from_utc_ms=50, to_utc_ms=60),
        Gap(role="ONCALL-1", from_utc_ms=80, to_utc_ms=100),
    ]
    assert gaps(shifts, ["DUTY-MGR"], from_utc_ms=5, to_utc_ms=7) == [Gap(role="DUTY-MGR", from_utc_ms=5, to_utc_ms=7)]
    assert gaps(shifts, ["ONCALL-1"], from_utc_ms=12, to_utc_ms=48) == []


@pytest.mark.parametrize(
    ("text", "reply"),
    [
        ("A118", Reply(word=Word.TAKEN, incident=118)),
        ("  a 118 \n", Reply(word=Word.TAKEN, incident=118)),
        ("g#118", Reply(word=Word.GOING, incident=118)),
        ("W118 07:00", Reply(word=Word.WAIT, incident=118, until=(7, 0))),
        ("w118 until 7.30", Reply(word=Word.WAIT, incident=118, until=(7, 30))),
        ("W118", Reply(word=Word.WAIT, incident=118)),
        ("N118 thanks", Reply(word=Word.PASS_ON, incident=118)),
        ("U118", Reply(word=Word.OF_NO_USE, incident=118)),
        ("A118\n\nOn Wed, somebody wrote:\nReply A118 or N118", Reply(word=Word.TAKEN, incident=118)),
        ("G118\n> A118 taken, N118 pass on", Reply(word=Word.GOING, incident=118)),
        ("A118 A118", Reply(word=Word.TAKEN, incident=118)),
        ("A118 and N118", None),
        ("W118 25:00", None),
        ("MA118", None),
        ("R118", None),
        ("", None),
    ],
)
def test_an_answer_is_read_from_what_was_typed_and_two_answers_are_none(text: str, reply: Reply | None) -> None:
    assert read(text) == reply
