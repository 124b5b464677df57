"""Kinds of alarms beyond a plain limit, and the process graph: what the keys become, and each slip told once."""

from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.configuration.fault import Refused
from gateway.configuration.plant import load_site
from gateway.core.cause_groups import Place
from gateway.core.condition import Condition, Count, Limit, OtherLimit, Side, StateLimit, TimeBeyond

Write = Callable[[str], Path]

SITE = """\
site: {id: kinds, name: kinds, time_zone: CET}
roles: {KEEPER: keeps it}
connections:
  L1: {transport: tcp, host: 127.0.0.1}
devices:
  F1: {service: filter, connection: L1, unit_id: 1}
tags:
  TURB: {service: turbidity, device: F1, table: holding, address: 0, type: uint16, unit: NTU, range: [0, 20],
    poll_interval_s: 5}
  STATE: {service: state, device: F1, table: holding, address: 1, type: uint16, poll_interval_s: 5,
    states: {0: service, 1: backwash, 2: to waste}}
  STARTS: {service: starts, device: F1, table: holding, address: 2, type: uint32, poll_interval_s: 60}
  RUNS: {service: pump runs, device: F1, table: coil, address: 0, type: bool, poll_interval_s: 5}
  V-1: {service: valve, device: F1, table: holding, address: 101, type: uint16, poll_interval_s: 15}
  HB: {service: heartbeat, device: F1, table: holding, address: 100, type: uint16, poll_interval_s: 15}
outputs:
  valve: {service: moves it, register: V-1, levels: {shut: 0, open: 1}, safe_level: shut, normal_level: open}
output_block: {connection: L1, device: F1, heartbeat: HB, registers: [HB, V-1], commissioning_roles: [KEEPER]}
people: {ANNA: {role: KEEPER, local_users: [1000]}}
interlocks:
  I-1:
    service: cloudy
    causes: [{inputs: [{high: {tag: TURB, limit: 10}}], trip_delay_s: 15}]
    effects: {valve: shut}
releases:
  valve: {clear_s: 0, roles: [KEEPER]}
alarms:
  CLOUDY:
    condition: {high: {tag: TURB, limit: 2, deadband: 0.5, limit_when: [{tag: STATE, equals: 1, limit: 12}]}}
    priority: P3
    says: it is cloudy
    cause: the filter
    consequence: cloudy water
    action: look at it
    respond_within_min: 60
  SECOND:
    condition: CONDITION
    priority: P3
    says: it is wrong
    cause: the pump
    consequence: no water
    action: look at it
    respond_within_min: 60
process_graph:
  pump: {service: pump, alarms: [SECOND]}
  spare: {service: between the two, needs: [pump]}
  filter: {service: filter, needs: [spare], alarms: [CLOUDY]}
cause_grouping: {late_cause_s: 30, settles_s: 120}
"""
SHARE = "{time_beyond: {tag: TURB, above: 5, deadband: 0.5, more_than_percent: 5, window_min: 1440}}"
MINUTES = "{time_beyond: {tag: TURB, below: 5, more_than_min: 30, window_min: 60}}"
STEPS = "{count: {tag: STARTS, at_least: 6, window_min: 60}}"
RISES = "{count: {tag: RUNS, becomes: 1, at_least: 6, window_min: 60}}"
PEAKS = "{count: {tag: TURB, rises_above: 5, deadband: 0.5, at_least: 3, window_min: 60}}"
HOUR_MS = 3_600_000
BECOMES: dict[str, Condition] = {
    SHARE: TimeBeyond(
        level=Limit(tag="TURB", side=Side.HIGH, limit=5, deadband=0.5), more_than_ms=72 * 60_000, window_ms=24 * HOUR_MS
    ),
    MINUTES: TimeBeyond(level=Limit(tag="TURB", side=Side.LOW, limit=5), more_than_ms=30 * 60_000, window_ms=HOUR_MS),
    STEPS: Count(tag="STARTS", at_least=6, window_ms=HOUR_MS),
    RISES: Count(tag="RUNS", at_least=6, window_ms=HOUR_MS, becomes=1),
    PEAKS: Count(
        tag="TURB", at_least=3, window_ms=HOUR_MS, level=Limit(tag="TURB", side=Side.HIGH, limit=5, deadband=0.5)
    ),
}


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str) -> Path:
        folder = tmp_path / "kinds"
        folder.mkdir(mode=0o755)
        (folder / "site.yaml").write_text(text, encoding="utf-8")
        (folder / "site.yaml").chmod(0o644)
        return folder

    return written


@pytest.mark.parametrize("keys", BECOMES)
def test_the_keys_become_a_condition(write: Write, keys: str) -> None:
    plant = load_site(write(SITE.replace("CONDITION", keys))).plant
    assert {rule.id: rule.condition for rule in plant.alarms} == {
        "CLOUDY": StateLimit(
            base=Limit(tag="TURB", side=Side.HIGH, limit=2, deadband=0.5),
            others=(OtherLimit(tag="STATE", equals=1, limit=12),),
        ),
        "SECOND": BECOMES[keys],
    }


def test_a_limit_that_follows_nothing_is_a_plain_one(write: Write) -> None:
    text = SITE.replace("CONDITION", STEPS).replace(", limit_when: [{tag: STATE, equals: 1, limit: 12}]", "")
    assert isinstance(load_site(write(text)).plant.alarms[0].condition, Limit)


def test_the_graph_becomes_places_and_a_unit_needs_what_its_units_need(write: Write) -> None:
    rules = load_site(write(SITE.replace("CONDITION", STEPS))).plant.cause_groups
    assert rules.places == {"SECOND": Place(), "CLOUDY": Place(upstream=frozenset({"SECOND"}))}
    assert list(rules.places) == ["SECOND", "CLOUDY"]
    assert (rules.late_cause_ms, rules.settles_ms) == (30_000, 120_000)


SECOND = "alarms.SECOND.condition"
WHEN = "alarms.CLOUDY.condition.high.limit_when[0]"
SLIPS = {
    "a state that is no tag": ("tag: STATE, equals: 1", "tag: STAET, equals: 1", f"{WHEN}.tag", "Did you mean STATE?"),
    "a state that is none": ("tag: STATE, equals: 1", "tag: STATE, equals: 7", f"{WHEN}.equals", "1 (backwash)"),
    "a contact at 2": ("tag: STATE, equals: 1", "tag: RUNS, equals: 2", f"{WHEN}.equals", "0 or 1"),
    "another limit beyond the span": ("equals: 1, limit: 12", "equals: 1, limit: 20", f"{WHEN}.limit", "below 20"),
    "a limit of an interlock that follows a state": (
        "{tag: TURB, limit: 10}",
        "{tag: TURB, limit: 10, limit_when: [{tag: STATE, equals: 1, limit: 12}]}",
        "interlocks.I-1.causes[0].inputs[0].high.limit_when",
        "at an alarm",
    ),
    "an interlock that counts": (
        "{high: {tag: TURB, limit: 10}}",
        STEPS,
        "interlocks.I-1.causes[0].inputs[0].count",
        "at an alarm",
    ),
    "a rate that follows a state": (
        "CONDITION",
        "{rate: {tag: TURB, limit: 1, limit_when: [{tag: STATE, equals: 1, limit: 3}]}}",
        f"{SECOND}.rate.limit_when",
        "unknown key",
    ),
    "time above and below": ("CONDITION", SHARE.replace("above: 5", "above: 5, below: 1"), f"{SECOND}.time_beyond",
        "exactly one of above, below"),
    "time beyond nothing": ("CONDITION", SHARE.replace("above: 5, ", ""), f"{SECOND}.time_beyond", "neither above"),
    "minutes and a share": ("CONDITION", MINUTES.replace("more_than_min: 30", "more_than_min: 9, more_than_percent: 2"),
        f"{SECOND}.time_beyond", "exactly one of more_than_min, more_than_percent"),
    "more minutes than the window": ("CONDITION", MINUTES.replace("more_than_min: 30", "more_than_min: 60"),
        f"{SECOND}.time_beyond.more_than_min", "less than 60"),
    "time above the span": ("CONDITION", SHARE.replace("above: 5", "above: 20"), f"{SECOND}.time_beyond.above",
        "never act"),
    "time above on a contact": ("CONDITION", SHARE.replace("tag: TURB", "tag: RUNS"), f"{SECOND}.time_beyond",
        "equals for a contact"),
    "time of an unknown tag": ("CONDITION", SHARE.replace("tag: TURB", "tag: TRUB"), f"{SECOND}.time_beyond.tag",
        "Did you mean TURB?"),
    "steps of a contact": ("CONDITION", STEPS.replace("STARTS", "RUNS"), f"{SECOND}.count.tag", "no running number"),
    "steps of a state": ("CONDITION", STEPS.replace("STARTS", "STATE"), f"{SECOND}.count.tag", "no running number"),
    "a contact that becomes 2": ("CONDITION", RISES.replace("becomes: 1", "becomes: 2"), f"{SECOND}.count.becomes",
        "0 or 1"),
    "peaks beyond the span": ("CONDITION", PEAKS.replace("rises_above: 5", "rises_above: 25"),
        f"{SECOND}.count.rises_above", "never act"),
    "two ways to count": ("CONDITION", PEAKS.replace("rises_above: 5", "rises_above: 5, becomes: 1"),
        f"{SECOND}.count", "at most one of"),
    "a unit that needs itself": ("service: pump, ", "service: pump, needs: [filter], ", "process_graph.pump.needs",
        "a circle: pump needs filter needs spare needs pump"),
    "a unit that needs nothing known": ("needs: [spare]", "needs: [spaer]", "process_graph.filter.needs[0]",
        "Did you mean spare?"),
    "an alarm of two units": ("alarms: [CLOUDY]", "alarms: [CLOUDY, SECOND]", "process_graph.filter.alarms[1]",
        "an alarm of pump already"),
    "an alarm that is none": ("alarms: [CLOUDY]", "alarms: [CLUODY]", "process_graph.filter.alarms[0]",
        "Did you mean CLOUDY?"),
}  # fmt: skip


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_told_once_at_its_key(write: Write, slip: str) -> None:
    old, new, key, says = SLIPS[slip]
    assert SITE.count(old) == 1, old
    with pytest.raises(Refused) as refused:
        load_site(write(SITE.replace(old, new).replace("CONDITION", STEPS)))
    (fault,) = refused.value.faults
    assert fault.key == key
    assert says in str(fault)


def test_high_and_high_high_are_two_alarms_each_with_its_own_deadband(write: Write) -> None:
    again = "{high: {tag: TURB, limit: 5, deadband: 1.5}}"
    first, second = load_site(write(SITE.replace("CONDITION", again))).plant.alarms
    assert isinstance(first.condition, StateLimit)
    assert isinstance(second.condition, Limit)
    assert (first.condition.base.deadband, second.condition.deadband) == (0.5, 1.5)
