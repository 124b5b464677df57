"""What ``purplegate prove`` prints: a counter-example as a timeline, or what was tried and what that shows.

Decides words alone.
"""

from collections.abc import Iterator, Sequence

from gateway import __version__
from gateway.configuration.plant import LoadedSite
from gateway.prove.explore import Explored
from gateway.prove.proving import Proven
from gateway.prove.slices import MOST_MOVING, Whole, groups, inputs_of, joined, unfollowed
from gateway.prove.timeline import lines_of
from gateway.prove.walk import Walked

_CLAIMS = (
    "delivery is not permitted while a cause has stood for its delay and is not bypassed",
    "no output is given back without a person, but by the restart rule or where there is no latch",
    "no latch is lost, by a request, a restart or another release",
    "no lost input is ignored for longer than its bound",
    "no bypass outlives its end, or exceeds what the site allows",
)
_ASSUMED = (
    "changes come at an instant at which something falls due, or one scan before it",
    "readings on the same side of every limit act alike; one at the limit and one just beyond it stand for all",
    "a cause may be tried by itself, since an interlock lets each vote alone and looks at nothing of it but the vote",
    "(causes that come and go as they please, two at a time, stand for all others: kind latch; and the walk)",
    "an input that stands at rest while others move votes for nothing, and is left out where one vote is enough",
    "states that differ only in how long it is until something falls due, not in the order in which it does, are one",
    "(tried again at the demo site, under one in fifty of them went on in another order, none to another verdict)",
    "readings change one tag at a time; what an instrument would have shown while it was silent does not matter",
    "what vouches for a tag fails one at a time; bypasses last as long as they may",
    "each lost input is timed by itself; two that are lost in turn may hide a cause for both times together",
    "of two inputs of a cause one falls silent at a time, with what watches it, and both may be bad at once",
    "a reading may be bad at any time for any reason; what makes it bad is tried tag by tag",
    "of two interlocks together: one cause each at one input each, which trips both, one or neither",
    "and with them bypass, release and a restart, when due",
    "silence there where both look or no reading trips; what watches their inputs for them has slices of its own",
    "a slice whose line does not say whole was tried to the depth given there, and no further",
    "the record is whole up to the last scan, or not readable at all",
    "the wall clock runs with the monotonic one",
    "alarms and litres take no part in the slices; they act on nothing",
)

_NOT_TRIED = (
    "jumps that are not believed at once, contradicting partners, steps of the wall clock",
    "a hold and a bypass at once, other than on the walk; bypasses shorter than they may be",
    "of a flush more than whether it is complete",
    "a lost record and a start of the machine, other than in the slices of outputs",
    "the steps of a release, what the controller does and going back to observing, other than one kind at a time",
    "three causes of one interlock at once, other than on the walk",
    "of two interlocks together: a reading that is bad for another reason than silence",
    "limits on starts, other than by the decisions themselves; a kill between a decision and its record",
)


_KINDS = {
    "tag": "a tag with each of those that vouch for it",
    "interlock": "an interlock with one input that nobody else watches, and everything that can happen to it together",
    "cause": "how one cause votes, two of its inputs moving and bad; a release comes as soon as the cause is gone",
    "lost": "one input of a cause lost, with what watches it, while one more reads; a release as above",
    "latch": "latch, bypass, reset, restart and release, with two causes that come and go as they please",
    "hold": "an instrument that people hold, with one cause and what watches it; a release as above",
    "output": "an output, with an interlock that trips as it pleases for each that its release tells apart",
    "pair": "two interlocks that share an output or an input",
}


def certificate(loaded: LoadedSite, proven: Proven) -> str:
    """What was tried, and what that shows."""
    whole = Whole(plant=loaded.plant, scalings=loaded.scalings)
    explored = proven.explored
    cpu_s = sum(one.cpu_s for one in explored)
    lines = [
        f"{loaded.site.site.name} ({loaded.site.site.id}): no counter-example",
        f"configuration {loaded.hash}",
        f"purplegate {__version__}, {proven.seconds:.0f} s, {cpu_s:.0f} s of processor time for the slices",
        "",
        "No way was found to break any of these with the real decisions, as far as the table says:",
        *(f"  - {one}" for one in _CLAIMS),
        "",
        *_table(explored),
        "",
        *_walks(proven.walked),
        "",
        *_rests(whole, explored),
        "",
        "Assumed:",
        *(f"  - {one}" for one in _ASSUMED),
        "",
        "Not tried:",
        *(f"  - {one}" for one in _NOT_TRIED),
    ]
    return "\n".join(lines)


def _table(explored: Sequence[Explored]) -> Iterator[str]:
    width = max(len(one.name) for one in explored)
    yield f"{'slice':<{width}}  {'states':>8} {'transitions':>12} {'random':>8} {'seconds':>8}  how far"
    for one in explored:
        counts = f"{one.states:>8} {one.transitions:>12} {one.dived:>8} {one.seconds:>8.1f}"
        yield f"{one.name:<{width}}  {counts}  {_how_far(one)}"
    states, transitions = sum(one.states for one in explored), sum(one.transitions for one in explored)
    dived = sum(one.dived for one in explored)
    yield f"{'all':<{width}}  {states:>8} {transitions:>12} {dived:>8} {sum(one.seconds for one in explored):>8.1f}"


def _how_far(one: Explored) -> str:
    words = "whole" if one.changes is None else _changes(one.changes)
    silent = "" if one.delivered or one.kind == "tag" else "; nothing was ever delivered in it"
    return words + silent


def _changes(count: int) -> str:
    if count < 0:
        return "begun only; give it more time"
    return f"every order of up to {count + 1} change{'s' if count else ''} after a state at rest"


def _walks(walked: Sequence[Walked]) -> Iterator[str]:
    for one in walked:
        yield (
            f"walk of the whole, seed {one.seed}: {one.scans} scans, {one.restarts} restarts, {one.released} releases "
            f"granted, nothing wrong"
        )


def _rests(whole: Whole, explored: Sequence[Explored]) -> Iterator[str]:
    complete = sum(one.changes is None for one in explored)
    for kind in dict.fromkeys(one.kind for one in explored):
        its = [one for one in explored if one.kind == kind]
        cpu_s = sum(one.cpu_s for one in its)
        whole_ones = sum(one.changes is None for one in its)
        yield f"slices of kind {kind}: {whole_ones} of {len(its)} whole, {cpu_s:.0f} s of processor time"
        yield f"  ({_KINDS[kind]})"
    yield "What rests on what:"
    yield f"  - on trying all there is, but for what is assumed: the {complete} slices that are whole"
    yield f"  - on trying every order of so many changes as stand beside them: the other {len(explored) - complete}"
    wide = [rule.id for rule in whole.plant.interlocks if len(inputs_of(rule, whole.calculations)) > MOST_MOVING]
    unfinished = [one.name for one in explored if one.changes is not None]
    if unfinished:
        yield f"  - on no more than the depth that stands beside them: {'; '.join(unfinished)}"
    if wide:
        yield f"  - on every choice of two inputs that differ by more than their names: {', '.join(wide)}"
    pairs = len(joined(whole))
    yield f"  - on two at a time: {pairs} pairs of interlocks that share an input or an output; three only on the walk"
    parted = groups(whole)
    if len(parted) > 1:
        yield "  - on the graph of the configuration, since they share nothing: " + " | ".join(
            ", ".join(group) for group in parted
        )
    not_followed = [one for rule in whole.plant.interlocks for one in unfollowed(rule)]
    if not_followed:
        yield "  - on nothing, since conditions of this kind are not followed: " + "; ".join(not_followed)


def counter_example(loaded: LoadedSite, proven: Proven, scan_ms: int) -> str:
    """What went wrong, as a timeline."""
    if proven.counter is None or proven.found is None:
        return _walk_went_wrong(loaded, proven.walked)
    lines, wrong = lines_of(proven.counter, proven.found.moves, scan_ms)
    return "\n".join(
        [
            f"{loaded.site.site.name} ({loaded.site.site.id}): counter-example",
            f"configuration {loaded.hash}",
            f"purplegate {__version__}, {proven.seconds:.0f} s, slice {proven.counter.name}",
            "",
            *wrong,
            "",
            *lines,
        ]
    )


def _walk_went_wrong(loaded: LoadedSite, walked: Sequence[Walked]) -> str:
    (one, *_) = [one for one in walked if one.wrong]
    head = f"{loaded.site.site.name} ({loaded.site.site.id}): counter-example on the walk of seed {one.seed}"
    return "\n".join([head, f"configuration {loaded.hash}", "", *one.wrong, "", *one.lines])
