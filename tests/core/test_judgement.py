"""Requests of people: what is refused with which reason, and that a refusal leaves nothing behind."""

import math

import pytest

from gateway.core.judgement import SENTENCES
from gateway.core.outcome import EventKind
from gateway.core.request import Action
from tests.core.plants import GOOD_GRAB, Bench

SUBJECT_OF = {
    Action.ACKNOWLEDGE: "TURB-HIGH",
    Action.RESET: "TURB-BAD",
    Action.SHELVE: "TURB-HIGH",
    Action.UNSHELVE: "TURB-HIGH",
    Action.TAKE_OUT_OF_SERVICE: "TURB-HIGH",
    Action.RETURN_TO_SERVICE: "TURB-HIGH",
    Action.EXPLAIN: "TURB-HIGH",
    Action.BYPASS: "I-TURB",
    Action.END_BYPASS: "I-TURB",
    Action.HOLD: "CHLORINE",
    Action.END_HOLD: "CHLORINE",
    Action.RELEASE: "product",
    Action.GRAB_SAMPLE: "",
    Action.ENTER: "",
    Action.COMMISSION: "",
    Action.DECOMMISSION: "",
}
WANT_A_REASON = (
    Action.SHELVE,
    Action.TAKE_OUT_OF_SERVICE,
    Action.BYPASS,
    Action.HOLD,
    Action.RELEASE,
    Action.COMMISSION,
    Action.DECOMMISSION,
)


def settled() -> Bench:
    bench = Bench()
    bench.controlled()
    bench.run(61)
    return bench


def decisions(bench: Bench) -> object:
    state = bench.state
    return state.alarms, state.interlocks, state.outputs, state.holds, state.grab, state.offer, state.commissioned


@pytest.mark.parametrize("action", Action)
def test_nobody_may_ask_for_anything(action: Action) -> None:
    bench = settled()
    before = decisions(bench)
    answer = bench.ask(action, SUBJECT_OF[action], person="", duration_ms=60_000, measured=GOOD_GRAB)
    assert (answer.granted, answer.reason) == (False, "nobody")
    assert decisions(bench) == before
    refused = bench.found(EventKind.REQUEST_REFUSED)[-1]
    assert (refused.reason, refused.facts["action"]) == ("nobody", action.value)


@pytest.mark.parametrize("action", [one for one in Action if SUBJECT_OF[one]])
def test_what_does_not_exist_cannot_be_asked_for(action: Action) -> None:
    bench = settled()
    before = decisions(bench)
    answer = bench.ask(action, "NO-SUCH-THING", duration_ms=60_000)
    assert (answer.granted, answer.reason) == (False, "unknown_subject")
    assert decisions(bench) == before


@pytest.mark.parametrize("action", WANT_A_REASON)
@pytest.mark.parametrize("reason", ["", "  "])
def test_what_takes_protection_away_wants_a_reason(action: Action, reason: str) -> None:
    bench = settled()
    before = decisions(bench)
    answer = bench.ask(action, SUBJECT_OF[action], reason=reason, duration_ms=60_000)
    assert (answer.granted, answer.reason) == (False, "no_reason")
    assert decisions(bench) == before


def test_every_answer_names_its_request_and_every_entry_names_person_role_and_origin() -> None:
    bench = settled()
    answer = bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=60_000, reason="cleaning the cell")
    event = bench.found(EventKind.SHELVE)[-1]
    assert answer.granted
    assert event.person == "VISITOR-OP"
    assert event.facts == {
        "request": answer.request,
        "role": "VISITOR-OP",
        "origin": "local",
        "duration_s": 60.0,
        "until_utc_ms": bench.state.tick.utc_ms + 60_000,
        "state_before": "NORM",
        "state_after": "SHLVD",
        "because": "cleaning the cell",
    }


# --- alarms -------------------------------------------------------------------------------------------------------


def test_alarm_requests_that_do_not_fit_the_state_are_refused_with_their_reason() -> None:
    bench = settled()
    assert bench.ask(Action.ACKNOWLEDGE, "TURB-HIGH").reason == "nothing_to_ack"
    assert bench.ask(Action.RESET, "TURB-BAD").reason == "nothing_latched"
    assert bench.ask(Action.UNSHELVE, "TURB-HIGH").reason == "not_shelved"
    assert bench.ask(Action.RETURN_TO_SERVICE, "TURB-HIGH").reason == "already_so"
    assert bench.ask(Action.SHELVE, "STUCK", duration_ms=60_000).reason == "not_allowed"
    assert bench.ask(Action.SHELVE, "TURB-HIGH").reason == "no_duration"
    assert bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=28_800_001).reason == "too_long"
    assert bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=60_000).granted
    assert bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=60_000).reason == "already_shelved"
    assert bench.ask(Action.ACKNOWLEDGE, "TURB-HIGH").reason == "hidden"


def test_an_acknowledgement_of_an_older_occurrence_is_refused() -> None:
    bench = settled()
    for _ in range(2):
        bench.read(TURB=6.0)
        bench.run(6)
        bench.read(TURB=0.5)
        bench.run(1)
    assert bench.ask(Action.ACKNOWLEDGE, "TURB-HIGH", occurrence=1).reason == "old_occurrence"
    assert bench.ask(Action.ACKNOWLEDGE, "TURB-HIGH", occurrence=2).granted


def test_an_unshelved_alarm_that_stands_sounds_at_once() -> None:
    bench = settled()
    bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=600_000)
    bench.read(TURB=6.0)
    bench.run(10)
    assert not bench.found(EventKind.ALARM, "TURB-HIGH")
    bench.ask(Action.UNSHELVE, "TURB-HIGH")
    assert len(bench.found(EventKind.ALARM, "TURB-HIGH")) == 1


def test_out_of_service_hides_until_somebody_ends_it() -> None:
    bench = settled()
    assert bench.ask(Action.TAKE_OUT_OF_SERVICE, "TURB-HIGH").granted
    assert bench.ask(Action.TAKE_OUT_OF_SERVICE, "TURB-HIGH").reason == "already_so"
    bench.read(TURB=6.0)
    bench.run(100)
    assert not bench.found(EventKind.ALARM, "TURB-HIGH")
    assert bench.ask(Action.RETURN_TO_SERVICE, "TURB-HIGH").granted
    assert bench.found(EventKind.ALARM, "TURB-HIGH")


def test_out_of_service_wants_an_interim_measure_and_remembers_it_with_who_and_why() -> None:
    bench = settled()
    before = decisions(bench)
    for nothing in ("", "  "):
        assert bench.ask(Action.TAKE_OUT_OF_SERVICE, "TURB-HIGH", measure=nothing).reason == "no_measure"
    assert decisions(bench) == before
    assert bench.found(EventKind.SERVICE_REFUSED)[-1].reason == "no_measure"
    assert bench.ask(Action.TAKE_OUT_OF_SERVICE, "TURB-HIGH", reason="lamp out", measure="grab every 4 h").granted
    taken = bench.state.alarms["TURB-HIGH"].hiding.taken
    assert taken is not None
    assert (taken.person, taken.reason, taken.measure) == ("VISITOR-OP", "lamp out", "grab every 4 h")
    facts = bench.found(EventKind.OUT_OF_SERVICE)[-1].facts
    assert (facts["interim_measure"], facts["because"], facts["state_after"]) == ("grab every 4 h", "lamp out", "OOSRV")
    assert bench.ask(Action.RETURN_TO_SERVICE, "TURB-HIGH").granted
    assert bench.state.alarms["TURB-HIGH"].hiding.taken is None


def test_who_shelved_is_forgotten_with_the_shelf_however_it_ends() -> None:
    bench = settled()
    for ends in (lambda: bench.run(60), lambda: bench.ask(Action.UNSHELVE, "TURB-HIGH")):
        assert bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=60_000, reason="cleaning").granted
        shelved = bench.state.alarms["TURB-HIGH"].hiding.shelved
        assert shelved is not None
        assert (shelved.person, shelved.reason) == ("VISITOR-OP", "cleaning")
        ends()
        assert bench.state.alarms["TURB-HIGH"].hiding.shelved is None


# --- what caused it, entered afterwards ---------------------------------------------------------------------------


def sounded(times: int) -> Bench:
    bench = settled()
    for _ in range(times):
        bench.read(TURB=6.0)
        bench.run(6)
        bench.read(TURB=0.5)
        bench.run(1)
    return bench


@pytest.mark.parametrize(
    ("said", "facts"),
    [
        pytest.param({"cause": " lamp fouled "}, {"cause": "lamp fouled"}, id="the cause alone"),
        pytest.param({"corrective_action": "wiped"}, {"corrective_action": "wiped"}, id="the action alone"),
        pytest.param({"cause": "a", "corrective_action": "b"}, {"cause": "a", "corrective_action": "b"}, id="both"),
    ],
)
def test_an_explanation_is_journaled_for_its_occurrence_and_changes_no_decision(
    said: dict[str, str], facts: dict[str, str]
) -> None:
    bench = sounded(2)
    before = decisions(bench)
    answer = bench.ask(Action.EXPLAIN, "TURB-HIGH", occurrence=1, **said)
    assert answer.granted
    assert decisions(bench) == before
    event = bench.found(EventKind.EXPLAINED)[-1]
    assert (event.subject, event.occurrence, event.person) == ("TURB-HIGH", 1, "VISITOR-OP")
    assert {name: event.facts[name] for name in ("cause", "corrective_action") if name in event.facts} == facts


def test_an_alarm_that_is_no_longer_configured_is_explained_by_its_number() -> None:
    """Its failure would stay open for ever."""
    bench = Bench()
    assert bench.ask(Action.EXPLAIN, "GONE", occurrence=3, cause="removed with its pump").granted
    event = bench.found(EventKind.EXPLAINED)[-1]
    assert (event.subject, event.occurrence) == ("GONE", 3)
    assert bench.ask(Action.EXPLAIN, "GONE", cause="no number").reason == "unknown_subject"


def test_without_a_number_the_newest_occurrence_is_explained() -> None:
    bench = sounded(2)
    assert bench.ask(Action.EXPLAIN, "TURB-HIGH", cause="lamp").granted
    assert bench.found(EventKind.EXPLAINED)[-1].occurrence == 2


@pytest.mark.parametrize(
    ("times", "fields", "reason"),
    [
        (1, {}, "nothing_said"),
        (1, {"cause": "  ", "corrective_action": " "}, "nothing_said"),
        (0, {"cause": "lamp"}, "no_occurrence"),
        (1, {"cause": "lamp", "occurrence": 2}, "no_occurrence"),
        (1, {"cause": "lamp", "occurrence": -1}, "no_occurrence"),
    ],
)
def test_an_explanation_of_nothing_is_refused(times: int, fields: dict[str, object], reason: str) -> None:
    bench = sounded(times)
    answer = bench.ask(Action.EXPLAIN, "TURB-HIGH", **fields)
    assert (answer.granted, answer.reason) == (False, reason)
    assert not bench.found(EventKind.EXPLAINED)
    assert bench.found(EventKind.REQUEST_REFUSED)[-1].reason == reason


# --- interlocks ---------------------------------------------------------------------------------------------------


def test_bypass_requests_are_refused_with_the_first_reason_that_applies() -> None:
    bench = settled()
    assert bench.ask(Action.BYPASS, "I-VALVE", duration_ms=60_000).reason == "not_allowed"
    assert bench.ask(Action.BYPASS, "I-TURB").reason == "no_duration"
    assert bench.ask(Action.BYPASS, "I-TURB", duration_ms=28_800_001).reason == "too_long"
    assert bench.ask(Action.END_BYPASS, "I-TURB").reason == "not_bypassed"
    assert bench.ask(Action.BYPASS, "I-TURB", duration_ms=60_000).granted
    assert bench.ask(Action.BYPASS, "I-TURB", duration_ms=60_000).reason == "already_bypassed"
    assert bench.ask(Action.END_BYPASS, "I-TURB").granted
    bench.read(TURB=12.0)
    bench.run(16)
    assert bench.ask(Action.BYPASS, "I-TURB", duration_ms=60_000).reason == "tripped"


def test_an_interlock_of_an_output_that_is_released_cannot_be_reset_past_the_release() -> None:
    bench = settled()
    bench.read(TURB=12.0)
    bench.run(16)
    assert bench.ask(Action.RESET, "I-TURB").reason == "cause_present"
    bench.read(TURB=0.5)
    bench.run(100)
    assert bench.ask(Action.RESET, "I-TURB").reason == "with_its_output"
    assert bench.ask(Action.RESET, "I-CHLORINE").reason == "not_tripped"
    assert bench.state.interlocks["I-TURB"].tripped


# --- grab samples -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("measured", "reason"),
    [
        pytest.param({}, "no_figures", id="nothing"),
        pytest.param({"turbidity_ntu": math.nan}, "no_figures", id="not a number"),
        pytest.param({"turbidity_ntu": math.inf}, "no_figures", id="infinite"),
        pytest.param({"turbidity_ntu": -0.1}, "no_figures", id="negative"),
        pytest.param({"turbidity_ntu": 0.8, "colour": 1.0}, "unknown_quantity", id="unknown quantity"),
    ],
)
def test_a_sample_that_is_not_whole_is_not_taken(measured: dict[str, float], reason: str) -> None:
    bench = settled()
    answer = bench.ask(Action.GRAB_SAMPLE, measured=measured)
    assert (answer.granted, answer.reason) == (False, reason)
    assert "turbidity_ntu, total_chlorine_mg_l" in answer.text
    assert bench.state.grab is None
    facts = bench.found(EventKind.GRAB_REFUSED)[-1].facts
    assert all(not isinstance(fact, float) or math.isfinite(fact) for fact in facts.values())


def test_a_newer_sample_takes_the_place_of_an_older_one() -> None:
    bench = settled()
    assert bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB).granted
    assert bench.ask(Action.GRAB_SAMPLE, measured={**GOOD_GRAB, "turbidity_ntu": 3.0}).granted
    assert bench.ask(Action.RELEASE, "product").reason == "not_ready"


# --- the two steps of a release -----------------------------------------------------------------------------------


def offered() -> tuple[Bench, int]:
    bench = settled()
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    answer = bench.ask(Action.RELEASE, "product")
    assert answer.granted
    assert answer.confirm > 0
    return bench, answer.confirm


def test_a_number_that_was_not_offered_releases_nothing() -> None:
    bench, confirm = offered()
    answer = bench.ask(Action.RELEASE, "product", confirm=confirm + 1)
    assert (answer.granted, answer.reason, bench.level("product")) == (False, "offer_gone", "withdrawn")


def test_the_offer_of_another_person_releases_nothing() -> None:
    bench, confirm = offered()
    answer = bench.ask(Action.RELEASE, "product", confirm=confirm, person="DUTY-MGR", role="DUTY-MGR")
    assert (answer.granted, answer.reason, bench.level("product")) == (False, "offer_gone", "withdrawn")


def test_an_offer_of_one_output_does_not_release_another() -> None:
    bench, confirm = offered()
    answer = bench.ask(Action.RELEASE, "feed", confirm=confirm)
    assert (answer.granted, answer.reason) == (False, "nothing_to_release")


def test_an_offer_ends_with_its_time_and_not_before() -> None:
    bench, confirm = offered()
    bench.run(119)
    assert bench.ask(Action.RELEASE, "product", confirm=confirm).granted
    late, confirm = offered()
    late.run(120)
    answer = late.ask(Action.RELEASE, "product", confirm=confirm)
    assert (answer.granted, answer.reason, late.level("product")) == (False, "offer_gone", "withdrawn")


def test_an_offer_releases_once() -> None:
    bench, confirm = offered()
    assert bench.ask(Action.RELEASE, "product", confirm=confirm).granted
    bench.read(TURB=12.0)
    bench.run(16)
    bench.read(TURB=0.5)
    bench.run(61)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    assert bench.ask(Action.RELEASE, "product", confirm=confirm).reason == "offer_gone"


def test_what_is_not_held_cannot_be_released() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(ZSC=1.0)
    assert bench.ask(Action.RELEASE, "product").reason == "nothing_to_release"


def test_every_refusal_has_a_sentence_for_the_person() -> None:
    bench = settled()
    for action in Action:
        answer = bench.ask(action, SUBJECT_OF[action], person="")
        assert answer.text == SENTENCES[answer.reason]
    assert all(sentence.endswith(".") for sentence in SENTENCES.values())
