"""Keys of a tag as the rules that the decisions read."""

from pathlib import Path

import pytest

from gateway.configuration.fault import Refused
from gateway.configuration.plant import LoadedSite, load_site
from gateway.core.condition import BadQuality
from gateway.core.doubt import Partner, Spike
from gateway.core.quality import Reason
from gateway.core.validity import BadWhen, TestConstant

SITE = """\
site: {id: rules, name: rules, time_zone: CET}
roles: {KEEPER: keeps it}
people: {ANNA: {role: KEEPER, local_users: [1000]}}
connections:
  L1: {transport: tcp, host: 127.0.0.1, port: 15020}
devices:
  AN1: {service: analyzer, connection: L1, unit_id: 1, test_constant: {tag: TST, value: 12345.678, tolerance: 0.01}}
  AN2: {service: analyzer, connection: L1, unit_id: 2}
tags:
  TURB: {service: turbidity, device: AN1, table: holding, address: 0, type: float32, unit: NTU, range: [0, 20],
    poll_interval_s: 5, spike: {step: 3, confirm_s: 15}, partners: [{tag: TURB-2, deviation: 2, after_s: 600}],
    bad_when: [{tag: MODE, values: [2, 3], reason: hold}, {tag: STS, bits: [1, 3]}]}
  TURB-2: {service: turbidity, device: AN2, table: holding, address: 0, type: float32, unit: NTU, range: [0, 20],
    poll_interval_s: 5, partners: [{tag: TURB, deviation: 2}]}
  MODE: {service: mode, device: AN1, table: holding, address: 4, type: uint16, poll_interval_s: 5,
    states: {0: measures, 2: cleans, 3: is set up}}
  STS: {service: status, device: AN1, table: holding, address: 5, type: uint16, poll_interval_s: 5,
    bit_names: {1: lamp, 3: over range}}
  TOTAL: {service: total, device: AN1, table: holding, address: 6, type: uint64, unit: m3, scale: 0.001,
    poll_interval_s: 60, rolls_over_at: 1000000}
  TST: {service: constant, device: AN1, table: holding, address: 90, type: float32, poll_interval_s: 60}
alarms:
  CHANGED: {condition: {bad_quality: {tag: TST, because: [wrong_constant]}}, priority: P3, says: it reads wrong,
    cause: another device, consequence: nothing is read, action: look at it, respond_within_min: 60}
  SILENT: {condition: {bad_quality: {tag: TURB, except_for: [wrong_constant, hold]}}, priority: P3, says: it is silent,
    cause: a wire, consequence: nothing is read, action: look at it, respond_within_min: 60}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "site.yaml").write_text(SITE, encoding="utf-8")
    (tmp_path / "site.yaml").chmod(0o644)
    tmp_path.chmod(0o755)
    return tmp_path


@pytest.fixture
def loaded(folder: Path) -> LoadedSite:
    return load_site(folder)


def test_what_casts_doubt_on_a_tag_becomes_its_rule(loaded: LoadedSite) -> None:
    rules = {rule.tag: rule for rule in loaded.plant.tags}
    turbidity = rules["TURB"]
    assert turbidity.spike == Spike(step=3.0, confirm_ms=15_000)
    assert turbidity.partners == (Partner(tag="TURB-2", deviation=2.0, after_ms=600_000),)
    assert rules["TURB-2"].partners == (Partner(tag="TURB", deviation=2.0, after_ms=0),)
    assert turbidity.bad_when == (
        BadWhen(tag="MODE", values=frozenset({2.0, 3.0}), reason=Reason.HOLD),
        BadWhen(tag="STS", mask=0b1010, reason=Reason.DEVICE_FAULT),
    )


def test_words_of_states_and_bits_and_the_end_of_a_total_become_the_rule(loaded: LoadedSite) -> None:
    rules = {rule.tag: rule for rule in loaded.plant.tags}
    assert rules["MODE"].states == {0: "measures", 2: "cleans", 3: "is set up"}
    assert loaded.scalings["MODE"].states == {0, 2, 3}
    assert rules["STS"].bit_names == {1: "lamp", 3: "over range"}
    assert rules["TOTAL"].rolls_over_at == 1_000_000.0


def test_every_tag_of_a_device_has_its_constant_and_is_judged_after_it(loaded: LoadedSite) -> None:
    constant = TestConstant(tag="TST", value=12_345.678, tolerance=0.01)
    assert {rule.tag: rule.constant for rule in loaded.plant.tags} == {
        **dict.fromkeys(("TURB", "MODE", "STS", "TOTAL", "TST"), constant),
        "TURB-2": None,
    }
    order = [rule.tag for rule in loaded.plant.tags]
    assert order.index("TST") < min(order.index(tag) for tag in ("TURB", "MODE", "STS", "TOTAL"))
    assert max(order.index("MODE"), order.index("STS")) < order.index("TURB")


def test_a_constant_that_needs_a_tag_of_its_own_device_is_a_circle(folder: Path) -> None:
    text = SITE.replace(
        "address: 90, type: float32,", "address: 90, type: float32, valid_when: [{tag: TURB, minimum: 0}],"
    )
    (folder / "site.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(Refused) as refused:
        load_site(folder)
    assert any("a circle" in fault.found and "TST" in fault.found for fault in refused.value.faults)


def test_the_reasons_of_a_bad_quality_become_the_condition(loaded: LoadedSite) -> None:
    conditions = {rule.id: rule.condition for rule in loaded.plant.alarms}
    assert conditions == {
        "CHANGED": BadQuality(tag="TST", because=frozenset({Reason.WRONG_CONSTANT})),
        "SILENT": BadQuality(tag="TURB", except_for=frozenset({Reason.WRONG_CONSTANT, Reason.HOLD})),
    }
