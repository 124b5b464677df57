"""The tables of the machines: total, closed, and a refusal never changes anything."""

import itertools
from collections.abc import Mapping

import pytest

from gateway.core import alarm, interlock
from gateway.core.move import Move
from gateway.core.outcome import EventKind

Moves = (
    Mapping[tuple[alarm.State, alarm.Trigger], Move[alarm.State]]
    | Mapping[tuple[interlock.State, interlock.Trigger], Move[interlock.State]]
)
HIDDEN = {alarm.State.SHLVD, alarm.State.DSUPR, alarm.State.OOSRV}
VISIBLE = set(alarm.State) - HIDDEN


def test_the_alarm_table_has_a_move_for_every_visible_state_and_trigger_and_no_other() -> None:
    assert set(alarm.MOVES) == set(itertools.product(VISIBLE, alarm.Trigger))
    assert {move.to for move in alarm.MOVES.values()} <= VISIBLE


def test_the_interlock_table_has_a_move_for_every_state_and_trigger_and_no_other() -> None:
    assert set(interlock.MOVES) == set(itertools.product(interlock.State, interlock.Trigger))


@pytest.mark.parametrize("moves", [alarm.MOVES, interlock.MOVES], ids=["alarm", "interlock"])
def test_a_refused_trigger_changes_nothing_and_tells_nothing(
    moves: Moves,
) -> None:
    refused = {key: move for key, move in moves.items() if move.refused}
    assert refused
    for (state, _), move in refused.items():
        assert (move.to, move.tells) == (state, None)


@pytest.mark.parametrize("moves", [alarm.MOVES, interlock.MOVES], ids=["alarm", "interlock"])
def test_a_change_of_state_is_always_told_unless_it_only_quiets_what_was_hidden(
    moves: Moves,
) -> None:
    silent = {key for key, move in moves.items() if move.to is not key[0] and move.tells is None}
    assert silent <= {(alarm.State.RTNUN, alarm.Trigger.EMERGE)}


def test_only_a_person_takes_an_alarm_out_of_a_latch_and_only_a_reset_ends_it() -> None:
    latched = {alarm.State.LTUNK, alarm.State.LTACK}
    ways_out = {
        trigger
        for (state, trigger), move in alarm.MOVES.items()
        if state in latched and move.to not in latched | {alarm.State.UNACK}
    }
    assert ways_out == {alarm.Trigger.RESET}


def test_nothing_but_a_reset_or_a_restore_makes_a_tripped_interlock_ready() -> None:
    tripped = {interlock.State.TRIPPED, interlock.State.LATCHED}
    ways_out = {
        (state, trigger, move.tells)
        for (state, trigger), move in interlock.MOVES.items()
        if state in tripped and move.to not in tripped
    }
    assert ways_out == {
        (interlock.State.TRIPPED, interlock.Trigger.RESTORE, EventKind.RESTORED),
        (interlock.State.LATCHED, interlock.Trigger.RESET, EventKind.RESET),
    }
