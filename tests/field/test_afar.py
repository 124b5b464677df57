"""Requests from afar: taken from their signer alone, once, in time, and not too many; all that is refused is said."""

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import pytest

from gateway.core.outcome import Event, EventKind
from gateway.core.request import Action, Answer, Origin, Request
from gateway.core.tick import Tick
from gateway.field.afar import REFUSALS_A_MINUTE, REQUESTS_A_MINUTE, AfarDesk, Correspondent
from gateway.local import signatures, signed
from gateway.local.messages import Ask
from gateway.local.signed import Claim
from tests.core.plants import UTC_MS
from tests.field.fieldbench import Disk

WAIT_S = 20.0
PRIVATE, PUBLIC = signatures.new_key()
STRANGERS, _ = signatures.new_key()
PEOPLE = {
    "DUTY-MGR": Correspondent(role="DUTY-MGR", key=PUBLIC),
    "ONCALL-1": Correspondent(role="ONCALL-1", key=signatures.new_key()[1]),
}
RELEASE = Ask(id="1", action="release", subject="product", reason="seen on site by phone")


@dataclass
class Site:
    """What stands around the desk, and what it was told."""

    disk: Disk
    tick: Tick = field(default_factory=lambda: Tick(monotonic_ms=0, utc_ms=UTC_MS))
    requests: list[Request] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    def desk(self) -> AfarDesk:
        return AfarDesk(
            site="marrowfell",
            people=PEOPLE,
            database=self.disk,
            submit=self._submit,
            journal=self.events.append,
            now=lambda: self.tick,
        )

    async def _submit(self, request: Request) -> Answer:
        self.requests.append(request)
        return Answer(request=request.id, granted=True, text="Done.")

    def later(self, ms: int, *, utc_trusted: bool = True) -> None:
        tick = self.tick
        self.tick = Tick(monotonic_ms=tick.monotonic_ms + ms, utc_ms=tick.utc_ms + ms, utc_trusted=utc_trusted)


def play(folder: Path, script: Callable[[Site], Coroutine[Any, Any, None]]) -> None:
    disk = Disk(folder / "plant.db")
    try:
        asyncio.run(script(Site(disk)))
    finally:
        disk.close(WAIT_S)


def octets(number: int = UTC_MS + 1, *, key: str = PRIVATE, lasts_ms: int = 120_000, **other: Any) -> bytes:
    claim = {"site": "marrowfell", "person": "DUTY-MGR", "ask": RELEASE, **other}
    return signatures.sign(Claim(number=number, expires_utc_ms=number + lasts_ms, **claim), key)


def test_what_its_person_has_signed_reaches_the_scan_as_asked_from_afar(tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        asked = octets()
        answer = await site.desk().submit(asked)
        assert answer.granted
        (request,) = site.requests
        assert request.id == answer.request == signed.digest(asked)
        assert (request.person, request.role, request.origin) == ("DUTY-MGR", "DUTY-MGR", Origin.REMOTE)
        assert (request.action, request.subject) == (Action.RELEASE, "product")
        assert site.events == []  # what is granted or refused by the scan, the scan tells

    play(tmp_path, script)


def asking(action: str, **other: Any) -> bytes:
    return octets(ask=Ask(id="1", action=action, **other))


def altered(was: bytes, **parts: bytes) -> bytes:
    return msgspec.json.encode(msgspec.structs.replace(msgspec.json.decode(was, type=signed.Signed), **parts))


REFUSED = {
    "no request": (b"release product", "malformed"),
    "too long": (b" " * 10_000, "malformed"),
    "by a stranger": (octets(key=STRANGERS), "not_signed"),
    "by one person as another": (octets(person="ONCALL-1"), "not_signed"),
    "by nobody of this site": (octets(person="VISITOR-OP"), "not_signed"),
    "changed after it was signed": (
        altered(octets(), claim=signed.opened(octets())[0].claim.replace(b"product", b"PRODUCT")),
        "not_signed",
    ),
    "without a signature": (altered(octets(), signature=b""), "not_signed"),
    "for another site": (octets(site="elsewhere"), "other_site"),
    "expired": (octets(UTC_MS - 120_001), "expired"),
    "of the future": (octets(UTC_MS + 61_000), "not_yet"),
    "valid for ever": (octets(lasts_ms=10**12), "lasts_too_long"),
    "expired before it was signed": (octets(lasts_ms=0), "lasts_too_long"),
    "signed before the site first looked": (octets(UTC_MS - 1), "asked_before"),
    "in the name of another": (asking("release", person="ONCALL-1"), "not_this_person"),
    "a sample nobody has taken there": (asking("grab_sample", measured={"turbidity_ntu": 0.1}), "on_site_only"),
    "commissioning": (asking("commission", reason="x"), "on_site_only"),
    "a bypass": (asking("bypass", subject="I-01", reason="x", duration_s=60), "on_site_only"),
    "an alarm without its occurrence": (asking("acknowledge", subject="TURBIDITY-HIGH"), "no_occurrence"),
    "an action there is not": (asking("open_the_valve"), "unknown_action"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_refused_and_journaled(what: str, tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        asked, reason = REFUSED[what]
        answer = await site.desk().submit(asked)
        assert (answer.granted, answer.reason) == (False, reason)
        assert site.requests == []
        (told,) = site.events
        assert (told.kind, told.reason) == (EventKind.AFAR_REFUSED, reason)
        assert told.facts["request"] == answer.request
        assert told.person == ("" if reason in {"malformed", "not_signed", "other_site"} else "DUTY-MGR")

    play(tmp_path, script)


def test_nothing_is_taken_twice_not_even_by_a_process_started_anew(tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        asked, older = octets(UTC_MS + 50), octets(UTC_MS + 40)
        assert (await site.desk().submit(asked)).granted
        for desk in (site.desk(), site.desk()):
            assert (await desk.submit(asked)).reason == "asked_before"
            assert (await desk.submit(older)).reason == "asked_before"
        assert len(site.requests) == 1

    play(tmp_path, script)


def test_the_same_twice_at_once_is_taken_once(tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        desk = site.desk()
        answers = await asyncio.gather(desk.submit(octets()), desk.submit(octets()))
        assert sorted(answer.granted for answer in answers) == [False, True]
        assert len(site.requests) == 1

    play(tmp_path, script)


def test_what_cannot_be_written_down_as_taken_is_not_taken(tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        site.disk.full = True
        assert (await site.desk().submit(octets())).reason == "not_recordable"
        assert site.requests == []
        assert site.events[-1].reason == "not_recordable"

    play(tmp_path, script)


def test_without_a_clock_that_is_set_nothing_is_of_now(tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        desk = site.desk()
        site.later(10, utc_trusted=False)
        assert (await desk.submit(octets())).reason == "clock_not_trusted"
        site.later(10)
        assert (await desk.submit(octets())).granted

    play(tmp_path, script)


def test_a_person_asks_so_often_a_minute_and_no_more(tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        desk = site.desk()
        answers = [await desk.submit(octets(UTC_MS + n)) for n in range(1, REQUESTS_A_MINUTE + 2)]
        assert [answer.reason for answer in answers] == [*[""] * REQUESTS_A_MINUTE, "too_many"]
        site.later(60_000)
        assert (await desk.submit(octets(UTC_MS + 60_000))).granted

    play(tmp_path, script)


def test_strangers_neither_fill_the_journal_nor_use_up_what_a_person_may_ask(tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        desk = site.desk()
        for n in range(500):
            assert (await desk.submit(octets(UTC_MS + n, key=STRANGERS))).reason == "not_signed"
        assert len(site.events) == REFUSALS_A_MINUTE
        assert (await desk.submit(octets())).granted
        site.later(60_000)
        await desk.submit(b"again")
        assert site.events[-1].facts["not_told"] == 500 - REFUSALS_A_MINUTE

    play(tmp_path, script)


def test_what_a_stranger_says_of_himself_is_told_as_his_word(tmp_path: Path) -> None:
    async def script(site: Site) -> None:
        await site.desk().submit(octets(key=STRANGERS, person="DUTY-MGR\n" + "x" * 100))
        assert site.events[-1].person == ""
        assert site.events[-1].facts["claims_to_be"] == "DUTY-MGR?" + "x" * 31

    play(tmp_path, script)
