"""What a person enters afterwards: results, checks of instruments, notes, reasons; and what has been entered.

Decides nothing: the scan judges every row. The same function is asked here
first, so that a file with faults is refused with all of them and nothing sent.
"""

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import click

from gateway.cli.asking import asked, journal_of, new_id, request, zone_of
from gateway.cli.choices import folder_argument, person_option, site_option
from gateway.cli.endings import REFUSED_REQUEST
from gateway.cli.times import Day
from gateway.configuration.entry_rows import (
    Placed,
    faults_of,
    fields_of,
    identity_of,
    table_of,
    with_identity,
    with_times,
)
from gateway.configuration.plant import LoadedSite
from gateway.local.client import FieldClient
from gateway.local.messages import Ask
from gateway.reports.entries import Entered, entered_of, entries_text

_COMMANDS = {
    "laboratory": ("laboratory", "A result of the laboratory or the bench; '<1.8' stays '<1.8'."),
    "verification": ("verification", "A check of an instrument against a standard."),
    "calibration": ("calibration", "A calibration: as found, standard, as left."),
    "note": ("note", "A note in the record, at its time."),
    "gap_reason": ("gap", "Why data are missing; tag * means all of them."),
    "chemical_delivery": ("delivery", "A chemical that was filled in."),
    "telephone_notice": ("notice", "A call that told the authority of delivery out of the limits."),
    "proof_test": ("proof", "A test of an alarm, an interlock or a valve."),
}
_TIMES_HELP = "in site time, as 2025-02-03 08:30"
_HELP = {
    "time": f"When, {_TIMES_HELP}; without it, now.",
    "sampled": f"When the sample was taken, {_TIMES_HELP}.",
    "reported": f"When the result was told, {_TIMES_HELP}.",
    "from": f"First moment, {_TIMES_HELP}.",
    "to": f"Moment after the last, {_TIMES_HELP}.",
    "next_due": f"When it is to be checked again, {_TIMES_HELP}; without it, by the site's interval.",
    "result": "As the laboratory writes it: 2, <1.8, >2419.6.",
    "not_sampled": "Why a sample that was due was not taken.",
    "band": "Band such as '0.1 mg/L or 15 %'; without it, the site's.",
    "as_left": "Reading afterwards; of a verification as found when nothing is said.",
    "told": "Authority and person who were told.",
    "function": "What was tested, such as I-08.",
    "passed": "yes or no.",
    "corrects": "Number of the entry that this one corrects.",
    "reason": "Why it is corrected.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Before:
    """What is known of a site before something is entered: its clock, and the lines of what has been."""

    utc_ms: int
    entered: tuple[Entered, ...]


@click.group(invoke_without_command=True)
@click.option(
    "--csv", "file", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Enter every row of a file."
)
@person_option
@site_option
@click.pass_context
def enter(context: click.Context, file: Path | None, person: str, site: Path) -> None:
    """Enter results, checks of instruments, notes and reasons afterwards, one or a file (--csv).

    Nothing that was entered is changed: a correction is a new entry, with the
    number of the one it corrects and a reason. A file is entered as a whole
    or not at all; rows of it that have been entered are not entered again.
    """
    if context.invoked_subcommand is not None:
        if file is not None:
            raise click.UsageError("say either --csv FILE or what you enter, not both")
        return
    if file is None:
        raise click.UsageError("say what you enter, or --csv FILE; see purplegate enter --help")
    loaded, before = asked(site, _before)
    table = table_of(file.read_bytes(), file.name, zone_of(loaded))
    _stop_on(table.faults + _faults(table.rows, loaded, before, "column "))
    _enter(table.rows, before, person, site)


def _command(kind: str, name: str, about: str) -> click.Command:
    def entered(person: str, site: Path, **fields: str | None) -> None:
        loaded, before = asked(site, _before)
        given = {"kind": kind, **{name: text for name, text in fields.items() if text}}
        row, faults = with_times(given, zone_of(loaded))
        if "time" in fields and "time" not in row:
            row["time"] = str(before.utc_ms)
        placed = [Placed(row=with_identity(row), place=name)]
        told = [f"{name}: {_option(field)}: {text}" for field, text in faults]
        _stop_on(told + _faults(placed, loaded, before, "", _option))
        _enter(placed, before, person, site)

    command: Callable[..., None] = entered
    for field in reversed(fields_of(kind)):
        command = click.option(_option(field), field, help=_HELP.get(field))(command)
    return click.command(name=name, help=about)(person_option(site_option(command)))


def _option(field: str) -> str:
    return "--" + field.replace("_", "-")


for _kind, (_name, _about) in _COMMANDS.items():
    enter.add_command(_command(_kind, _name, _about))


@click.command()
@folder_argument
@click.option("--from", "first", type=Day(), required=True, help="First day, as 2025-02-01, by the site's calendar.")
@click.option("--to", "last", type=Day(), required=True, help="Last day, which is within the period too.")
def entries(site: Path, first: date, last: date) -> None:
    """What was entered about a period, each with its corrections, and what failed checks put in doubt."""
    if last < first:
        raise click.UsageError(f"--to {last} lies before --from {first}; say the first day and then the last")
    loaded, record = journal_of(site)
    text = entries_text(record.entries, zone_of(loaded), first=first, last=last, until_utc_ms=record.until_utc_ms)
    click.echo(text)


async def _before(field: FieldClient) -> _Before:
    lines = await field.entries_after(0)
    return _Before(utc_ms=(await field.status()).utc_ms, entered=entered_of(lines))


def _faults(
    rows: Sequence[Placed], loaded: LoadedSite, before: _Before, word: str, named: Callable[[str], str] = str
) -> list[str]:
    entered = {str(one.n): one.kind for one in before.entered}
    found = faults_of(rows, loaded.plant, utc_ms=before.utc_ms, entered=entered)
    return [f"{place}: {word}{named(field)}: {text}" for place, field, text in found]


def _stop_on(faults: Sequence[str]) -> None:
    if faults:
        click.echo("\n".join([*faults, "Nothing was entered."]), err=True)
        sys.exit(REFUSED_REQUEST)


def _enter(rows: Sequence[Placed], before: _Before, person: str, site: Path) -> None:
    """Enter what has not been; what has is told with its number."""
    known = {one.identity: one.n for one in before.entered}
    new = tuple(one.row for one in rows if identity_of(one.row) not in known)
    if len(new) < len(rows):
        found = sorted(known[identity_of(one.row)] for one in rows if identity_of(one.row) in known)
        click.echo(f"{len(found)} of {len(rows)} entered before: {_numbers(found)}; not entered again.")
    if new:
        answer = request(site, Ask(id=new_id(), action="enter", entries=new, person=person))
        click.echo(f"In the journal as {_numbers(answer.numbers)}.")


def _numbers(found: Sequence[int]) -> str:
    whole = len(found) > 1 and found[-1] - found[0] == len(found) - 1
    return f"{found[0]} to {found[-1]}" if whole else ", ".join(str(one) for one in found)
