"""Asking the field process of a site over its local socket, and what a command says when it does not answer.

Decides nothing: what is asked is judged at the scan.
"""

import sys
import uuid
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import click

from gateway.cli.endings import NO_FIELD, REFUSED_REQUEST, refusal_told
from gateway.configuration.plant import LoadedSite, load_site
from gateway.local.client import FieldAway, FieldClient, FieldError, ask_field
from gateway.local.messages import Answered, Ask
from gateway.replay.stopped import Recorded, RecordUnreadable, recorded
from gateway.terminal import answer_text

T = TypeVar("T")


def asked(site: Path, job: Callable[[FieldClient], Awaitable[T]]) -> tuple[LoadedSite, T]:
    """Ask the site's field process something over its local socket."""
    with _explained():
        loaded = load_site(site)
        return loaded, ask_field(loaded.resolve(loaded.site.place.socket), job)


def request(site: Path, ask: Ask) -> Answered:
    """Put a person's request and print the answer; the command ends here when it is refused."""
    _, answer = asked(site, lambda field: field.ask(ask))
    click.echo(answer_text(answer))
    if not answer.granted:
        sys.exit(REFUSED_REQUEST)
    return answer


def new_id() -> str:
    """A request's own: sent twice, it is still one."""
    return uuid.uuid4().hex


def journal_of(site: Path) -> tuple[LoadedSite, Recorded]:
    """The whole journal: from the field process if it runs, else from its record."""
    try:
        with _explained():
            loaded = load_site(site)
            socket = loaded.resolve(loaded.site.place.socket)
            with suppress(FieldAway):
                return loaded, ask_field(socket, _whole_journal)
        return loaded, recorded(loaded.resolve(loaded.site.place.storage_folder) / "plant.db")
    except RecordUnreadable as why:
        click.echo(str(why), err=True)
        sys.exit(REFUSED_REQUEST)


async def _whole_journal(field: FieldClient) -> Recorded:
    until_utc_ms = (await field.status()).utc_ms
    return Recorded(entries=await field.entries_after(0), until_utc_ms=until_utc_ms)


def zone_of(loaded: LoadedSite) -> ZoneInfo:
    """By which a person at the site reads times."""
    return ZoneInfo(loaded.site.site.time_zone)


@contextmanager
def _explained() -> Iterator[None]:
    """Errors that a person can do something about end with their text, not with a traceback."""
    try:
        with refusal_told():
            yield
    except FieldError as away:
        click.echo(str(away), err=True)
        sys.exit(NO_FIELD)
