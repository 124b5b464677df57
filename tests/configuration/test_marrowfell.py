"""The demo site is sound, and says what the scenario says."""

import csv
from collections import Counter
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.report import FINE, check_report
from gateway.configuration.response import responses
from gateway.configuration.schema import NetworkConnection
from gateway.core.alarm import Priority
from gateway.core.condition import BadQuality, BitSet, Condition, Equals, Limit, NoChange, Tripped, Unproven
from gateway.core.quality import Reason
from gateway.core.voting import BadVote
from gateway.publishers.alarm_message import FIRST_PART_CHARACTERS, Diversion, News, alarm_text, cards
from tests.configuration.conftest import MARROWFELL

with (Path(__file__).resolve().parents[1] / "data" / "marrowfell_tags.csv").open(encoding="utf-8", newline="") as _file:
    SCENARIO = list(csv.DictReader(_file))
"""Section 6 of the scenario, as a table."""


@pytest.fixture(scope="module")
def loaded() -> LoadedSite:
    return load_site(MARROWFELL)


def test_it_loads_and_the_one_warning_is_the_scenarios_own(loaded: LoadedSite) -> None:
    """I-10a waits 2 s on a contact that is polled every 5 s, as the scenario has it."""
    assert [warning.key for warning in loaded.warnings] == ["interlocks.I-10a.causes[0].trip_delay_s"]


def test_it_is_the_whole_plant(loaded: LoadedSite) -> None:
    assert len(loaded.site.devices) == 17
    assert list(loaded.site.connections) == ["COM1", "COM2", "PC1", "UV1", "OZ1", "RI1"]
    assert [
        name for name, one in loaded.site.connections.items() if isinstance(one, NetworkConnection) and one.single
    ] == ["UV1"]


def test_its_points_are_the_scenarios_114_and_helpers_of_its_own(loaded: LoadedSite) -> None:
    kinds = Counter(row["kind"] for row in SCENARIO)
    assert kinds == {"field": 101, "gateway": 5, "derived": 8}
    names = {kind: {row["tag"] for row in SCENARIO if row["kind"] == kind} for kind in kinds}
    assert set(loaded.site.tags) == names["field"]
    helpers = {"GW-RECORD"}  # for I-19
    assert {name for name in loaded.site.own_tags if name.startswith("GW-")} == names["gateway"] | helpers
    assert {name for name in loaded.site.calculated if name.startswith("DV-")} == names["derived"]


@pytest.mark.parametrize("row", [row for row in SCENARIO if row["kind"] == "field"], ids=lambda row: row["tag"])
def test_a_tag_stands_where_the_scenario_says(loaded: LoadedSite, row: dict[str, str]) -> None:
    keys = loaded.site.tags[row["tag"]]
    assert keys.device == row["device"]
    assert (keys.table, keys.address, keys.type) == (row["table"], int(row["address"]), row["type"])
    assert keys.byte_order == (row["byte_order"] or "ABCD")
    assert keys.poll_interval_s == float(row["poll_s"])
    assert keys.scale == float(row["scale"] or 1)
    assert (keys.loop is not None) == (row["span"] == "loop")
    assert keys.unit == row["unit"]


def test_registers_of_a_kind_are_told_once(loaded: LoadedSite) -> None:
    """What is bought has a map; what was programmed for the plant has none."""
    assert [name for name, device in loaded.site.devices.items() if device.map is None] == ["PC1"]
    meters = [name for name, device in loaded.site.devices.items() if device.map == "flow_meter"]
    assert meters == ["FM1", "FM2", "FM3", "FM4", "FM5"]


def test_the_device_with_a_constant_is_proven_by_it(loaded: LoadedSite) -> None:
    constants = {name: device.test_constant for name, device in loaded.site.devices.items() if device.test_constant}
    assert {name: (one.tag, one.value) for name, one in constants.items()} == {"AN1": ("AN1-TST", 12345.678)}


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


DECIDED = [
    *("I-01", "I-02", "I-03", "I-04", "I-05", "I-05b", "I-05c", "I-06", "I-07", "I-08", "I-09"),
    *("I-10a", "I-10b", "I-13", "I-17", "I-19"),
]
LOCAL = {"I-11": "HEARTBEAT-LOST", "I-12": "FILTER-1-TO-WASTE", "I-14": "OZONE-STOPPED", "I-15": "SUMP-HIGH"}
"""What PC1 does by itself, and an alarm that tells of it."""


def test_the_interlocks_are_the_scenarios(loaded: LoadedSite) -> None:
    rules = {rule.id: rule for rule in loaded.plant.interlocks}
    assert list(rules) == DECIDED
    figures = {
        id_: [(type(cause.inputs[0]), cause.needed, cause.trip_delay_ms // 1_000, cause.bad) for cause in rule.causes]
        for id_, rule in rules.items()
    }
    trip, elsewhere = BadVote.TRIP, BadVote.ELSEWHERE
    assert figures == {
        "I-01": [(Limit, 1, 15, elsewhere), (Limit, 1, 300, elsewhere)],
        "I-02": [(Limit, 1, 120, elsewhere)],
        "I-03": [(Limit, 2, 300, elsewhere), (Limit, 1, 300, elsewhere)],
        "I-04": [(Limit, 2, 60, elsewhere), (BitSet, 1, 0, trip)],
        "I-05": [(BadQuality, 1, 60, trip)],
        "I-05b": [(BadQuality, 1, 60, trip), (BadQuality, 2, 60, trip), (BadQuality, 1, 300, trip)],
        "I-05c": [(NoChange, 1, 0, trip), (BadQuality, 1, 15, trip)],
        "I-06": [(BadQuality, 1, 60, trip)],
        "I-07": [(Limit, 1, 600, elsewhere)],
        "I-08": [(Unproven, 2, 29, trip), (Unproven, 3, 29, trip), (Unproven, 2, 29, trip)],
        "I-09": [(Limit, 1, 1_800, trip)],
        "I-10a": [(Equals, 1, 2, trip)],
        "I-10b": [(Equals, 1, 60, trip)],
        "I-13": [(Limit, 1, 0, trip)],
        "I-17": [(Limit, 1, 60, elsewhere)],
        "I-19": [(Limit, 1, 0, trip)],  # the tag counts the 60 s
    }
    assert rules["I-04"].causes[1].bad_trip_delay_ms == 30_000
    assert rules["I-09"].causes[0].bad_trip_delay_ms == 1_800_000
    assert {id_: rule.restore_delay_ms for id_, rule in rules.items() if not rule.latched} == {
        "I-10a": 0,
        "I-13": 300_000,
        "I-17": 300_000,
        "I-19": 300_000,
    }


def test_the_limits_are_the_permits(loaded: LoadedSite) -> None:
    limits = {
        (rule.id, one.tag, one.side.value, one.limit)
        for rule in loaded.plant.interlocks
        for cause in rule.causes
        for one in cause.inputs
        if isinstance(one, Limit)
    }
    assert limits == {
        ("I-01", "AIT-510", "high", 10),
        ("I-01", "AIT-510", "high", 5),
        ("I-02", "AIT-801", "low", 2.0),
        ("I-03", "DV-CT", "low", 450),
        ("I-03", "DV-MODAL", "low", 90),
        ("I-03", "FIT-701", "high", 0.2),  # with flow
        ("I-04", "DV-DOSE", "low", 100),
        ("I-04", "FIT-701", "high", 0.2),
        ("I-05b", "AN3-STS", "low", 1),  # not cleaning
        ("I-05b", "AN3-STS", "high", 1),
        ("I-07", "HYPO-SHARE", "low", 50),
        ("I-08", "DIVERT-SHARE", "low", 50),
        ("I-09", "AIT-951", "low", 0.5),
        ("I-13", "LIT-901", "high", 95),
        ("I-17", "FIT-701", "low", 0.2),
        ("I-19", "GW-RECORD", "high", 60),
    }


def test_each_interlock_but_the_quiet_ones_calls_somebody(loaded: LoadedSite) -> None:
    tripped = {
        alarm.condition.interlock: alarm.priority
        for alarm in loaded.plant.alarms
        if isinstance(alarm.condition, Tripped)
    }
    quiet = {"I-10a", "I-10b", "I-13", "I-17"}  # mains calls after ten minutes by its own contact
    by_their_inputs = {"I-05b"}  # so that the message names the reading
    calling = set(DECIDED) - quiet - by_their_inputs
    assert tripped == {id_: Priority.P2 if id_ == "I-19" else Priority.P1 for id_ in calling}
    alarms = {alarm.id: alarm for alarm in loaded.plant.alarms}
    assert (alarms["MAINS-LOST"].priority, alarms["MAINS-LOST"].on_delay_ms) == (Priority.P1, 600_000)
    assert set(LOCAL.values()) <= alarms.keys()
    watched = [one for one in _inputs(loaded, "I-05b") if isinstance(one, BadQuality) and one.tag in loaded.site.tags]
    told = {
        one.condition.tag
        for one in alarms.values()
        if isinstance(one.condition, BadQuality) and one.priority is Priority.P1
    }
    contacts = {tag for tag, keys in loaded.site.tags.items() if keys.type == "bool"}  # bad only with their block
    assert {one.tag for one in watched} - contacts <= told


def _inputs(loaded: LoadedSite, interlock: str) -> list[Condition]:
    rule = next(rule for rule in loaded.plant.interlocks if rule.id == interlock)
    return [one for cause in rule.causes for one in cause.inputs]


OTHERS = {  # limit, delay in s, priority
    "CT-SOON": (520, 900, "P2"),
    "UV-DOSE-SOON": (110, 600, "P2"),
    "HYPOCHLORITE-LATE": (50, 45, "P2"),
    "EMERGENCY-TANK-HIGH": (60, 0, "P2"),
    "EMERGENCY-TANK-HIGH-HIGH": (85, 0, "P1"),
    "SUMP-HIGH": (1.5, 30, "P1"),
    "OZONE-ROOM": (0.1, 300, "P1"),
    "OZONE-ROOM-HIGH": (0.3, 30, "P1"),
    "HYPOCHLORITE-LOW": (15, 0, "P2"),
    "REAGENT-LOW": (10, 0, "P3"),
    "OZONE-SKID-FAULT": (0, 0, "P2"),
    "UVT-LOW": (70, 600, "P2"),
    "OXYGEN-LOW": (80, 300, "P2"),
    "ROOM-COLD": (5, 0, "P1"),
    "UPS-LOW": (40, 0, "P2"),
    "CLOCK-OFF": (2, 60, "P3"),
    "CLOCK-WRONG": (60, 0, "P2"),
    "DISK-WORN": (70, 0, "P3"),
    "UV-DOSE-APART": (15, 1_800, "P3"),
}


@pytest.mark.parametrize("name", OTHERS)
def test_the_other_alarms_are_the_scenarios(loaded: LoadedSite, name: str) -> None:
    rule = next(alarm for alarm in loaded.plant.alarms if alarm.id == name)
    assert isinstance(rule.condition, Limit)
    assert (rule.condition.limit, rule.on_delay_ms / 1_000, rule.priority.value) == OTHERS[name]


def test_every_loop_and_every_device_has_its_alarm(loaded: LoadedSite) -> None:
    """A silent device wakes somebody where it feeds an interlock by itself."""
    quality = [(one, one.condition) for one in loaded.plant.alarms if isinstance(one.condition, BadQuality)]
    loops = {asks.tag: one.priority for one, asks in quality if asks.because == {Reason.LOOP_FAULT}}
    assert loops == {tag: Priority.P2 for tag, keys in loaded.site.tags.items() if keys.loop}
    silent = {one.id.removesuffix("-SILENT"): one.priority.value for one, _ in quality if one.id.endswith("-SILENT")}
    assert silent | {"PC1": "P1"} == dict.fromkeys(loaded.site.devices, "P2") | dict.fromkeys(
        ("AN1", "AN2", "AN3", "UV1", "DP1", "FM2", "RI1", "PC1"), "P1"
    )


def test_every_first_message_says_what_is_asked(loaded: LoadedSite) -> None:
    """Whatever else falls away in 160 characters, a part of the action stays."""
    since = datetime(2025, 2, 26, 10, 31, tzinfo=ZoneInfo("CET"))
    for name, card in cards(loaded.plant).items():
        value = card.limits[0] if card.limits else None
        news = News(site="MARROWFELL", event=118, message=1, since=since, diversion=Diversion.PROVEN, value=value)
        first = alarm_text(card, news).first
        assert len(first) <= FIRST_PART_CHARACTERS, name
        assert not first.endswith("Read part 2."), (name, first)


def test_high_untrusted_and_stuck_are_worded_apart(loaded: LoadedSite) -> None:
    says = {alarm.id: alarm.text.says for alarm in loaded.plant.alarms}
    assert "cloudy" in says["TURBIDITY-HIGH"]
    assert "cannot be trusted" in says["TURBIDITY-UNKNOWN"]
    assert "cloudy" not in says["TURBIDITY-UNKNOWN"]
    assert "did not move" in says["VALVE-STUCK"]


def test_product_returns_by_itself_after_ten_good_minutes_when_less_than_one_was_lost(loaded: LoadedSite) -> None:
    product = next(rule for rule in loaded.plant.outputs if rule.id == "product")
    assert (product.return_after_ms, product.return_within_ms) == (600_000, 60_000)


def test_releases_ask_what_the_scenario_asks(loaded: LoadedSite) -> None:
    rules = {rule.output: rule for rule in loaded.plant.releases}
    product = rules["product"]
    assert (product.clear_ms, product.after_outputs) == (1_800_000, ("feed",))
    assert product.exempt == {"I-09"}
    assert (product.flush_tag, product.flush_m3) == ("FIT-905", 6.75)
    assert [(one.name, one.at_most, one.at_least) for one in product.grab] == [
        ("turbidity_ntu", 2.0, None),
        ("total_chlorine_mg_l", None, 2.0),
    ]
    assert not rules["feed"].remote_allowed
    latched = {rule.id for rule in loaded.plant.interlocks if rule.latched}
    assert latched - rules["feed"].exempt == {"I-08"}
    assert latched - rules["supply"].exempt == {"I-08", "I-09"}


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
    assert set(loaded.scalings) == set(loaded.site.tags)
    assert {rule.tag for rule in loaded.plant.points} == set(loaded.site.points)
    assert loaded.scalings["LIT-901"].loop_low_count == 6_400
    assert loaded.folder == MARROWFELL == Path(loaded.folder)
    assert loaded.resolve("record") == MARROWFELL / "record"
