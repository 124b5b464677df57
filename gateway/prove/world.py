"""Everything that can happen to a slice next, and the real scan that follows.

Time is jumped to the next instant at which anything can fall due, or to one scan before it; there and only there
something may change: the water, one instrument, what a person asks, what the controller holds, a restart. Decides
nothing about right and wrong.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, NamedTuple, Protocol

from gateway.core.condition import NoChange, tags_of
from gateway.core.interlock import InterlockRule
from gateway.core.outcome import Outcome
from gateway.core.output import Readback
from gateway.core.plant import Plant
from gateway.core.quality import Quality, Reason
from gateway.core.request import Action, Origin, Request
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number, Reading, Sample
from gateway.core.scan import Arrival, Moment, scan
from gateway.core.state import Rules, ScanState, first_state, rules_of
from gateway.core.tick import Tick
from gateway.prove.canonical import NOW, NOW_MS, Canon, ranked
from gateway.prove.oracle import Happened, Oracle
from gateway.prove.slices import Slice
from gateway.prove.tagwise import TagOracle

SCAN_MS = 1_000
FOREIGN_CODE = 7
OTHER_CODE = -1
SOUND, SILENT, BAD = 0, 1, 2  # how an instrument is; from BAD on, bad for one reason each

_RESTARTS = {
    "tag": ("soon", "late"),
    "cause": ("soon",),
    "lost": ("soon",),
    "latch": ("soon", "late"),
    "interlock": ("soon", "late"),
    "hold": ("soon",),
    "output": ("soon",),
    "pair": ("soon",),
}
_STARTS = ("soon", "late", "other boot", "record lost")
_STRANGER = "STRANGER"


class Move(NamedTuple):
    """One thing that happens.

    Args:
        wait: ``due``, ``before`` (one scan before the next instant that is due) or ``scan``.
        what: ``nothing``, ``water``, ``instrument``, ``ask``, ``controller``, ``restart``.
        about: vector or tag, interlock, output.
        how: kind of instrument fault, request or restart.
    """

    wait: str
    what: str = "nothing"
    about: str = ""
    how: str = ""


class Surroundings(NamedTuple):
    """What the plant and the controller do, apart from the decisions."""

    water: int
    instruments: tuple[int, ...]  # of every moving tag
    holds: tuple[int, ...]  # register of every output
    wrote: tuple[int, ...]  # what was written into it last
    read_before: bool  # since the start, so that what was written is known


class Node(NamedTuple):
    """Decisions, surroundings and history at one instant."""

    state: ScanState
    around: Surroundings
    history: Any  # of the judge's own kind
    ahead_ms: int | None  # to the next instant at which anything falls due, on the grid of the scans
    key: tuple[object, ...]  # equal for nodes that are taken as one


class Step(NamedTuple):
    """What came of a move."""

    node: Node
    wrong: tuple[str, ...]
    waited_ms: int
    outcome: Outcome | None


class Judge(Protocol):
    """What must hold: ``Oracle``, or ``TagOracle``; each knows its own history and nobody else looks into it."""

    def first(self, now_ms: int) -> Any:
        """The history at a first start."""

    def restarted(self, before: Any, *, saved_ms: int, now_ms: int, same_boot: bool) -> Any:
        """The history after a restart."""

    def judge(self, before: Any, seen: Happened) -> tuple[Any, list[str]]:
        """The history with one scan more, and what is wrong."""

    def remembers(self, history: Any, tag: str) -> object:
        """All that is remembered of one tag."""

    def of(self, history: Any, now_ms: int) -> tuple[tuple[object, ...], list[int | None]]:
        """All of a history that is no time, and every instant at which something falls due."""


def _later(tick: Tick, ms: int) -> Tick:
    return Tick(monotonic_ms=tick.monotonic_ms + ms, utc_ms=tick.utc_ms + ms)


def _asker(role: str) -> Request:
    """What every request of one role has in common."""
    return Request(id="", action=Action.RELEASE, person=role, role=role, reason="asked while proving")


class World:
    """One slice and all that can happen to it.

    Args:
        part: the slice.
        scan_ms: from one scan to the next.
        decided_by: the rules that the decisions get, where they are not those of the slice; what must hold is still
            judged by the slice's own. For showing that a difference is found.
    """

    def __init__(self, part: Slice, scan_ms: int = SCAN_MS, decided_by: Plant | None = None) -> None:
        self.part = part
        self.rules: Rules = rules_of(part.plant if decided_by is None else decided_by)
        every_age = bool(part.asks & {"controller", "commissioning"})  # where an output is latched without a start
        self.oracle: Judge = (
            TagOracle(part.plant) if part.kind == "tag" else Oracle(part.plant, every_age=every_age, bounds=part.bounds)
        )
        self._canon = Canon(self.rules, every_age=every_age)
        self._scan_ms = scan_ms
        self._still = self._canon.still
        roles = {role for rule in part.plant.releases for role in rule.roles}
        commissioning = part.plant.commissioning
        self._releasing = min(roles, default="NOBODY")
        self._commissioning = min(commissioning.roles, default="NOBODY") if commissioning is not None else ""
        vectors = part.vectors
        self._differing = [
            [tuple(at for at, (a, b) in enumerate(zip(one, other, strict=True)) if a != b) for other in vectors]
            for one in vectors
        ]
        self._restarts = _STARTS if "controller" in part.asks else _RESTARTS[part.kind]
        self._plains: dict[tuple[tuple[bool, ...], int], int] = {}
        self._one_at_a_time = self._leads_to_all()
        self._changes = tuple(self._all_changes())

    def first(self) -> Node:
        """A first start: observing, everything latched."""
        state, _ = first_state(self.rules, NOW)
        nothing = tuple(0 for _ in self.part.plant.outputs)
        around = Surroundings(0, (SOUND,) * len(self.part.moving), nothing, nothing, read_before=False)
        return self._node(state, around, self.oracle.first(NOW_MS))

    def _node(self, state: ScanState, around: Surroundings, history: Any) -> Node:
        now_ms = state.tick.monotonic_ms
        form, ahead = self._canon.of(state)
        judged, owed = self.oracle.of(history, now_ms)
        ahead += owed
        next_ms = min((one for one in ahead if one is not None and one > now_ms), default=None)
        ahead_ms = None if next_ms is None else -(-(next_ms - now_ms) // self._scan_ms) * self._scan_ms
        return Node(state, around, history, ahead_ms, (around, form, judged, ranked(ahead, now_ms, self._scan_ms)))

    def opening(self) -> list[Move]:
        """From the first start to delivery, as people do it."""
        found = [Move("scan"), Move("scan", "ask", "", "commission"), *[Move("due")] * 4]
        for rule in sorted(self.part.plant.releases, key=lambda one: len(one.after_outputs)):
            if "steps" in self.part.asks and rule.grab and not rule.flush_tag:
                found.append(Move("scan", "ask", "", "good sample"))
            found.append(Move("scan", "ask", rule.output, "release"))
        return [*found, Move("scan")]

    # --- what can happen ---

    def moves(self, node: Node) -> Iterator[Move]:
        """Everything that can happen next; what people ask takes effect at once, so that one instant will do."""
        first, *others = self._waits(node)
        yield Move(first)
        for change in self._changes:
            if self._makes_a_difference(node, change):
                yield change._replace(wait=first)
                if change.what != "ask":
                    yield from (change._replace(wait=wait) for wait in others)
        for how in self._restarts:
            yield Move("scan", "restart", "", how)

    def _waits(self, node: Node) -> tuple[str, ...]:
        ahead_ms = node.ahead_ms
        if ahead_ms is None or ahead_ms <= self._scan_ms:
            return ("scan",)
        if self.part.kind == "pair":
            return ("due",)
        return ("due", "before") if ahead_ms > 2 * self._scan_ms else ("due", "scan")

    def at_rest(self, node: Node) -> bool:
        """Whether all readings are good and nothing can fall due as long as nothing changes."""
        around = node.around
        return around.water == 0 and not any(around.instruments) and node.ahead_ms is None

    def _all_changes(self) -> Iterator[Move]:
        for vector in range(len(self.part.vectors)):
            yield Move("", "water", str(vector))
            yield from (Move("", "water", str(vector), tag) for tag in self.part.moving)
        for tag, reasons in zip(self.part.moving, self.part.reasons, strict=True):
            silent = () if self._always_speaks(tag) else ("silent",)
            ways = (*silent, *(reason.value for reason in reasons if self.part.kind != "pair"))
            yield from (Move("", "instrument", tag, how) for how in ways if tag in self.part.silenced)
        for name in self.part.focus:
            if name in self.rules.interlocks and "bypass" in self.part.asks:
                ways = ("bypass", "bypass too long", "end bypass", "reset")
                yield from (Move("", "ask", name, how) for how in (ways if self.part.kind != "pair" else ways[:1]))
        for name in self.part.plant.holds.subjects:
            yield from (Move("", "ask", name, how) for how in ("hold", "end hold"))
        for rule in self.part.plant.releases:
            yield from (Move("", "ask", rule.output, how) for how in self._ways_to_ask())
        yield from self._more_to_ask()

    def _always_speaks(self, tag: str) -> bool:
        """Silence is no more than the reading before it where nothing goes stale, or tried in a slice of its own."""
        if self.part.kind == "cause" and len(self.part.moving) > 1:
            return True
        return self.part.kind in {"latch", "output"} and self.rules.tags[tag].stale_after_ms is None

    def _ways_to_ask(self) -> tuple[str, ...]:
        if "steps" not in self.part.asks:
            return ("release",)
        return ("release", "first step", "second step", "stranger's second step", "wrong role", "from afar")

    def _more_to_ask(self) -> Iterator[Move]:
        if "controller" in self.part.asks:
            for output in self.part.plant.outputs:
                yield Move("", "controller", output.id, "foreign")
                yield Move("", "controller", output.id, "safe")
            yield Move("", "controller", "", "forgets")
        if "steps" in self.part.asks and any(rule.grab for rule in self.part.plant.releases):
            yield Move("", "ask", "", "good sample")
            yield Move("", "ask", "", "bad sample")
        if "commissioning" in self.part.asks:
            yield Move("", "ask", "", "commission")
            yield Move("", "ask", "", "observe")

    def _makes_a_difference(self, node: Node, change: Move) -> bool:  # noqa: PLR0911 - one line a kind
        if change.what == "water":
            return self._near(node, int(change.about), change.how)
        if change.what == "instrument":
            place = self.part.moving.index(change.about)
            if place in self._same(node):
                return False
            return self._instrument(place, change.how) != node.around.instruments[place]
        if change.how == "end bypass":
            return node.state.interlocks[change.about].bypassed_until_ms is not None
        if change.how == "end hold":
            return change.about in node.state.holds
        if change.how == "release" and "steps" not in self.part.asks:
            return bool(node.state.outputs[change.about].latches)
        return True

    def _near(self, node: Node, vector: int, tag: str) -> bool:
        """One tag reads something else, of tags that are alike the first; all where that does not lead to all."""
        around = node.around
        sound = self._sound(around.instruments)
        if not tag:
            return not self._one_at_a_time and all(sound) and len(self._differing[around.water][vector]) > 1
        place = self.part.moving.index(tag)
        others = (*sound[:place], False, *sound[place + 1 :])
        if self._plain(others, vector) != self._plain(others, around.water) or place in self._same(node):
            return False
        with_it = (*sound[:place], True, *sound[place + 1 :])
        return self._plain(with_it, vector) == vector and (not sound[place] or vector != around.water)

    def _sound(self, instruments: tuple[int, ...]) -> tuple[bool, ...]:
        return tuple([one == SOUND for one in instruments])

    def _plain(self, sound: tuple[bool, ...], vector: int) -> int:
        """The first vector that reads the same where something is read."""
        found = self._plains.get((sound, vector))
        if found is None:
            differs = self._differing[vector]
            found = next(at for at in range(len(differs)) if not any(sound[place] for place in differs[at]))
            self._plains[sound, vector] = found
        return found

    def _leads_to_all(self) -> bool:
        """Whether changes of one reading at a time lead from rest to every vector."""
        reached, ahead = {0}, [0]
        while ahead:
            row = self._differing[ahead.pop()]
            new = [at for at, differs in enumerate(row) if len(differs) == 1 and at not in reached]
            reached.update(new)
            ahead += new
        return len(reached) == len(self.part.vectors)

    def _same(self, node: Node) -> frozenset[int]:
        """Moving tags that stand exactly as one before them which is alike but for its name: one stands for both."""
        if len(set(self.part.alike)) == len(self.part.alike):
            return frozenset()
        known: set[object] = set()
        found: set[int] = set()
        for place, tag in enumerate(self.part.moving):
            stands = (self.part.alike[place], *self._stands(node, place, tag))
            if stands in known:
                found.add(place)
            known.add(stands)
        return frozenset(found)

    def _stands(self, node: Node, place: int, tag: str) -> tuple[object, ...]:
        """All that is remembered of one tag, by the decisions and by the judge."""
        votes = tuple(
            (one.votes[at], one.memories[at])
            for rule in self.part.plant.interlocks
            for cause, one in zip(rule.causes, node.state.interlocks[rule.id].causes, strict=True)
            for at, condition in enumerate(cause.inputs)
            if tag in tags_of(condition)
        )
        sound = node.around.instruments[place] == SOUND
        reads = self.part.vectors[node.around.water][place] if sound else None
        remembered = self.oracle.remembers(node.history, tag)
        return node.state.tags[tag], votes, reads, node.around.instruments[place], remembered

    def _instrument(self, place: int, how: str) -> int:
        if how == "silent":
            return SILENT
        return BAD + [one.value for one in self.part.reasons[place]].index(how)

    # --- what comes of it ---

    def step(self, node: Node, move: Move) -> Step:
        """Make a move and judge what the decisions did."""
        if move.what == "restart":
            return self._restarted(node, move.how)
        waited_ms = self._scan_ms
        if move.wait in ("due", "before"):
            ahead_ms = node.ahead_ms or self._scan_ms
            waited_ms = max(self._scan_ms, ahead_ms if move.wait == "due" else ahead_ms - self._scan_ms)
        around = self._changed(node.around, move)
        tick = _later(node.state.tick, waited_ms)
        arrivals = [*self._samples(node, around, tick), self._read(around), *self._requests(node, move)]
        state, outcome = scan(self.rules, node.state, Moment(tick=tick, arrivals=arrivals))
        seen = Happened(tick.monotonic_ms, waited_ms, arrivals, outcome, state)
        history, wrong = self.oracle.judge(node.history, seen)
        around = self._written(around, outcome)
        after = self._node(state, around, history)
        return Step(after, tuple(dict.fromkeys(wrong)), waited_ms, outcome)

    def _changed(self, around: Surroundings, move: Move) -> Surroundings:
        instruments = around.instruments
        if move.what == "water" and move.how:
            instruments = self._with(instruments, move.how, SOUND)
            return around._replace(
                water=self._plain(self._sound(instruments), int(move.about)), instruments=instruments
            )
        if move.what == "water":
            return around._replace(water=int(move.about))
        if move.what == "instrument":
            how = self._instrument(self.part.moving.index(move.about), move.how)
            instruments = self._with(instruments, move.about, how)
            return around._replace(water=self._plain(self._sound(instruments), around.water), instruments=instruments)
        if move.what == "controller":
            return self._by_the_controller(around, move)
        return around

    def _with(self, instruments: tuple[int, ...], tag: str, how: int) -> tuple[int, ...]:
        place = self.part.moving.index(tag)
        return (*instruments[:place], how, *instruments[place + 1 :])

    def _by_the_controller(self, around: Surroundings, move: Move) -> Surroundings:
        holds = []
        for rule, code in zip(self.part.plant.outputs, around.holds, strict=True):
            if move.how == "forgets":
                holds.append(OTHER_CODE)
            elif rule.id != move.about:
                holds.append(code)
            else:
                holds.append(FOREIGN_CODE if move.how == "foreign" else rule.codes[rule.safe_level])
        return around._replace(holds=tuple(holds))

    def _samples(self, node: Node, around: Surroundings, tick: Tick) -> list[Sample]:
        readings: dict[str, Reading] = dict(self.part.resting)
        vector = self.part.vectors[around.water]
        for place, (tag, number) in enumerate(zip(self.part.moving, vector, strict=True)):
            how = around.instruments[place]
            readings[tag] = number if how == SOUND else NoNumber(self._reason(place, how))
            if how == SILENT:
                del readings[tag]
        for tag in self._still & readings.keys():
            one = readings[tag]
            if isinstance(one, Number):  # it moves unless it is said to stand still
                still = one.quality is Quality.UNCERTAIN
                readings[tag] = Number(self._last(node, tag) if still else float(tick.monotonic_ms))
        return [
            Sample(tag=rule.tag, reading=readings[rule.tag], arrived=tick, source_utc_ms=tick.utc_ms)
            for rule in self.part.plant.tags
            if rule.tag in readings
        ]

    def _last(self, node: Node, tag: str) -> float:
        """The value from which a tag has not moved."""
        for rule in self.rules.plant.interlocks:
            for cause, state in zip(rule.causes, node.state.interlocks[rule.id].causes, strict=True):
                for one, memory in zip(cause.inputs, state.memories, strict=True):
                    if isinstance(one, NoChange) and one.tag == tag and memory.value is not None:
                        return memory.value
        return 0.0

    def _reason(self, place: int, how: int) -> Reason:
        return self.part.reasons[place][how - BAD] if how >= BAD else Reason.NO_ANSWER

    def _read(self, around: Surroundings) -> Readback:
        outputs = self.part.plant.outputs
        forgot = bool(outputs) and all(code == OTHER_CODE for code in around.holds)
        codes = {rule.id: 0 if forgot else code for rule, code in zip(outputs, around.holds, strict=True)}
        written = (
            {rule.id: code for rule, code in zip(outputs, around.wrote, strict=True)} if around.read_before else {}
        )
        return Readback(codes=codes, written=written, blank=forgot)

    def _written(self, around: Surroundings, outcome: Outcome) -> Surroundings:
        if not outcome.writes:
            return around._replace(read_before=True)
        holds = tuple(rule.codes[outcome.levels[rule.id]] for rule in self.part.plant.outputs)
        return around._replace(holds=holds, wrote=holds, read_before=True)

    def _requests(self, node: Node, move: Move) -> Sequence[Arrival]:  # noqa: PLR0911 - one line a kind
        if move.what != "ask":
            return []
        who = _asker(self._releasing)
        if move.how in ("bypass", "bypass too long"):
            rule = self.rules.interlocks[move.about]
            who = replace(who, role=min(rule.bypass_roles, default=self._releasing))
            duration_ms = self._bypass_ms(rule, move.how)
            return [replace(who, id="b", action=Action.BYPASS, subject=move.about, duration_ms=duration_ms)]
        if move.how in ("hold", "end hold"):
            holds = self.part.plant.holds
            who = replace(who, role=min(holds.roles, default="NOBODY"))
            if move.how == "end hold":
                return [replace(who, id="u", action=Action.END_HOLD, subject=move.about)]
            return [replace(who, id="h", action=Action.HOLD, subject=move.about, duration_ms=self._scan_ms)]
        if move.how == "end bypass":
            return [replace(who, id="e", action=Action.END_BYPASS, subject=move.about)]
        if move.how == "reset":
            return [replace(who, id="r", action=Action.RESET, subject=move.about)]
        if move.how in ("commission", "observe"):
            action = Action.COMMISSION if move.how == "commission" else Action.DECOMMISSION
            who = _asker(self._commissioning)
            return [replace(who, id="c", action=action)]
        if move.how in ("good sample", "bad sample"):
            return [self._sample_by_hand(good=move.how == "good sample")]
        return self._release(node, move)

    def _bypass_ms(self, rule: InterlockRule, how: str) -> int:
        """As long as it may be, or longer."""
        return rule.bypass_max_ms + (self._scan_ms if how == "bypass too long" else 0)

    def _release(self, node: Node, move: Move) -> Sequence[Arrival]:
        number = node.state.offers_made + 1
        standing = 0 if node.state.offer is None else node.state.offer.number
        who = _asker(self._releasing)
        origin = Origin.LOCAL
        steps = [0, number]
        match move.how:
            case "first step":
                steps = [0]
            case "second step":
                steps = [standing or number]
            case "stranger's second step":
                steps, who = [standing or number], replace(who, person=_STRANGER)
            case "wrong role":
                who = replace(who, role=_STRANGER)
            case "from afar":
                origin = Origin.REMOTE
        rule = self.rules.releases[move.about]
        sampling = rule.grab and not rule.flush_tag and "steps" not in self.part.asks
        sampled = [self._sample_by_hand(good=True)] if sampling else []
        return sampled + [
            replace(who, id=f"l{place}", action=Action.RELEASE, subject=move.about, confirm=one, origin=origin)
            for place, one in enumerate(steps)
        ]

    def _sample_by_hand(self, *, good: bool) -> Request:
        asked = [one for rule in self.part.plant.releases for one in rule.grab]
        measured = {}
        for one in asked:
            at_least, at_most = one.at_least or 0.0, one.at_most
            within = at_least if at_most is None else at_most
            beyond = within + 1.0 if at_most is not None else max(0.0, at_least - 0.1)
            measured[one.name] = within if good else beyond
        return Request(id="g", action=Action.GRAB_SAMPLE, person=self._releasing, measured=measured)

    def _restarted(self, node: Node, how: str) -> Step:
        longest_ms = max([rule.return_within_ms for rule in self.part.plant.outputs if rule.permit], default=60_000)
        away_ms = longest_ms + self._scan_ms if how == "late" else self._scan_ms
        now = _later(node.state.tick, away_ms)
        if how == "record lost":
            state, _ = first_state(self.rules, now)
            history = self.oracle.first(now.monotonic_ms)
        else:
            same_boot = how != "other boot"
            state, _ = resume(self.rules, node.state, now, same_boot=same_boot)
            saved_ms = node.state.tick.monotonic_ms
            history = self.oracle.restarted(
                node.history, saved_ms=saved_ms, now_ms=now.monotonic_ms, same_boot=same_boot
            )
        after = self._node(state, node.around._replace(read_before=False), history)
        if "controller" in self.part.asks:  # there the controller may hold anything at the first read
            return Step(after, (), away_ms, None)
        scanned = self.step(after, Move("scan"))
        return scanned._replace(waited_ms=away_ms + scanned.waited_ms)
