"""Every critical input of the demo site is taken away in turn, by each means that its configuration knows.

``python -m tests.simulator.removals`` prints the table. In the direct gear, on
copies of one plant that delivers: registers, decoding, scan, actuation and PC1,
without time-outs and back-off (a device that says nothing costs at most two
reply time-outs and a pause more). The bound of a row is its stale limit (or
what else tells that the value is lost) plus the delay of the interlock that
watches it; both are taken from the configuration.
"""

import copy
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from pathlib import Path

from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.schema import BadWhenKeys, Tag
from gateway.core.condition import BadQuality, Condition, NoChange, Unproven, tags_of
from gateway.core.interlock import InterlockRule
from gateway.core.outcome import EventKind
from gateway.core.state import rules_of
from gateway.core.voting import BadVote, Cause
from simulator.almanac import SECOND_MS, local_ms
from simulator.devices import DEVICES
from simulator.direct import DirectRun
from simulator.events import EVENTS
from simulator.faults import SOUND, Faults, both
from simulator.plant import truth, with_levels
from simulator.site import DEMO_SITE
from tests.site_copy import release_sooner

LOW_COUNTS, HIGH_COUNTS = 5_120.0, 34_560.0  # 3.2 and 21.6 mA
SCANS = 2  # one to see it and one to write it
LEAD_MS, EARLY = 11 * 60 * SECOND_MS, local_ms("2025-02-05 10:00")
FULL_TANK_M3 = 29.0  # above 95 %: the plant diverts
ANY_COUNT = 4_711.0
LONG_S, EVERY_SECOND, SLOWLY = 1_000.0, 1.0, 10.0  # what takes long is scanned less often
SILENT, CUT, STATUS, FLOW = "device silent", "line cut", "status", "sample flow lost"
SENTINEL, LOOP, FROZEN, CONSTANT = "sentinel", "loop fault", "frozen", "test constant wrong"
AIT_701_CLEANS = "AN3-STS 1 (hold)"
MEANS = (SILENT, CUT, STATUS, FLOW, SENTINEL, LOOP, FROZEN, CONSTANT)


@dataclass(frozen=True, kw_only=True)
class Removal:
    """One input, taken away in one way.

    Args:
        tag: whose value is lost.
        means: one of ``MEANS``; detail: what exactly.
        faults: what is wrong then.
        seen_within_s: until it is known that the value is lost.
        interlock: that watches it; delay_s: of that.
        stroke_s: of the slowest of the outputs that it holds.
        diverting: begins at divert.
    """

    tag: str
    means: str
    detail: str
    faults: Faults
    seen_within_s: float
    interlock: str
    delay_s: float
    stroke_s: float
    diverting: bool = False

    @property
    def scan_s(self) -> float:
        """Plant seconds from one scan to the next."""
        return EVERY_SECOND if self.seen_within_s + self.delay_s < LONG_S else SLOWLY

    @property
    def bound_s(self) -> float:
        """Within so long its interlock must have acted."""
        return self.seen_within_s + self.delay_s + SCANS * self.scan_s

    @property
    def proof_s(self) -> float:
        """And within so long more its valve must be proven safe."""
        return self.stroke_s + self.scan_s


@dataclass(frozen=True, kw_only=True)
class Measured:
    """What happened, in plant seconds after the loss; None where it did not.

    Args:
        removal: what was taken away.
        tripped_s: its interlock tripped.
        safe_s: the output was commanded safe at PC1 (XV-901, else XV-955), by whichever interlock came first.
        proven_s: its valve proven there.
    """

    removal: Removal
    tripped_s: float | None
    safe_s: float | None
    proven_s: float | None

    @property
    def in_time(self) -> bool:
        """Whether all of it came within the bound; a valve has its stroke on top, and a scan to be seen."""
        bound_s = self.removal.bound_s
        if self.tripped_s is None or self.safe_s is None or self.proven_s is None:
            return False
        return max(self.tripped_s, self.safe_s) <= bound_s and self.proven_s <= bound_s + self.removal.proof_s


# --- what can be taken away, from the configuration ---


def critical(site: LoadedSite) -> tuple[str, ...]:
    """Tags read from devices on which an interlock depends."""
    tags = [tag for found in rules_of(site.plant).critical.values() for tag in found]
    return tuple(dict.fromkeys(tag for tag in tags if tag in site.site.tags))


def removals(site: LoadedSite) -> list[Removal]:
    """Every critical input by each means, while the plant delivers; those that prove the valve while it diverts."""
    return [*(one for tag in critical(site) for one in _removals_of(site, tag)), *_proofs(site)]


def _removals_of(site: LoadedSite, tag: str) -> Iterator[Removal]:
    if _watcher(site, tag, {tag}) is None:
        return  # it matters at divert alone
    for means, detail, wrong, within_s in _ways(site, tag):
        gone = {name for name, keys in site.site.tags.items() if _silenced(keys, wrong)} | {tag}
        watcher = _watcher(site, tag, gone)
        assert watcher is not None, f"with more values lost nobody watches {tag}"
        interlock, delay_s = watcher
        yield Removal(
            tag=tag,
            means=means,
            detail=detail,
            faults=wrong,
            seen_within_s=within_s,
            interlock=interlock,
            delay_s=delay_s,
            stroke_s=_stroke_s(site, interlock),
        )


def _silenced(keys: Tag, wrong: Faults) -> bool:
    return keys.device in wrong.silent or DEVICES[keys.device].line in wrong.lines


def _watcher(site: LoadedSite, tag: str, gone: AbstractSet[str]) -> tuple[str, float] | None:
    """The interlock that trips soonest for want of this value, with its delay; None when none does.

    Args:
        site: whose.
        tag: that it must look at.
        gone: everything that is lost together with it.
    """
    found = [
        (rule.id, _lost_ms(cause) / 1_000)
        for rule in site.plant.interlocks
        for cause in rule.causes
        if not rule.shadow and not _of_proof(rule) and _looks_at(cause, tag) and _enough(cause, gone)
    ]
    return min(found, key=lambda one: one[1], default=None)


def _stroke_s(site: LoadedSite, interlock: str) -> float:
    return max(site.site.outputs[name].stroke_s for name in site.site.interlocks[interlock].effects)


def _looks_at(cause: Cause, tag: str) -> bool:
    return any(tag in tags_of(one) for one in cause.inputs)


def _of_proof(rule: InterlockRule) -> bool:
    return any(isinstance(one, Unproven) for cause in rule.causes for one in cause.inputs)


def _enough(cause: Cause, gone: AbstractSet[str]) -> bool:
    """Whether the loss of these values makes the vote."""
    return sum(_votes_when_lost(one, cause, gone) for one in cause.inputs) >= cause.needed


def _votes_when_lost(one: Condition, cause: Cause, gone: AbstractSet[str]) -> bool:
    if gone.isdisjoint(tags_of(one)):
        return False
    return isinstance(one, BadQuality | NoChange) or cause.bad is BadVote.TRIP


def _lost_ms(cause: Cause) -> int:
    still_ms = max((one.after_ms for one in cause.inputs if isinstance(one, NoChange)), default=0)
    return still_ms + (cause.trip_delay_ms if cause.bad_trip_delay_ms is None else cause.bad_trip_delay_ms)


Way = tuple[str, str, Faults, float]


def _ways(site: LoadedSite, name: str) -> Iterator[Way]:
    """Means, detail, what is wrong, and how soon the loss is known."""
    tag = site.site.tags[name]
    yield SILENT, tag.device, Faults(silent=frozenset({tag.device})), tag.stale_limit_s
    line = DEVICES[tag.device].line
    yield CUT, line, Faults(lines=frozenset({line})), tag.stale_limit_s
    yield from (_by_status(site, one, tag, state) for one in tag.bad_when for state in (*_masks(one), *one.values))
    for valid in tag.valid_when:
        yield FLOW, f"{valid.tag} 0", Faults(forced={valid.tag: 0.0}), _limit_s(site, valid.tag, tag)
    if name == "AIT-510":
        yield FLOW, "line blocked", Faults(blocked=frozenset({name})), _limit_s(site, "FIT-510S", tag)
    yield from ((SENTINEL, f"raw {raw:g}", Faults(loops={name: raw}), tag.stale_limit_s) for raw in tag.sentinels)
    for counts, current in ((LOW_COUNTS, "3.2 mA"), (HIGH_COUNTS, "21.6 mA")) if tag.loop is not None else ():
        yield LOOP, current, Faults(loops={name: counts}), tag.stale_limit_s
    if tag.frozen_after_s is not None:
        yield FROZEN, "value stands", SOUND, tag.frozen_after_s + tag.poll_interval_s
    if any(isinstance(one, NoChange) and one.tag == name for one in _asked(site)):
        yield FROZEN, "counter stands", SOUND, tag.poll_interval_s
    constant = site.site.devices[tag.device].test_constant
    if constant is not None:
        limit_s = _limit_s(site, constant.tag, tag)
        yield CONSTANT, f"{constant.tag} in another byte order", Faults(byte_orders={tag.device: "ABCD"}), limit_s


def _asked(site: LoadedSite) -> Iterator[Condition]:
    return (one for rule in site.plant.interlocks for cause in rule.causes for one in cause.inputs)


def _masks(one: BadWhenKeys) -> list[float]:
    return [float(1 << bit) for bit in one.bits]


def _by_status(site: LoadedSite, one: BadWhenKeys, tag: Tag, state: float) -> Way:
    says = f"{one.tag} {state:g} ({one.reason})"
    return STATUS, says, Faults(forced={one.tag: float(state)}), _limit_s(site, one.tag, tag)


def _limit_s(site: LoadedSite, governor: str, tag: Tag) -> float:
    return max(site.site.tags[governor].stale_limit_s, tag.stale_limit_s)


def _proofs(site: LoadedSite) -> Iterator[Removal]:
    """Switches and flow that prove the valve at divert. One alone is missed for hours, two at once are not."""
    limit_s = site.site.tags["ZSC-901"].stale_limit_s
    (rule,) = (rule for rule in site.plant.interlocks if rule.id == "I-08")
    unseen, unseen_and_no_flow = rule.causes[:2]
    for tag, devices, cause in (
        ("ZSC-901, ZSO-901", ("RI1",), unseen),
        ("ZSC-901, ZSO-901, FIT-905", ("RI1", "FM3"), unseen_and_no_flow),
        ("ZSC-901, ZSO-901, FIT-701", ("RI1", "FM2"), unseen_and_no_flow),
    ):
        yield Removal(
            tag=tag,
            means=SILENT,
            detail=" and ".join(devices),
            faults=Faults(silent=frozenset(devices)),
            seen_within_s=limit_s,
            interlock=rule.id,
            delay_s=_lost_ms(cause) / 1_000,
            stroke_s=_stroke_s(site, rule.id),
            diverting=True,
        )


# --- measuring ---


class Bench:
    """Plants that deliver or divert, each warmed up once and copied for every removal.

    Args:
        site: that decides.
    """

    def __init__(self, site: LoadedSite) -> None:
        self._site = site
        self._warm: dict[tuple[bool, float], DirectRun] = {}

    def measure(self, removal: Removal) -> Measured:
        """Take it away and look, until its interlock has acted and the valve is proven safe."""
        run = self._copy(diverting=removal.diverting, scan_s=removal.scan_s)
        run.plant.added = both(removal.faults, _standing(run, removal))
        return _look(run, removal)

    def delivering(self) -> DirectRun:
        """A plant that delivers."""
        return self._copy(diverting=False, scan_s=EVERY_SECOND)

    def _copy(self, *, diverting: bool, scan_s: float) -> DirectRun:
        key = (diverting, scan_s)
        if key not in self._warm:
            self._warm[key] = _warmed_up(self._site, diverting=diverting, scan_ms=round(scan_s * SECOND_MS))
        warm = self._warm[key]
        gear, plant = warm.gear, warm.plant
        values = (self._site, gear.rules, gear.state, gear.outcome, plant.state, plant.panel, *warm.told)
        return copy.deepcopy(warm, {id(one): one for one in values})  # nothing ever changes a value


def _standing(run: DirectRun, removal: Removal) -> Faults:
    """A frozen reading stands at what it shows now; a counter, which no instrument measures, anywhere."""
    if removal.means != FROZEN:
        return SOUND
    sensor = run.plant.panel.sensors.get(removal.tag)
    return Faults(forced={removal.tag: ANY_COUNT if sensor is None else sensor.shown})


def _warmed_up(site: LoadedSite, *, diverting: bool, scan_ms: int) -> DirectRun:
    run = DirectRun(site, replace(EVENTS["calm"], strikes_ms=EARLY, lead_ms=LEAD_MS), scan_ms=scan_ms)
    run.run_to(EARLY)
    assert truth(run.plant)["proven_product"]
    if diverting:
        run.plant.state = with_levels(run.plant, tank_m3=FULL_TANK_M3)
        run.run_to(EARLY + 120 * SECOND_MS)
        assert truth(run.plant)["proven_divert"]
    return run


def _look(run: DirectRun, removal: Removal) -> Measured:
    lost_ms, told = run.plant.now_ms, len(run.told)
    lost_utc_ms = run.gear.clock.now().utc_ms
    product = _holds(run, removal.interlock, "product")
    safe_s: float | None = None
    proven_s: float | None = None
    tripped_s: float | None = None
    end_s = removal.bound_s + removal.proof_s + removal.scan_s
    while (after_s := (run.plant.now_ms - lost_ms) / SECOND_MS) <= end_s:
        true = truth(run.plant)
        if safe_s is None and (not true["product_commanded"] if product else true["supply_stopped"]):
            safe_s = after_s
        if proven_s is None and (true["proven_divert"] if product else true["supply_proven_closed"]):
            proven_s = after_s
        trips = [one for one in run.told[told:] if one.event.kind is EventKind.TRIP]
        mine = [one for one in trips if one.event.subject == removal.interlock]
        if mine:
            tripped_s = (mine[0].tick.utc_ms - lost_utc_ms) / SECOND_MS
        if None not in (safe_s, proven_s, tripped_s):
            break
        run.run_to(run.plant.now_ms + round(removal.scan_s * SECOND_MS))
    return Measured(removal=removal, tripped_s=tripped_s, safe_s=safe_s, proven_s=proven_s)


def _holds(run: DirectRun, interlock: str, output: str) -> bool:
    return any(effect.output == output for effect in run.gear.rules.interlocks[interlock].effects)


def quickened(folder: Path) -> LoadedSite:
    """The demo site, whose release waits five minutes and not thirty, so that a run soon delivers."""
    shutil.copytree(DEMO_SITE, folder)
    release_sooner(folder, 300)
    return load_site(folder)


def table(rows: Sequence[Measured]) -> str:
    """The rows in markdown."""
    head = (
        "input",
        "means",
        "detail",
        "interlock",
        "tripped after",
        "commanded safe after",
        "proven after",
        "bound of the command",
    )
    lines = [head, tuple("---" for _ in head), *(_cells(one) for one in rows)]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _cells(one: Measured) -> tuple[str, ...]:
    removal = one.removal
    where = " (at divert)" if removal.diverting else ""
    times = (_shown(one.tripped_s), _shown(one.safe_s), _shown(one.proven_s))
    return removal.tag, removal.means, removal.detail + where, removal.interlock, *times, f"{removal.bound_s:g} s"


def _shown(after_s: float | None) -> str:
    return "never" if after_s is None else f"{after_s:g} s"


def main() -> int:
    """Print the table. Returns 1 when anything came too late."""
    with tempfile.TemporaryDirectory() as folder:
        site = quickened(Path(folder) / "site")
    bench = Bench(site)
    rows = [bench.measure(one) for one in removals(site)]
    sys.stdout.write(table(rows) + "\n")
    return int(not all(one.in_time for one in rows))


if __name__ == "__main__":
    sys.exit(main())
