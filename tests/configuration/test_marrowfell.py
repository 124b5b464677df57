"""The demo site is sound, and says what the scenario says."""

from collections import Counter
from pathlib import Path

import pytest

from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.report import FINE, check_report
from gateway.configuration.response import responses
from gateway.core.alarm import Priority
from gateway.core.condition import BadQuality, Limit, NoChange, Tripped, Unproven
from gateway.core.quality import Reason
from gateway.core.voting import BadVote
from tests.configuration.conftest import MARROWFELL


@pytest.fixture(scope="module")
def loaded() -> LoadedSite:
    return load_site(MARROWFELL)


def test_it_loads_and_the_one_warning_is_the_scenarios_own(loaded: LoadedSite) -> None:
    """I-10a waits 2 s on a contact that is polled every 5 s, as the scenario has it."""
    assert [warning.key for warning in loaded.warnings] == ["interlocks.I-10a.causes[0].trip_delay_s"]


def test_every_tag_of_its_four_devices_is_there(loaded: LoadedSite) -> None:
    assert Counter(tag.device for tag in loaded.site.tags.values()) == {"AN1": 8, "AN2": 7, "RI1": 22, "PC1": 14}


@pytest.mark.parametrize(
    ("tag", "place", "decoding"),
    [
        ("AIT-510", ("holding", 16), ("float32", "CDAB")),
        ("AN1-TST", ("holding", 90), ("float32", "CDAB")),
        ("AIT-801", ("input", 0), ("int16", "ABCD")),
        ("AIT-951", ("input", 3), ("int16", "ABCD")),
        ("LIT-410", ("input", 11), ("uint16", "ABCD")),
        ("ZSC-901", ("discrete", 1), ("bool", "ABCD")),
        ("FSL-510", ("discrete", 3), ("bool", "ABCD")),
        ("PC1-HB", ("holding", 310), ("uint16", "ABCD")),
        ("PC1-CLK", ("holding", 306), ("bcd48", "ABCD")),
        ("GW-DELIV", ("holding", 323), ("uint16", "ABCD")),
        ("P951-RUN", ("coil", 2), ("bool", "ABCD")),
    ],
)
def test_a_tag_stands_where_the_map_says(
    loaded: LoadedSite, tag: str, place: tuple[str, int], decoding: tuple[str, str]
) -> None:
    keys = loaded.site.tags[tag]
    assert (keys.table, keys.address) == place
    assert (keys.type, keys.byte_order) == decoding


def test_governing_tags_come_before_those_they_govern(loaded: LoadedSite) -> None:
    place = {rule.tag: number for number, rule in enumerate(loaded.plant.tags)}
    for rule in loaded.plant.tags:
        for governor in [*(v.tag for v in rule.valid_when), *(b.tag for b in rule.bad_when)]:
            assert place[governor] < place[rule.tag], f"{governor} after {rule.tag}"


def test_turbidity_is_vouched_for_by_status_and_both_sample_flows(loaded: LoadedSite) -> None:
    rule = next(rule for rule in loaded.plant.tags if rule.tag == "AIT-510")
    assert [valid.tag for valid in rule.valid_when] == ["FSL-510", "FIT-510S"]
    assert {(bad.mask, bad.reason) for bad in rule.bad_when} == {
        (0b11, Reason.HOLD),
        (0b100, Reason.DEVICE_FAULT),
        (0b10000, Reason.NO_SAMPLE_FLOW),
    }
    assert rule.frozen_after_ms == 600_000
    poll_ms = loaded.site.tags["FSL-510"].poll_interval_s * 1_000
    assert poll_ms + rule.valid_when[0].invalid_after_ms + 1_000 <= 10_000  # E03: bad within 10 s


def test_the_interlocks_are_the_scenarios(loaded: LoadedSite) -> None:
    rules = {rule.id: rule for rule in loaded.plant.interlocks}
    figures = {
        id_: [(type(cause.inputs[0]), cause.trip_delay_ms, cause.bad) for cause in rule.causes]
        for id_, rule in rules.items()
    }
    assert figures["I-01"] == [(Limit, 15_000, BadVote.ELSEWHERE), (Limit, 300_000, BadVote.ELSEWHERE)]
    assert figures["I-02"] == [(Limit, 120_000, BadVote.ELSEWHERE)]
    assert figures["I-05"] == [(BadQuality, 60_000, BadVote.TRIP)]
    assert figures["I-05c"] == [(NoChange, 0, BadVote.TRIP), (BadQuality, 15_000, BadVote.TRIP)]
    assert figures["I-08"] == [(Unproven, 30_000, BadVote.TRIP)]
    assert rules["I-09"].causes[0].bad_trip_delay_ms == 1_800_000
    assert [id_ for id_, rule in rules.items() if not rule.latched] == ["I-10a", "I-13"]
    assert rules["I-13"].restore_delay_ms == 300_000


def test_each_interlock_but_the_two_quiet_ones_calls_somebody(loaded: LoadedSite) -> None:
    tripped = {
        alarm.condition.interlock: alarm.priority
        for alarm in loaded.plant.alarms
        if isinstance(alarm.condition, Tripped)
    }
    quiet = {"I-10a", "I-10b", "I-13"}  # mains calls after ten minutes by its own contact
    assert tripped == {rule.id: Priority.P1 for rule in loaded.plant.interlocks if rule.id not in quiet}
    mains = next(alarm for alarm in loaded.plant.alarms if alarm.id == "MAINS-LOST")
    assert (mains.priority, mains.on_delay_ms) == (Priority.P1, 600_000)


def test_high_untrusted_and_stuck_are_worded_apart(loaded: LoadedSite) -> None:
    says = {alarm.id: alarm.text.says for alarm in loaded.plant.alarms}
    assert "cloudy" in says["TURBIDITY-HIGH"]
    assert "cannot be trusted" in says["TURBIDITY-UNKNOWN"]
    assert "cloudy" not in says["TURBIDITY-UNKNOWN"]
    assert "did not move" in says["VALVE-STUCK"]


def test_releases_ask_what_the_scenario_asks(loaded: LoadedSite) -> None:
    rules = {rule.output: rule for rule in loaded.plant.releases}
    product = rules["product"]
    assert (product.clear_ms, product.after_outputs) == (1_800_000, ("feed",))
    assert product.exempt == {"I-09"}
    assert [(one.name, one.at_most, one.at_least) for one in product.grab] == [
        ("turbidity_ntu", 2.0, None),
        ("total_chlorine_mg_l", None, 2.0),
    ]
    assert not rules["feed"].remote_allowed
    latched = {rule.id for rule in loaded.plant.interlocks if rule.latched}
    assert latched - rules["feed"].exempt == {"I-08"}


def test_the_report_prints_the_worst_case_of_every_interlock(loaded: LoadedSite) -> None:
    text, code = check_report(MARROWFELL)
    assert code == FINE
    assert loaded.hash in text
    assert all(rule.id in text for rule in loaded.plant.interlocks)
    first = responses(loaded.site)[0]
    assert first.total_s == pytest.approx(5 + 0.5 + 15 + 1 + 0.5 + 0.5)  # inside the 30 s of E01
    assert first.total_s <= 30
    stuck = next(row for row in responses(loaded.site) if row.interlock == "I-08")
    assert stuck.poll_s == 1  # hurried


def test_no_value_of_the_folder_is_lost_between_keys_and_rules(loaded: LoadedSite) -> None:
    assert set(loaded.scalings) == {rule.tag for rule in loaded.plant.tags} == set(loaded.site.tags)
    assert loaded.scalings["LIT-901"].loop_low_count == 6_400
    assert loaded.folder == MARROWFELL == Path(loaded.folder)
    assert loaded.resolve("record") == MARROWFELL / "record"
