"""The prover finds what is put in for it to find, and nothing where nothing was put in.

``python -m pytest tests/prove`` tries every fault of ``faults``.
"""

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from gateway.configuration.plant import load_site
from gateway.core.hold import HoldRule
from gateway.prove.explore import explore
from gateway.prove.slices import Slice, Whole, interlock_slices, output_slices
from gateway.prove.tag_slices import tag_slices
from gateway.prove.timeline import from_text, lines_of, to_text
from gateway.prove.world import Move
from tests.core import plants
from tests.prove.faults import FAULTS, Fault

MARROWFELL = Path(__file__).resolve().parents[2] / "config" / "marrowfell"
LONGEST_S = 60.0


@cache
def demo() -> Whole:
    loaded = load_site(MARROWFELL)
    return Whole(plant=loaded.plant, scalings=loaded.scalings)


def parts_of(where: str, whole: Whole) -> list[Slice]:
    """The slices of which a name tells, or the one that has it."""
    if where.startswith("output "):
        parts = list(output_slices(whole, where.removeprefix("output ").partition(",")[0]))
    elif where.startswith("tag "):
        parts = list(tag_slices(whole, where.split()[1]))
    else:
        parts = list(interlock_slices(whole, [where.split(maxsplit=1)[0].strip(",")], "interlock"))
    return [part for part in parts if part.name == where] or parts


def found_in(fault: Fault) -> tuple[Slice, tuple[Move, ...], list[str]]:
    """The first slice in which it is found, the moves that lead there, and their timeline."""
    small, _, where = fault.where.rpartition(":")
    whole = Whole(plant=replace(plants.PLANT, holds=HoldRule()), scalings={}) if small else demo()
    if fault.declared is not None:
        whole = Whole(plant=fault.declared(whole.plant), scalings=whole.scalings)
    parts = parts_of(where, whole)
    for part in parts:
        runs = None if fault.runs is None else fault.runs(part.plant)
        explored = explore(part, seconds=LONGEST_S, decided_by=runs, first_s=2.0)
        if explored.wrong:
            lines, wrong = lines_of(part, explored.moves, 1_000, runs)
            assert wrong == explored.wrong
            assert from_text(to_text(part, explored.moves, "hash"))[2] == list(explored.moves)
            return part, explored.moves, lines
    return parts[0], (), []


def test_there_are_enough_faults_and_each_has_a_name_of_its_own() -> None:
    assert len(FAULTS) >= 30
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)


@pytest.mark.timeout(400)
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_fault_is_found_and_told_as_a_timeline(fault: Fault, monkeypatch: pytest.MonkeyPatch) -> None:
    demo()
    if fault.patch is not None:
        fault.patch(monkeypatch)
    part, moves, lines = found_in(fault)
    assert moves, f"not found: {fault.name}"
    assert any("WRONG" in line for line in lines)
    monkeypatch.undo()
    if fault.declared is None:  # the same way without the fault: it is the fault that is found, not the way
        assert lines_of(part, moves, 1_000)[1] == ()


def test_two_causes_at_once_show_a_fault_that_no_cause_shows_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    fault = next(one for one in FAULTS if one.name == "one cause starts the other afresh")
    assert fault.patch is not None
    fault.patch(monkeypatch)
    for part in parts_of("I-01", demo()):
        if part.kind == "lost":
            explored = explore(part, seconds=LONGEST_S)
            assert (explored.changes, explored.wrong) == (None, ())


@pytest.mark.parametrize("where", ["I-02 latch", "I-10b", "I-13", "output product, I-01 and observing", "tag AIT-801"])
def test_nothing_is_found_where_nothing_was_put_in(where: str) -> None:
    for part in parts_of(where, demo()):
        assert explore(part, seconds=2.0).wrong == ()
