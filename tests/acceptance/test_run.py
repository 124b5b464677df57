"""The command ``run``: a site with faults starts nothing, Ctrl-C ends it clean at any moment, and nobody is nobody."""

import asyncio
import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from gateway.local.messages import Answered, Ask, Status
from simulator.site import DEMO_SITE
from simulator.stage import Script
from tests.acceptance.play import RATE, Play, Record, playing, processes_of, record_of
from tests.site_copy import operator_is

pytestmark = [pytest.mark.acceptance, pytest.mark.timeout(120)]

REFUSED_SITE = 3
IN_ORDER = 0
BEFORE_ANYTHING = -signal.SIGINT  # nothing had been started yet
STOPPED_WITHIN_S = 15.0
COMMAND = (sys.executable, "-m", "gateway", "run")


# --- a site with faults ---


@pytest.fixture
def faulty(tmp_path: Path) -> Path:
    """The demo site with a fault in each of four files."""
    site = tmp_path / "site"
    shutil.copytree(DEMO_SITE, site)
    _change(site / "site.yaml", "scan_period_s: 1", "scan_periode_s: 1")
    _change(site / "tags.yaml", "frozen_after_s: 600", "frozen_after_s: -600")
    _change(site / "protection.yaml", "flow: FSP-201, volume_l: 5150", "flow: FSP-202, volume_l: 5150")
    _change(site / "alarms.yaml", "priority: P1", "priority: P9")
    return site


def _change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text, file
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_a_site_with_faults_is_refused_with_all_of_them_and_starts_nothing(faulty: Path) -> None:
    ended = subprocess.run([*COMMAND, str(faulty)], capture_output=True, text=True, timeout=60, check=False)
    said = ended.stdout + ended.stderr
    assert ended.returncode == REFUSED_SITE
    assert "Traceback" not in said
    for file, found in (
        ("site.yaml", "scan_periode_s"),
        ("tags.yaml", "-600"),
        ("protection.yaml", "FSP-202"),
        ("alarms.yaml", "P9"),
    ):
        assert any(file in line for line in said.splitlines()), (file, said)
        assert found in said, (found, said)
    assert "scan_period_s" in said  # the nearest key there is
    assert not (faulty / "record").exists()
    assert not processes_of(faulty)


# --- Ctrl-C at a moment nobody has chosen ---


@dataclass(frozen=True, kw_only=True)
class Interrupted:
    """What became of a run that was interrupted.

    Args:
        after_s: when, real seconds from its start.
        code: how it ended.
        log: what it said.
        true: the plant afterwards.
        left: processes of the site that still run.
    """

    after_s: float
    code: int
    log: str
    true: dict[str, Any]
    left: dict[str, int]


# The first moment is while it loads, the second while its processes do, the third while they work.
MOMENTS_S = ((0.1, 0.4), (0.4, 1.6), (1.6, 4.0))


@pytest.fixture(scope="module")
def interrupted(tmp_path_factory: pytest.TempPathFactory) -> list[Interrupted]:
    return asyncio.run(_interrupt(tmp_path_factory.mktemp("interrupted")))


async def _interrupt(folder: Path) -> list[Interrupted]:
    dice = random.Random()  # noqa: S311 - a moment is no secret
    async with playing(folder, Script(event="calm", rate=RATE)) as play:
        await play.control.ask(do="rate", rate=RATE)
        return [await _interrupt_once(play, dice.uniform(*moment)) for moment in MOMENTS_S]


async def _interrupt_once(play: Play, after_s: float) -> Interrupted:
    log = play.stage.folder / f"run-{after_s:.3f}.log"
    with log.open("wb") as output:
        run = await asyncio.create_subprocess_exec(
            *COMMAND, str(play.stage.site), stdout=output, stderr=output, start_new_session=True
        )
    try:
        await asyncio.sleep(after_s)
        run.send_signal(signal.SIGINT)
        code = await asyncio.wait_for(run.wait(), STOPPED_WITHIN_S)
    finally:
        with contextlib.suppress(ProcessLookupError):
            run.kill()
    return Interrupted(
        after_s=after_s,
        code=code,
        log=log.read_text(encoding="utf-8"),
        true=await play.truth(),
        left=processes_of(play.stage.site),
    )


def test_ctrl_c_at_a_random_early_moment_ends_it_clean(interrupted: list[Interrupted]) -> None:
    for one in interrupted:
        assert one.code in {IN_ORDER, BEFORE_ANYTHING}, one
        assert "Traceback" not in one.log, one
        assert one.left == {}, one


def test_ctrl_c_leaves_the_permission_withdrawn(interrupted: list[Interrupted]) -> None:
    for one in interrupted:
        assert not one.true["permitted"], one
        assert not one.true["product_commanded"], one
        assert one.true["proven_divert"], one


def test_once_it_works_it_stops_in_order(interrupted: list[Interrupted]) -> None:
    """The uplink may still have been loading, and then it was ended by the signal itself."""
    working = [one for one in interrupted if "field process of marrowfell runs" in one.log]
    assert all("field: ended with code 0 " in one.log for one in working), working


# --- nobody ---


@dataclass(frozen=True, kw_only=True)
class Nobody:
    """What somebody asked whose user the site does not know."""

    answers: dict[str, Answered]
    status: Status
    true: dict[str, Any]
    record: Record


@pytest.fixture(scope="module")
def nobody(tmp_path_factory: pytest.TempPathFactory) -> Nobody:
    return asyncio.run(_ask_as_nobody(tmp_path_factory.mktemp("nobody")))


async def _ask_as_nobody(folder: Path) -> Nobody:
    """The site's operator is another user of the machine, so whoever runs this test is nobody to it."""
    async with playing(folder, Script(event="calm", rate=RATE)) as play:
        operator_is(play.stage.site, os.getuid() + 1)
        field = await play.start(commissioned=False)  # nobody may do that either
        asks = (
            Ask(id="1", action="acknowledge", subject="TURBIDITY-HIGH"),
            Ask(id="2", action="release", subject="product", reason="trying"),
            Ask(id="3", action="grab_sample", measured={"turbidity_ntu": 0.5, "total_chlorine_mg_l": 5.0}),
            Ask(id="4", action="release", subject="product", reason="trying", person="VISITOR-OP"),
            Ask(id="5", action="commission", reason="trying"),
        )
        answers = {ask.id: await field.ask(ask) for ask in asks}
        status, true = await field.status(), await play.truth()
        await play.stopped()
        return Nobody(answers=answers, status=status, true=true, record=record_of(play.stage))


def test_nobody_may_acknowledge_release_enter_a_sample_or_commission(nobody: Nobody) -> None:
    for number in ("1", "2", "3", "5"):
        answer = nobody.answers[number]
        assert not answer.granted, answer
        assert answer.reason == "not_a_person", answer
        assert "nobody" in answer.text
        assert answer.confirm == 0


def test_nobody_may_not_call_himself_somebody(nobody: Nobody) -> None:
    """Who it is, is told by the socket, not by the message."""
    assert not nobody.answers["4"].granted
    assert nobody.answers["4"].reason == "not_a_person"
    assert nobody.answers["4"].confirm == 0


def test_what_nobody_asks_does_not_reach_the_decisions(nobody: Nobody) -> None:
    kinds = {one.kind for one in nobody.record.journal}
    assert kinds == {"start", "start_latched", "stop"}
    (product,) = (one for one in nobody.status.outputs if one.output == "product")
    (sample,) = (item for item in product.release if "grab sample" in item.text)
    assert product.level == "withdrawn"
    assert not sample.satisfied
    assert not nobody.true["permitted"]
