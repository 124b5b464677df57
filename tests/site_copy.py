"""A copy of a site's folder, changed for a test that is not about what it changes."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml


def release_sooner(site: Path, clear_s: float) -> None:
    """Shorten how long everything must have been good before a release of product."""
    with _changed(site / "protection.yaml") as protection:
        protection["releases"]["product"]["clear_s"] = clear_s


def return_sooner(site: Path, return_after_s: float) -> None:
    """Shorten how long everything must have been good before the permission for product returns after a start."""
    with _changed(site / "protection.yaml") as protection:
        protection["outputs"]["product"]["return_after_s"] = return_after_s


def operator_is(site: Path, uid: int) -> None:
    """Which local user the operator on site is."""
    with _changed(site / "place.yaml") as place:
        place["people"]["VISITOR-OP"]["local_users"] = [uid]


@contextlib.contextmanager
def _changed(file: Path) -> Iterator[dict[str, Any]]:
    content = yaml.safe_load(file.read_text(encoding="utf-8"))
    yield content
    file.write_text(yaml.safe_dump(content), encoding="utf-8")


def nobody_answers(site: Path, port: int) -> None:
    """Every connection goes to a place of this machine where nobody listens at that port."""
    with _changed(site / "place.yaml") as place:
        for number, connection in enumerate(place["connections"].values(), 2):
            connection["host"], connection["port"] = f"127.0.0.{number}", port


def clock_is(site: Path, page: Path) -> None:
    """Plant time comes from a clock page; root may then be a person as well."""
    with _changed(site / "place.yaml") as place:
        place["place"]["simulated_clock"] = str(page)


def alarm_is(site: Path, name: str, alarm: dict[str, Any]) -> None:
    """One more alarm, or another one of that name."""
    with _changed(site / "alarms.yaml") as alarms:
        alarms["alarms"][name] = alarm


def alarm_of(site: Path, name: str) -> dict[str, Any]:
    """The keys of an alarm, as the file has them."""
    alarms: dict[str, Any] = yaml.safe_load((site / "alarms.yaml").read_text(encoding="utf-8"))
    found: dict[str, Any] = alarms["alarms"][name]
    return found
