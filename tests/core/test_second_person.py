"""A bypass that a second person must confirm: nothing is put aside before, and never by one person alone."""

from dataclasses import replace

import pytest

from gateway.core.outcome import EventKind
from gateway.core.request import Action, Answer, Origin
from gateway.core.restart import resume
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.plants import INTERLOCKS, Bench, plant_with

MINUTE_MS = 60_000


@pytest.fixture
def bench() -> Bench:
    first, *others = INTERLOCKS
    made = Bench(plant_with(interlocks=(replace(first, bypass_second_roles=frozenset({"DUTY-MGR"})), *others)))
    made.deliver()
    return made


def asks(bench: Bench, **fields: object) -> Answer:
    return bench.ask(Action.BYPASS, "I-TURB", duration_ms=MINUTE_MS, reason="wiper stuck", **fields)


def confirms(bench: Bench, number: int, person: str = "MANAGER", role: str = "DUTY-MGR", **fields: object) -> Answer:
    return bench.ask(
        Action.BYPASS, "I-TURB", confirm=number, person=person, role=role, reason="agreed by telephone", **fields
    )


def bypassed(bench: Bench) -> bool:
    return bench.state.interlocks["I-TURB"].bypassed_until_ms is not None


def test_the_first_person_alone_puts_nothing_aside(bench: Bench) -> None:
    answer = asks(bench)
    assert answer.granted
    assert f"Nothing is bypassed yet: a second person (DUTY-MGR) confirms with {answer.confirm}" in answer.text
    assert bench.found(EventKind.BYPASS_OFFERED, "I-TURB")
    assert not bypassed(bench)


def test_the_second_person_puts_it_aside_in_both_names_for_as_long_as_the_first_has_asked(bench: Bench) -> None:
    answer = confirms(bench, asks(bench).confirm)
    assert (answer.granted, answer.text) == (True, "I-TURB is bypassed for 1 min.")
    state = bench.state.interlocks["I-TURB"]
    assert state.bypassed_by == "VISITOR-OP and MANAGER"
    assert state.bypassed_because == "wiper stuck; agreed by telephone"
    (event,) = bench.found(EventKind.BYPASS_ON, "I-TURB")
    assert (event.person, event.facts["persons"]) == ("MANAGER", "VISITOR-OP and MANAGER")
    bench.run(61)
    assert not bypassed(bench)


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"person": "VISITOR-OP"}, "same_person"),
        ({"role": "VISITOR-OP"}, "second_role"),
        ({"origin": Origin.REMOTE}, "bypass_on_site"),
        ({"number": 7}, "bypass_offer_gone"),
    ],
)
def test_not_by_the_same_person_another_role_from_afar_or_with_another_number(
    bench: Bench, fields: dict[str, object], reason: str
) -> None:
    number = asks(bench).confirm
    answer = confirms(bench, **{"number": number, **fields})  # type: ignore[arg-type]
    assert (answer.granted, answer.reason) == (False, reason)
    assert not bypassed(bench)
    assert bench.found(EventKind.BYPASS_REFUSED, "I-TURB")


def test_a_number_is_good_once_and_for_two_minutes(bench: Bench) -> None:
    number = asks(bench).confirm
    bench.run(121)
    assert confirms(bench, number).reason == "bypass_offer_gone"
    number = asks(bench).confirm
    assert confirms(bench, number).granted
    bench.ask(Action.END_BYPASS, "I-TURB")
    assert confirms(bench, number).reason == "bypass_offer_gone"


def test_what_tripped_meanwhile_is_not_put_aside(bench: Bench) -> None:
    number = asks(bench).confirm
    bench.read(TURB=99.0)
    bench.run(60)
    assert confirms(bench, number).reason == "tripped"


def test_a_restart_forgets_the_first_step(bench: Bench) -> None:
    number = asks(bench).confirm
    bench.state, _ = resume(bench.rules, from_bytes(to_bytes(bench.state)), bench.tick(), same_boot=True)
    bench.run(1)
    assert confirms(bench, number).reason == "bypass_offer_gone"


def test_what_can_be_refused_at_once_is_not_offered(bench: Bench) -> None:
    assert asks(bench, origin=Origin.REMOTE).reason == "bypass_on_site"
    assert not bench.found(EventKind.BYPASS_OFFERED)
