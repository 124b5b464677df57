"""What must hold after every scan, said a second time from the configuration alone.

Sees what the plant said, what was asked and granted, and what the outputs were told; keeps a history of its own in
which every delay, vote, latch and bypass is followed from its definition. None of the core's functions that decide is
called. It says one thing only: that an output stands away from its safe level although it must not, or that a person
was granted what nobody may have. That something trips too early is not its business.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from gateway.core.condition import BadQuality, Condition, NoChange, Unproven, tags_of
from gateway.core.interlock import InterlockRule
from gateway.core.outcome import Outcome
from gateway.core.output import OutputRule, Readback
from gateway.core.permissive import ReleaseRule
from gateway.core.plant import Plant
from gateway.core.quality import Quality, Reason
from gateway.core.request import Action, Origin, Request
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.scan import Arrival
from gateway.core.state import ScanState
from gateway.core.validity import Held, TagRule
from gateway.core.voting import BadVote, Cause
from gateway.prove.readings import leaves
from gateway.prove.telling import Nothing, Told, Worth, told, worth_of

_NOBODY_WATCHES = "nobody watches it"


class Heard(NamedTuple):
    """What one tag said last: when (the start before the first), and whether since the start."""

    reading: Reading | None
    at_ms: int
    delivered: bool = False
    held_since_ms: int | None = None


class Latch(NamedTuple):
    """What holds an output until a person gives it back."""

    name: str
    since_ms: int


class History(NamedTuple):
    """All that is remembered, in the order of the plant's rules. Times are monotonic."""

    heard: tuple[Heard, ...]
    votes: tuple[bool, ...]  # of every input: the last vote that was certain
    moved: tuple[
        tuple[float | None, int | None], ...
    ]  # of every input that asks for stillness: last value and movement
    good: tuple[int | None, ...]  # of every cause: since when good inputs alone vote
    total: tuple[int | None, ...]  # with bad ones
    blind: tuple[int | None, ...]  # of every point of a cause: since when it hides whether the cause stands
    gone: tuple[int | None, ...]  # of every interlock: since when no cause stands, with data
    served: tuple[int, ...]  # time gone before a restart
    bypassed: tuple[int | None, ...]  # ends
    tripped: tuple[bool, ...]
    latches: tuple[tuple[Latch, ...], ...]  # of every output
    proving: tuple[bool, ...]
    unread: tuple[bool, ...]  # the controller has not been read since the start
    sound: tuple[int | None, ...]  # since when every critical input is good and no cause stands
    away: tuple[bool, ...]  # stood away from safe after the last scan
    flushed: tuple[float, ...]
    offer: tuple[str, str, int] | None
    grab: tuple[int, tuple[tuple[str, float], ...]] | None
    commissioned: bool
    holds: tuple["Hold", ...] = ()  # of instruments, by people


class Hold(NamedTuple):
    """An instrument that a person holds, or has held until just now."""

    subject: str
    until_ms: int
    ended_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Happened:
    """One scan as it is seen from outside."""

    now_ms: int
    elapsed_ms: int
    arrivals: Sequence[Arrival]
    outcome: Outcome
    after: ScanState


class Oracle:
    """Judges a plant's scans.

    Args:
        plant: the rules that take part.
        judged: take quality as the decisions judged it; only where it is shown elsewhere that they judge it well.
        every_age: remember how long all has been sound at every time, not only while something asks for it.
        bounds: judge how long a lost input is ignored; not where what watches it takes no part.
    """

    def __init__(self, plant: Plant, *, every_age: bool = True, judged: bool = False, bounds: bool = True) -> None:
        self._plant = plant
        self._calculations = {rule.about.tag: rule for rule in plant.calculated}
        self._place = {rule.tag: place for place, rule in enumerate(plant.tags)}
        self._interlocks = plant.interlocks
        self._outputs = plant.outputs
        self._output_place = {rule.id: place for place, rule in enumerate(plant.outputs)}
        self._interlock_place = {rule.id: place for place, rule in enumerate(plant.interlocks)}
        self._releases = {rule.output: rule for rule in plant.releases}
        self._causes = [(place, cause) for place, rule in enumerate(plant.interlocks) for cause in rule.causes]
        self._inputs = [(place, one) for place, (_, cause) in enumerate(self._causes) for one in cause.inputs]
        self._of_cause = [
            [place for place, (owner, _) in enumerate(self._inputs) if owner == cause]
            for cause in range(len(self._causes))
        ]
        self._blind_ms = [self._bound_ms(place, cause) for place, cause in self._causes]
        self._blind = [(place, point) for place, (_, cause) in enumerate(self._causes) for point in self._points(cause)]
        self._acting = [
            [
                place
                for place, rule in enumerate(plant.interlocks)
                if not rule.shadow and any(effect.output == one.id for effect in rule.effects)
            ]
            for one in plant.outputs
        ]
        self._critical = [self._critical_of(acting) for acting in self._acting]
        self._stopping = self._stopped_by()
        self._every_age = every_age
        self._still = frozenset(one.tag for _, one in self._inputs if isinstance(one, NoChange))
        clears_ms = {one.clear_ms for one in plant.releases}
        self._clears = {
            rule.id: sorted(clears_ms | {rule.reset_hold_ms}) if rule.latched else [rule.restore_delay_ms]
            for rule in plant.interlocks
        }
        self._ages = [
            sorted({rule.return_after_ms, *(one.clear_ms for one in plant.releases if one.output == rule.id)})
            for rule in plant.outputs
        ]
        self._judged = judged
        self._bounds = bounds

    # --- from the configuration ---

    def _critical_of(self, acting: Iterable[int]) -> list[str]:
        named = [
            tag
            for place in acting
            for cause in self._interlocks[place].causes
            for c in cause.inputs
            for tag in tags_of(c)
        ]
        return list(dict.fromkeys([*named, *(leaf for tag in named for leaf in leaves(tag, self._calculations))]))

    def _stopped_by(self) -> frozenset[str]:
        """Tags at which an interlock looks that does more than withdraw a permission."""
        permits = {rule.id for rule in self._outputs if rule.permit}
        named = {
            tag
            for rule in self._interlocks
            if any(effect.output not in permits for effect in rule.effects)
            for cause in rule.causes
            for one in cause.inputs
            for tag in tags_of(one)
        }
        return frozenset({*named, *(leaf for tag in named for leaf in leaves(tag, self._calculations))})

    def _bound_ms(self, interlock: int, cause: Cause) -> tuple[int, frozenset[str]]:
        """How long a lost input may hide a cause, and who has to see that it is lost."""
        if cause.bad is not BadVote.ELSEWHERE:
            own_ms = cause.trip_delay_ms if cause.bad_trip_delay_ms is None else cause.bad_trip_delay_ms
            return own_ms, frozenset()
        rule = self._interlocks[interlock]
        lost = {
            leaf for one in cause.inputs for tag in tags_of(one) for leaf in (tag, *leaves(tag, self._calculations))
        }
        outputs = {effect.output for effect in rule.effects}
        delays: dict[str, int] = {}
        for other in self._interlocks:
            if other.id == rule.id or not outputs & {effect.output for effect in other.effects}:
                continue
            for its in other.causes:
                if any(isinstance(one, BadQuality) and one.tag in lost for one in its.inputs):
                    delays[other.id] = max(delays.get(other.id, 0), its.trip_delay_ms)
        if not delays:
            return cause.trip_delay_ms, frozenset([_NOBODY_WATCHES])
        return max(delays.values()), frozenset(delays)

    def _points(self, cause: Cause) -> tuple[str, ...]:
        """What may hide a cause by having no value: each by itself where others watch, each with a bound of its own."""
        if cause.bad is not BadVote.ELSEWHERE:
            return ("",)
        found: dict[str, None] = {}
        ahead = [tag for one in cause.inputs for tag in tags_of(one)]
        while ahead:
            tag = ahead.pop(0)
            found[tag] = None
            ahead += self._calculations[tag].inputs if tag in self._calculations else ()
        return tuple(found)

    # --- begin, and begin again ---

    def first(self, now_ms: int) -> History:
        """Nothing is known: permissions are latched."""
        started = tuple((Latch("start", now_ms),) if rule.permit else () for rule in self._outputs)
        causes, interlocks, outputs = len(self._causes), len(self._interlocks), len(self._outputs)
        return History(
            heard=tuple(Heard(None, now_ms) for _ in self._plant.tags),
            votes=(False,) * len(self._inputs),
            moved=((None, None),) * len(self._inputs),
            good=(None,) * causes,
            total=(None,) * causes,
            blind=(None,) * len(self._blind),
            gone=(None,) * interlocks,
            served=(0,) * interlocks,
            bypassed=(None,) * interlocks,
            tripped=(False,) * interlocks,
            latches=started,
            proving=(False,) * outputs,
            unread=(True,) * outputs,
            sound=(None,) * outputs,
            away=tuple(not rule.permit for rule in self._outputs),
            flushed=(0.0,) * outputs,
            offer=None,
            grab=None,
            commissioned=False,
        )

    def restarted(self, before: History, *, saved_ms: int, now_ms: int, same_boot: bool) -> History:
        """What must be left of it after a restart with the record whole: trips and latches, no bypass, no offer."""
        latches, proving = [], []
        for place, rule in enumerate(self._outputs):
            held = list(before.latches[place])
            away = before.away[place] and not held and not before.proving[place]
            within = same_boot and now_ms - saved_ms < rule.return_within_ms
            proves = rule.permit and away and within and before.commissioned
            if rule.permit and not proves and not held:
                held.append(Latch("start", now_ms))
            latches.append(held)
            proving.append(proves)
        tripped = list(before.tripped)
        served = [
            served + (0 if since is None else saved_ms - since)
            for served, since in zip(before.served, before.gone, strict=True)
        ]
        for place, one in enumerate(self._interlocks):
            if one.hold_after_restart and one.latched and not tripped[place]:
                tripped[place], served[place] = True, 0
                self._latch(latches, one, now_ms)
        return before._replace(
            heard=tuple(one._replace(at_ms=one.at_ms + now_ms - saved_ms, delivered=False) for one in before.heard),
            # without a latch the time to return runs on by the wall clock; with one it is time with data
            gone=tuple(
                None if rule.latched else since for rule, since in zip(self._interlocks, before.gone, strict=True)
            ),
            served=tuple(
                one if rule.latched else before_
                for rule, one, before_ in zip(self._interlocks, served, before.served, strict=True)
            ),
            blind=tuple(None for _ in before.blind),
            bypassed=(None,) * len(self._interlocks),
            holds=tuple(one if one.ended_ms is None else one._replace(ended_ms=now_ms) for one in before.holds),
            tripped=tuple(tripped),
            latches=tuple(tuple(one) for one in latches),
            proving=tuple(proving),
            unread=(True,) * len(self._outputs),
            sound=(None,) * len(self._outputs),
            away=tuple(one and not rule.permit for one, rule in zip(before.away, self._outputs, strict=True)),
            offer=None,
        )

    def _latch(self, latches: list[list[Latch]], rule: InterlockRule, now_ms: int) -> None:
        for effect in rule.effects:
            held = latches[self._output_place[effect.output]]
            if rule.id not in [one.name for one in held]:
                held.append(Latch(rule.id, now_ms))

    # --- one scan ---

    def judge(self, before: History, seen: Happened) -> tuple[History, list[str]]:
        """The history with one scan more, and everything in it that must not be."""
        wrong: list[str] = []
        after = self._taken(before, seen, wrong)
        worths = self._as_judged(seen) if self._judged else self._worths(after, seen.now_ms)
        after, says = self._asked(before, after, worths, seen)
        after = self._counted(after, says, worths, seen.now_ms)
        after = self._tripping(after, says, seen.now_ms)
        after = self._soundness(after, worths, seen)
        after = self._levels(after, worths, seen, wrong)
        if self._bounds:
            wrong += self._unseen(after, seen)
        wrong += self._bypasses(after, seen)
        return after, wrong

    # what arrived

    def _taken(self, before: History, seen: Happened, wrong: list[str]) -> History:
        settle_ms = self._plant.holds.settle_ms
        after = before._replace(
            holds=tuple(one for one in before.holds if one.ended_ms is None or seen.now_ms - one.ended_ms < settle_ms),
            bypassed=tuple(None if end is not None and seen.now_ms >= end else end for end in before.bypassed),
        )
        answers = {one.request: one for one in seen.outcome.answers}
        for arrival in seen.arrivals:
            match arrival:
                case Sample():
                    after = self._sample(after, arrival, seen.now_ms)
                case Readback():
                    after = self._readback(after, arrival, seen.now_ms)
                case Request():
                    # a request is judged before the bypasses that end in this very scan
                    answer = answers.get(arrival.id)
                    if answer is not None and answer.granted:
                        after = self._granted(after, before, arrival, seen, wrong)
        return after

    def _sample(self, history: History, sample: Sample, now_ms: int) -> History:
        place = self._place.get(sample.tag)
        if place is None:
            return history
        heard = list(history.heard)
        rule = self._plant.tags[place]
        if rule.hold_when is not None and self._reads_one(history, rule.hold_when.tag, now_ms):
            since_ms = heard[place].held_since_ms
            heard[place] = heard[place]._replace(held_since_ms=now_ms if since_ms is None else since_ms)
        else:
            heard[place] = Heard(sample.reading, sample.arrived.monotonic_ms, delivered=True)
        return history._replace(heard=tuple(heard))

    def _reads_one(self, history: History, tag: str, now_ms: int) -> bool:
        worth = self._worth(history, self._place[tag], now_ms) if tag in self._place else Nothing.AWAITED
        return isinstance(worth, Number) and worth.value == 1.0

    def _readback(self, history: History, readback: Readback, now_ms: int) -> History:
        if not history.commissioned:
            return history._replace(unread=(False,) * len(self._outputs))
        latches = [list(one) for one in history.latches]
        proving, unread = list(history.proving), list(history.unread)
        restarted = readback.blank and any(readback.written.values())
        for place, rule in enumerate(self._outputs):
            if rule.id not in readback.codes:
                continue
            code = readback.codes[rule.id]
            if unread[place]:
                unread[place] = False
                if rule.permit and proving[place] and code != rule.codes[rule.normal_level]:
                    proving[place] = False
                    latches[place].append(Latch("start", now_ms))
                # what stood safe by the decisions' own doing before the start is no trip that only the controller knows
                unknown = history.away[place] and not latches[place]
                if not rule.permit and code == rule.codes[rule.safe_level] and unknown:
                    latches[place].append(Latch("lost record", now_ms))
            elif rule.permit and not restarted and code != readback.written.get(rule.id, code):
                if "foreign write" not in [one.name for one in latches[place]]:
                    latches[place].append(Latch("foreign write", now_ms))
                proving[place] = False
        return history._replace(
            latches=tuple(tuple(one) for one in latches), proving=tuple(proving), unread=tuple(unread)
        )

    # what was granted

    def _granted(  # noqa: C901, PLR0911 - one line a kind of request
        self, after: History, before: History, request: Request, seen: Happened, wrong: list[str]
    ) -> History:
        match request.action:
            case Action.BYPASS:
                return self._bypass(after, request, seen.now_ms, wrong)
            case Action.END_BYPASS:
                return self._set_bypass(after, request.subject, None)
            case Action.RELEASE if request.confirm == 0:
                return after._replace(offer=(request.subject, request.person, seen.now_ms + self._plant.offer_ms))
            case Action.RELEASE:
                return self._release(after, before, request, seen, wrong)
            case Action.RESET if request.subject in self._interlock_place:
                return self._reset(after, before, request, seen, wrong)
            case Action.HOLD:
                return self._hold(after, request, seen.now_ms, wrong)
            case Action.END_HOLD:
                return self._end_hold(after, request, seen.now_ms)
            case Action.GRAB_SAMPLE:
                return after._replace(grab=(seen.now_ms, tuple(sorted(request.measured.items()))))
            case Action.COMMISSION:
                return after._replace(commissioned=True, unread=(True,) * len(self._outputs))
            case Action.DECOMMISSION:
                return self._observing(after, seen.now_ms)
            case _:
                return after

    def _observing(self, history: History, now_ms: int) -> History:
        latches = [list(one) for one in history.latches]
        for place, rule in enumerate(self._outputs):
            if rule.permit and "commissioning" not in [one.name for one in latches[place]]:
                latches[place].append(Latch("commissioning", now_ms))
        return history._replace(
            commissioned=False,
            offer=None,
            latches=tuple(tuple(one) for one in latches),
            proving=(False,) * len(self._outputs),
        )

    def _hold(self, history: History, request: Request, now_ms: int, wrong: list[str]) -> History:
        rule = self._plant.holds
        if request.role not in rule.roles or not 0 < request.duration_ms <= rule.longest_ms:
            wrong.append(f"{request.subject} was held by somebody who may not, or for too long")
        others = tuple(one for one in history.holds if one.subject != request.subject)
        return history._replace(holds=(*others, Hold(request.subject, now_ms + request.duration_ms)))

    def _end_hold(self, history: History, request: Request, now_ms: int) -> History:
        return history._replace(
            holds=tuple(
                one._replace(ended_ms=now_ms) if one.subject == request.subject else one for one in history.holds
            )
        )

    def _bypass(self, history: History, request: Request, now_ms: int, wrong: list[str]) -> History:
        place = self._interlock_place[request.subject]
        rule = self._interlocks[place]
        if not rule.bypassable:
            wrong.append(f"{rule.id} was bypassed, which the site does not allow")
        if not 0 < request.duration_ms <= rule.bypass_max_ms:
            wrong.append(
                f"{rule.id} was bypassed for {request.duration_ms / 1000:g} s; at most {rule.bypass_max_ms / 1000:g} s"
            )
        if history.tripped[place]:
            wrong.append(f"{rule.id} was bypassed while it was tripped")
        if not request.person or not request.reason.strip():
            wrong.append(f"{rule.id} was bypassed without a person or a reason")
        if rule.bypass_roles and request.role not in rule.bypass_roles:
            wrong.append(f"{rule.id} was bypassed by the role {request.role}, which may not")
        if request.origin is not Origin.LOCAL and not rule.bypass_remote_allowed:
            wrong.append(f"{rule.id} was bypassed from afar")
        end_ms = now_ms + min(max(0, request.duration_ms), rule.bypass_max_ms)
        return self._set_bypass(history, rule.id, end_ms)

    def _set_bypass(self, history: History, name: str, end_ms: int | None) -> History:
        place = self._interlock_place[name]
        ends = [end_ms if one == place else end for one, end in enumerate(history.bypassed)]
        return history._replace(bypassed=tuple(ends))

    def _release(self, after: History, before: History, request: Request, seen: Happened, wrong: list[str]) -> History:
        place = self._output_place[request.subject]
        missing = self._missing(after, before, request, seen)
        wrong += [f"{request.subject} was released although {one}" for one in missing]
        let_go = {one.name for one in after.latches[place]}
        latches = [() if one == place else held for one, held in enumerate(after.latches)]
        still = {one.name for held in latches for one in held}
        tripped = [
            on and not (rule.id in let_go and rule.id not in still)
            for rule, on in zip(self._interlocks, after.tripped, strict=True)
        ]
        proving = [one != place and on for one, on in enumerate(after.proving)]
        return after._replace(latches=tuple(latches), tripped=tuple(tripped), proving=tuple(proving), offer=None)

    def _missing(self, after: History, before: History, request: Request, seen: Happened) -> list[str]:
        """Everything that a release asks for and that was not so."""
        rule = self._releases.get(request.subject)
        if rule is None:
            return ["the site declares no release of it"]
        found = [] if request.person and request.reason.strip() else ["nobody asked, or without a reason"]
        found += [] if request.role in rule.roles else [f"the role {request.role or 'nobody'} may not"]
        found += self._from_afar(rule, after, request)
        offer = after.offer
        if offer is None or offer[:2] != (request.subject, request.person) or seen.now_ms > offer[2]:
            found.append("there was no first step by the same person in time")
        found += [] if after.commissioned else ["the outputs are not commissioned"]
        found += self._not_gone(rule, after, before, seen.now_ms)
        worths = self._as_judged(seen) if self._judged else self._worths(after, seen.now_ms)
        found += [f"not so: {one.text}" for one in rule.requirements if not self._holds(one.condition, worths)]
        bypassed = [i.id for i, end in zip(self._interlocks, before.bypassed, strict=True) if end is not None]
        ended = [one for one in bypassed if after.bypassed[self._interlock_place[one]] is None]
        found += [f"{one} was bypassed" for one in bypassed if one not in ended]
        found += [
            f"{other} was to be released first"
            for other in rule.after_outputs
            if after.latches[self._output_place[other]]
        ]
        held = [tag for critical in self._critical for tag in critical if worths.get(tag) is Nothing.HELD]
        held += [one.subject for one in after.holds if one.ended_ms is None]
        if any(one.name not in self._interlock_place for one in after.latches[self._output_place[rule.output]]):
            found += self._not_sound(rule, before, seen.now_ms)
        found += [f"{one} was held" for one in held]
        return [*found, *self._no_proof_of_water(rule, after)]

    def _from_afar(self, rule: ReleaseRule, history: History, request: Request) -> list[str]:
        if request.origin is Origin.LOCAL:
            return []
        barred = [
            one
            for one in rule.local_only_after
            if one in self._interlock_place and history.tripped[self._interlock_place[one]]
        ]
        if not rule.remote_allowed or barred:
            return ["it is released on site only" + (f" after {', '.join(barred)}" if barred else "")]
        return []

    def _not_gone(self, rule: ReleaseRule, after: History, before: History, now_ms: int) -> list[str]:
        found = []
        for place, one in enumerate(self._interlocks):
            if not after.tripped[place] or not one.latched or one.id in rule.exempt:
                continue
            since_ms = before.gone[place]
            gone_ms = None if since_ms is None else now_ms - since_ms + before.served[place]
            if gone_ms is None or gone_ms < rule.clear_ms:
                lasted = "not gone" if gone_ms is None else f"gone for {gone_ms / 1000:g} s only"
                found.append(f"the cause of {one.id} was {lasted}")
        return found

    def _not_sound(self, rule: ReleaseRule, before: History, now_ms: int) -> list[str]:
        """After a start and the like no interlock tells that the water is good: everything has to be sound as long."""
        if _lasted(before.sound[self._output_place[rule.output]], rule.clear_ms, now_ms):
            return []
        return [f"not everything had been sound for {rule.clear_ms / 1000:g} s"]

    def _holds(self, condition: Condition, worths: Mapping[str, Worth]) -> bool:
        return told(condition, worths, self._calculations) in (Told.IN, Told.UNKNOWN)

    def _no_proof_of_water(self, rule: ReleaseRule, history: History) -> list[str]:
        place = self._output_place[rule.output]
        names = [one.name for one in history.latches[place]]
        flushed = bool(rule.flush_tag) and history.flushed[place] >= rule.flush_m3 - 1e-9
        if flushed or not (rule.flush_tag or rule.grab):
            return []
        on_its_way = [one for one in names if one in rule.no_sample_after]
        if rule.grab and not on_its_way and self._good_grab(rule, history, place):
            return []
        if rule.grab or rule.flush_tag:
            return [f"only {history.flushed[place]:.2f} m3 was flushed and no sample taken since shows good water"]
        return []

    def _good_grab(self, rule: ReleaseRule, history: History, place: int) -> bool:
        newest_ms = max((one.since_ms for one in history.latches[place]), default=0)
        if history.grab is None or history.grab[0] <= newest_ms:
            return False
        measured = dict(history.grab[1])
        return all(
            one.name in measured
            and (one.at_most is None or measured[one.name] <= one.at_most)
            and (one.at_least is None or measured[one.name] >= one.at_least)
            for one in rule.grab
        )

    def _reset(self, after: History, before: History, request: Request, seen: Happened, wrong: list[str]) -> History:
        place = self._interlock_place[request.subject]
        rule = self._interlocks[place]
        since_ms = before.gone[place]
        if any(effect.output in self._releases for effect in rule.effects):
            wrong.append(f"{rule.id} was reset by itself although it goes with its output")
        if since_ms is None or seen.now_ms - since_ms + before.served[place] < rule.reset_hold_ms:
            wrong.append(f"{rule.id} was reset although its cause was not gone for {rule.reset_hold_ms / 1000:g} s")
        tripped = [one != place and on for one, on in enumerate(after.tripped)]
        return after._replace(tripped=tuple(tripped))

    # what the plant says

    def _worths(self, history: History, now_ms: int) -> dict[str, Worth]:
        found = {rule.tag: self._worth(history, place, now_ms) for place, rule in enumerate(self._plant.tags)}
        for hold in history.holds:
            late = hold.ended_ms is None and now_ms - hold.until_ms >= self._plant.holds.grace_ms
            for tag in self._plant.holds.subjects.get(hold.subject, ()):
                if tag in found:
                    found[tag] = NoNumber(Reason.HOLD) if late or tag in self._stopping else Nothing.HELD
        return found

    def _as_judged(self, seen: Happened) -> dict[str, Worth]:
        found: dict[str, Worth] = {}
        for rule in self._plant.tags:
            verdict = seen.outcome.verdicts.get(rule.tag)
            if isinstance(verdict, Number | NoNumber):
                found[rule.tag] = verdict
            elif isinstance(verdict, Held):
                found[rule.tag] = Nothing.HELD
            elif isinstance(verdict, Text):
                found[rule.tag] = NoNumber(Reason.NOT_FINITE)
        return found

    def _worth(self, history: History, place: int, now_ms: int) -> Worth:
        rule, heard = self._plant.tags[place], history.heard[place]
        if rule.hold_when is not None and heard.held_since_ms is not None:
            over = now_ms - heard.held_since_ms >= rule.hold_when.limit_ms
            return NoNumber(Reason.HOLD) if over else Nothing.HELD
        if rule.stale_after_ms is not None and now_ms - heard.at_ms >= rule.stale_after_ms:
            return NoNumber(Reason.STALE)
        if not heard.delivered:
            return Nothing.AWAITED
        if not isinstance(heard.reading, Number):
            return heard.reading if isinstance(heard.reading, NoNumber) else NoNumber(Reason.NOT_FINITE)
        if heard.reading.quality is Quality.UNCERTAIN and not rule.uncertain_counts:
            return NoNumber(Reason.UNCERTAIN_REFUSED)
        return heard.reading

    def _asked(
        self, before: History, history: History, worths: Mapping[str, Worth], seen: Happened
    ) -> tuple[History, list[Told]]:
        moved = list(history.moved)
        says = []
        for place, (_, one) in enumerate(self._inputs):
            if isinstance(one, NoChange):
                moved[place], answer = self._stillness(one, moved[place], worths, seen.now_ms)
            elif isinstance(one, Unproven):
                answer = self._unproven(one, before, history, worths)
            else:
                answer = told(one, worths, self._calculations)
            says.append(answer)
        votes = tuple(
            answer is Told.IN or (vote and answer not in (Told.CLEAR, Told.UNKNOWN))
            for vote, answer in zip(history.votes, says, strict=True)
        )
        return history._replace(votes=votes, moved=tuple(moved)), says

    def _stillness(
        self, one: NoChange, moved: tuple[float | None, int | None], worths: Mapping[str, Worth], now_ms: int
    ) -> tuple[tuple[float | None, int | None], Told]:
        worth = worth_of(one.tag, worths, self._calculations)
        value, since_ms = moved[0], now_ms if moved[1] is None else moved[1]
        moved = value, since_ms
        if isinstance(worth, Nothing):
            return moved, Told.AWAITED if worth is Nothing.AWAITED else Told.HELD
        if isinstance(worth, Number) and (value is None or round(abs(worth.value - value), 9) > one.band):
            return (worth.value, now_ms), Told.CLEAR
        return moved, Told.IN if now_ms - since_ms >= one.after_ms else Told.CLEAR

    def _unproven(self, one: Unproven, before: History, history: History, worths: Mapping[str, Worth]) -> Told:
        place = self._output_place.get(one.output)
        if place is None:
            return Told.UNKNOWN
        worth = worth_of(one.tag, worths, self._calculations)
        proven = isinstance(worth, Number) and worth.value == one.expected
        commanded = not before.away[place] and self._outputs[place].permit and history.commissioned
        if not self._outputs[place].permit:
            commanded = bool(before.latches[place]) and history.commissioned
        return Told.IN if commanded and not proven else Told.CLEAR

    def _counted(self, history: History, says: Sequence[Told], worths: Mapping[str, Worth], now_ms: int) -> History:
        good, total, hides = [], [], []
        for place, (_, cause) in enumerate(self._causes):
            voted, answers = self._of(place, history, says)
            by_good, by_all, hidden = _votes(cause, voted, answers)
            good.append(_since(history.good[place], by_good, now_ms))
            total.append(_since(history.total[place], by_all, now_ms))
            hides.append(hidden)
        blind = tuple(
            _since(since_ms, hides[place] and self._lost(point, worths), now_ms)
            for (place, point), since_ms in zip(self._blind, history.blind, strict=True)
        )
        return history._replace(good=tuple(good), total=tuple(total), blind=blind)

    def _lost(self, point: str, worths: Mapping[str, Worth]) -> bool:
        """Whether it has no value, and not merely for want of another's."""
        worth = worth_of(point, worths, self._calculations) if point else NoNumber(Reason.STALE)
        return isinstance(worth, NoNumber) and worth.reason is not Reason.INPUT_BAD

    def _of(self, cause: int, history: History, says: Sequence[Told]) -> tuple[list[bool], list[Told]]:
        places = self._of_cause[cause]
        return [history.votes[one] for one in places], [says[one] for one in places]

    def _tripping(self, history: History, says: Sequence[Told], now_ms: int) -> History:
        tripped, gone, served = list(history.tripped), list(history.gone), list(history.served)
        latches = [list(one) for one in history.latches]
        for place, rule in enumerate(self._interlocks):
            causes = [one for one, (owner, _) in enumerate(self._causes) if owner == place]
            standing = any(history.total[one] is not None for one in causes)
            awaited = any(says[one] is Told.AWAITED for cause in causes for one in self._of_cause[cause])
            ripe = any(self._ripe(one, history, says, now_ms) for one in causes)
            bypassed = history.bypassed[place] is not None
            if ripe and not bypassed and not rule.shadow:
                tripped[place] = True
                if rule.latched:
                    self._latch(latches, rule, now_ms)
            if standing:
                gone[place], served[place] = None, 0
            elif not awaited and gone[place] is None:
                gone[place] = now_ms
            if not rule.latched and tripped[place] and not standing and not awaited:
                since_ms = gone[place]
                if since_ms is not None and now_ms - since_ms + served[place] >= rule.restore_delay_ms:
                    tripped[place] = False
            if not tripped[place]:
                gone[place], served[place] = None, 0  # asked for after a trip only
        flushed = [
            0.0 if len(new) > len(old) else amount
            for new, old, amount in zip(latches, history.latches, history.flushed, strict=True)
        ]
        return history._replace(
            tripped=tuple(tripped),
            gone=tuple(gone),
            served=tuple(served),
            flushed=tuple(flushed),
            latches=tuple(tuple(one) for one in latches),
        )

    def _ripe(self, place: int, history: History, says: Sequence[Told], now_ms: int) -> bool:
        """A cause has stood for its delay, by inputs that are there now."""
        cause = self._causes[place][1]
        voted, answers = self._of(place, history, says)
        live = [vote and answer is not Told.AWAITED for vote, answer in zip(voted, answers, strict=True)]
        by_good, by_all, _ = _votes(cause, live, answers)
        total_ms = cause.trip_delay_ms if cause.bad_trip_delay_ms is None else cause.bad_trip_delay_ms
        if by_all and _lasted(history.total[place], total_ms, now_ms):
            return True
        return (
            cause.bad_trip_delay_ms is not None
            and by_good
            and _lasted(history.good[place], cause.trip_delay_ms, now_ms)
        )

    # what follows for the outputs

    def _soundness(self, history: History, worths: Mapping[str, Worth], seen: Happened) -> History:
        sound, proving, flushed = [], list(history.proving), list(history.flushed)
        for place, rule in enumerate(self._outputs):
            numbers = all(
                isinstance(worth_of(tag, worths, self._calculations), Number) for tag in self._critical[place]
            )
            quiet = not any(
                history.total[cause] is not None or (history.tripped[owner] and not self._interlocks[owner].latched)
                for cause, (owner, _) in enumerate(self._causes)
                if owner in self._acting[place]
            )
            sound.append(_since(history.sound[place], numbers and quiet, seen.now_ms))
            if (
                proving[place]
                and not history.unread[place]
                and _lasted(sound[place], rule.return_after_ms, seen.now_ms)
            ):
                proving[place] = False
            release = self._releases.get(rule.id)
            if release is not None and release.flush_tag and history.latches[place]:
                worth = worth_of(release.flush_tag, worths, self._calculations)
                if isinstance(worth, Number):
                    flushed[place] += max(0.0, worth.value) * seen.elapsed_ms / 3_600_000
        return history._replace(sound=tuple(sound), proving=tuple(proving), flushed=tuple(flushed))

    def _levels(self, history: History, worths: Mapping[str, Worth], seen: Happened, wrong: list[str]) -> History:
        away = []
        for place, rule in enumerate(self._outputs):
            level = seen.outcome.levels[rule.id]
            stands_away = level in (rule.normal_level, rule.resume_level) and level != rule.safe_level
            away.append(stands_away)
            if stands_away and (history.commissioned or rule.permit):
                against = self._against(rule, place, history)
                if rule.permit:
                    against += [
                        f"{tag} is held"
                        for tag in self._critical[place]
                        if worth_of(tag, worths, self._calculations) is Nothing.HELD
                    ]
                wrong += [f"{rule.id} stands at {level} although {one}" for one in against]
        return history._replace(away=tuple(away))

    def _against(self, rule: OutputRule, place: int, history: History) -> list[str]:
        """Everything that must hold an output at its safe level."""
        found = [self._because(one.name) for one in history.latches[place]]
        found += [
            f"a cause of {self._interlocks[one].id} stands"
            for one in self._acting[place]
            if history.tripped[one] and not self._interlocks[one].latched
        ]
        if rule.permit and history.unread[place]:
            found.append("the controller has not been read since the start")
        if rule.permit and history.proving[place]:
            found.append("it still has to prove itself after the start")
        if rule.permit and not history.commissioned:
            found.append("the outputs are not commissioned")
        return found

    def _because(self, name: str) -> str:
        if name in self._interlock_place:
            return f"{name} has tripped and nobody has released it"
        return f"it is latched ({name}) and nobody has released it"

    def _unseen(self, history: History, seen: Happened) -> list[str]:
        """A lost input may hide a cause for no longer than its bound."""
        found = []
        for (place, point), since_ms in zip(self._blind, history.blind, strict=True):
            owner, cause = self._causes[place]
            bound_ms, watching = self._blind_ms[place]
            rule = self._interlocks[owner]
            if rule.shadow or not history.commissioned or not _lasted(since_ms, bound_ms, seen.now_ms):
                continue
            excused = [rule.id, *(one for one in watching if one != _NOBODY_WATCHES)]
            if any(history.bypassed[self._interlock_place[one]] is not None for one in excused):
                continue
            for effect in rule.effects:
                output = self._outputs[self._output_place[effect.output]]
                if seen.outcome.levels[output.id] == output.normal_level:
                    lost = point or ", ".join(dict.fromkeys(tag for one in cause.inputs for tag in tags_of(one)))
                    by = "" if watching - {_NOBODY_WATCHES} else f" and {_NOBODY_WATCHES}"
                    found.append(
                        f"{output.id} stands at {output.normal_level} although {lost} has had no usable value for "
                        f"{bound_ms / 1000:g} s, so that {rule.id} sees nothing{by}"
                    )
        return found

    def _bypasses(self, history: History, seen: Happened) -> list[str]:
        return [
            f"{rule.id} is bypassed although no bypass of it stands any more"
            for place, rule in enumerate(self._interlocks)
            if seen.after.interlocks[rule.id].bypassed_until_ms is not None and history.bypassed[place] is None
        ]

    def remembers(self, history: History, tag: str) -> object:
        """All that is remembered of one tag."""
        votes = tuple(
            (history.votes[place], history.moved[place])
            for place, (_, one) in enumerate(self._inputs)
            if tag in tags_of(one)
        )
        return history.heard[self._place[tag]], votes

    # --- time ---

    def of(self, history: History, now_ms: int) -> tuple[tuple[object, ...], list[int | None]]:
        """All of a history that is no time, and every instant at which something falls due; None: nothing runs."""
        ahead: list[int | None] = []
        heard = [
            self._heard_of(rule, one, now_ms, ahead) for rule, one in zip(self._plant.tags, history.heard, strict=True)
        ]
        for place, (_, cause) in enumerate(self._causes):
            ahead += [
                _plus(history.total[place], cause.trip_delay_ms),
                _plus(history.total[place], cause.bad_trip_delay_ms),
            ]
            if history.good[place] != history.total[place]:
                ahead.append(_plus(history.good[place], cause.trip_delay_ms))
        if self._bounds:
            ahead += [
                _plus(since_ms, self._blind_ms[place][0])
                for (place, _), since_ms in zip(self._blind, history.blind, strict=True)
            ]
        moved = []
        for (_, one), (value, since_ms) in zip(self._inputs, history.moved, strict=True):
            if isinstance(one, NoChange):
                ahead.append(_plus(since_ms if since_ms != now_ms else None, one.after_ms))
                moved.append((value is None, since_ms is None))
        for rule, since_ms, served_ms in zip(self._interlocks, history.gone, history.served, strict=True):
            ahead += [
                None if since_ms is None and not served_ms else (since_ms or now_ms) - served_ms + one
                for one in self._clears[rule.id]
            ]
        ahead += history.bypassed
        for place in range(len(self._outputs)):
            if self._asks_for_age(history, place):
                ahead += [_plus(history.sound[place], one) for one in self._ages[place]]
        for hold in history.holds:
            ahead.append(None if hold.ended_ms is not None else hold.until_ms + self._plant.holds.grace_ms)
            ahead.append(_plus(hold.ended_ms, self._plant.holds.settle_ms))
        ahead.append(None if history.offer is None else history.offer[2] + 1)
        return self._form_of(history, tuple(heard), tuple(moved)), ahead

    def _heard_of(self, rule: TagRule, heard: Heard, now_ms: int, ahead: list[int | None]) -> object:
        ahead.append(_plus(heard.at_ms if heard.at_ms < now_ms else None, rule.stale_after_ms))
        if rule.hold_when is not None:
            ahead.append(_plus(heard.held_since_ms, rule.hold_when.limit_ms))
        stale = rule.stale_after_ms is not None and now_ms - heard.at_ms >= rule.stale_after_ms
        reading: object = heard.reading
        if stale and rule.hold_when is None:
            reading = None
        elif rule.tag in self._still and isinstance(reading, Number):
            reading = "a number"
        return reading, heard.delivered, heard.held_since_ms is None, heard.at_ms < now_ms

    def _form_of(self, history: History, heard: tuple[object, ...], moved: tuple[object, ...]) -> tuple[object, ...]:
        latches = tuple(
            tuple(sorted((one.name, self._sampled_since(history, one)) for one in held)) for held in history.latches
        )
        sampled = any(since for held in latches for _, since in held)
        return (
            heard,
            moved,
            history.votes,
            tuple([good == total for good, total in zip(history.good, history.total, strict=True)]),
            tuple([one is None for one in history.gone]),
            history.tripped,
            latches,
            history.proving,
            history.unread,
            tuple([one is None for one in history.sound]),
            history.away,
            tuple(
                self._flushed_enough(rule, amount) for rule, amount in zip(self._outputs, history.flushed, strict=True)
            ),
            None if history.offer is None else history.offer[:2],
            history.grab[1] if history.grab is not None and sampled else None,
            history.commissioned,
            tuple((one.subject, one.ended_ms is None) for one in history.holds),
        )

    def _sampled_since(self, history: History, latch: Latch) -> bool:
        return history.grab is not None and history.grab[0] > latch.since_ms

    def _flushed_enough(self, rule: OutputRule, amount: float) -> bool:
        release = self._releases.get(rule.id)
        return release is not None and amount >= release.flush_m3 - 1e-9

    def _asks_for_age(self, history: History, place: int) -> bool:
        """Whether a restart or a latch of the output's own asks how long all has been sound."""
        own = any(one.name not in self._interlock_place for one in history.latches[place])
        return self._every_age or history.proving[place] or own


def _votes(cause: Cause, voted: Sequence[bool], answers: Sequence[Told]) -> tuple[bool, bool, bool]:
    """Whether good inputs alone make the vote, whether it is made at all, and whether it might be made unseen."""
    elsewhere = cause.bad is BadVote.ELSEWHERE
    bad = [answer is Told.BAD for answer in answers]
    counted = sum(vote and (elsewhere or not lost) for vote, lost in zip(voted, bad, strict=True))
    hidden = (
        any(bad)
        and counted + sum(lost and not (elsewhere and vote) for vote, lost in zip(voted, bad, strict=True))
        >= cause.needed
    )
    if elsewhere:
        return counted >= cause.needed, counted >= cause.needed, hidden
    if cause.bad is BadVote.TRIP:
        return counted >= cause.needed, counted + sum(bad) >= cause.needed, hidden
    left = len(answers) - sum(bad)
    if left == 0:
        return False, True, True
    enough = counted >= min(cause.needed, left)
    return enough, enough, False


def _since(since_ms: int | None, so: bool, now_ms: int) -> int | None:  # noqa: FBT001 - a truth value
    if not so:
        return None
    return now_ms if since_ms is None else since_ms


def _lasted(since_ms: int | None, for_ms: int, now_ms: int) -> bool:
    return since_ms is not None and now_ms - since_ms >= for_ms


def _plus(since_ms: int | None, delay_ms: int | None) -> int | None:
    return None if since_ms is None or delay_ms is None else since_ms + delay_ms
