"""The record of a site: its newest lines, whether it is whole, and whether the same is decided again.

Reads and prints, and changes nothing.
"""

import re
import sys
from pathlib import Path

import click

from gateway.cli.asking import asked, zone_of
from gateway.cli.choices import folder_argument, site_option
from gateway.cli.endings import NO_RECORD, REFUSED_REQUEST, refusal_told
from gateway.configuration.plant import load_site
from gateway.replay.checking import check_record, in_words
from gateway.replay.stopped import RecordUnreadable
from gateway.replay.verifying import verdict_text, verify_journal
from gateway.terminal import journal_text

_HASH = re.compile(r"[0-9A-Fa-f]{64}")


@click.group(invoke_without_command=True)
@site_option
@click.option("--last", type=click.IntRange(1, 10_000), default=40, show_default=True, help="How many lines.")
@click.pass_context
def journal(context: click.Context, site: Path, last: int) -> None:
    """The newest lines of the journal: what was decided, asked and answered; or verify it."""
    if context.invoked_subcommand is None:
        loaded, entries = asked(site, lambda field: field.newest_entries(last))
        click.echo(journal_text(entries, zone_of(loaded)))


class _Known(click.ParamType[tuple[int, bytes]]):
    """Number and hash of a line of the journal."""

    name = "N=HASH"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, bytes]:
        number, _, digits = str(value).partition("=")
        if not (number.isascii() and number.isdigit() and int(number) and _HASH.fullmatch(digits)):
            self.fail(
                f"{value!r} is not the number of a line, =, and the 64 hexadecimal digits of its hash", param, ctx
            )
        return int(number), bytes.fromhex(digits)


KNOWN = _Known()


def hashes_of(known: tuple[tuple[int, bytes], ...]) -> dict[int, bytes]:
    """By number; two hashes for one line are a wrong command line."""
    noted = dict(known)
    if any(noted[n] != digest for n, digest in known):
        raise click.UsageError("--known says two hashes for one line; say the one you noted")
    return noted


@journal.command(name="verify")
@click.argument("record", type=click.Path(exists=True, path_type=Path), metavar="SITE")
@click.option("--known", type=KNOWN, multiple=True, help="A hash noted outside; may be said again.")
def verify(record: Path, known: tuple[tuple[int, bytes], ...]) -> None:
    """Find any edit, insertion, deletion or truncation in the journal of SITE, and say where.

    SITE is a site folder that is stopped, or a copy of its record: the folder
    or the file plant.db, with the files beside it. What was rewritten as a
    whole shows only against a hash noted outside. Exit 0 whole, 1 not, 5 it
    cannot be verified.
    """
    noted = hashes_of(known)
    with refusal_told():
        database = database_of(record)
    try:
        found = verify_journal(database, noted)
    except RecordUnreadable as why:
        click.echo(str(why), err=True)
        sys.exit(NO_RECORD)
    click.echo(verdict_text(found))
    if found.findings:
        sys.exit(REFUSED_REQUEST)


def database_of(record: Path) -> Path:
    """The store within a site folder or a record's folder, or the file itself."""
    if record.is_file():
        return record
    beside = record / "plant.db"
    if beside.is_file():
        return beside
    loaded = load_site(record)
    return loaded.resolve(loaded.site.place.storage_folder) / "plant.db"


@click.command()
@folder_argument
def replay(site: Path) -> None:
    """Decide the record of a stopped site again and compare: every line of the journal must come out the same."""
    with refusal_told():
        loaded = load_site(site)
    try:
        checked = check_record(loaded, loaded.resolve(loaded.site.place.storage_folder) / "plant.db")
    except RecordUnreadable as why:
        click.echo(str(why), err=True)
        sys.exit(REFUSED_REQUEST)
    for one in checked:
        click.echo(in_words(one))
    if any(one.differences for one in checked):
        sys.exit(REFUSED_REQUEST)
