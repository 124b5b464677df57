"""The whole gateway delivers on the simulated plant, and its processes are killed at random instants.

Played in the scaled gear: at twice real time from before the kill until the
solenoid is off, so that a look is a tenth of a plant second late at most, and
at thirty times until the plant delivers again. The site's half hour of good
readings before a release is two minutes here, its ten minutes before the
permission returns by itself are one.

Killed are, by chance: the field process while the supervisor is stopped, so
that nobody starts it again; the field process alone, which is then started
again after a second; all three at once; the uplink, which must change nothing.
What comes of a supervisor killed alone is not tried: its field process goes on.
"""

import asyncio
import contextlib
import os
import random
import signal
import tempfile
from itertools import groupby
from pathlib import Path

from gateway.local.client import FieldClient
from gateway.local.messages import JournalEntry
from simulator.stage import Script, StageError
from tests.acceptance.play import PATIENCE_S, RATE, SOONER_S, Play, playing, processes_of, record_of
from tests.faults.frame import Row, Tally
from tests.site_copy import release_sooner, return_sooner

SLOWLY = 2.0
OFF_WITHIN_S = 16.0
RETURN_AFTER_S = 60.0
IN_ONE_PLAY = 10
WITHIN_S = 3.0  # real; the kill falls anywhere in so long, which is more than a commit interval's share
HELD_BY_THE_START = {"proving after a start", "controller not read yet"}
VICTIMS: dict[str, tuple[str, ...]] = {
    "field, nobody there to start it again": ("field",),
    "field": ("field",),
    "all": ("run", "field", "uplink"),
    "uplink": ("uplink",),
}


def run(tries: int, seed: int) -> Tally:
    """Kill so many times, in plays of a few kills each, and read each play's record afterwards."""
    tally, chance = Tally(), random.Random(seed)  # noqa: S311 - instants of kills
    while tally.tried < tries:
        asyncio.run(_play(min(IN_ONE_PLAY, tries - tally.tried), chance, tally))
    return tally


async def _play(tries: int, chance: random.Random, tally: Tally) -> None:
    """One play. What does not deliver again, on a machine that is too busy for this rate, ends it and is counted."""
    with tempfile.TemporaryDirectory() as folder:
        async with playing(Path(folder), Script(event="calm", rate=RATE)) as play:
            release_sooner(play.stage.site, SOONER_S)
            return_sooner(play.stage.site, RETURN_AFTER_S)
            await play.deliver(play.visitor(await play.start()))
            for _ in range(tries):
                tally.one(await _once(play, chance, tally))
                if held := await _delivering_again(play, tally):
                    tally.count(f"plays ended early, not delivering again: {held}")
                    break
            await play.stopped()
            _judge_record(play, tally)


async def _once(play: Play, chance: random.Random, tally: Tally) -> str:
    """One kill and what the solenoid does. Returns what was lost, empty when nothing was."""
    await play.control.ask(do="rate", rate=SLOWLY)
    await asyncio.sleep(chance.uniform(0, WITHIN_S))  # not to wait for anything: so that the kill falls anywhere
    victim = chance.choice(sorted(VICTIMS))
    tally.count(f"kills of {victim}")
    processes = processes_of(play.stage.site)
    before = await play.truth()
    alone = victim == "field, nobody there to start it again"
    if alone:
        os.kill(processes["run"], signal.SIGSTOP)
    try:
        for name in VICTIMS[victim]:
            os.kill(processes[name], signal.SIGKILL)
        if victim == "uplink":
            later = await play.after(OFF_WITHIN_S)
            return "" if later["product_commanded"] else "the uplink was killed, and the plant diverts"
        off = await play.truth_when(lambda true: not true["product_commanded"], "solenoid off")
    finally:
        if alone:
            os.kill(processes["run"], signal.SIGCONT)
    if victim == "all":
        assert play.stage.gateway is not None
        await play.stage.gateway.wait()
        await play.stage.start_gateway()
    after_s = (off["utc_ms"] - before["utc_ms"]) / 1_000
    tally.at_worst(after_s)
    return "" if after_s <= OFF_WITHIN_S else f"{victim} killed: solenoid off after {after_s:.1f} s"


async def _delivering_again(play: Play, tally: Tally) -> str:
    """By the restart rule; by a release where the start, or a trip since, is latched.

    Returns what held it up when it does not come to that, else nothing. A machine too busy for this rate may do so.
    """
    field = await _connected(play)
    await play.control.ask(do="rate", rate=RATE)
    reasons: tuple[str, ...] = ()
    try:
        async with asyncio.timeout(2 * PATIENCE_S):
            while not (await play.truth())["proven_product"]:
                reasons = next(one for one in (await field.status()).outputs if one.output == "product").reasons
                if reasons and not HELD_BY_THE_START & set(reasons):
                    tally.count("releases by a person: " + ", ".join(reasons))
                    await play.deliver(play.visitor(field))
                await asyncio.sleep(0.05)
    except (TimeoutError, AssertionError) as error:
        return f"{', '.join(reasons)} {error}"
    finally:
        await field.close()
    return ""


async def _connected(play: Play) -> FieldClient:
    """The field process that was started again: killed as often as here, it is started ever later, up to 36 s."""
    for _ in range(2):
        with contextlib.suppress(StageError):
            return await play.stage.field("faults")
    return await play.stage.field("faults")


def _judge_record(play: Play, tally: Tally) -> None:
    """Whole over all kills; in each run nothing is permitted before it has returned by the rule or was released."""
    record = record_of(play.stage)
    tally.count("runs in the record", len(record.all("start")))
    tally.lost += [f"record: {one.text}" for one in record.findings]
    if [one.n for one in record.journal] != list(range(1, len(record.journal) + 1)):
        tally.lost.append("record: the journal has gaps")
    for number, lines in groupby(record.journal, key=lambda one: one.run):
        if given := given_without(list(lines)):
            tally.lost.append(f"run {number}: product permitted at line {given.n}, neither returned nor released")


def given_without(lines: list[JournalEntry]) -> JournalEntry | None:
    """The first line of a run that permits product without a line before it that gives it back."""
    allowed = False
    for one in lines:
        if one.subject != "product":
            continue
        allowed = allowed or one.kind in {"returned", "released"}
        if one.kind == "level" and one.facts["to"] == "permitted" and not allowed:
            return one
    return None


ROW = Row(
    fault="kill -9 of field process, uplink or all while delivering; simulated plant at 2 plant s a s",
    promise="solenoid off within 16 s; it returns by the restart rule or a release alone; the record is whole",
    figure="s to solenoid off",
    most=OFF_WITHIN_S,
    goal=100,
    run=run,
)
