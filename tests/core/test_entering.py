"""What people enter afterwards, judged at the scan: what is refused, what is journaled, and what holds wait for."""

from dataclasses import replace

import pytest

from gateway.core.entering import CheckRule, EntryRules, overdue
from gateway.core.entry import EntryKind, LaboratoryResult, Verification, band_of, entry_of
from gateway.core.outcome import EventKind
from gateway.core.request import Action, Answer
from tests.core.plants import HOLDS, PLANT, UTC_MS, Bench, plant_with

DAY_MS = 86_400_000
RULES = EntryRules(
    laboratory={"total_coliform": "MPN/100 mL"},
    checks={
        "CHLORINE": CheckRule(
            band=band_of("0.1 mg/L or 15 %"), every_ms=7 * DAY_MS, grab_quantity="total_chlorine_mg_l"
        )
    },
    gap_codes={"power": "no power"},
)
SAMPLED, REPORTED = str(UTC_MS - 2 * DAY_MS), str(UTC_MS - DAY_MS)
LABORATORY = {
    "kind": "laboratory",
    "parameter": "total_coliform",
    "point": "outlet",
    "sampled": SAMPLED,
    "reported": REPORTED,
    "result": "<1.8",
    "unit": "MPN/100 mL",
    "method": "MTF",
    "laboratory": "Corvane",
}
CHECK = {"kind": "verification", "tag": "CHLORINE", "time": SAMPLED, "standard": "5.0", "as_found": "5.2"}


def bench(**changed: object) -> Bench:
    made = Bench(plant_with(entries=RULES, **changed))
    made.controlled()
    return made


def enter(plant: Bench, *rows: dict[str, str], corrected: dict[str, str] | None = None) -> Answer:
    return plant.ask(Action.ENTER, entries=rows, reason="", corrected=corrected or {})


def test_a_laboratory_result_stands_in_the_journal_as_it_was_written() -> None:
    plant = bench()
    assert enter(plant, LABORATORY).granted
    event = plant.found(EventKind.ENTERED)[-1]
    entry = entry_of(EntryKind.LABORATORY, n=7, person=event.person, facts=event.facts)
    assert isinstance(entry, LaboratoryResult)
    assert (entry.result.text, entry.result.qualifier, entry.result.value) == ("<1.8", "<", 1.8)
    assert (entry.sampled_utc_ms, entry.reported_utc_ms) == (int(SAMPLED), int(REPORTED))
    assert (event.subject, entry.n, entry.corrects) == ("total_coliform", 7, 0)


FUTURE = str(UTC_MS + DAY_MS)


@pytest.mark.parametrize(
    ("row", "field", "words"),
    [
        pytest.param({**LABORATORY, "kind": "rumour"}, "kind", "is no kind of entry", id="kind"),
        pytest.param({**LABORATORY, "sampled": FUTURE}, "sampled", "in the future", id="sampled in the future"),
        pytest.param(
            {**LABORATORY, "sampled": REPORTED, "reported": SAMPLED},
            "reported",
            "before the sample",
            id="reported first",
        ),
        pytest.param({**LABORATORY, "sampled": "Monday"}, "sampled", "is no time", id="no time"),
        pytest.param({**LABORATORY, "result": "few"}, "result", "is no result", id="no result"),
        pytest.param({**LABORATORY, "unit": "CFU"}, "unit", "is not the unit", id="unit"),
        pytest.param({**LABORATORY, "parameter": "taste"}, "parameter", "none of this site", id="parameter"),
        pytest.param({**LABORATORY, "method": " "}, "method", "is empty", id="left out"),
        pytest.param({**LABORATORY, "colour": "green"}, "colour", "a laboratory entry has", id="unknown field"),
        pytest.param({**LABORATORY, "not_sampled": "road closed"}, "result", "leave one", id="both"),
        pytest.param({**CHECK, "tag": "NO-TAG"}, "tag", "is no tag", id="tag"),
        pytest.param({**CHECK, "tag": "TURB"}, "band", "the site says none", id="no band"),
        pytest.param({**CHECK, "band": "0.1 NTU"}, "band", "the unit of CHLORINE", id="unit of the band"),
        pytest.param({**CHECK, "as_found": "5,2"}, "as_found", "decimal point", id="comma"),
        pytest.param({**CHECK, "next_due": SAMPLED}, "next_due", "not after the check", id="due before"),
        pytest.param({**LABORATORY, "corrects": "99", "reason": "x"}, "corrects", "is no entry", id="no such entry"),
        pytest.param({**LABORATORY, "corrects": "12", "reason": "x"}, "corrects", "of kind note", id="another kind"),
        pytest.param({**LABORATORY, "corrects": "11"}, "reason", "says why", id="no reason"),
        pytest.param({**LABORATORY, "reason": "x"}, "reason", "only a correction", id="nothing to correct"),
    ],
)
def test_a_row_that_is_not_right_is_refused_with_its_field_and_leaves_nothing(
    row: dict[str, str], field: str, words: str
) -> None:
    plant = bench()
    answer = enter(plant, LABORATORY, row, corrected={"11": "laboratory", "12": "note"})
    assert (answer.granted, answer.reason) == (False, "not_enterable")
    told = [item.text for item in answer.items]
    assert any(text.startswith(f"row 2, {field}: ") and words in text for text in told), told
    assert not plant.found(EventKind.ENTERED), "all of the rows or none"
    assert plant.found(EventKind.ENTRY_REFUSED)[-1].facts["faults"] == len(told)
    assert not plant.state.checked


def test_every_fault_of_every_row_is_told_at_once() -> None:
    wrong = {**LABORATORY, "result": "few", "unit": "CFU", "sampled": FUTURE}
    answer = enter(bench(), wrong, {**CHECK, "tag": "NO-TAG"})
    assert {item.text.partition(":")[0] for item in answer.items} >= {
        "row 1, result",
        "row 1, unit",
        "row 1, sampled",
        "row 2, tag",
    }


def test_a_role_that_may_not_enter_is_refused() -> None:
    plant = Bench(plant_with(entries=replace(RULES, roles=frozenset({"OFFICER"}))))
    answer = plant.ask(Action.ENTER, entries=(LABORATORY,))
    assert (answer.granted, answer.reason) == (False, "entry_role")
    assert not plant.found(EventKind.ENTERED)


def test_nothing_is_no_entry() -> None:
    assert enter(bench()).reason == "nothing_entered"


def test_a_correction_is_a_new_entry_that_names_the_other_one_and_why() -> None:
    plant = bench()
    row = {**LABORATORY, "result": "18", "corrects": "11", "reason": "a typing error"}
    assert enter(plant, row, corrected={"11": "laboratory"}).granted
    facts = plant.found(EventKind.ENTERED)[-1].facts
    assert (facts["corrects"], facts["reason"], facts["result"]) == (11, "a typing error", "18")


def test_a_day_without_a_sample_is_entered_with_its_reason() -> None:
    plant = bench()
    row = {**LABORATORY, "result": "", "reported": "", "not_sampled": "road closed"}
    assert enter(plant, row).granted
    facts = plant.found(EventKind.ENTERED)[-1].facts
    assert (facts["not_sampled"], facts["result"], facts["reported_utc_ms"]) == ("road closed", "", int(SAMPLED))


@pytest.mark.parametrize(("found", "passed", "reason"), [("5.75", True, ""), ("5.76", False, "failed")])
def test_a_verification_is_judged_by_the_band_of_the_site(found: str, passed: bool, reason: str) -> None:  # noqa: FBT001 - a case
    plant = bench()
    assert enter(plant, {**CHECK, "as_found": found}).granted
    event = plant.found(EventKind.ENTERED, "CHLORINE")[-1]
    entry = entry_of(EntryKind.VERIFICATION, n=1, person=event.person, facts=event.facts)
    assert isinstance(entry, Verification)
    assert (entry.passed, event.reason, entry.band) == (passed, reason, "0.1 mg/L or 15 %")
    assert entry.next_due_utc_ms == int(SAMPLED) + 7 * DAY_MS


def test_other_kinds_are_entered_too() -> None:
    note = {"kind": "note", "time": SAMPLED, "text": "tank cleaned"}
    gap = {"kind": "gap_reason", "tag": "*", "from": SAMPLED, "to": REPORTED, "code": "power"}
    filled = {
        "kind": "chemical_delivery",
        "chemical": "hypochlorite",
        "time": SAMPLED,
        "amount": "200",
        "unit": "L",
        "level_before": "40",
        "level_after": "240",
        "strength_percent": "12.5",
    }
    calibrated = {**CHECK, "kind": "calibration", "as_left": "5.0", "standard_lot": "A-1"}
    plant = bench()
    assert enter(plant, note, gap, filled, calibrated).granted
    entered = plant.found(EventKind.ENTERED)
    assert [one.facts["entry"] for one in entered] == ["note", "gap_reason", "chemical_delivery", "calibration"]
    for one in entered:
        kind = EntryKind(str(one.facts["entry"]))
        assert entry_of(kind, n=1, person=one.person, facts=one.facts).person == "VISITOR-OP"


# --- grab samples --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("grab", "passed"), [(5.0, True), (3.0, False)])
def test_a_grab_sample_is_set_beside_the_analyzer_at_that_second_and_judged(grab: float, passed: bool) -> None:  # noqa: FBT001 - a case
    plant = bench()
    plant.read(CHLORINE=5.1)
    plant.run(2)
    plant.ask(Action.GRAB_SAMPLE, measured={"total_chlorine_mg_l": grab})
    assert plant.found(EventKind.GRAB_SAMPLE)[-1].facts["total_chlorine_mg_l_at_CHLORINE"] == 5.1
    facts = plant.found(EventKind.ENTERED, "CHLORINE")[-1].facts
    assert (facts["standard"], facts["as_found"], facts["passed"]) == (grab, 5.1, passed)


def test_a_grab_sample_beside_an_analyzer_without_a_good_value_is_no_check_of_it() -> None:
    plant = bench()
    plant.ask(Action.HOLD, "CHLORINE", duration_ms=600_000)
    plant.ask(Action.GRAB_SAMPLE, measured={"total_chlorine_mg_l": 5.0})
    facts = plant.found(EventKind.GRAB_SAMPLE)[-1].facts
    assert facts["total_chlorine_mg_l_at_CHLORINE"] == "no good value"
    assert not plant.found(EventKind.ENTERED)


# --- holds and what is due -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "row", [CHECK, {"kind": "note", "time": SAMPLED, "text": "wiped", "tag": "CHLORINE"}], ids=["check", "note"]
)
def test_a_hold_that_needs_an_entry_ends_only_after_it(row: dict[str, str]) -> None:
    plant = bench(holds=replace(HOLDS, needs_entry=True))
    assert enter(plant, row).granted, "before the hold, so it does not count"
    plant.ask(Action.HOLD, "CHLORINE", duration_ms=600_000)
    assert plant.ask(Action.END_HOLD, "CHLORINE").reason == "no_entry"
    assert enter(plant, {"kind": "note", "time": SAMPLED, "text": "about nothing"}).granted
    assert plant.ask(Action.END_HOLD, "CHLORINE").reason == "no_entry"
    assert enter(plant, row).granted
    assert plant.ask(Action.HOLD, "CHLORINE", duration_ms=300_000).granted  # a new end is no new hold
    assert plant.ask(Action.END_HOLD, "CHLORINE").granted


def test_a_hold_of_a_site_that_asks_for_no_entry_ends_as_before() -> None:
    plant = Bench(PLANT)
    plant.ask(Action.HOLD, "CHLORINE", duration_ms=600_000)
    assert plant.ask(Action.END_HOLD, "CHLORINE").granted


def test_a_check_is_overdue_when_its_time_has_come_and_when_none_is_on_record() -> None:
    plant = bench()
    assert overdue(RULES, plant.state.checked, plant.utc_ms) == {"CHLORINE": 0}
    enter(plant, CHECK)
    due = int(SAMPLED) + 7 * DAY_MS
    assert overdue(RULES, plant.state.checked, due - 1) == {}
    assert overdue(RULES, plant.state.checked, due) == {"CHLORINE": due}
    enter(plant, {**CHECK, "time": str(int(SAMPLED) - DAY_MS)})
    assert plant.state.checked["CHLORINE"].utc_ms == int(SAMPLED), "an older one that comes late does not count"


def test_entries_change_no_output_and_no_interlock() -> None:
    plant, other = bench(), bench()
    enter(plant, LABORATORY, {**CHECK, "as_found": "9"})
    other.scan()
    assert (plant.state.outputs, plant.state.interlocks) == (other.state.outputs, other.state.interlocks)
    assert plant.outcome.levels == other.outcome.levels
