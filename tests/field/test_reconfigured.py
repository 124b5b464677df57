"""What a start journals of its configuration: one event for each key that is different from the last line's."""

import json
from pathlib import Path

import pytest

from gateway.configuration.reading import canonical_text, read_site
from gateway.core.outcome import Event, EventKind
from gateway.field.reconfigured import Signature, changed_since
from gateway.store import configurations, journal
from gateway.store.database import Database
from tests.store.support import entry, opened

WAIT_S = 20.0
NOBODY = Signature()
NOW = canonical_text(read_site(Path(__file__).parents[2] / "config" / "marrowfell"))


def earlier() -> str:
    """With another limit, another delay and another priority."""
    content, order = json.loads(NOW)
    content["alarms"]["SUMP-HIGH"]["condition"]["high"]["limit"] = 12.5
    content["alarms"]["SUMP-HIGH"]["on_delay_s"] = 77.0
    content["alarms"]["SUMP-HIGH"]["priority"] = "P3"
    return json.dumps([content, order])


def keep(database: Database, name: str, document: str) -> None:
    octets = document.encode("ascii")
    database.submit(lambda t: configurations.keep(t, configuration=name, document=octets)).result(WAIT_S)


def write(database: Database, n: int, configuration: str) -> None:
    database.submit(lambda t: journal.append(t, [entry(n, configuration=configuration)])).result(WAIT_S)


def keys_of(events: tuple[Event, ...]) -> list[object]:
    return [event.facts["key"] for event in events]


def test_each_key_that_differs_from_the_last_line_s_configuration_is_told_with_old_and_new_value(
    tmp_path: Path,
) -> None:
    with opened(tmp_path / "plant.db") as database:
        keep(database, "before", earlier())
        write(database, 1, "before")
        events = changed_since(database, "now", NOW, NOBODY)
    assert {(event.kind, event.subject) for event in events} == {(EventKind.LIMIT_CHANGE, "SUMP-HIGH")}
    assert keys_of(events) == ["condition.high.limit", "on_delay_s", "priority"]
    assert events[0].facts["old"] == 12.5
    assert events[0].facts["new"] == json.loads(NOW)[0]["alarms"]["SUMP-HIGH"]["condition"]["high"]["limit"]
    assert (events[2].facts["section"], events[2].facts["old"]) == ("alarms", "P3")


def test_after_the_same_configuration_and_at_the_first_start_there_is_nothing_to_tell(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        assert changed_since(database, "now", NOW, NOBODY) == ()
        keep(database, "before", earlier())
        write(database, 1, "before")
        write(database, 2, "now")
        assert changed_since(database, "now", NOW, NOBODY) == ()


def test_a_start_that_wrote_nothing_does_not_swallow_the_change(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        keep(database, "before", earlier())
        write(database, 1, "before")
        keep(database, "now", NOW)  # it kept its configuration, and died before its first line
    with opened(tmp_path / "plant.db") as database:
        assert len(changed_since(database, "now", NOW, NOBODY)) == 3


@pytest.mark.parametrize("document", [None, "not json at all"])
def test_a_configuration_that_is_not_kept_or_not_readable_is_told_as_such(tmp_path: Path, document: str | None) -> None:
    with opened(tmp_path / "plant.db") as database:
        if document is not None:
            keep(database, "before", document)
        write(database, 1, "before")
        (event,) = changed_since(database, "now", NOW, NOBODY)
    assert (event.kind, event.reason) == (EventKind.LIMIT_CHANGE, "the configuration before is not known")
    assert dict(event.facts) == {"old": "before", "new": "now"}


def signed(document: str, because: str) -> str:
    content, order = json.loads(document)
    content["site"]["changed_because"] = because
    return json.dumps([content, order])


def test_a_change_bears_the_name_and_the_reason_that_the_configuration_gives_for_it(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        keep(database, "before", signed(earlier(), "first installation"))
        write(database, 1, "before")
        signature = Signature(person="INTEGRATOR", because="sump float moved up")
        events = changed_since(database, "now", signed(NOW, signature.because), signature)
    assert keys_of(events) == ["condition.high.limit", "on_delay_s", "priority"]
    assert {(event.person, event.facts["because"], event.reason) for event in events} == {
        ("INTEGRATOR", "sump float moved up", "")
    }


def test_a_reason_that_stood_there_before_signs_no_new_change(tmp_path: Path) -> None:
    with opened(tmp_path / "plant.db") as database:
        keep(database, "before", signed(earlier(), "first installation"))
        write(database, 1, "before")
        signature = Signature(person="INTEGRATOR", because="first installation")
        events = changed_since(database, "now", signed(NOW, signature.because), signature)
    assert {(event.person, event.reason) for event in events} == {("", "nobody has signed for it")}
