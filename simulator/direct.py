"""``python -m simulator.direct``: plant and decisions in one process, as fast as they can be computed.

The direct gear: the plant's register images go straight to decoding and scan,
levels straight back to PC1's registers; no socket, no disk, no waiting. For an
event of many hours and for the whole of February 2025. Prints what the gateway
decided, and day by day what was true beside what it believed.
"""

import argparse
import gc
import json
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from functools import reduce
from pathlib import Path

from gateway.assembly.direct_gear import DirectGear, Told
from gateway.assembly.direct_record import DirectRecord
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.poll_plan import Block
from gateway.core.outcome import Event as Said
from gateway.core.outcome import EventKind
from gateway.core.request import Action, Request
from gateway.core.sample import Number
from gateway.drivers.errors import NoAnswer, Refused
from simulator import faults
from simulator.almanac import DAY_MS, HOUR_MS, SECOND_MS, local_ms, local_time, utc_ms
from simulator.controller import NotWritable
from simulator.daybook import Day, table
from simulator.events import EVENTS, Event
from simulator.faults import Faults
from simulator.figures import figures
from simulator.modbus_pdu import TABLES
from simulator.plant import Pace, Plant, truth
from simulator.site import DEMO_SITE

MONTH = "month"
_MONTH_STARTS = "2025-02-01 00:00"
_USUAL_H = 4.0
DAYS_SCAN_S = 5.0  # as often as the fastest tags are polled
EXIT_CANNOT_SHOW = 3
SHOWN_BY = "python -m simulator.demo"
_LOOK_MS = 10_000
_PERSON_LOOKS_MS = 600_000
_PERSON, _ROLE = "VISITOR-OP", "VISITOR-OP"
_TOLD_QUIETLY = {EventKind.PROVING, EventKind.LEVEL, EventKind.RTN, EventKind.CAUSE_CLEARED, EventKind.CAUSE_RETURNED}
ILLEGAL_ADDRESS = 2


class PlantDevices:
    """The plant's devices for the direct gear.

    Args:
        plant: whose they are.
    """

    def __init__(self, plant: Plant) -> None:
        self._plant = plant

    def read(self, device: str, block: Block) -> tuple[int, ...]:
        """See ``direct_gear.Devices``."""
        self._hear(device)
        words = self._plant.image(device).tables[TABLES[block.table.value]]
        try:
            return tuple(map(words.__getitem__, range(block.address, block.address + block.count)))
        except KeyError:
            raise Refused(f"{device}: no register there", ILLEGAL_ADDRESS) from None

    def write(self, device: str, block: Block, values: Sequence[int]) -> None:
        """See ``direct_gear.Devices``."""
        self._hear(device)
        try:
            self._plant.write(address=block.address, values=tuple(values))
        except NotWritable as fault:
            raise Refused(str(fault), ILLEGAL_ADDRESS) from fault

    def figure(self, file: str) -> float | None:
        """See ``direct_gear.Devices``."""
        return figures(self._plant).get(file)

    def _hear(self, device: str) -> None:
        if self._plant.deaf(device):
            raise NoAnswer(f"{device} says nothing")


class Person:
    """Whoever is at the plant: commissions it, and releases by the rule as soon as nothing but a sample is missing.

    Args:
        gear: asked like any person asks.
        plant: where the sample is taken.
    """

    def __init__(self, gear: DirectGear, plant: Plant) -> None:
        self._gear, self._plant = gear, plant
        self._asked = 0
        self._offered = ""
        self._bypasses = sorted(plant.event.bypasses, key=lambda one: one.at_s)
        self._holds = sorted(plant.event.holds, key=lambda one: one.at_s)
        self._held = sorted((one.ends_s, one.instrument) for one in plant.event.holds if one.ends_s is not None)
        self._request(Action.COMMISSION, reason="first start, every loop read beside its display")

    def look(self) -> None:
        """Confirm what was offered; put aside and hold what the script says."""
        since_s = (self._plant.now_ms - self._plant.strikes_ms) / SECOND_MS
        while self._bypasses and self._bypasses[0].at_s <= since_s:
            one = self._bypasses.pop(0)
            duration_ms = round(one.minutes * 60 * SECOND_MS)
            self._request(Action.BYPASS, one.interlock, reason=one.reason, duration_ms=duration_ms)
        while self._holds and self._holds[0].at_s <= since_s:
            hold = self._holds.pop(0)
            duration_ms = round(hold.minutes * 60 * SECOND_MS)
            self._request(Action.HOLD, hold.instrument, reason=hold.reason, duration_ms=duration_ms)
        while self._held and self._held[0][0] <= since_s:
            self._request(Action.END_HOLD, self._held.pop(0)[1])
        for answer in self._gear.outcome.answers:
            if answer.confirm:
                self._request(Action.RELEASE, self._offered, reason="found in order", confirm=answer.confirm)

    def act(self) -> None:
        """Every few minutes: take a sample and ask for a release, where only that is missing."""
        for output, state in self._gear.state.outputs.items():
            if state.latches and output in self._gear.rules.releases and self._ready(output):
                self._release(output)
                return

    def _ready(self, output: str) -> bool:
        return all("grab sample" in item for item in self._gear.missing(output))

    def _release(self, output: str) -> None:
        water = self._plant.state
        measured = {
            "turbidity_ntu": round(water.at_valve_ntu, 2),
            "total_chlorine_mg_l": round(water.chlorine.outlet_mg_l, 2),
        }
        self._request(Action.GRAB_SAMPLE, measured=measured)
        self._offered = output
        self._request(Action.RELEASE, output, reason="found in order")

    def _request(
        self,
        action: Action,
        subject: str = "",
        *,
        reason: str = "",
        confirm: int = 0,
        duration_ms: int = 0,
        measured: dict[str, float] | None = None,
    ) -> None:
        self._asked += 1
        self._gear.ask(
            Request(
                id=f"person-{self._asked}",
                action=action,
                subject=subject,
                person=_PERSON,
                role=_ROLE,
                reason=reason,
                confirm=confirm,
                duration_ms=duration_ms,
                measured=measured or {},
            )
        )


class DirectRun:
    """One run of plant and gateway.

    Args:
        site: the site that decides.
        event: what goes wrong; a run begins where the event's does.
        seed: of the plant's noise.
        scan_ms: from one scan to the next, and the plant's finest step.
        say: takes each line; None is silent.
        recorded: whether a store is made in the site's folder; ``close`` ends it.
    """

    def __init__(
        self,
        site: LoadedSite,
        event: Event,
        *,
        seed: int = 1,
        scan_ms: int = SECOND_MS,
        say: Callable[[str], None] | None = None,
        recorded: bool = False,
    ) -> None:
        self.event = event
        self.plant = Plant(event, seed=seed, pace=Pace(controller_ms=scan_ms, water_ms=max(scan_ms, SECOND_MS)))
        self.told: list[Told] = []
        self.days: list[Day] = []
        self._say = say
        start_utc_ms = utc_ms(self.plant.now_ms)
        self._record = DirectRecord(site, utc_ms=start_utc_ms) if recorded else None
        self.gear = DirectGear(site, PlantDevices(self.plant), utc_ms=start_utc_ms, period_ms=scan_ms, tell=self._hear)
        self.person = Person(self.gear, self.plant)
        self._scan_ms = scan_ms

    def run_to(self, local_plant_ms: int) -> None:
        """Until a local plant time."""
        while self.plant.now_ms + self._scan_ms <= local_plant_ms:
            self.plant.advance(self.plant.now_ms + self._scan_ms)
            self.gear.step()
            if self._record is not None:
                self._record.take(self.gear)
            self.person.look()
            since_ms = self.plant.now_ms - self.plant.started_ms
            if since_ms % _PERSON_LOOKS_MS == 0:
                self.person.act()
            if since_ms % _LOOK_MS == _LOOK_MS - self._scan_ms:  # so that the last look of a day is before midnight
                self._today.look(_numbers(truth(self.plant)), self._believed())

    def close(self) -> None:
        """Put what is left into the record, where one is made."""
        if self._record is not None:
            self._record.close(self.gear)

    @property
    def _today(self) -> Day:
        date = local_time(self.plant.now_ms).strftime("%a %d %b")
        if not self.days or self.days[-1].date != date:
            self.days.append(Day(date))
        return self.days[-1]

    def _believed(self) -> dict[str, float]:
        return {tag: one.value for tag, one in self.gear.outcome.verdicts.items() if isinstance(one, Number)}

    def _hear(self, told: Told) -> None:
        self.told.append(told)
        if self._record is not None:
            self._record.tell(told)
        event = told.event
        subject = f"{event.facts.get('priority', '')} {event.subject}".strip()
        self._today.told.setdefault(event.kind.value, []).append(subject)
        if self._say is not None and event.kind not in _TOLD_QUIETLY:
            since_s = (self.plant.now_ms - self.event.strikes_ms) / SECOND_MS
            self._say(f"{_clock(self.plant.now_ms)} {since_s:>+10.0f} s  {_words(event)}")


def month() -> Event:
    """All scripted events together, each at its own time: the plant's February 2025."""
    played = [event for event in EVENTS.values() if event.in_month]
    starts_ms = local_ms(_MONTH_STARTS)

    def wrong(since_s: float) -> Faults:
        now_ms = starts_ms + since_s * SECOND_MS
        each = (event.faults((now_ms - event.strikes_ms) / SECOND_MS) for event in played)
        return reduce(faults.both, each, faults.SOUND)

    def at_s(event: Event, own_s: float) -> float:
        return own_s + (event.strikes_ms - starts_ms) / SECOND_MS

    return Event(
        name=MONTH,
        says="February 2025 with every scripted event at its time",
        strikes_ms=starts_ms,
        lead_ms=0,
        days=28,
        faults=wrong,
        writes=tuple(replace(one, at_s=at_s(event, one.at_s)) for event in played for one in event.writes),
        bypasses=tuple(replace(one, at_s=at_s(event, one.at_s)) for event in played for one in event.bypasses),
        holds=tuple(
            replace(one, at_s=at_s(event, one.at_s), ends_s=None if one.ends_s is None else at_s(event, one.ends_s))
            for event in played
            for one in event.holds
        ),
    )


def _numbers(true: dict[str, object]) -> dict[str, float]:
    return {name: float(value) for name, value in true.items() if isinstance(value, int | float)}


def _words(event: Said) -> str:
    facts = event.facts
    shown = {
        name: facts[name] for name in ("priority", "tag", "value", "unit", "quality_reason", "to") if name in facts
    }
    detail = ", ".join(f"{name} {value}" for name, value in shown.items())
    return f"{event.kind.value.replace('_', ' '):<22} {event.subject} {event.reason} {detail}".rstrip()


def _clock(at_ms: int) -> str:
    return local_time(at_ms).strftime("%a %d %b %H:%M:%S")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulator.direct", description="Plant and decisions as fast as they can be computed."
    )
    parser.add_argument("event", choices=[*EVENTS, MONTH], help="what goes wrong; month is all of February 2025")
    parser.add_argument("--hours", type=float, default=None, help="plant hours to run (default 4, or its days)")
    parser.add_argument("--scan", type=float, default=None, metavar="S", help="scan period (default 1, for days 5)")
    parser.add_argument("--seed", type=int, default=1, help="of the plant's noise (default 1)")
    parser.add_argument("--site", type=Path, default=DEMO_SITE, help="site folder (default the demo site)")
    parser.add_argument("--days-file", type=Path, default=None, help="write the days as JSON lines")
    parser.add_argument(
        "--record", action="store_true", help="keep a record in the folder given as --site, for purplegate record"
    )
    parser.add_argument(
        "--midnight", action="store_true", help="begin at the midnight before it strikes; whole days for a record"
    )
    parser.add_argument("--quiet", action="store_true", help="only the table of days")
    return parser


def play(
    event: Event, *, hours: float, scan_s: float, seed: int, site: Path, quiet: bool, recorded: bool = False
) -> DirectRun:
    """Play an event and print what was decided, and the days."""
    run = DirectRun(
        load_site(site),
        event,
        seed=seed,
        scan_ms=round(scan_s * SECOND_MS),
        say=None if quiet else lambda line: print(line, flush=True),
        recorded=recorded,
    )
    gc.collect()
    gc.freeze()  # as the field process does with what stays
    began = time.perf_counter()
    run.run_to(run.plant.started_ms + round(hours * HOUR_MS))
    run.close()
    took_s = time.perf_counter() - began
    print(table(run.days))
    print(f"{hours / 24:.2f} plant days in {took_s:.0f} s, a scan every {scan_s:g} plant seconds", flush=True)
    return run


def window(event: Event) -> tuple[float, float]:
    """Plant hours to run an event for, and plant seconds between its scans, when nobody says otherwise."""
    return (event.lead_ms / HOUR_MS + 24.0 * event.days, DAYS_SCAN_S) if event.days else (_USUAL_H, 1.0)


def main() -> int:
    """Run. Returns the exit code."""
    arguments = _parser().parse_args()
    event = month() if arguments.event == MONTH else EVENTS[arguments.event]
    if event.fails_storage_s:
        sys.stderr.write(f"{event.name} needs the sockets, since nothing is recorded here: {SHOWN_BY} {event.name}\n")
        return EXIT_CANNOT_SHOW
    if arguments.record and arguments.site.resolve() == DEMO_SITE:
        sys.stderr.write("--record needs a copy of the site: say --site FOLDER\n")
        return EXIT_CANNOT_SHOW
    usual_h, usual_s = window(event)
    if arguments.midnight:
        event = replace(event, lead_ms=event.strikes_ms % DAY_MS)
        usual_h, usual_s = 24.0 * max(1, event.days), DAYS_SCAN_S
    run = play(
        event,
        hours=arguments.hours or usual_h,
        scan_s=arguments.scan or usual_s,
        seed=arguments.seed,
        site=arguments.site,
        quiet=arguments.quiet,
        recorded=arguments.record,
    )
    if arguments.days_file is not None:
        lines = (json.dumps(asdict(day), allow_nan=True) for day in run.days)
        arguments.days_file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
