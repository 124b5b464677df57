"""Calculated tags of a site: what is refused, where and in which words, and that a good one runs."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.configuration.crosscheck import crosscheck
from gateway.configuration.fault import Fault, Refused
from gateway.configuration.local_days import offsets_of
from gateway.configuration.plant import load_site
from gateway.configuration.reading import read_draft
from gateway.configuration.report import check_report
from gateway.configuration.schema import CalculatedTag, Site
from gateway.core.sample import Number, Sample
from gateway.core.scan import Moment, scan
from gateway.core.state import first_state, rules_of
from gateway.core.tick import Tick
from tests.configuration.conftest import MARROWFELL

OWN_FILE = "own_figures.yaml"
MODAL = """
  X-MODAL:
    service: contact time
    unit: min
    inputs: {flow: FSP-201}
    constants: {volume: 4.50 m3, least: 0.05 m3/h}
    formula: contact_time(volume, 0.70, max(flow, least))
"""
CT = """
  X-CT:
    service: residual times contact time
    unit: mg.min/L
    inputs: {residual: AIT-801, modal: X-MODAL}
    formula: residual * modal
"""


def faults_of(folder: Path, text: str) -> tuple[Fault, ...]:
    (folder / OWN_FILE).write_text(f"calculated:\n{text.strip(chr(10))}\n")
    try:
        load_site(folder)
    except Refused as refused:
        return refused.faults
    return ()


def line_of(folder: Path, part: str) -> int:
    lines = (folder / OWN_FILE).read_text().splitlines()
    return next(number for number, line in enumerate(lines, 1) if part in line)


def test_good_ones_are_loaded_and_run(folder: Path) -> None:
    assert faults_of(folder, CT + MODAL) == ()
    loaded = load_site(folder)
    rules = rules_of(loaded.plant)
    now = Tick(monotonic_ms=0, utc_ms=1_738_800_000_000)
    state, _ = first_state(rules, now)
    arrivals = [
        Sample(tag=tag, reading=Number(value), arrived=now, source_utc_ms=now.utc_ms)
        for tag, value in {"FSP-201": 2.0, "AIT-801": 5.0, "FSL-801": 1.0, "AN2-STS": 0.0, "FIT-801S": 30.0}.items()
    ]
    _, outcome = scan(rules, state, Moment(tick=now, arrivals=arrivals))
    assert outcome.verdicts["X-MODAL"] == Number(94.5)
    assert "X-CT" in outcome.verdicts
    assert check_report(folder)[1] == 0


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("residual * modal", "residual * modl", "formula", ('"modl"', "column 12", "residual, modal")),
        ("residual * modal", "residual *", "formula", ("no expression at column 11",)),
        ("residual * modal", "residual + modal", "formula", ("kg/m3 beside s", "one kind")),
        ("residual * modal", "residual / modal", "formula", ("kg/m3/s", "mg.min/L", "kg.s/m3")),
        ("modal: X-MODAL", "modal: X-MODAL, extra: FSP-201", "inputs.extra", ('"extra"', "Take it out.")),
        ("residual * modal", "rnd(residual) * modal", "formula", ('"rnd"', "day_mean")),
        ("residual * modal", "sqrt(residual, modal)", "formula", ("sqrt with 2 arguments", "sqrt(x)")),
        ("residual * modal", "residual.real", "formula", ('"residual.real"',)),
        ("mg.min/L", "mg.min/h.L", "unit", ('"mg.min/h.L" as the unit of this tag',)),
        ("residual: AIT-801", "residual: PC1-SERIAL", "inputs.residual", ("which is not declared",)),
    ],
)
def test_a_fault_is_told_once_in_its_line(folder: Path, old: str, new: str, key: str, says: tuple[str, ...]) -> None:
    (fault,) = faults_of(folder, MODAL + CT.replace(old, new))
    assert fault.key == f"calculated.X-CT.{key}"
    lines = (folder / OWN_FILE).read_text().splitlines()
    assert lines.index("  X-CT:") + 1 < fault.line
    assert lines[fault.line - 1].strip().startswith(key.partition(".")[0])
    assert all(word in str(fault) for word in says), str(fault)


def test_a_constant_with_a_unit_that_is_none_is_told_at_the_constant(folder: Path) -> None:
    (fault,) = faults_of(folder, MODAL.replace("0.05 m3/h", "0.05 m3/h.h"))
    assert fault.key == "calculated.X-MODAL.constants.least"
    assert fault.line == line_of(folder, "constants:")


def test_a_word_is_an_input_or_a_constant(folder: Path) -> None:
    (fault,) = faults_of(folder, MODAL.replace("least: 0.05", "flow: 1 m3/h, least: 0.05"))
    assert fault.key == "calculated.X-MODAL.constants.flow"


def test_calculations_must_not_go_in_a_circle(folder: Path) -> None:
    faults = faults_of(folder, CT + MODAL.replace("flow: FSP-201", "flow: X-CT").replace("max(flow, least)", "flow"))
    assert any("a circle: X-CT needs X-MODAL needs X-CT" in fault.found for fault in faults)


def test_a_name_belongs_to_one_point(folder: Path) -> None:
    (fault,) = faults_of(folder, MODAL.replace("X-MODAL", "AIT-501"))
    assert "AIT-501, which is declared under tags already" in fault.found


def test_text_cannot_be_computed_with(folder: Path) -> None:
    tags = folder / "tags.yaml"
    tags.write_text(
        tags.read_text()
        + "  X-TEXT: {service: serial, device: PC1, table: holding, address: 900, type: string, "
        + "string_registers: 4, poll_interval_s: 60}\n"
    )
    (fault,) = faults_of(
        folder,
        MODAL.replace("max(flow, least)", "max(flow, least) + 0 * text")
        .replace("flow: FSP-201", "flow: FSP-201, text: X-TEXT")
        .replace("0 * text", "least * text"),
    )
    assert fault.key == "calculated.X-MODAL.inputs.text"
    assert "X-TEXT, which is text" in fault.found


def test_a_rate_is_not_asked_of_a_calculated_tag(folder: Path) -> None:
    alarms = folder / "alarms.yaml"
    edited = alarms.read_text().replace("condition: {high: {tag: LIT-101,", "condition: {rate: {tag: X-MODAL,", 1)
    assert "X-MODAL" in edited
    alarms.write_text(edited)
    assert any("X-MODAL, which is calculated" in fault.found for fault in faults_of(folder, MODAL))


# --- any formula at all ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo() -> Site:
    site = read_draft(MARROWFELL).site
    assert site is not None
    return site


PIECES = st.sampled_from(
    ["x", "y", "k", "(", ")", "+", "-", "*", "/", "**", "<", "==", " ", ",", "1", "0.5", "max", "day_mean",
     "day_increase", "if", "else", "and", "not", "=", "exp", ".", "'", "[", "lambda", ":", "\n", "__import__", "1e9"]
)  # fmt: skip
FORMULAS = st.one_of(st.text(min_size=1, max_size=200), st.lists(PIECES, min_size=1, max_size=60).map("".join))
UNIT_TEXTS = st.one_of(st.text(max_size=20), st.sampled_from(["", "%", "m3/h", "mg/L", "mg.min/L", "1/h"]))


@given(FORMULAS, UNIT_TEXTS, st.sampled_from(["1", "-2.5e300 m3/h", "1e999 kg", "3 ..", "0 %"]))
def test_whatever_stands_in_a_formula_is_computed_or_told(demo: Site, formula: str, unit: str, constant: str) -> None:
    tag = CalculatedTag(
        service="x",
        unit=unit,
        inputs={"x": "FSP-201", "y": "AIT-801"},
        constants={"k": constant},
        formula=formula[:500],
    )
    findings = crosscheck(demo.model_copy(update={"calculated": {"X": tag}}))
    assert all(finding.found and finding.allowed for finding in findings)


# --- watched elsewhere -----------------------------------------------------------------------------------------

INTERLOCK = """
  X-1:
    service: contact time
    causes: [{inputs: [{low: {tag: X-MODAL, limit: 90}}], trip_delay_s: 300, bad: elsewhere}]
    effects: {product: withdrawn}
"""
WATCH = """
  X-2:
    service: quality
    causes: [{inputs: [%s], trip_delay_s: 60}]
    effects: {product: withdrawn}
"""
ITSELF = "{bad_quality: {tag: X-MODAL}}"
ITS_OWN = "{bad_quality: {tag: X-MODAL, except_for: [input_bad]}}"
ITS_INPUT = "{bad_quality: {tag: FSP-201}}"


@pytest.mark.parametrize(
    ("watched", "unwatched"),
    [
        ("", ["X-MODAL"]),
        (ITSELF, []),
        (ITS_OWN, ["FSP-201"]),
        (f"{ITS_OWN}, {ITS_INPUT}", []),
        (ITS_INPUT, ["X-MODAL"]),  # what cannot be computed from good inputs would be seen by nobody
    ],
)
def test_a_calculated_tag_and_its_inputs_are_watched_elsewhere(
    folder: Path, watched: str, unwatched: list[str]
) -> None:
    protection = folder / "protection.yaml"
    more = INTERLOCK + (WATCH % watched if watched else "")
    protection.write_text(protection.read_text().replace("\ninterlocks:\n", f"\ninterlocks:{more}", 1))
    found = [fault.found for fault in faults_of(folder, MODAL) if "elsewhere" in fault.found]
    assert found == [
        f"elsewhere, and no other interlock watches the quality of {tag} with these effects" for tag in unwatched
    ]


# --- local days ------------------------------------------------------------------------------------------------


def test_the_table_of_offsets_has_the_instants_at_which_the_clocks_change() -> None:
    table = dict(offsets_of("Europe/Zurich"))
    spring, autumn = datetime(2025, 3, 30, 1, tzinfo=UTC), datetime(2025, 10, 26, 1, tzinfo=UTC)
    assert table[round(spring.timestamp() * 1_000)] == 7_200_000
    assert table[round(autumn.timestamp() * 1_000)] == 3_600_000


def test_a_zone_that_never_changes_has_one_entry() -> None:
    assert offsets_of("UTC") == ((-(1 << 62), 0),)
