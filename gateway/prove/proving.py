"""All slices of a site in their order, on some processes, within a time; then the walk with what is left of it.

Decides how the time is shared out and nothing about the plant. The first counter-example ends it.
"""

import gc
import multiprocessing
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from gateway.core.state import rules_of
from gateway.prove.explore import Explored, explore
from gateway.prove.slices import Slice, Whole, interlock_slices, joined, output_slices
from gateway.prove.tag_slices import tag_slices
from gateway.prove.walk import Walked, walk

_KINDS = ("tag", "interlock", "hold", "lost", "cause", "pair", "latch", "output")
"""In this order, that which is small first: what it does not need of its share is left to those behind it."""
_AHEAD = 6  # times its share of the time may be taken by a slice: some whole are worth more than all begun
_MOST = 0.25  # of what is left
_WALK_SHARE = 0.08  # of the time, at least
_ENDS_S = 4.0  # for starting, cutting the slices and telling


@dataclass(frozen=True, slots=True, kw_only=True)
class Proven:
    """What came of it.

    Args:
        explored: of every slice that was tried.
        walked: of the walk, when there was time and no counter-example before.
        counter: the slice with a counter-example.
        seconds: how long all of it took.
    """

    explored: tuple[Explored, ...] = ()
    walked: tuple[Walked, ...] = ()
    counter: Slice | None = None
    found: Explored | None = None
    seconds: float = 0.0


@dataclass(slots=True)
class _Shared:
    """What the processes are born with: rules hold functions, which cannot be sent."""

    whole: Whole | None = None
    parts: list[Slice] = field(default_factory=list)
    ends_at: float = 0.0
    processes: int = 1
    scan_ms: int = 1_000


_shared = _Shared()


def slices_of(whole: Whole, *, pairs: bool = True) -> Iterator[Slice]:
    """Every slice: tags, interlocks, outputs, pairs."""
    rules = rules_of(whole.plant)
    tags = dict.fromkeys(tag for found in rules.critical.values() for tag in found if tag not in rules.calculations)
    for tag in tags:
        yield from tag_slices(whole, tag)
    for rule in whole.plant.interlocks:
        yield from interlock_slices(whole, [rule.id], "interlock")
    for output in whole.plant.outputs:
        if any(effect.output == output.id for rule in whole.plant.interlocks for effect in rule.effects):
            yield from output_slices(whole, output.id)
    for first, second, _ in joined(whole) if pairs else ():
        yield from interlock_slices(whole, [first, second], "pair")


def prove(whole: Whole, *, seconds: float, processes: int, seed: int, scan_ms: int, pairs: bool = True) -> Proven:
    """Try everything there is time for.

    Args:
        whole: the site.
        seconds: of wall clock.
        processes: side by side.
        seed: of the walk.
        scan_ms: from one scan to the next.
        pairs: whether two interlocks are tried together as well.
    """
    began = time.monotonic()
    _shared.whole = whole
    _shared.parts = sorted(slices_of(whole, pairs=pairs), key=lambda one: _KINDS.index(one.kind))
    _shared.processes, _shared.scan_ms = processes, scan_ms
    _shared.ends_at = began + max(1.0, (seconds - _ENDS_S) * (1 - _WALK_SHARE))
    explored: list[Explored] = []
    context = multiprocessing.get_context("fork")
    with context.Pool(processes, initializer=_without_collecting) as pool:
        for place, one in pool.imap_unordered(_explored, range(len(_shared.parts))):
            explored.append(one)
            if one.wrong:
                pool.terminate()
                return Proven(
                    explored=tuple(explored),
                    counter=_shared.parts[place],
                    found=one,
                    seconds=time.monotonic() - began,
                )
        left_s = max(1.0, began + seconds - _ENDS_S / 2 - time.monotonic())
        walked = pool.starmap(_walked, [(seed + place, left_s) for place in range(processes)])
    return Proven(explored=tuple(explored), walked=tuple(walked), seconds=time.monotonic() - began)


def _without_collecting() -> None:
    """Nodes are kept until the end of a slice and point at nothing that points back: looking for cycles is in vain."""
    gc.freeze()
    gc.disable()


def _explored(place: int) -> tuple[int, Explored]:
    part = _shared.parts[place]
    left_s = max(0.0, _shared.ends_at - time.monotonic()) * _shared.processes
    behind = len(_shared.parts) - place
    seconds = left_s * min(_MOST, _AHEAD / behind) if behind > 1 else left_s
    return place, explore(part, seconds=seconds, scan_ms=_shared.scan_ms)


def _walked(seed: int, seconds: float) -> Walked:
    if _shared.whole is None:
        raise RuntimeError("a process was born before the site was cut; start the proof anew")
    return walk(_shared.whole, seed=seed, seconds=seconds)
