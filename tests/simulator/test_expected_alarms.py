"""What people are told in the scripted events: number, priority and words of the alarms, and no more than that.

In the direct gear, to the second where that is quick and in steps of the fastest poll where an hour is played;
from delivery on, see ``test_direct_events``. Lengths are from the strike until everything that the scenario
expects has come, and long enough after it for what should not.
"""

import shutil
from dataclasses import dataclass

import pytest

from gateway.configuration.plant import LoadedSite, load_site
from gateway.core.outcome import EventKind
from simulator.devices import behind
from simulator.site import DEMO_SITE
from tests.simulator.test_direct_events import EVERY_POLL, EVERY_SECOND, Played, delivering
from tests.site_copy import release_sooner

MINUTE_S = 60


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What an event makes.

    Args:
        until_s: length of the play.
        scan_ms: from scan to scan.
        alarms: each with its priority and words of its message, in order.
        never: words that no message has.
        cause: first cause of the one event they are; empty when they are single.
    """

    until_s: int
    scan_ms: int = EVERY_SECOND
    alarms: tuple[tuple[str, str, str], ...] = ()
    never: tuple[str, ...] = ()
    cause: str = ""


EXPECTED = {
    "E01": Expected(
        until_s=75 * MINUTE_S,
        scan_ms=EVERY_POLL,
        alarms=(("TURBIDITY-HIGH", "P1", "cloudy"), ("TURBIDITY-APART", "P3", "differ")),
        never=("cannot be trusted",),
        cause="TURBIDITY-HIGH",
    ),
    "E03": Expected(
        until_s=5 * MINUTE_S, alarms=(("TURBIDITY-UNKNOWN", "P1", "turbidity cannot be trusted"),), never=("cloudy",)
    ),
    "E13": Expected(  # the report within five minutes of the first reading below
        until_s=170,
        alarms=(
            ("TELEPHONE-REPORT", "P1", "telephone report due"),
            ("CHLORINE-LOW", "P1", "chlorine too low"),
            ("VALVE-STUCK", "P1", "did not move"),
        ),
        never=("cannot be trusted",),
    ),
    "E05": Expected(
        until_s=55 * MINUTE_S,
        scan_ms=EVERY_POLL,
        alarms=(
            ("OXYGEN-LOW", "P2", "oxygen purity low"),
            ("UV-DOSE-SOON", "P2", "close to its limit"),
            ("UV-DOSE-LOW", "P1", "dose below its limit"),
            ("UVT-LOW", "P2", "UV transmittance low"),
        ),
        cause="OXYGEN-LOW",
    ),
    "E06": Expected(
        until_s=75 * MINUTE_S,
        scan_ms=EVERY_POLL,
        alarms=(("GRINDER-OVERLOAD", "P2", "overload"), ("SUMP-HIGH", "P1", "sump level high")),
        cause="GRINDER-OVERLOAD",
    ),
    "E09": Expected(
        until_s=12 * MINUTE_S, alarms=(("MAINS-LOST", "P1", "mains lost"),), never=("silent",), cause="MAINS-LOST"
    ),
    "E12": Expected(until_s=5 * MINUTE_S),
    "E16": Expected(
        until_s=5 * MINUTE_S,
        alarms=(("LIT-151-UNKNOWN", "P2", "equalization tank level LIT-151 has no usable value"),),
        never=("empty", "low"),
    ),
    "E17": Expected(
        until_s=6 * MINUTE_S,
        alarms=(("LINE-COM2-SILENT", "P1", "line COM2 silent: none of its 10 devices"),),
        cause="LINE-COM2-SILENT",
    ),
}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> LoadedSite:
    copy = tmp_path_factory.mktemp("expected") / "site"
    shutil.copytree(DEMO_SITE, copy)
    release_sooner(copy, 300)
    return load_site(copy)


@pytest.fixture(scope="module", params=EXPECTED)
def played(request: pytest.FixtureRequest, site: LoadedSite) -> tuple[Played, Expected]:
    expected = EXPECTED[request.param]
    event = delivering(site, request.param, scan_ms=expected.scan_ms)
    event.to(expected.until_s)
    return event, expected


def test_the_alarms_are_these_and_no_more(played: tuple[Played, Expected]) -> None:
    event, expected = played
    assert event.alarms() == [(name, priority) for name, priority, _ in expected.alarms]


def test_they_are_worded_for_what_it_is(played: tuple[Played, Expected]) -> None:
    event, expected = played
    rules = event.run.gear.rules.alarms
    for name, _, words in expected.alarms:
        assert words in rules[name].text.says
        assert not any(word in rules[name].text.says for word in expected.never)


def test_what_has_one_cause_is_one_event_and_every_later_alarm_names_it(played: tuple[Played, Expected]) -> None:
    event, expected = played
    told = [one for _, one in event.all(EventKind.CAUSE_GROUP)]
    assert [one.subject for one in told] == ([expected.cause] if expected.cause else [])
    later = [one for _, one in event.all(EventKind.ALARM) if one.subject != expected.cause]
    if expected.cause:
        named = {(one.facts["caused_by"], one.facts["cause_group"]) for one in later}
        assert named <= {(expected.cause, told[0].facts["cause_group"])}
    else:
        assert not any("caused_by" in one.facts for one in later)


def test_the_group_of_a_silent_line_keeps_every_device_that_it_silences(site: LoadedSite) -> None:
    event = delivering(site, "E17")
    event.to(2 * MINUTE_S)
    (group,) = event.run.gear.state.cause_groups.groups
    silent = {f"{device.name}-SILENT" for device in behind("COM2")}
    assert set(group.members) == {"LINE-COM2-SILENT", *silent}
    hidden = [one for _, one in event.all(EventKind.HIDDEN_CHANGE) if one.reason == "alarm"]
    assert {one.subject for one in hidden} == silent
    assert {one.facts["caused_by"] for one in hidden} == {"LINE-COM2-SILENT"}
