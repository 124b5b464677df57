"""How the site stands, as a message and as the text a person reads."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from gateway.core.alarm import AlarmRule, AlarmText, Priority
from gateway.core.cause_groups import GroupRules, Place
from gateway.core.condition import BitSet, Limit, Side
from gateway.core.outcome import EventKind
from gateway.core.quality import Quality, Reason
from gateway.core.request import Action
from gateway.core.sample import Number, Text
from gateway.core.validity import AWAITED, HELD, TagRule
from gateway.field.image import InputImage
from gateway.field.standing import status_of, tag_value
from gateway.local.messages import Answered, JournalEntry, ListItem, OutputStatus, Status
from gateway.terminal import alarms_text, answer_text, at, journal_text, status_text, tags_text, tick_lines
from tests.core.plants import GOOD_GRAB, PLANT, STOP, UTC_MS, Bench, plant_with

CET = ZoneInfo("CET")
UNITS = {"TURB": "NTU", "CHLORINE": "mg/L"}


def status(bench: Bench, *notes: str) -> Status:
    return status_of(bench.rules, bench.state, bench.outcome, InputImage(), notes)


def output(bench: Bench, name: str) -> OutputStatus:
    return next(one for one in status(bench).outputs if one.output == name)


def tripped() -> Bench:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(20)
    return bench


def test_a_delivering_plant_is_permitted_and_held_by_nothing() -> None:
    bench = Bench()
    bench.deliver()
    product = output(bench, "product")
    assert (product.level, product.safe, product.proven, product.reasons, product.release) == (
        "permitted",
        False,
        False,
        (),
        (),
    )
    assert product.since_utc_ms == bench.utc_ms - 2_000
    assert status(bench).interlocks[0].state == "READY"
    assert status(bench).alarms == ()


def test_a_tripped_plant_says_why_since_when_and_what_a_release_needs() -> None:
    bench = tripped()
    product = output(bench, "product")
    assert (product.level, product.safe, product.reasons) == ("withdrawn", True, ("I-TURB",))
    assert product.since_utc_ms == bench.utc_ms - 4_000
    assert not product.confirmed
    assert [item.text for item in product.release if not item.satisfied] == [
        "I-TURB cloudy water: cause gone for 1 min",
        "grab sample since the trip or start: turbidity at most 2, total chlorine at least 2",
        "valve proven at divert",
    ]
    interlock = status(bench).interlocks[0]
    assert (interlock.state, interlock.cause, interlock.since_utc_ms) == (
        "TRIPPED",
        "limit or state",
        bench.utc_ms - 4_000,
    )


def test_it_is_confirmed_by_the_registers_and_proven_by_the_position() -> None:
    bench = tripped()
    bench.read(ZSC=1.0)
    bench.read_back({"product": 0}, {"product": 0}, {"product": "withdrawn"})
    assert (output(bench, "product").confirmed, output(bench, "product").proven) == (True, True)


def test_a_released_output_is_not_said_to_be_held_by_the_interlock_of_another() -> None:
    bench = tripped()
    bench.run(30)
    bench.read(ZSC=1.0)
    bench.run(2)
    assert output(bench, "feed").reasons == ("I-VALVE",)
    assert bench.release("feed").granted
    assert (output(bench, "feed").reasons, output(bench, "supply").reasons) == ((), ("I-VALVE",))


def test_a_start_says_what_it_waits_for() -> None:
    bench = Bench()
    bench.scan()
    assert output(bench, "product").reasons == ("start", "controller not read yet")
    bench.read_back({"product": 0, "feed": STOP, "supply": 0})
    assert output(bench, "feed").reasons == ("lost record",)


@pytest.mark.parametrize(
    ("verdict", "quality", "value", "reason"),
    [
        (Number(1.5), "good", 1.5, "ok"),
        (Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE), "uncertain", 20.0, "over_range"),
        (HELD, "bad", None, "hold"),
        (AWAITED, "bad", None, "awaited"),
    ],
)
def test_a_value_is_only_said_where_there_is_one(
    verdict: Number, quality: str, value: float | None, reason: str
) -> None:
    told = tag_value("TURB", verdict, InputImage())
    assert (told.quality, told.value, told.reason, told.utc_ms, told.n) == (quality, value, reason, 0, 0)


def test_alarms_come_with_the_most_urgent_first_and_hidden_ones_have_no_moment_of_their_own() -> None:
    bench = tripped()
    bench.ask(Action.SHELVE, "CHLORINE-LOW", duration_ms=600_000)
    bench.ask(Action.ACKNOWLEDGE, "TURB-HIGH")
    alarms = {one.alarm: one for one in status(bench).alarms}
    assert {name: one.state for name, one in alarms.items()} == {
        "TURB-HIGH": "ACKED",
        "CLOUDY": "UNACK",
        "CHLORINE-LOW": "SHLVD",
    }
    assert alarms["CLOUDY"].value == "12 NTU"
    assert alarms["CLOUDY"].since_utc_ms == bench.utc_ms - 6_000
    assert alarms["CHLORINE-LOW"].since_utc_ms == 0
    assert "P3 CHLORINE-LOW shelved: " in alarms_text(status(bench), CET)


def test_what_can_be_heard_comes_before_what_is_hidden_then_the_graver_then_the_less_time_left() -> None:
    def ruled(name: str, priority: Priority, respond_min: int) -> AlarmRule:
        text = AlarmText(says=name, cause="", consequence="c", action="a", respond_within_ms=respond_min * 60_000)
        condition = Limit(tag="TURB", side=Side.HIGH, limit=5.0)
        return AlarmRule(id=name, condition=condition, priority=priority, text=text)

    rules = [
        ruled("P1-HIDDEN", Priority.P1, 1),
        ruled("P3-SOON", Priority.P3, 5),
        ruled("P2-LATER", Priority.P2, 90),
        ruled("P2-SOON", Priority.P2, 30),
        ruled("P1", Priority.P1, 600),
    ]
    bench = Bench(plant_with(alarms=tuple(rules), first_out_groups={}))
    bench.ask(Action.SHELVE, "P1-HIDDEN", duration_ms=600_000)
    bench.read(TURB=6.0)
    bench.run(5)
    assert [one.alarm for one in status(bench).alarms] == ["P1", "P2-SOON", "P2-LATER", "P3-SOON", "P1-HIDDEN"]
    bench.ask(Action.ACKNOWLEDGE, "P2-SOON")
    assert [one.alarm for one in status(bench).alarms][1] == "P2-SOON", "time runs for those who know of it too"


def test_an_alarm_that_is_still_there_comes_before_one_that_only_waits_to_be_acknowledged() -> None:
    bench = tripped()
    bench.read(TURB=0.5, CHLORINE=2.1)
    bench.run(6)
    assert [(one.alarm, one.state) for one in status(bench).alarms] == [
        ("CHLORINE-LOW", "UNACK"),
        ("TURB-HIGH", "RTNUN"),
        ("CLOUDY", "RTNUN"),
    ]


def test_an_alarm_that_follows_from_another_names_it_and_stays_in_the_list() -> None:
    places = {"TURB-HIGH": Place(), "CLOUDY": Place(upstream=frozenset({"TURB-HIGH"}))}
    bench = Bench(plant_with(cause_groups=GroupRules(places=places, settles_ms=60_000)))
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(20)
    assert {one.alarm: one.caused_by for one in status(bench).alarms} == {"TURB-HIGH": "", "CLOUDY": "TURB-HIGH"}
    assert alarms_text(status(bench), CET).count("follows from TURB-HIGH\n") == 1


def hidden() -> Bench:
    """One alarm shelved, one suppressed by another, one out of service; the first two would be active."""
    bench = Bench()
    bench.deliver()
    bench.ask(Action.SHELVE, "TURB-HIGH", duration_ms=600_000, reason="cleaning the cell")
    bench.ask(Action.TAKE_OUT_OF_SERVICE, "STUCK", reason="switch broken", measure="look at the valve each hour")
    bench.read(TURB=6.0, CHLORINE=2.1)
    bench.run(10)
    bench.silent.add("TURB")
    bench.run(20)
    return bench


def test_what_hides_an_alarm_is_said_with_who_why_until_when_and_what_is_done_instead() -> None:
    bench = hidden()
    alarms = {one.alarm: one for one in status(bench).alarms}
    shelved = alarms["TURB-HIGH"].hidden
    assert (shelved.shelved_by, shelved.shelved_because) == ("VISITOR-OP", "cleaning the cell")
    assert shelved.shelved_until_utc_ms == bench.utc_ms - 31_000 + 600_000
    assert alarms["TURB-HIGH"].seen_as == "UNACK"
    assert (alarms["CHLORINE-LOW"].state, alarms["CHLORINE-LOW"].hidden.suppressed_by) == ("DSUPR", "TURB-BAD")
    taken = alarms["STUCK"].hidden
    assert (taken.out_of_service, taken.taken_by, taken.taken_because, taken.interim_measure) == (
        True,
        "VISITOR-OP",
        "switch broken",
        "look at the valve each hour",
    )
    text = alarms_text(status(bench), CET)
    assert f"shelved until {at(shelved.shelved_until_utc_ms, CET)} by VISITOR-OP: cleaning the cell\n" in text
    assert "behind that: active, not acknowledged\n" in text
    assert "suppressed by TURB-BAD\n" in text
    assert "out of service by VISITOR-OP: switch broken\n    meanwhile: look at the valve each hour\n" in text


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (["active"], ["TURB-BAD"]),
        (["unacknowledged"], ["TURB-BAD"]),
        (["latched"], []),
        (["shelved"], ["TURB-HIGH"]),
        (["suppressed"], ["CHLORINE-LOW"]),
        (["out-of-service"], ["STUCK"]),
        (["shelved", "out-of-service"], ["TURB-HIGH", "STUCK"]),
        ([], ["TURB-BAD", "TURB-HIGH", "CHLORINE-LOW", "STUCK"]),
    ],
)
def test_alarms_can_be_asked_for_by_their_state(wanted: list[str], found: list[str]) -> None:
    text = alarms_text(status(hidden()), CET, wanted)
    named = [name for name in ("TURB-BAD", "TURB-HIGH", "CHLORINE-LOW", "STUCK", "CLOUDY") if f"P3 {name} " in text]
    assert set(named) == set(found)
    assert found or text == "No alarm is latched."


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (6, "action has to begin within 30 min, by "),
        (7, "action has to begin within 29 min, by "),
        (1_806, "action has to begin within 0 min, by "),
        (1_807, "OVERDUE by 1 min: action was to begin by "),
        (1_806 + 7_320, "OVERDUE by 2 h 2 min: action was to begin by "),
        (1_806 + 200_000, "OVERDUE by 2 d 7 h: action was to begin by "),
    ],
)
def test_the_time_left_counts_from_the_alarm_and_is_never_said_longer_than_it_is(seconds: int, said: str) -> None:
    text = AlarmText(says="cloudy", cause="", consequence="c", action="a", respond_within_ms=1_800_000)
    alarms = tuple(replace(rule, text=text) for rule in PLANT.alarms if rule.id == "TURB-HIGH")
    bench = Bench(plant_with(alarms=alarms, first_out_groups={}))
    bench.read(TURB=6.0)
    bench.run(6)
    assert bench.found(EventKind.ALARM, "TURB-HIGH")
    bench.scan(after_ms=(seconds - 6) * 1_000)
    assert said in alarms_text(status(bench), CET)


def test_what_is_held_and_bypassed_is_named() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(HOLD_801=1.0)
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=60_000)
    now = status(bench)
    assert now.held == ("CHLORINE",)
    assert (now.interlocks[0].state, now.interlocks[0].bypassed_by) == ("BYPASSED", "VISITOR-OP")
    assert now.interlocks[0].bypassed_until_utc_ms == bench.utc_ms + 60_000
    text = status_text(now, "Test Plant", CET)
    assert f"I-TURB until {at(bench.utc_ms + 60_000, CET)} by VISITOR-OP: test (cloudy water)" in text
    assert "Held by the instrument itself:\n  CHLORINE" in text
    assert "  held by: CHLORINE held\n  comes back by itself with:\n    [ ] not CHLORINE held" in text


# --- as text ------------------------------------------------------------------------------------------------------


def test_times_are_said_in_site_time() -> None:
    assert at(UTC_MS, CET) == "Thu 06 Feb 2025 01:00:00"


def test_the_status_reads_from_top_to_bottom() -> None:
    bench = tripped()
    bench.read(CHLORINE=Reason.NO_ANSWER)
    bench.run(1)
    text = status_text(status(bench, "the clock is not trusted; times may be wrong"), "Test Plant", CET)
    wanted = [
        f"Test Plant, {at(bench.utc_ms, CET)}",
        f"product: withdrawn since {at(bench.utc_ms - 5_000, CET)}, NOT READ BACK from the controller",
        "  held by: I-TURB",
        "  to release it:",
        "    [ ] I-TURB cloudy water: cause gone for 1 min (not so now)",
        "    [x] no interlock bypassed",
        "Interlocks that are not ready:",
        "Alarms:",
        "Readings that cannot be used:\n  CHLORINE: the device does not answer",
        "Note:\n  the clock is not trusted; times may be wrong",
    ]
    places = [text.find(one) for one in wanted]
    assert -1 not in places, wanted[places.index(-1)]
    assert places == sorted(places)


def test_a_bypassed_interlock_stands_under_its_own_title_only() -> None:
    bench = Bench()
    bench.ask(Action.BYPASS, "I-TURB", duration_ms=60_000)
    text = status_text(status(bench), "Test Plant", CET)
    assert "Interlocks that are not ready" not in text
    assert "Bypassed:" in text


def test_tags_are_said_with_unit_quality_and_reason() -> None:
    bench = Bench()
    bench.reads["CHLORINE"] = Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE)
    bench.read(TURB=Reason.FROZEN)
    bench.run(1)
    text = tags_text(status(bench), CET, UNITS)
    assert "20 mg/L" in text
    assert "uncertain: above the end of its span" in text
    assert "the reading has not moved, the instrument looks frozen" in text
    assert len(text.splitlines()) == len(bench.rules.tags)


def test_states_bits_and_texts_are_said_in_words() -> None:
    tags = (
        TagRule(tag="VALVE", states={0: "product", 3: "divert"}),
        TagRule(tag="FAULTS", bit_names={0: "overload A", 3: "seal B"}),
        TagRule(tag="SERIAL"),
    )
    words = AlarmRule(id="FAULT", condition=BitSet(tag="FAULTS", mask=0b1001), value_tag="FAULTS")
    bench = Bench(replace(PLANT, tags=(*PLANT.tags, *tags), alarms=(*PLANT.alarms, words)))
    bench.reads |= {"VALVE": Number(3.0), "FAULTS": Number(9.0), "SERIAL": Text("FS-501 V2")}
    bench.run(1)
    told = status(bench)
    lines = {line.split()[0]: line for line in tags_text(told, CET, {}).splitlines()}
    assert "divert (3)" in lines["VALVE"]
    assert "overload A, seal B" in lines["FAULTS"]
    assert "FS-501 V2" in lines["SERIAL"]
    assert [one.value for one in told.alarms if one.alarm == "FAULT"] == ["overload A, seal B"]
    assert bench.found(EventKind.ALARM, "FAULT")[0].facts["in_words"] == "overload A, seal B"
    (serial,) = (one for one in told.tags if one.tag == "SERIAL")
    assert (serial.quality, serial.value, serial.text) == ("good", None, "FS-501 V2")


def test_no_tags_no_alarms_and_no_journal_are_said_in_words() -> None:
    bench = Bench()
    bench.run(1)
    assert alarms_text(status(bench), CET) == "No alarm is active, waits for an acknowledgement, or is hidden."
    assert journal_text([], CET) == "The journal is empty."


def test_a_tick_list_marks_what_holds_and_says_how_long_the_rest_takes() -> None:
    items = (
        ListItem(text="valve proven", satisfied=True),
        ListItem(text="cause gone for 30 min", satisfied=False, detail="so far 10 min", wait_s=1_205.0),
        ListItem(text="cause gone for 1 min", satisfied=False, detail="so far 0 min", wait_s=30.0),
    )
    assert list(tick_lines(items)) == [
        "[x] valve proven",
        "[ ] cause gone for 30 min (so far 10 min), at the earliest in 20 min 5 s",
        "[ ] cause gone for 1 min (so far 0 min), at the earliest in 30 s",
    ]


def test_a_refused_release_says_so_once_and_does_not_call_the_satisfied_items_missing() -> None:
    bench = tripped()
    refused = bench.ask(Action.RELEASE, "product")
    text = answer_text(Answered(id="r", granted=False, reason=refused.reason, text=refused.text))
    assert text == "Refused. Not every condition holds. Nothing was changed and nothing is remembered."
    assert answer_text(Answered(id="r", granted=True, text="Done.")) == "Done."


def test_an_offer_says_the_number_that_confirms_it() -> None:
    bench = Bench()
    bench.controlled()
    bench.run(61)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    offered = bench.ask(Action.RELEASE, "product")
    assert f"confirm with {offered.confirm} within 2 min" in offered.text


def test_a_line_of_the_journal_has_number_time_kind_subject_person_and_facts() -> None:
    line = JournalEntry(
        n=12,
        run=1,
        scan=9,
        monotonic_ms=1,
        utc_ms=UTC_MS,
        utc_trusted=True,
        kind="acknowledged",
        subject="TURB-HIGH",
        occurrence=3,
        reason="x",
        person="VISITOR-OP",
        facts={"value": 12.5, "latched": True},
    )
    assert journal_text([line], CET) == (
        "    12 Thu 06 Feb 2025 01:00:00 acknowledged TURB-HIGH #3 (x) by VISITOR-OP value=12.5 latched=True"
    )
