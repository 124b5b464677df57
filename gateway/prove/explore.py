"""Trying a slice whole, breadth first: the first counter-example found is one of the shortest.

From a first start over the release to delivery, and from there everything that ``World.moves`` names, until no state
is new, something is wrong, or the time is up.
"""

import random
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.core.plant import Plant
from gateway.prove.slices import Slice
from gateway.prove.world import SCAN_MS, Move, Node, World

SETTLED = 0
_FIRST_S = 0.1
_LAST = 0.2  # of the time, for more random ways, where all ways together lead only so far
_DEEP = 30  # moves of one random way


@dataclass(frozen=True, slots=True, kw_only=True)
class Explored:
    """What came of a slice.

    Args:
        name: of the slice.
        kind: of the slice.
        states: how many are there, or were found.
        transitions: how many were tried.
        dived: how many more were made along random ways, from delivery on.
        changes: every order of so many changes between two states at rest was tried; None for all there are.
        seconds: how long it took.
        cpu_s: of which the processor worked.
        delivered: whether some output stood away from safe in some state.
        moves: to a state in which something is wrong; empty when nothing is.
        wrong: what is wrong there.
    """

    name: str
    kind: str
    states: int
    transitions: int
    dived: int
    changes: int | None
    seconds: float
    cpu_s: float
    delivered: bool
    moves: tuple[Move, ...] = ()
    wrong: tuple[str, ...] = ()


def explore(
    part: Slice,
    *,
    seconds: float,
    scan_ms: int = SCAN_MS,
    decided_by: Plant | None = None,
    first_s: float = _FIRST_S,
) -> Explored:
    """Try a slice whole, or for so many seconds.

    Args:
        part: the slice.
        seconds: at most.
        scan_ms: from one scan to the next.
        decided_by: as in ``World``.
        first_s: of the time, for random ways before all others are tried; they lead deep at once.
    """
    began, worked_s = time.monotonic(), time.process_time()
    world = World(part, scan_ms, decided_by)
    search = _Search(world)
    delivering = search.opened
    dived = 0

    def diving(until_s: float) -> None:
        nonlocal dived
        while not search.wrong and time.monotonic() - began < until_s:
            dived += 1
            search.dive(delivering, dived)

    diving(min(first_s, seconds * _LAST))
    while search.advance() and time.monotonic() - began < seconds * (1 - _LAST):
        pass
    if search.changes is not None:
        diving(seconds)
    return Explored(
        name=part.name,
        kind=part.kind,
        states=len(search.parents),
        transitions=search.transitions,
        dived=search.dived,
        changes=search.changes,
        seconds=time.monotonic() - began,
        cpu_s=time.process_time() - worked_s,
        delivered=search.delivered,
        moves=search.path,
        wrong=search.wrong,
    )


def wrong_after(world: World, moves: Sequence[Move]) -> tuple[str, ...]:
    """What is wrong after these moves, and not before the last of them."""
    node = world.first()
    for place, move in enumerate(moves):
        step = world.step(node, move)
        if step.wrong:
            return step.wrong if place == len(moves) - 1 else ()
        node = step.node
    return ()


def shortened(world: World, moves: Sequence[Move]) -> tuple[Move, ...]:
    """Without every move that something is wrong without as well."""
    left = list(moves)
    place = len(left) - 2
    while place >= 0:
        shorter = [*left[:place], *left[place + 1 :]]
        if wrong_after(world, shorter):
            left = shorter
        place -= 1
    return tuple(left)


class _Search:
    """States by how many changes have happened since all was at rest; fewest first."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._known: dict[object, int] = {}  # state to its place
        self._cost: list[int] = []
        self._nodes: dict[int, Node] = {}
        self.parents: list[tuple[int, Move | None]] = []
        self._layers: list[deque[int]] = [deque()]
        self._level = 0
        self._done: set[int] = set()
        self.transitions = 0
        self.delivered = False
        self.wrong: tuple[str, ...] = ()
        self.path: tuple[Move, ...] = ()
        self.dived = 0
        self.opened = self._open()

    @property
    def changes(self) -> int | None:
        """So many changes were tried in every order; None when nothing new was left to try."""
        return None if not any(self._layers) and not self.wrong else self._level - 1

    def _open(self) -> Node:
        """From the first start to delivery."""
        place = self._add(self._world.first(), -1, None, SETTLED)
        node = self._nodes[place]
        for move in self._world.opening():
            step = self._world.step(node, move)
            if step.wrong:
                self.wrong, self.path = step.wrong, (*self._way_to(place), move)
                break
            node = step.node
            place = self._add(node, place, move, SETTLED)
        return node

    def dive(self, node: Node, seed: int) -> None:
        """One random way from a state on; what is wrong at its end is told by the fewest moves that lead there."""
        chance = random.Random(seed)  # noqa: S311 - a seeded way is no cryptography
        moves = self._world.opening()
        for _ in range(_DEEP):
            move = chance.choice(list(self._world.moves(node)))
            moves.append(move)
            self.dived += 1
            step = self._world.step(node, move)
            node = step.node
            if step.wrong:
                self.path = shortened(self._world, moves)
                self.wrong = wrong_after(self._world, self.path)
                return

    def advance(self) -> bool:
        """Make every move from one more state; False when there is none left, or something is wrong."""
        while self._level < len(self._layers) and not self._layers[self._level]:
            self._level += 1
        if self.wrong or self._level == len(self._layers):
            return False
        place = self._layers[self._level].popleft()
        if place in self._done or self._cost[place] < self._level:
            return True
        self._done.add(place)
        node = self._nodes.pop(place)
        self.delivered = self.delivered or any(node.history.away)
        for move in self._world.moves(node):
            self.transitions += 1
            if self._make(place, move, self._level + (move.what != "nothing"), node):
                return False
        return True

    def _make(self, place: int, move: Move, cost: int, node: Node | None = None) -> bool:
        """Make a move from a state; True when something is wrong where it leads."""
        step = self._world.step(self._nodes[place] if node is None else node, move)
        if step.wrong:
            self.wrong = step.wrong
            self.path = (*self._way_to(place), move)
            return True
        at_rest = cost > 0 and self._world.at_rest(step.node)
        self._add(step.node, place, move, SETTLED if at_rest else cost)
        return False

    def _add(self, node: Node, parent: int, move: Move | None, cost: int) -> int:
        key = node.key
        place = self._known.get(key)
        if place is None:
            place = self._known[key] = len(self.parents)
            self._nodes[place] = node
            self.parents.append((parent, move))
            self._cost.append(cost)
        elif place in self._done or self._cost[place] <= cost:
            return place
        self._cost[place] = cost
        while len(self._layers) <= cost:
            self._layers.append(deque())
        self._layers[cost].append(place)
        self._level = min(self._level, cost)
        return place

    def _way_to(self, place: int) -> tuple[Move, ...]:
        found: list[Move] = []
        while place > 0:
            place, move = self.parents[place]
            if move is not None:
                found.append(move)
        return tuple(reversed(found))
