"""States that the prover takes as one go on alike: tried by making the same move from both."""

import random
from pathlib import Path

import pytest

from gateway.configuration.plant import load_site
from gateway.prove.slices import Slice, Whole, interlock_slices
from gateway.prove.world import Node, World

MARROWFELL = Path(__file__).resolve().parents[2] / "config" / "marrowfell"
TRIED = 200
DEEP = 30


def second_times(part: Slice, seed: int) -> tuple[int, int]:
    """Of so many pairs of states with one key, how many go on to another key, and how many to another verdict."""
    world, chance = World(part), random.Random(seed)  # noqa: S311 - a seeded way is no cryptography
    first: dict[object, Node] = {}
    tried = apart = judged_apart = 0
    while tried < TRIED:
        node = world.first()
        for move in world.opening():
            node = world.step(node, move).node
        for _ in range(DEEP):
            moves = list(world.moves(node))
            known = first.setdefault(node.key, node)
            if known is not node:
                assert list(world.moves(known)) == moves
                move = chance.choice(moves)
                one, other = world.step(known, move), world.step(node, move)
                tried += 1
                apart += one.node.key != other.node.key
                judged_apart += one.wrong != other.wrong
            node = world.step(node, chance.choice(moves)).node
    return apart, judged_apart


@pytest.mark.parametrize(("focus", "kind"), [(["I-02"], "interlock"), (["I-01", "I-02"], "pair")])
def test_of_a_hundred_pairs_of_states_taken_as_one_at_most_two_go_on_in_another_order(
    focus: list[str], kind: str
) -> None:
    loaded = load_site(MARROWFELL)
    part = next(interlock_slices(Whole(plant=loaded.plant, scalings=loaded.scalings), focus, kind))
    apart, judged_apart = second_times(part, seed=3)
    assert apart <= TRIED * 0.02
    assert judged_apart == 0
