"""The cause-and-effect matrix of the demo site says what the scan does: every cell, driven by readings.

From a plant that delivers (or diverts, for the valve that is not proven) the
readings of one case make exactly one cause true. The delays are jumped to
their due times. A case fails where the matrix and the scan differ in what
moves, to which level, when, by which cause, or in what follows when the cause
is gone again. That it can fail is shown with matrices that say something else.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC
from functools import cache

import pytest

from gateway.configuration.plant import LoadedSite, load_site
from gateway.core.outcome import EventKind
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.request import Action
from gateway.core.sample import NoNumber, Number, Reading
from gateway.core.state import ScanState
from gateway.core.voting import BadVote
from gateway.core.working import demands_on
from gateway.reports.matrix import CauseRow, Configured, Matrix, matrix
from simulator.site import DEMO_SITE
from tests.core.plants import Bench

SECOND_MS, HOUR_MS = 1_000, 3_600_000
LOST = Reason.DEVICE_FAULT
GOOD_GRAB = {"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1}
GOOD = {
    "AIT-510": 0.7,
    "FIT-510S": 250.0,
    "FSL-510": 1.0,
    "AN1-STS": 0.0,
    "AN1-TST": 12345.678,
    "AIT-801": 5.5,
    "FIT-801S": 30.0,
    "AN2-STS": 0.0,
    "AIT-951": 3.0,
    "AIT-701": 75.0,
    "AN3-STS": 0.0,
    "AIT-702": 110.0,
    "UV1-STS": 1.0,
    "FIT-701": 1.0,
    "FIT-201": 1.0,
    "FSP-201": 1.0,
    "FI-801": 100.0,
    "FSP-801": 100.0,
    "FSL-801": 1.0,
    "PC1-HB": 0.0,
    "ZSC-901": 0.0,
    "ZSO-901": 1.0,
    "FIT-905": 0.0,
    "PWR-OK": 1.0,
    "LIT-901": 50.0,
    "GW-RECORD": 0.0,
}
AT_DIVERT = {"ZSC-901": 1.0, "ZSO-901": 0.0, "FIT-905": 1.0}
BEATS, LIVES = "PC1-HB", ("AIT-510", "AIT-801")  # a heartbeat counts; live water always moves a little


@dataclass(frozen=True, kw_only=True)
class Case:
    """Readings that make one cause true.

    Args:
        cause: interlock and number, as the matrix names it.
        reads: what is read from then on; a reason is a reading without a value. Of a calculated tag: its formula
            has no result.
        bad: it is the loss of values that shall trip it.
        diverting: begins at divert, because the tank is full.
        along: interlocks that see the same readings and rightly trip as well.
        alone: another cause of the interlock would come first, and is left out.
    """

    cause: str
    reads: Mapping[str, float | Reason] = field(default_factory=dict)
    bad: bool = False
    diverting: bool = False
    along: frozenset[str] = frozenset()
    alone: bool = False


def lost(cause: str, *tags: str, along: frozenset[str] = frozenset(), **rest: float) -> Case:
    """A case in which values are lost."""
    others = {name.replace("_", "-"): value for name, value in rest.items()}
    return Case(cause=cause, reads={**dict.fromkeys(tags, LOST), **others}, bad=True, along=along)


CASES = (
    Case(cause="I-01.1", reads={"AIT-510": 11.0}),
    Case(cause="I-01.2", reads={"AIT-510": 7.0}),
    Case(cause="I-02.1", reads={"AIT-801": 1.8}, along=frozenset({"I-03"})),  # CT is low as well, and later
    Case(cause="I-03.1", reads={"AIT-801": 2.2}),
    Case(cause="I-03.2", reads={"FIT-701": 2.2}),
    Case(cause="I-04.1", reads={"AIT-702": 40.0}),
    Case(cause="I-04.2", reads={"UV1-STS": 0b011}),
    Case(cause="I-04.2", reads={"UV1-STS": 0b101}),
    lost("I-04.2", "UV1-STS"),
    Case(cause="I-05.1", reads={"AIT-510": LOST}),
    *(
        Case(cause="I-05b.1", reads={tag: LOST})
        for tag in ("FIT-701", "AIT-702", "FI-801", "FSP-801", "FSL-801", "DV-CT", "DV-MODAL", "DV-DOSE", "HYPO-SHARE")
    ),
    Case(cause="I-05b.2", reads={"AIT-701": Reason.SENTINEL}),
    Case(cause="I-05b.2", reads={"AIT-701": Reason.SENTINEL, "AN3-STS": 2.0}),
    lost("I-05b.2", "AN3-STS"),
    Case(cause="I-05b.3", reads={"AIT-701": Reason.SENTINEL, "AN3-STS": 1.0}),
    Case(cause="I-05c.1", reads={BEATS: 1_000.0}),
    Case(cause="I-05c.2", reads={BEATS: LOST}, alone=True),
    Case(cause="I-06.1", reads={"AIT-801": LOST}),
    Case(cause="I-07.1", reads={"FI-801": 10.0}),
    Case(cause="I-07.1", reads={"FSL-801": 0.0}),
    Case(cause="I-08.1", reads={"ZSC-901": 0.0}, diverting=True),
    Case(cause="I-08.1", reads={"ZSC-901": LOST}, bad=True, diverting=True),
    Case(cause="I-08.2", reads={"ZSC-901": LOST, "FIT-905": 0.1}, diverting=True),
    Case(cause="I-08.2", reads={"ZSC-901": LOST, "FIT-905": LOST}, bad=True, diverting=True),
    Case(cause="I-08.3", reads={"ZSO-901": 1.0}, diverting=True),
    Case(cause="I-08.3", reads={"ZSO-901": LOST}, bad=True, diverting=True),
    Case(cause="I-09.1", reads={"AIT-951": 0.3}),
    lost("I-09.1", "AIT-951"),
    Case(cause="I-10a.1", reads={"PWR-OK": 0.0}),
    lost("I-10a.1", "PWR-OK", along=frozenset({"I-10b"})),
    Case(cause="I-10b.1", reads={"PWR-OK": 0.0}, along=frozenset({"I-10a"})),
    lost("I-10b.1", "PWR-OK", along=frozenset({"I-10a"})),
    Case(cause="I-13.1", reads={"LIT-901": 97.0}),
    lost("I-13.1", "LIT-901"),
    Case(cause="I-17.1", reads={"FIT-701": 0.1}),
    Case(cause="I-19.1", reads={"GW-RECORD": 61.0}),
    lost("I-19.1", "GW-RECORD"),
)


class DemoBench(Bench):
    """The demo site's scan with readings that live."""

    def scan(self, *arrivals: object, after_ms: int = SECOND_MS, polled: bool = True) -> object:  # type: ignore[override]
        self.beats += 1
        return super().scan(*arrivals, after_ms=after_ms, polled=polled)  # type: ignore[arg-type]

    beats = 0
    stands = False

    def samples(self) -> list[object]:  # type: ignore[override]
        moving: dict[str, Reading] = {} if self.stands else {BEATS: Number(float(self.beats))}
        for tag in LIVES:
            reading = self.reads[tag]
            moving |= {tag: Number(reading.value + 0.001 * (self.beats % 2))} if isinstance(reading, Number) else {}
        kept, self.reads = self.reads, {**self.reads, **moving}
        try:
            return list(super().samples())
        finally:
            self.reads = kept


@dataclass(frozen=True)
class Baseline:
    """A state to begin from, with what is read in it."""

    state: ScanState
    reads: Mapping[str, Reading]
    monotonic_ms: int
    utc_ms: int
    beats: int


@cache
def site() -> LoadedSite:
    return load_site(DEMO_SITE)


@cache
def drawn() -> Matrix:
    loaded = site()
    strokes = {name: round(keys.stroke_s * 1_000) for name, keys in loaded.site.outputs.items()}
    return matrix(
        Configured(
            id="demo",
            name="Demo",
            zone=UTC,
            hash=loaded.hash,
            version="0",
            utc_ms=0,
            plant=loaded.plant,
            stroke_ms=strokes,
            returns_because={},
        )
    )


def row_of(name: str, found: Matrix) -> CauseRow:
    return next(row for row in found.rows if f"{row.rule.id}.{row.number}" == name)


@cache
def baseline(*, diverting: bool) -> Baseline:
    """A plant that delivers, or that diverts because its tank is full."""
    bench = DemoBench(site().plant)
    bench.reads = {tag: Number(value) for tag, value in {**GOOD, **AT_DIVERT}.items()}
    bench.controlled()
    for _ in range(35):
        bench.scan(after_ms=60_000)
    assert bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB).granted
    answer = bench.release("product")
    assert answer.granted, answer
    bench.reads = {tag: Number(value) for tag, value in GOOD.items()}
    bench.run(2)
    assert bench.outcome.levels == {"product": "permitted", "feed": "idle", "supply": "idle"}
    if diverting:
        bench.reads |= {tag: Number(value) for tag, value in {"LIT-901": 97.0, **AT_DIVERT}.items()}
        bench.run(60)
        assert bench.outcome.levels == {"product": "withdrawn", "feed": "idle", "supply": "idle"}
    return Baseline(bench.state, dict(bench.reads), bench.monotonic_ms, bench.utc_ms, bench.beats)


def begun(plant: Plant, start: Baseline) -> DemoBench:
    bench = DemoBench(plant, state=start.state, monotonic_ms=start.monotonic_ms)
    bench.utc_ms, bench.beats, bench.reads = start.utc_ms, start.beats, dict(start.reads)
    return bench


def plant_of(case: Case) -> Plant:
    """The demo site's rules; a formula without a result is one whose range has moved away."""
    plant = site().plant
    calculated = tuple(
        replace(rule, scaling=replace(rule.scaling, range_low=1e9, range_high=2e9))
        if rule.about.tag in case.reads
        else rule
        for rule in plant.calculated
    )
    name, _, number = case.cause.rpartition(".")
    interlocks = tuple(
        replace(rule, causes=(rule.causes[int(number) - 1],)) if case.alone and rule.id == name else rule
        for rule in plant.interlocks
    )
    return replace(plant, calculated=calculated, interlocks=interlocks)


def left_alone(state: ScanState, name: str, number: int) -> ScanState:
    """A state in which an interlock remembers one of its causes and has no other."""
    kept = replace(state.interlocks[name], causes=(state.interlocks[name].causes[number],))
    return replace(state, interlocks={**state.interlocks, name: kept})


def read_now(bench: DemoBench, case: Case) -> None:
    """The readings of a case, from the next scan on."""
    for tag, value in case.reads.items():
        if tag in GOOD:
            bench.reads[tag] = NoNumber(value) if isinstance(value, Reason) else Number(value)
    bench.stands = BEATS in case.reads


def held_by(bench: Bench, name: str) -> dict[str, str]:
    """Outputs that an interlock holds now, and at which level."""
    return {
        output: level
        for output, state in bench.state.outputs.items()
        for one, level in demands_on(bench.rules, bench.state.interlocks, output, state.latches)
        if one == name
    }


def tripped(bench: Bench) -> set[str]:
    return {name for name, state in bench.state.interlocks.items() if state.tripped}


def differences(case: Case, found: Matrix) -> list[str]:
    """Where a case and the matrix differ; nothing where they agree."""
    row = row_of(case.cause, found)
    name = row.rule.id
    start = baseline(diverting=case.diverting)
    bench = begun(plant_of(case), start)
    if case.alone:
        bench.state = left_alone(bench.state, name, row.number - 1)
    before, standing = dict(bench.state.outputs), tripped(bench)
    expected = {output: cell.level for output, cell in row.cells.items()}
    cell = next(iter(row.cells.values()))
    due_ms = cell.bad_within_ms if case.bad else cell.within_ms
    if due_ms is None:
        return ["the matrix knows no time for it"]
    read_now(bench, case)
    from_ms = start.monotonic_ms + SECOND_MS  # a heartbeat moves once more, and then no longer
    bench.scan()
    wrong = []
    if from_ms + due_ms - SECOND_MS > bench.monotonic_ms:
        bench.scan(after_ms=from_ms + due_ms - SECOND_MS - bench.monotonic_ms)
    if due_ms >= SECOND_MS and name in tripped(bench):
        wrong.append(f"tripped sooner than {due_ms} ms")
    if from_ms + due_ms > bench.monotonic_ms:
        bench.scan(after_ms=from_ms + due_ms - bench.monotonic_ms)
    if held_by(bench, name) != expected:
        wrong.append(f"holds {held_by(bench, name)} and not {expected}")
    moved = {output: one.level for output, one in bench.state.outputs.items() if one.level != before[output].level}
    by_others = {effect.output for one in case.along for effect in bench.rules.interlocks[one].effects}
    elsewhere = any(moved.get(output, level) != level for output, level in expected.items())
    if elsewhere or not set(moved) <= {*expected, *by_others}:
        wrong.append(f"moved {moved}")
    if others := tripped(bench) - standing - {name} - case.along:
        wrong.append(f"{others} tripped as well")
    by = {event.facts["cause"] for event in bench.found(EventKind.TRIP, name)}
    if by != {0 if case.alone else row.number - 1}:
        wrong.append(f"tripped by cause {by}")
    return wrong + afterwards(bench, row, start, alone=case.alone)


def afterwards(bench: DemoBench, row: CauseRow, start: Baseline, *, alone: bool) -> list[str]:
    """What the matrix says of the time after the cause, against what happens when everything is good again."""
    name, restore_ms = row.rule.id, row.rule.restore_delay_ms
    plant = bench.rules.plant if alone else site().plant  # a formula has a result again
    mended = begun(plant, Baseline(bench.state, start.reads, bench.monotonic_ms, bench.utc_ms, bench.beats))
    if all(cell.latched for cell in row.cells.values()):
        mended.scan(after_ms=SECOND_MS)
        mended.scan(after_ms=HOUR_MS)
        return [] if held_by(mended, name) else ["let go by itself"]
    mended.scan(after_ms=SECOND_MS)
    wrong = []
    if restore_ms:
        mended.scan(after_ms=restore_ms - SECOND_MS)
        wrong += [] if held_by(mended, name) else ["let go too soon"]
        mended.scan(after_ms=SECOND_MS)
    return wrong + (["did not let go"] if held_by(mended, name) else [])


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.cause}-{'-'.join(case.reads)}{'-lost' * case.bad}")
def test_what_the_scan_does_is_what_the_matrix_says(case: Case) -> None:
    assert differences(case, drawn()) == []


def test_no_cause_of_the_matrix_is_left_out() -> None:
    driven = {(case.cause, case.bad) for case in CASES}
    rows = drawn().rows
    assert {(f"{row.rule.id}.{row.number}", False) for row in rows} <= driven
    lost_too = [row for row in rows if any(one.bad_within_ms is not None for one in row.cells.values())]
    may_be_lost = {f"{row.rule.id}.{row.number}" for row in lost_too}
    assert {cause for cause, bad in driven if bad} == may_be_lost


def test_every_input_of_a_cause_that_one_alone_trips_is_driven() -> None:
    for row in drawn().rows:
        if row.cause.needed == 1 and len(row.cause.inputs) > 1:
            read = {tag for case in CASES if case.cause == f"{row.rule.id}.{row.number}" for tag in case.reads}
            assert read == {getattr(one, "tag", "") for one in row.cause.inputs}


WATCHED = [(row, one) for row in drawn().rows for one in row.watchers]


@pytest.mark.parametrize(("row", "watcher"), WATCHED, ids=[f"{r.rule.id}.{r.number}-{w.tag}" for r, w in WATCHED])
def test_a_value_that_is_watched_elsewhere_moves_the_same_outputs_there_in_the_time_stated(
    row: CauseRow, watcher: object
) -> None:
    tag, other, within_ms = watcher.tag, watcher.interlock, watcher.within_ms  # type: ignore[attr-defined]
    cleans = {"AN3-STS": 1.0} if tag == "AIT-701" else {}  # the longest time: while the monitor cleans itself
    case = Case(cause=f"{row.rule.id}.{row.number}", reads={tag: LOST, **cleans})
    bench = begun(plant_of(case), baseline(diverting=False))
    read_now(bench, case)
    bench.scan()
    bench.scan(after_ms=within_ms - SECOND_MS)
    assert held_by(bench, other) == {}
    bench.scan()
    assert {output: cell.level for output, cell in row.cells.items()}.items() <= held_by(bench, other).items()
    assert tripped(bench) == {other}


def test_every_cause_that_leaves_a_lost_value_to_others_names_who_watches_each_of_its_values() -> None:
    for row in drawn().rows:
        if row.cause.bad is BadVote.ELSEWHERE:
            named = {one.tag for one in row.watchers}
            assert named >= {getattr(one, "tag", "") for one in row.cause.inputs}, row.rule.id


def doctored(cause: str, **changed: object) -> Matrix:
    """The matrix with other cells for one cause."""
    whole = drawn()
    rows = [
        replace(row, cells={output: replace(cell, **changed) for output, cell in row.cells.items()})  # type: ignore[arg-type]
        if f"{row.rule.id}.{row.number}" == cause
        else row
        for row in whole.rows
    ]
    return replace(whole, rows=tuple(rows))


@pytest.mark.parametrize(
    "changed",
    [{"within_ms": 119_000}, {"within_ms": 121_000}, {"level": "permitted"}, {"latched": False}],
    ids=["sooner", "later", "another level", "no latch"],
)
def test_a_matrix_that_says_something_else_is_found(changed: dict[str, object]) -> None:
    case = next(case for case in CASES if case.cause == "I-02.1")
    assert differences(case, doctored("I-02.1", **changed)) != []


def test_a_cell_too_many_and_a_cell_too_few_are_found() -> None:
    whole = drawn()
    case = next(case for case in CASES if case.cause == "I-08.1")
    row = row_of("I-08.1", whole)
    fewer = replace(row, cells={"feed": row.cells["feed"]})
    more = replace(row, cells={**row.cells, "product": row.cells["feed"]})
    for other in (fewer, more):
        rows = tuple(other if one is row else one for one in whole.rows)
        assert differences(case, replace(whole, rows=rows)) != []


@pytest.mark.parametrize("rule", site().plant.interlocks, ids=lambda rule: rule.id)
def test_a_bypass_is_taken_for_as_long_as_the_matrix_says_and_not_for_a_second_more(rule: object) -> None:
    row = next(row for row in drawn().rows if row.rule is rule)
    bench = begun(site().plant, baseline(diverting=False))
    longest_ms = row.rule.bypass_max_ms
    longer = bench.ask(Action.BYPASS, row.rule.id, duration_ms=longest_ms + SECOND_MS)
    assert not longer.granted
    assert bench.ask(Action.BYPASS, row.rule.id, duration_ms=longest_ms).granted is row.rule.bypassable
