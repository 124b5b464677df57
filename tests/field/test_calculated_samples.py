"""Calculated values go into the record like readings: when they are due, and through a real scanner and store."""

import asyncio
from pathlib import Path

import pytest

from gateway.core.calculation import CalculationRule
from gateway.core.expression import compile_formula
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample
from gateway.core.scaling import Scaling
from gateway.core.state import first_state, rules_of
from gateway.core.tick import Tick
from gateway.core.units import parse_unit
from gateway.core.validity import AWAITED, HELD, TagRule, Verdict
from gateway.field.calculated_samples import CalculatedSamples
from gateway.field.clock import ManualClock
from gateway.field.image import InputImage
from gateway.field.scanning import Scanner
from gateway.replay.recorded import moments
from gateway.store import sample_log
from gateway.store.chunk import Contents
from tests.field.fieldbench import WAIT_S, Disk, recorder_on

TWICE = CalculationRule(
    about=TagRule(tag="TWICE", unit="NTU"),
    inputs=("TURB",),
    rolls_over_at=(None,),
    formula=compile_formula("x * 2", inputs={"x": parse_unit("NTU")}, constants={}, unit=parse_unit("NTU")),
    scaling=Scaling(),
    record_interval_ms=15_000,
)
PLANT = Plant(tags=(TagRule(tag="TURB", unit="NTU"),), calculated=(TWICE,))


def tick(seconds: float) -> Tick:
    return Tick(monotonic_ms=round(seconds * 1_000), utc_ms=1_738_800_000_000 + round(seconds * 1_000))


def test_a_value_is_due_at_once_and_then_on_the_grid_of_its_interval() -> None:
    samples = CalculatedSamples([TWICE])
    due = [second for second in range(4, 50) if list(samples.due({"TWICE": Number(1.0)}, tick(second)))]
    assert due == [4, 15, 30, 45]


def test_a_scan_that_came_late_moves_nothing_but_itself() -> None:
    samples = CalculatedSamples([TWICE])
    due = [second for second in (0, 14, 29, 30, 44, 45) if list(samples.due({"TWICE": Number(1.0)}, tick(second)))]
    assert due == [0, 29, 30, 45]


@pytest.mark.parametrize(
    ("verdict", "reading"),
    [
        (Number(2.0), Number(2.0)),
        (NoNumber(Reason.INPUT_BAD), NoNumber(Reason.INPUT_BAD)),
        (HELD, NoNumber(Reason.HOLD)),
        (AWAITED, None),
    ],
)
def test_every_worth_is_recorded_but_one_that_is_awaited(verdict: Verdict, reading: Reading | None) -> None:
    found = [sample.reading for sample in CalculatedSamples([TWICE]).due({"TWICE": verdict}, tick(0))]
    assert found == ([] if reading is None else [reading])


async def _recorded(disk: Disk) -> list[Contents]:
    """What is in the store after readings every second for 31 seconds."""
    clock = ManualClock(monotonic_ms=0, utc_ms=1_738_800_000_000)
    image = InputImage()
    recorder = recorder_on(disk, clock, lambda _: None)
    rules = rules_of(PLANT)
    state, _ = first_state(rules, clock.now())
    scanner = Scanner(
        rules=rules,
        state=state,
        beginnings=[],
        image=image,
        clock=clock,
        period_ms=1_000,
        actuation=None,
        pollers=[],
        recorder=recorder,
        tell=lambda *_: None,
        answer=lambda *_: None,
    )
    for second in range(32):
        now = clock.now()
        image.put(Sample(tag="TURB", reading=Number(float(second)), arrived=now, source_utc_ms=now.utc_ms))
        scanner.once()
        clock.advance(1_000)
    assert await recorder.finish(WAIT_S)
    with disk.reader() as reader:
        return [sample_log.unpack(header, body) for header, body in sample_log.read_after(reader, 0, 10**6)]


def test_calculated_values_are_in_the_record_beside_the_readings_they_come_from(tmp_path: Path) -> None:
    disk = Disk(tmp_path / "plant.db")
    try:
        chunks = asyncio.run(_recorded(disk))
    finally:
        disk.close(WAIT_S)
    rows = [row for chunk in chunks for row in chunk.rows if row.sample.tag == "TWICE"]
    assert [(row.sample.arrived.monotonic_ms, row.sample.reading) for row in rows] == [
        (0, Number(0.0)),
        (15_000, Number(30.0)),
        (30_000, Number(60.0)),
    ]
    given = dict(moments(chunks))
    assert any(isinstance(one, Sample) and one.tag == "TWICE" for moment in given.values() for one in moment.arrivals)
