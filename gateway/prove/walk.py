"""The whole site, followed along a random way: seeded, so that the same seed goes the same way again.

Every rule takes part, alarms too. Quality is taken as the decisions judged it, which the slices of the tags answer
for; everything else is judged by the same oracle. A walk shows nothing but itself: it is what is done with the time
that is left.
"""

import random
import time
from dataclasses import dataclass, replace

from gateway.core.condition import NoChange, tags_of
from gateway.core.output import Readback
from gateway.core.quality import Reason
from gateway.core.request import Action, Request
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number, Reading, Sample
from gateway.core.scan import Arrival, Moment, scan
from gateway.core.state import ScanState, first_state, rules_of
from gateway.core.tick import Tick
from gateway.prove import readings
from gateway.prove.canonical import NOW
from gateway.prove.oracle import Happened, Oracle
from gateway.prove.readings import leaves
from gateway.prove.slices import Whole

_REASONS = (Reason.NO_ANSWER, Reason.DEVICE_FAULT, Reason.LOOP_FAULT, Reason.SENTINEL)
_WAITS_S = (1, 1, 1, 2, 3, 5, 10, 14, 15, 16, 29, 30, 59, 60, 61, 120, 299, 300, 301, 600, 1_800)
_TOLD = 60  # lines before the end that are kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Walked:
    """What came of a walk: how many scans, how many restarts and releases, and the last lines where it went wrong."""

    seed: int
    scans: int
    restarts: int
    released: int
    seconds: float
    lines: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()


def walk(whole: Whole, *, seed: int, seconds: float, scans: int | None = None) -> Walked:
    """Walk for so many seconds, or so many scans."""
    began = time.monotonic()
    way = _Way(whole, seed)
    while not way.wrong and time.monotonic() - began < seconds and (scans is None or way.scans < scans):
        way.on()
    return Walked(
        seed=seed,
        scans=way.scans,
        restarts=way.restarts,
        released=way.released,
        seconds=time.monotonic() - began,
        lines=tuple(way.lines[-_TOLD:]) if way.wrong else (),
        wrong=way.wrong,
    )


class _Way:
    """One random way through a site."""

    def __init__(self, whole: Whole, seed: int) -> None:
        self._random = random.Random(seed)  # noqa: S311 - a seeded way is no cryptography
        holds = replace(whole.plant.holds, needs_entry=False)  # what is entered at the end of one is not judged here
        self._whole = whole = replace(whole, plant=replace(whole.plant, holds=holds))
        self._rules = rules_of(whole.plant)
        self._oracle = Oracle(whole.plant, judged=True)
        self._choices = self._all_choices()
        self._rest = self._at_rest()
        self._says: dict[str, Reading | None] = {}
        self._tick = NOW
        self._state, _ = first_state(self._rules, NOW)
        self._history = self._oracle.first(NOW.monotonic_ms)
        self._holds = {rule.id: 0 for rule in whole.plant.outputs}
        self._connected = False
        self.scans = self.restarts = self.released = 0
        self.lines: list[str] = []
        self.wrong: tuple[str, ...] = ()
        self._commission()

    def _all_choices(self) -> dict[str, list[Number]]:
        """Of every tag that an interlock depends on, readings that can be told apart."""
        conditions = list(readings.conditions_of(self._whole.plant.interlocks))
        calculations = self._whole.calculations
        named = {leaf for one in conditions for tag in tags_of(one) for leaf in leaves(tag, calculations)}
        by_name = {rule.tag: rule for rule in self._whole.plant.tags}
        found = {
            tag: readings.candidates(tag, conditions, calculations, self._whole.scalings.get(tag))
            for tag in by_name
            if tag in named
        }
        for tag in list(found):
            for valid in by_name[tag].valid_when:
                found.setdefault(valid.tag, [Number(valid.minimum), Number(valid.minimum / 2)])
            for bad in by_name[tag].bad_when:
                masks = [1 << bit for bit in range(bad.mask.bit_length()) if bad.mask >> bit & 1]
                found[bad.tag] = [
                    *found.get(bad.tag, [Number(0.0)]),
                    *(Number(float(one)) for one in [*masks, *bad.values]),
                ]
        return found

    def _at_rest(self) -> dict[str, Number]:
        """Readings at which nothing stands against a release."""
        plant = self._whole.plant
        tags = [rule.tag for rule in plant.tags]
        found = readings.at_rest(plant.interlocks, tags, self._whole.calculations, self._whole.scalings)
        voting = {tag for one in readings.conditions_of(plant.interlocks) for tag in tags_of(one)}
        for rule in plant.tags:
            for valid in rule.valid_when:
                found[valid.tag] = Number(max(valid.minimum, found[valid.tag].value))
            for bad in rule.bad_when:
                if bad.tag not in voting:
                    found[bad.tag] = Number(0.0)
            if rule.constant is not None:
                found[rule.constant.tag] = Number(rule.constant.value)
        for release in plant.releases:
            for one in release.requirements:
                found.update(readings.wanted(one.condition))
            if release.flush_tag in found and release.flush_tag not in voting:
                found[release.flush_tag] = Number(release.flush_m3 * 4)
        return found

    def _person(self, roles: frozenset[str]) -> Request:
        """What every request of one role has in common."""
        role = min(roles, default="NOBODY")
        return Request(id="", action=Action.RELEASE, person=role, role=role, reason="asked on a random way")

    def _commission(self) -> None:
        rule = self._whole.plant.commissioning
        if rule is not None:
            self._scan(1, [replace(self._person(rule.roles), id="c", action=Action.COMMISSION)], "commissioned")

    def on(self) -> None:
        """One thing more."""
        self._random.choices(
            (
                self._reading,
                self._everything_well,
                self._releases,
                self._bypass,
                self._hold,
                self._controller,
                self._restart,
                self._wait,
                self._recovers,
            ),
            weights=(45, 15, 8, 8, 6, 4, 4, 12, 4),
        )[0]()

    def _wait(self) -> None:
        self._scan(self._random.choice(_WAITS_S), [], "")

    def _reading(self) -> None:
        tag = self._random.choice(list(self._choices))
        value = self._random.choice(self._choices[tag])
        bad = NoNumber(self._random.choice(_REASONS))
        reading: Reading | None = self._random.choices((value, bad, None), weights=(6, 2, 2))[0]
        self._says[tag] = reading
        words = "silent" if reading is None else reading.reason.value if isinstance(reading, NoNumber) else f"{reading}"
        self._scan(self._random.choice(_WAITS_S), [], f"{tag}: {words}")

    def _everything_well(self) -> None:
        self._says.clear()
        for _ in range(self._random.choice((1, 2, 35))):
            self._scan(self._random.choice((1, 60)), [], "all is well")

    def _recovers(self) -> None:
        """All is well, nothing is put aside any more, for as long as a release asks; then everything is asked back."""
        self._says.clear()
        put_aside = [
            replace(self._person(rule.bypass_roles), id="e", action=Action.END_BYPASS, subject=rule.id)
            for rule in self._whole.plant.interlocks
            if self._state.interlocks[rule.id].bypassed_until_ms is not None
        ]
        holds = self._whole.plant.holds
        put_aside += [
            replace(self._person(holds.roles), id="u", action=Action.END_HOLD, subject=subject)
            for subject in self._state.holds
        ]
        self._scan(1, put_aside, "nothing is put aside any more")
        self._scan(max((one.clear_ms for one in self._whole.plant.releases), default=0) // 1_000 + 400, [], "")
        self._releases()

    def _hold(self) -> None:
        holds = self._whole.plant.holds
        if not holds.subjects:
            return
        subject = self._random.choice(list(holds.subjects))
        who = self._person(self._random.choice((holds.roles, frozenset(["VISITOR"]))))
        duration_ms = self._random.choice((1_000, 60_000, holds.longest_ms, holds.longest_ms + 1))
        asked = replace(who, id="h", action=Action.HOLD, subject=subject, duration_ms=duration_ms)
        self._scan(1, [asked], f"{subject}: a hold of {duration_ms} ms is asked for")

    def _releases(self) -> None:
        measured = {}
        for release in self._whole.plant.releases:
            for one in release.grab:
                measured[one.name] = one.at_most if one.at_most is not None else (one.at_least or 0.0)
        if measured:
            self._scan(
                1, [replace(self._person(frozenset()), id="g", action=Action.GRAB_SAMPLE, measured=measured)], ""
            )
        for release in sorted(self._whole.plant.releases, key=lambda one: len(one.after_outputs)):
            number = self._state.offers_made + 1
            who = self._person(release.roles)
            asked = [
                replace(who, id=f"l{step}", action=Action.RELEASE, subject=release.output, confirm=confirm)
                for step, confirm in enumerate((0, number))
            ]
            self._scan(1, asked, f"{release.output} is asked back")

    def _bypass(self) -> None:
        rule = self._random.choice(self._whole.plant.interlocks)
        who = self._person(rule.bypass_roles or frozenset(["VISITOR"]))
        longest_ms = rule.bypass_max_ms
        duration_ms = self._random.choice((1_000, 30_000, longest_ms, longest_ms + 1))
        asked = replace(who, id="b", action=Action.BYPASS, subject=rule.id, duration_ms=duration_ms)
        self._scan(1, [asked], f"{rule.id}: a bypass of {duration_ms} ms is asked for")

    def _controller(self) -> None:
        name = self._random.choice(list(self._holds))
        self._holds[name] = self._random.choice((0, 7, 13_107))
        self._scan(1, [], f"the controller holds {self._holds[name]} for {name}")

    def _restart(self) -> None:
        away_ms = self._random.choice((1_000, 5_000, 70_000))
        same_boot = self._random.choice((True, True, False))
        now = self._after(away_ms)
        saved = self._tick
        self._state, _ = resume(self._rules, self._state, now, same_boot=same_boot)
        self._history = self._oracle.restarted(
            self._history, saved_ms=saved.monotonic_ms, now_ms=now.monotonic_ms, same_boot=same_boot
        )
        self._tick, self._connected = now, False
        self.restarts += 1
        self.lines.append(
            f"{now.monotonic_ms - NOW.monotonic_ms} ms: restart after {away_ms} ms, same boot {same_boot}"
        )

    def _after(self, ms: int) -> Tick:
        return Tick(monotonic_ms=self._tick.monotonic_ms + ms, utc_ms=self._tick.utc_ms + ms)

    def _scan(self, seconds: int, asked: list[Request], what: str) -> None:
        """Scans every few seconds, so that nothing goes stale meanwhile; the asking is in the last."""
        left_ms = seconds * 1_000
        while left_ms > 0 and not self.wrong:
            step_ms = min(left_ms, 10_000)
            left_ms -= step_ms
            self._one(step_ms, asked if left_ms == 0 else [], what if left_ms == 0 else "")

    def _one(self, step_ms: int, asked: list[Request], what: str) -> None:
        tick = self._after(step_ms)
        arrivals: list[Arrival] = [*self._samples(tick), self._readback(), *asked]
        state, outcome = scan(self._rules, self._state, Moment(tick=tick, arrivals=arrivals))
        seen = Happened(tick.monotonic_ms, step_ms, arrivals, outcome, state)
        self._history, wrong = self._oracle.judge(self._history, seen)
        self._tick, self._state = tick, state
        if outcome.writes:
            codes = {rule.id: rule.codes[outcome.levels[rule.id]] for rule in self._whole.plant.outputs}
            self._holds = codes
        self._connected = True
        self.scans += 1
        self.released += sum(one.granted for one in outcome.answers if one.request == "l1")
        self._tell(what, state, outcome.levels)
        if wrong:
            self.wrong = tuple(dict.fromkeys(wrong))
            self.lines += [f"WRONG: {one}" for one in self.wrong]

    def _tell(self, what: str, state: ScanState, levels: object) -> None:
        del state
        if what:
            self.lines.append(f"{self._tick.monotonic_ms - NOW.monotonic_ms} ms: {what}; {levels}")
            del self.lines[:-_TOLD]

    def _samples(self, tick: Tick) -> list[Sample]:
        found = []
        for rule in self._whole.plant.tags:
            reading = self._says.get(rule.tag, self._rest[rule.tag])
            if reading is None:
                continue
            if isinstance(reading, Number) and rule.tag not in self._says:
                reading = self._lively(rule.tag, reading, tick)
            found.append(Sample(tag=rule.tag, reading=reading, arrived=tick, source_utc_ms=tick.utc_ms))
        return found

    def _lively(self, tag: str, reading: Number, tick: Tick) -> Number:
        """A heartbeat counts; what must not stand still moves by less than anything looks at."""
        if tag in self._counted():
            return Number(float(tick.monotonic_ms // 1_000 % 60_000))
        rule = self._rules.tags[tag]
        if rule.frozen_after_ms is None:
            return reading
        return Number(reading.value + (tick.monotonic_ms // 1_000 % 2) * 1e-3)

    def _counted(self) -> frozenset[str]:
        interlocks = self._whole.plant.interlocks
        return frozenset(one.tag for one in readings.conditions_of(interlocks) if isinstance(one, NoChange))

    def _readback(self) -> Readback:
        codes = {rule.id: rule.codes[self._state.outputs[rule.id].level] for rule in self._whole.plant.outputs}
        return Readback(codes=dict(self._holds), written=codes if self._connected else {})
