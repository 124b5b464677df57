"""``python -m simulator.demo EVENT``: a trip, from the water to the office, told on the terminal as it happens.

Starts a stand-in for the district office, the simulated plant and the gateway;
plays one scripted event; ends by itself with a summary, and tells where the
record lies. An interrupt stops everything in order, the permission withdrawn.
"""

import argparse
import asyncio
import shutil
import signal
import sys
import tempfile
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gateway.local.client import FieldClient, FieldError
from gateway.local.messages import JournalEntry, LiveEvent, Values
from simulator import direct, narrator
from simulator.almanac import local_time_of_utc, utc_ms
from simulator.events import EVENTS, FASTEST_SILENT, Event, too_fast
from simulator.office import Heard, Office, OfficeError
from simulator.site import DEMO_SITE
from simulator.site import Office as OfficeAddress
from simulator.stage import Script, Stage, StageError
from simulator.visitor import Visitor

EXIT_FINE, EXIT_STORY_BROKEN, EXIT_CANNOT_START, EXIT_INTERRUPTED = 0, 1, 3, 130
USUAL = 40.0
_AROUND_S = 120.0  # real; to start, to stop, and for a machine that does not quite keep up
_LONGEST_FOLDER = 80  # characters, so that the local socket's path fits
_LOOK_AGAIN_S = 0.2
_TICK_S = 0.02
_STALL_SHOWS_S = 5.0  # plant seconds: the poll interval of most tags


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """What has to be seen of an event for its story to be whole.

    Args:
        trips: interlocks, in the order in which they trip.
        message: words of the message that has to reach the office; empty when none is asked for.
        goes_on_s: plant seconds after the event at which the story ends.
    """

    trips: tuple[str, ...]
    message: str
    goes_on_s: float


PLOTS = {
    "E01": Plot(trips=("I-01",), message="filter water cloudy", goes_on_s=1_500),
    "E02": Plot(trips=("I-07",), message="no hypochlorite for ten minutes", goes_on_s=900),
    "E03": Plot(trips=("I-05",), message="cannot be trusted", goes_on_s=420),
    "E03b": Plot(trips=("I-05",), message="cannot be trusted", goes_on_s=1_020),
    "E05": Plot(trips=("I-04",), message="oxygen purity low", goes_on_s=3_000),
    "E06": Plot(trips=(), message="sump level high", goes_on_s=5_400),
    "E08": Plot(trips=(), message="", goes_on_s=1_500),
    "E09": Plot(trips=("I-10a", "I-10b"), message="mains lost", goes_on_s=900),
    "E10": Plot(trips=(), message="", goes_on_s=2_900),  # announced: diverted without a latch and without a call
    "E12": Plot(trips=(), message="", goes_on_s=300),
    "E13": Plot(trips=("I-02", "I-08"), message="did not move", goes_on_s=480),
    "E14": Plot(trips=("I-05",), message="its register order changed", goes_on_s=600),
    "E15": Plot(trips=(), message="clock far off network time", goes_on_s=900),
    "E16": Plot(trips=(), message="tank level LIT-151 has no usable value", goes_on_s=600),
    "E17": Plot(trips=("I-05b",), message="line COM2 silent", goes_on_s=600),
    "E18": Plot(trips=(), message="hypochlorite pump has been in manual", goes_on_s=2_100),
    "E19": Plot(trips=("I-19",), message="no record can be written", goes_on_s=1_800),
    "E20": Plot(trips=(), message="somebody else wrote the product permission", goes_on_s=300),
}
"""The events that take hours at most; those that take days are for the direct gear."""
_OF_DAYS = [*(one.name for one in EVENTS.values() if one.days and one.name not in PLOTS), direct.MONTH]


@dataclass
class Story:
    """What has been seen and told."""

    plot: Plot
    turbidity_ntu: float = 0.0
    trips: list[str] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)
    exposures: list[JournalEntry] = field(default_factory=list)
    said: dict[str, str] = field(default_factory=dict)  # by tag, so that nothing is told twice in a row
    entries: int = 0
    released: bool = False

    @property
    def whole(self) -> bool:
        """Everything the plot asks for has been seen."""
        told = not self.plot.message or any(self.plot.message in text for text in self.messages)
        return self.released and told and [one for one in self.trips if one in self.plot.trips] == [*self.plot.trips]


class Demo:
    """One showing.

    Args:
        script: what is played.
        folder: of this showing.
    """

    def __init__(self, script: Script, folder: Path) -> None:
        self.script, self.folder = script, folder
        self.story = Story(PLOTS[script.event])
        self.stalled_s = 0.0  # the longest time for which this machine let nothing run
        self._loop = asyncio.get_running_loop()
        self._now_utc_ms = utc_ms(EVENTS[script.event].starts_ms)

    def say(self, who: str, text: str) -> None:
        """One line of the story, with plant time."""
        clock = local_time_of_utc(self._now_utc_ms).strftime("%a %H:%M:%S")
        sys.stdout.write(f"{clock}  {who:<8} {text}\n")
        sys.stdout.flush()

    async def play(self) -> dict[str, Any]:
        """Play it. Returns what was true at the end, once everything has stopped.

        Raises:
            StageError, OfficeError: something did not come up.
        """
        with Office(folder=self.folder / "office", on_heard=self._from_thread) as office:
            async with Stage(self.folder, self.script, OfficeAddress(port=office.port)) as stage:
                event = EVENTS[self.script.event]
                self.say("demo", f"event {event.name}: {event.says}")
                if event.lacks:
                    self.say("demo", f"what the scenario has besides and this cannot play yet: {event.lacks}")
                self.say(
                    "demo", f"{self.script.rate:g} plant seconds a second; the event strikes after an hour of plant"
                )
                await stage.start_gateway(lambda field: self._visitor(stage, field).commission())
                async with await stage.field("demo") as gateway:
                    await self._watch(stage, gateway)
                self.say("demo", "the story is told; stopping the gateway")
                await stage.stop_gateway()
                return {**await stage.control.truth(), "doubles": office.doubles, "missing": office.missing}

    def _visitor(self, stage: Stage, gateway: FieldClient) -> Visitor:
        return Visitor(gateway, stage.control, lambda text: self.say("visitor", text))

    async def _watch(self, stage: Stage, gateway: FieldClient) -> None:
        visitor = self._visitor(stage, gateway)
        for output in (await gateway.status()).outputs:
            self.say("gateway", narrator.standing(output))
        async with _alongside(self._listen(gateway), self._visit(visitor), self._notice_stalls()):
            while True:
                since_s = float((await stage.control.truth())["since_event_s"])
                if since_s >= self.story.plot.goes_on_s:
                    break
                await asyncio.sleep(_LOOK_AGAIN_S)
            newest = (await gateway.newest_entries(1))[-1]
            what = f"{newest.kind} {newest.subject}".strip()
            self.say("gateway", f"record written: journal line {newest.n} ({what}) is committed")

    async def _visit(self, visitor: Visitor) -> None:
        self.say("visitor", "reads the displays and waits for half an hour of good readings")
        answer = await visitor.release_when_ready("product")
        self.story.released = answer.granted
        for bypass in EVENTS[self.script.event].bypasses:
            await visitor.bypass_when_due(bypass)
        for hold in EVENTS[self.script.event].holds:
            await visitor.hold_when_due(hold)

    async def _notice_stalls(self) -> None:
        while True:
            before_s = self._loop.time()
            await asyncio.sleep(_TICK_S)
            self.stalled_s = max(self.stalled_s, self._loop.time() - before_s - _TICK_S)

    async def _listen(self, gateway: FieldClient) -> None:
        async for news in gateway.watch():
            if isinstance(news, LiveEvent):
                self._tell_event(news.entry)
            elif isinstance(news, Values):
                self._tell_values(news)

    def _tell_event(self, entry: JournalEntry) -> None:
        self._now_utc_ms = max(self._now_utc_ms, entry.utc_ms)
        self.story.entries = max(self.story.entries, entry.n)
        if entry.kind == "trip":
            self.story.trips.append(entry.subject)
        if entry.kind == "exposure":
            self.story.exposures.append(entry)
        text = narrator.sentence(entry)
        if text:
            self.say("gateway", text)

    def _tell_values(self, news: Values) -> None:
        self._now_utc_ms = max(self._now_utc_ms, news.utc_ms)
        for value in news.values:
            if value.tag == "AIT-510" and value.value is not None:
                text = narrator.step_up(self.story.turbidity_ntu, value.value)
                self.story.turbidity_ntu = value.value
            else:
                text = narrator.position(value)
            if text and self.story.said.get(value.tag) != text:
                self.say("plant", text)
            self.story.said[value.tag] = text

    def _from_thread(self, heard: Heard) -> None:
        if heard.topic.endswith("/message") and not heard.double:
            self._loop.call_soon_threadsafe(self._tell_message, str(heard.content["text"]))

    def _tell_message(self, text: str) -> None:
        self.story.messages.append(text)
        self.say("office", f"message received: {text}")


@asynccontextmanager
async def _alongside(*works: Coroutine[None, None, None]) -> AsyncIterator[None]:
    """Run works beside the block; the first one that fails ends the block, and its error comes out."""
    try:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(work) for work in works]
            yield
            for task in tasks:
                task.cancel()
    except* (StageError, FieldError) as faults:
        fault = faults.exceptions[0]
        raise StageError(str(fault)) from fault


def kept_pace(stalled_s: float, rate: float) -> str:
    """What to say of a machine that stood still for so long that it shows in the plant; empty when it does not."""
    plant_s = stalled_s * rate
    if plant_s < _STALL_SHOWS_S:
        return ""
    return (
        f"This machine stood still for up to {stalled_s:.2f} s, which are {plant_s:.0f} plant seconds: readings may"
        f" have become stale because of that.\nLet it do nothing else meanwhile, or try RATE={max(1, round(rate / 2))}."
    )


def _summary(demo: Demo, truth: dict[str, Any]) -> str:
    story = demo.story
    passed = ", ".join(f"{one.subject}: {one.facts['passed_l']:g} L" for one in story.exposures) or "nothing to count"
    return "\n".join(
        [
            "",
            "Summary",
            f"  tripped                                  {', '.join(story.trips) or 'nothing'}",
            f"  water into the product tank (true)       {truth['into_tank_l']:.0f} L",
            f"  of it out of limits (true)               {truth['out_of_limits_into_tank_l']:.1f} L",
            f"  may have passed, as the gateway reckons  {passed}",
            f"  permission at the end (true)             {'GIVEN' if truth['permitted'] else 'withdrawn'}",
            f"  valve XV-901 at the end (true)           {_valve(truth)}",
            f"  messages to people                       {len(story.messages)} (doubles: {truth['doubles']})",
            f"  readings missing at the office           {truth['missing']}",
            f"  journal                                  {story.entries} lines",
            f"  record                                   {demo.folder / 'site' / 'record'}",
            f"  what the office received                 {demo.folder / 'office' / 'office.jsonl'}",
            "",
            *filter(None, [kept_pace(demo.stalled_s, demo.script.rate)]),
            f"The story is {'whole' if story.whole else 'NOT WHOLE: see gateway.log and plant.log beside the record'}.",
            "Invented plant. Supervisory only: hard-wired and local protection stays; local codes decide.",
        ]
    )


def _valve(truth: dict[str, Any]) -> str:
    if truth["proven_divert"]:
        return "proven at divert"
    return "proven at product" if truth["proven_product"] else "between its limit switches"


def _folder(event: str) -> Path:
    """A fresh folder for this showing, below the current one unless that is too long for a socket's path."""
    below = Path.cwd() / "demo-record" / event
    if len(str(below)) > _LONGEST_FOLDER:
        return Path(tempfile.mkdtemp(prefix="demo-record-"))
    shutil.rmtree(below, ignore_errors=True)
    return below


def _ends_within_s(script: Script) -> float:
    """Real seconds after which a showing has failed."""
    event, plot = EVENTS[script.event], PLOTS[script.event]
    return _AROUND_S + 1.2 * (event.lead_ms / 1_000 + plot.goes_on_s) / script.rate


async def _show(script: Script) -> int:
    demo = Demo(script, _folder(script.event))
    playing = asyncio.create_task(demo.play())
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, playing.cancel)
    try:
        async with asyncio.timeout(_ends_within_s(script)):
            truth = await playing
    except asyncio.CancelledError:
        sys.stdout.write("\nstopped: the gateway withdrew its permission, and everything has ended\n")
        return EXIT_INTERRUPTED
    sys.stdout.write(_summary(demo, truth) + "\n")
    return EXIT_FINE if demo.story.whole else EXIT_STORY_BROKEN


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulator.demo", description="A trip, from the water to the office."
    )
    parser.add_argument(
        "event", nargs="?", choices=[*PLOTS, *_OF_DAYS], default="E01", help="what goes wrong (default E01)"
    )
    parser.add_argument("--rate", type=float, default=None, help="plant seconds a second, 20 to 60 (default 40, or 20)")
    parser.add_argument("--seed", type=int, default=1, help="of the plant's noise (default 1)")
    return parser


def _compute(event: Event, seed: int) -> int:
    """An event of days, in the direct gear."""
    sys.stdout.write(f"{event.name}: {event.says}\nIt goes on for {event.days} days: computed, without sockets.\n")
    hours, scan_s = direct.window(event)
    direct.play(event, hours=hours, scan_s=scan_s, seed=seed, site=DEMO_SITE, quiet=False)
    return EXIT_FINE


def main() -> int:
    """Show one event. Returns the exit code."""
    arguments = _parser().parse_args()
    event = direct.month() if arguments.event == direct.MONTH else EVENTS[arguments.event]
    if event.name not in PLOTS and event.days:
        return _compute(event, arguments.seed)
    slower = event.silences or event.fails_storage_s  # at each new attempt the record has more to take at once
    rate = arguments.rate or (FASTEST_SILENT if slower else USUAL)
    script = Script(event=event.name, rate=rate, seed=arguments.seed)
    if fault := too_fast(event, script.rate):
        sys.stderr.write(f"the demo cannot show this: {fault}\n")
        return EXIT_CANNOT_START
    try:
        return asyncio.run(_show(script))
    except (StageError, OfficeError, FieldError, OSError, TimeoutError) as fault:
        sys.stderr.write(f"the demo cannot go on: {str(fault) or 'it took too long'}\n")
        return EXIT_CANNOT_START


if __name__ == "__main__":
    sys.exit(main())
