"""The record before third parties: verify it, and export it to plain text. Changes nothing in it."""

import sys
from contextlib import suppress
from datetime import date
from pathlib import Path

import click

from gateway.cli.endings import NO_FIELD, NO_RECORD, REFUSED_REQUEST, refusal_told
from gateway.cli.record import KNOWN, database_of, hashes_of
from gateway.cli.times import Day
from gateway.configuration.plant import load_site
from gateway.custody.exporting import ExportRefused, Period, export_running, export_stopped
from gateway.custody.verifying import verify_running, verify_stopped
from gateway.custody.wording import verdict_text
from gateway.local.client import FieldAway, FieldError, ask_field
from gateway.replay.stopped import RecordUnreadable

_RECORD = click.Path(exists=True, path_type=Path)


@click.group()
def store() -> None:
    """The record as a whole: is it what was written, and the same in plain text."""


@store.command()
@click.argument("record", type=_RECORD, metavar="SITE")
@click.option("--known", type=KNOWN, multiple=True, help="A journal hash noted outside; may be said again.")
def verify(record: Path, known: tuple[tuple[int, bytes], ...]) -> None:
    """Find every octet of the record of SITE that is not what was written, and say where and what it means.

    SITE is a site folder, or a copy of a record: the folder or the file
    plant.db, with the files beside it. A running site is asked over its
    socket and checked in what it hands out. Exit 0 whole, 1 not, 4 the site
    runs and does not answer, 5 it cannot be verified.
    """
    noted = hashes_of(known)
    with refusal_told():
        database = database_of(record)
    socket = _socket_of(record)
    try:
        if socket is not None:
            with suppress(FieldAway):
                found = ask_field(socket, lambda field: verify_running(field, noted))
                _told(verdict_text(found, running=True), whole=not found.findings)
                return
        stopped = verify_stopped(database, noted)
    except RecordUnreadable as why:
        click.echo(str(why), err=True)
        sys.exit(NO_RECORD)
    except FieldError as why:
        click.echo(str(why), err=True)
        sys.exit(NO_FIELD)
    _told(verdict_text(stopped), whole=not stopped.findings)


def _told(text: str, *, whole: bool) -> None:
    click.echo(text)
    if not whole:
        sys.exit(REFUSED_REQUEST)


def _socket_of(record: Path) -> Path | None:
    """Of a site folder; a copy of a record alone has nobody to ask."""
    if record.is_file() or (record / "plant.db").is_file():
        return None
    loaded = load_site(record)
    return loaded.resolve(loaded.site.place.socket)


@store.command()
@click.argument("site", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.argument("into", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--from", "first", type=Day(), help="First day of samples, UTC; the beginning when left out.")
@click.option("--to", "last", type=Day(), help="Last day of samples, UTC; today when left out.")
def export(site: Path, into: Path, first: date | None, last: date | None) -> None:
    """Write the record of SITE into the new folder DIR as text that can be read and checked without this program.

    Samples as CSV, a file a day; the journal, always whole, with its chain;
    the configurations with their hashes; a README.txt that says how to check
    it all. A running site is asked over its socket. Exit 0 done, 1 refused,
    4 the site stopped answering, 5 there is no record to be read.
    """
    if first is not None and last is not None and first > last:
        raise click.UsageError("--from is after --to")
    period = Period(first=first, last=last)
    with refusal_told():
        loaded = load_site(site)
    try:
        with suppress(FieldAway):
            text = ask_field(
                loaded.resolve(loaded.site.place.socket), lambda field: export_running(field, loaded, into, period)
            )
            click.echo(text)
            return
        click.echo(export_stopped(database_of(site), loaded, into, period))
    except RecordUnreadable as why:
        click.echo(str(why), err=True)
        sys.exit(NO_RECORD)
    except ExportRefused as why:
        click.echo(str(why), err=True)
        sys.exit(REFUSED_REQUEST)
    except FieldError as why:
        click.echo(str(why), err=True)
        sys.exit(NO_FIELD)
