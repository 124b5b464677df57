"""Every command and its help. Calls into the packages below and decides nothing itself.

Exit codes: 0 done, 1 refused or failed, 2 the command line is wrong, 3 the
site folder is refused, 4 no field process answers, 5 a record cannot be
verified (there is none, or it is in use), 130 stopped by hand.
"""

import logging
import math
import re
import sys
import uuid
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import click

from gateway import __version__, cli_protection
from gateway.configuration.fault import Refused
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.report import check_report
from gateway.configuration.schema import Tag, key_reference
from gateway.configuration.tagmap import TAGS_FILE, export_table, import_table
from gateway.local.client import FieldAway, FieldClient, FieldError, ask_field
from gateway.local.messages import Answered, Ask
from gateway.probe.command import probe
from gateway.prove.command import prove_again, prove_site
from gateway.prove.timeline import NotOurs
from gateway.replay.checking import check_record, in_words
from gateway.replay.stopped import Recorded, RecordUnreadable, recorded
from gateway.replay.verifying import verdict_text, verify_journal
from gateway.reports.alarm_review import Reviewed, review
from gateway.reports.alarm_story import NotTold, alarm_story
from gateway.reports.budget import budgets
from gateway.reports.budget_csv import budget_csv
from gateway.reports.budget_text import budget_text
from gateway.reports.failures import failures as failures_of
from gateway.reports.failures import failures_csv, failures_text
from gateway.reports.matrix import Configured
from gateway.reports.matrix import matrix as matrix_of
from gateway.reports.matrix_csv import matrix_csv
from gateway.reports.matrix_html import matrix_html
from gateway.reports.matrix_text import matrix_text
from gateway.reports.review_csv import as_csv
from gateway.reports.review_html import as_html
from gateway.reports.review_text import as_text
from gateway.supervision import Child, supervise
from gateway.terminal import (
    ALARM_STATES,
    alarms_text,
    answer_text,
    commissioning_text,
    journal_text,
    status_text,
    tags_text,
)

T = TypeVar("T")

REFUSED_REQUEST, REFUSED_SITE, NO_FIELD, NO_RECORD = 1, 3, 4, 5
_FIELD_STOPS_WITHIN_S = 30.0  # it withdraws the permission, proves it, and commits the record

_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)

_folder_argument = click.argument("site", type=_FOLDER)
_site_option = click.option(
    "--site",
    type=_FOLDER,
    envvar="PURPLEGATE_SITE",
    default=".",
    show_default="the current folder, or PURPLEGATE_SITE",
    help="Site folder.",
)
_person_option = click.option(
    "--person", default="", help="Which person of the site's people table you act as, when you may act as several."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="purplegate")
def main() -> None:
    """Telemetry gateway with alarm logic for unattended water-reuse plants.

    Supervisory only: hard-wired and local protection stays, and local codes
    and licensed practice decide.
    """


main.add_command(probe)


# --- running a site ---


@main.command()
@_folder_argument
def check(site: Path) -> None:
    """Check a site folder: every fault at once, with file, line and what to do. Exit 0 fine, 3 refused."""
    text, code = check_report(site)
    click.echo(text)
    sys.exit(code)


@main.command()
@_folder_argument
def run(site: Path) -> None:
    """Run a site until stopped: the field process and the uplink, watched and restarted."""
    _log_to_terminal()
    with _explained():
        load_site(site)  # a refused site starts nothing
        sys.exit(supervise(_processes(site)))


def _processes(site: Path) -> list[Child]:
    """The processes of a site, in the order in which they are started and stopped."""
    program = (sys.executable, "-m", "gateway")
    field = Child(
        name="field",
        command=(*program, "field", str(site)),
        stop_within_s=_FIELD_STOPS_WITHIN_S,
        final_codes=frozenset({REFUSED_SITE}),
    )
    # An uplink that cannot start is tried again for ever: it must never stop the process at the plant.
    return [field, Child(name="uplink", command=(*program, "uplink", str(site)))]


@main.command()
@_folder_argument
def field(site: Path) -> None:
    """Run the field process alone (what ``run`` starts; for a service manager)."""
    from gateway.assembly.field_process import field_process  # noqa: PLC0415 - other commands need not load the drivers

    _log_to_terminal()
    with _explained():
        sys.exit(field_process(site))


@main.command()
@_folder_argument
def uplink(site: Path) -> None:
    """Run the uplink process alone (what ``run`` starts; for a service manager)."""
    from gateway.assembly.uplink_process import uplink_process  # noqa: PLC0415 - as above

    _log_to_terminal()
    with _explained():
        sys.exit(uplink_process(site))


@main.command()
@_folder_argument
def replay(site: Path) -> None:
    """Decide the record of a stopped site again and compare: every line of the journal must come out the same."""
    with _explained():
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


@main.command()
@_folder_argument
@click.option(
    "--seconds",
    type=click.FloatRange(min=10),
    default=110.0,
    show_default=True,
    help="How long it may take; longer goes further.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of the random walk; the same seed, the same way.")
@click.option("--save", type=click.Path(dir_okay=False, path_type=Path), help="Where to put a counter-example.")
@click.option(
    "--again",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Run a saved counter-example once more instead.",
)
def prove(site: Path, seconds: float, seed: int, save: Path | None, again: Path | None) -> None:
    """Try everything that SITE allows, in any order, and say whether water can pass that must not.

    Drives the real decisions and compares with a second reading of the
    configuration. Exit 0 with a certificate, 1 with a counter-example as a
    timeline, 3 for a refused site.
    """
    with _explained():
        loaded = load_site(site)
    try:
        if again is not None:
            text, code = prove_again(loaded, again)
        else:
            text, code = prove_site(loaded, seconds=seconds, seed=seed, save=save)
    except (NotOurs, OSError, UnicodeDecodeError) as why:
        raise click.ClickException(str(why)) from why
    click.echo(text)
    sys.exit(code)


@main.command()
def keys() -> None:
    """Every key that a site folder may have: type, unit, range, default and what it says."""
    click.echo(key_reference())


# --- what the rules of a site mean ---

_OUTPUT_FILE = click.Path(dir_okay=False, path_type=Path)
_output_option = click.option("--output", type=_OUTPUT_FILE, help="File to write it to, instead of the terminal.")
_MATRICES = {"text": matrix_text, "csv": matrix_csv, "html": matrix_html}


@main.command()
@_folder_argument
@click.option(
    "--format", "form", type=click.Choice(sorted(_MATRICES)), default="text", show_default=True, help="How to write it."
)
@_output_option
@click.option("--replace", is_flag=True, help="Replace the file when it is there already.")
def matrix(site: Path, form: str, output: Path | None, *, replace: bool) -> None:
    """Cause and effect of SITE after IEC 62881, from the configuration itself, with its hash.

    Rows are the causes of every interlock, columns the outputs; then what each
    output needs to be released, what a restart does, and how it is watched.
    """
    with _explained():
        loaded = load_site(site)
    about = Configured(
        id=loaded.site.site.id,
        name=loaded.site.site.name,
        zone=_zone(loaded),
        hash=loaded.hash,
        version=__version__,
        utc_ms=round(datetime.now(UTC).timestamp() * 1_000),
        plant=loaded.plant,
        stroke_ms={name: round(keys.stroke_s * 1_000) for name, keys in loaded.site.outputs.items()},
        returns_because={name: keys.returns_because for name, keys in loaded.site.interlocks.items()},
    )
    _print_or_write(_MATRICES[form](matrix_of(about)), output, "cause and effect", replace=replace)


@main.command()
@_folder_argument
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "text"]),
    default="text",
    show_default=True,
    help="How to write it.",
)
@_output_option
@click.option("--replace", is_flag=True, help="Replace the file when it is there already.")
def budget(site: Path, form: str, output: Path | None, *, replace: bool) -> None:
    """How long each interlock of SITE takes beside the water, and how many litres pass at the highest flow.

    A rule that cannot win is named, with what would help.
    """
    with _explained():
        loaded = load_site(site)
    rows = budgets(loaded.site)
    title = f"{loaded.site.site.name} ({loaded.site.site.id}), configuration {loaded.hash}"
    text = budget_csv(rows) if form == "csv" else budget_text(title, rows)
    _print_or_write(text, output, "response budget", replace=replace)


# --- the tags as a table ---


@main.group()
def tagmap() -> None:
    """The tags of a site as a table for a spreadsheet (CSV), and back."""


_TABLE = click.Path(dir_okay=False, path_type=Path)
_replace_option = click.option("--replace", is_flag=True, help="Replace the file when it is there already.")


@tagmap.command(name="export")
@_folder_argument
@click.argument("file", type=_TABLE)
@_replace_option
def export_tags(site: Path, file: Path, *, replace: bool) -> None:
    """Write the tags of SITE to FILE, with everything that its register maps say."""
    with _explained():
        table = export_table(site)
    _write(file, table, replace=replace)
    click.echo(f"{file}: {table.count(chr(13))} lines")


@tagmap.command(name="import")
@_folder_argument
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@_replace_option
def import_tags(site: Path, file: Path, *, replace: bool) -> None:
    """Check the whole of SITE with the tags of FILE, and only then replace its tags.yaml.

    Register maps stay as they are. Comments of tags.yaml are not carried over;
    the previous file is kept beside the new one.
    """
    with _explained():
        try:
            done = import_table(site, file.read_bytes(), file.name, replace=replace)
        except OSError as error:
            raise click.ClickException(f"{error.filename or site}: {error.strerror}") from error
    for warning in done.warnings:
        click.echo(f"warning: {warning}")
    kept = f"; its comments are lost, the previous file is {done.previous}" if done.previous else ""
    click.echo(f"{done.tags} tags in {site / TAGS_FILE}{kept}")


# --- looking ---


@main.command()
@_site_option
def status(site: Path) -> None:
    """Whether water is delivered, why not, since when, and what a release needs."""
    loaded, found = _asked(site, lambda field: field.status())
    click.echo(status_text(found, loaded.site.site.name, _zone(loaded)))


@main.command()
@_site_option
def tags(site: Path) -> None:
    """Every tag with its newest value, or why it has none."""
    loaded, found = _asked(site, lambda field: field.status())
    units = {name: tag.unit for name, tag in loaded.site.points.items()}
    click.echo(tags_text(found, _zone(loaded), units))


@main.command()
@_site_option
@click.option(
    "--state", "states", type=click.Choice(list(ALARM_STATES)), multiple=True, help="Only these; may be said again."
)
def alarms(site: Path, states: tuple[str, ...]) -> None:
    """Every alarm that is not plain normal, with what to do and how long that may take.

    The gravest come first, and among equals those with the least time left;
    what is shelved, suppressed or out of service comes last.
    """
    loaded, found = _asked(site, lambda field: field.status())
    click.echo(alarms_text(found, _zone(loaded), states))


@main.group(invoke_without_command=True)
@_site_option
@click.option("--last", type=click.IntRange(1, 10_000), default=40, show_default=True, help="How many lines.")
@click.pass_context
def journal(context: click.Context, site: Path, last: int) -> None:
    """The newest lines of the journal: what was decided, asked and answered; or verify it."""
    if context.invoked_subcommand is None:
        loaded, entries = _asked(site, lambda field: field.newest_entries(last))
        click.echo(journal_text(entries, _zone(loaded)))


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


_HASH = re.compile(r"[0-9A-Fa-f]{64}")


@journal.command(name="verify")
@click.argument("record", type=click.Path(exists=True, path_type=Path), metavar="SITE")
@click.option("--known", type=_Known(), multiple=True, help="A hash noted outside; may be said again.")
def verify(record: Path, known: tuple[tuple[int, bytes], ...]) -> None:
    """Find any edit, insertion, deletion or truncation in the journal of SITE, and say where.

    SITE is a site folder that is stopped, or a copy of its record: the folder
    or the file plant.db, with the files beside it. What was rewritten as a
    whole shows only against a hash noted outside. Exit 0 whole, 1 not, 5 it
    cannot be verified.
    """
    with _explained():
        database = _database(record)
    noted = dict(known)
    if any(noted[n] != digest for n, digest in known):
        raise click.UsageError("--known says two hashes for one line; say the one you noted")
    try:
        found = verify_journal(database, noted)
    except RecordUnreadable as why:
        click.echo(str(why), err=True)
        sys.exit(NO_RECORD)
    click.echo(verdict_text(found))
    if found.findings:
        sys.exit(REFUSED_REQUEST)


def _database(record: Path) -> Path:
    """The store within a site folder or a record's folder, or the file itself."""
    if record.is_file():
        return record
    beside = record / "plant.db"
    if beside.is_file():
        return beside
    loaded = load_site(record)
    return loaded.resolve(loaded.site.place.storage_folder) / "plant.db"


# --- reviewing ---


class _Day(click.ParamType[date]):
    """A day of the site's calendar."""

    name = "day"

    def convert(self, value: str | date, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            day = date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is no day; write year, month and day, for instance 2025-02-01", param, ctx)
        if not _FIRST_DAY <= day <= _LAST_DAY:
            self.fail(f"{value} is too far away; a day from {_FIRST_DAY} to {_LAST_DAY} is allowed", param, ctx)
        return day


_FIRST_DAY, _LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)
_MOST_DAYS = 3_660  # ten years
_REVIEWS = {"text": as_text, "csv": as_csv, "html": as_html}


@main.command(name="alarm-review")
@_site_option
@click.option("--from", "first", type=_Day(), required=True, help="First day, as 2025-02-01, by the site's calendar.")
@click.option("--to", "last", type=_Day(), required=True, help="Last day, which is within the period too.")
@click.option(
    "--format", "form", type=click.Choice(sorted(_REVIEWS)), default="text", show_default=True, help="How to write it."
)
@click.option("--output", type=_TABLE, help="File to write it to, instead of the terminal.")
@_replace_option
def alarm_review(site: Path, first: date, last: date, form: str, output: Path | None, *, replace: bool) -> None:
    """The alarms of a period after ISA-18.2 and EEMUA 191: rates, floods, bad actors, answers, and what was hidden.

    Counts annunciations in the journal, while the site runs or when it is
    stopped, and sets each figure beside its published target.
    """
    if last < first:
        raise click.UsageError(f"--to {last} lies before --from {first}; say the first day and then the last")
    if (last - first).days >= _MOST_DAYS:
        raise click.UsageError(f"{first} to {last} is more than {_MOST_DAYS} days; review them in parts")
    loaded, found = _journal_of(site)
    about = Reviewed(
        id=loaded.site.site.id,
        name=loaded.site.site.name,
        zone=_zone(loaded),
        alarms={rule.id: rule for rule in loaded.plant.alarms},
    )
    text = _REVIEWS[form](review(about, found.entries, first=first, last=last, until_utc_ms=found.until_utc_ms))
    if output is None:
        click.echo(text, nl=False)
    else:
        _write(output, text, replace=replace)
        click.echo(f"{output}: alarm review, {first} to {last}")


_FAILURES = {"text": failures_text, "csv": failures_csv}


@main.command()
@_site_option
@click.option("--open", "only_open", is_flag=True, help="Only those without a cause or without a corrective action.")
@click.option(
    "--format", "form", type=click.Choice(sorted(_FAILURES)), default="text", show_default=True, help="How to write it."
)
@click.option("--output", type=_TABLE, help="File to write it to, instead of the terminal.")
@_replace_option
def failures(site: Path, form: str, output: Path | None, *, only_open: bool, replace: bool) -> None:
    """Every failure that raised an alarm: its time, its cause and what was done about it.

    A failure is open until both have been entered with ``purplegate explain``.
    Reads the journal, while the site runs or when it is stopped.
    """
    loaded, record = _journal_of(site)
    found = [one for one in failures_of(record.entries) if one.open or not only_open]
    text = _FAILURES[form](found, {rule.id: rule.text.says for rule in loaded.plant.alarms}, _zone(loaded))
    if output is None:
        click.echo(text, nl=False)
    else:
        _write(output, text, replace=replace)
        click.echo(f"{output}: {len(found)} failures")


@main.command()
@click.argument("alarm")
@click.argument("occurrence", type=click.IntRange(min=1), required=False)
@_site_option
def story(alarm: str, occurrence: int | None, site: Path) -> None:
    """The story of an alarm: what was in force, what the plant did, who did what, and how long it took.

    Of OCCURRENCE, or of the newest one. Reads the journal, while the site runs
    or when it is stopped.
    """
    loaded, record = _journal_of(site)
    try:
        click.echo(alarm_story(record.entries, loaded.plant, alarm, occurrence or 0, _zone(loaded)), nl=False)
    except NotTold as why:
        click.echo(str(why), err=True)
        sys.exit(REFUSED_REQUEST)


# --- asking ---


class _Lasting(click.ParamType[float]):
    """A length of time, in seconds."""

    name = "duration"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        parts = _LASTING.fullmatch(str(value).strip())
        if parts is None or not any(parts.groups()):
            self.fail(f"{value!r} is no length of time; write for instance 90min, 2h or 1h30min", param, ctx)
        hours, minutes = (float(part or 0) for part in parts.groups())
        return hours * 3_600 + minutes * 60


_LASTING = re.compile(r"(?:([0-9]+(?:[.][0-9]+)?) *h)? *(?:([0-9]+(?:[.][0-9]+)?) *min)?")


class _Moment(click.ParamType[time | datetime]):
    """A time of day, or a day and a time, by the site's clock."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> time | datetime:
        text = str(value).strip()
        try:
            moment = time.fromisoformat(text) if len(text) <= _TIME_CHARACTERS else datetime.fromisoformat(text)
        except ValueError:
            self.fail(f"{value!r} is no time; write for instance 14:30, or 2025-02-06 14:30", param, ctx)
        if moment.tzinfo is not None:
            self.fail(f"{value!r} names a time zone; the site's own is meant, so leave it away", param, ctx)
        return moment


_TIME_CHARACTERS = len("14:30:00")


def _until(end: time | datetime, now: datetime) -> float:
    """Seconds until then; a time of day is the next one."""
    if isinstance(end, datetime):
        return (end.replace(tzinfo=now.tzinfo).astimezone(UTC) - now.astimezone(UTC)).total_seconds()
    today = datetime.combine(now.date(), end, tzinfo=now.tzinfo)
    moment = today if today > now else datetime.combine(now.date() + timedelta(days=1), end, tzinfo=now.tzinfo)
    return (moment.astimezone(UTC) - now.astimezone(UTC)).total_seconds()


@main.command()
@click.argument("alarm")
@click.option("--for", "lasting_s", type=_Lasting(), help="For how long, such as 2h or 90min.")
@click.option("--until", type=_Moment(), help="Until when by the site's clock, such as 14:30 or '2025-02-06 14:30'.")
@click.option("--reason", required=True, help="Why, in your words; stands in the record.")
@_person_option
@_site_option
def shelve(
    alarm: str, *, lasting_s: float | None, until: time | datetime | None, reason: str, person: str, site: Path
) -> None:
    """Silence an alarm for a time; it goes on being judged, and sounds at the end if it stands.

    It ends by itself. Longer than the alarm allows is refused, not shortened.
    """
    if (lasting_s is None) == (until is None):
        raise click.UsageError("say either --for or --until; a shelf has an end")
    if until is not None:
        loaded, found = _asked(site, lambda field: field.status())  # the site's clock, not this machine's
        lasting_s = _until(until, datetime.fromtimestamp(found.utc_ms / 1_000, _zone(loaded)))
        if lasting_s <= 0:
            raise click.UsageError(f"{until} has passed already; say a time to come")
    ask = Ask(id=_new_id(), action="shelve", subject=alarm, duration_s=lasting_s or 0.0, reason=reason, person=person)
    _request(site, ask)


@main.command()
@click.argument("alarm")
@_person_option
@_site_option
def unshelve(alarm: str, person: str, site: Path) -> None:
    """End the shelf of an alarm; it sounds at once if it stands."""
    _request(site, Ask(id=_new_id(), action="unshelve", subject=alarm, person=person))


@main.command(name="take-out-of-service")
@click.argument("alarm")
@click.option("--reason", required=True, help="Why, in your words; stands in the record.")
@click.option("--measure", required=True, help="What is done instead meanwhile; stands in the record.")
@_person_option
@_site_option
def take_out_of_service(alarm: str, reason: str, measure: str, person: str, site: Path) -> None:
    """Take an alarm out of service for maintenance, until somebody returns it; needs an interim measure."""
    ask = Ask(id=_new_id(), action="take_out_of_service", subject=alarm, reason=reason, measure=measure, person=person)
    _request(site, ask)


@main.command(name="return-to-service")
@click.argument("alarm")
@click.option("--reason", default="", help="What was done, in your words; stands in the record.")
@_person_option
@_site_option
def return_to_service(alarm: str, reason: str, person: str, site: Path) -> None:
    """Return an alarm to service; it sounds at once if it stands."""
    _request(site, Ask(id=_new_id(), action="return_to_service", subject=alarm, reason=reason, person=person))


@main.command()
@click.argument("name", metavar="ALARM|INTERLOCK")
@click.option("--reason", default="", help="Why, in your words; stands in the record.")
@_person_option
@_site_option
def reset(name: str, reason: str, person: str, site: Path) -> None:
    """Let go of a latched alarm, or of an interlock that acts on no output which is released.

    Refused, and not remembered, while the cause is there; an alarm has to be
    acknowledged first.
    """
    _request(site, Ask(id=_new_id(), action="reset", subject=name, reason=reason, person=person))


@main.command()
@click.argument("alarm")
@click.option("--occurrence", type=click.IntRange(min=1), help="Which one; without it, the newest.")
@click.option("--cause", default="", help="What caused it.")
@click.option("--action", default="", help="What was done about it: the corrective action.")
@_person_option
@_site_option
def explain(alarm: str, occurrence: int | None, *, cause: str, action: str, person: str, site: Path) -> None:
    """Enter the cause of an alarm, or what was done about it, or both; afterwards, and as often as there is news.

    It stands in the record beside what was entered before; nothing is
    replaced. ``purplegate failures --open`` tells what is still missing.
    """
    if not cause.strip() and not action.strip():
        raise click.UsageError("say --cause, or --action, or both")
    ask = Ask(
        id=_new_id(),
        action="explain",
        subject=alarm,
        occurrence=occurrence or 0,
        cause=cause,
        corrective_action=action,
        person=person,
    )
    _request(site, ask)


@main.command()
@click.argument("alarm")
@click.option("--occurrence", default=0, help="The occurrence you have seen; without it, the newest.")
@_person_option
@_site_option
def acknowledge(alarm: str, occurrence: int, person: str, site: Path) -> None:
    """Say that you have seen an alarm. Clears, resets and releases nothing."""
    _request(site, Ask(id=_new_id(), action="acknowledge", subject=alarm, occurrence=occurrence, person=person))


@main.command()
@click.argument("measured", nargs=-1, required=True, metavar="QUANTITY=VALUE...")
@_person_option
@_site_option
def grab(measured: tuple[str, ...], person: str, site: Path) -> None:
    """Enter a grab sample, such as ``turbidity_ntu=0.8 total_chlorine_mg_l=5.1``."""
    figures = dict(_figure(one) for one in measured)
    if len(figures) < len(measured):
        raise click.BadParameter("a quantity stands there twice; one sample has one figure for each")
    _request(site, Ask(id=_new_id(), action="grab_sample", measured=figures, person=person))


def _figure(text: str) -> tuple[str, float]:
    name, equals, value = text.partition("=")
    try:
        figure = float(value)
    except ValueError:
        figure = math.nan
    if not name or not math.isfinite(figure):
        problem = f"has {value!r} where a number is wanted" if name and equals else "is not QUANTITY=VALUE"
        raise click.BadParameter(f"{text!r} {problem}; write for instance turbidity_ntu=0.8")
    return name, figure


@main.command()
@click.argument("output")
@click.option("--reason", required=True, help="Why, in your words; stands in the record.")
@click.option("--confirm", default=0, help="The number the first step has offered.")
@_person_option
@_site_option
def release(output: str, reason: str, confirm: int, person: str, site: Path) -> None:
    """Give an output back after a trip or a start, in two steps.

    The first shows every condition; only when all hold it offers a number,
    and the second, with that number, carries it out.
    """
    ask = Ask(id=_new_id(), action="release", subject=output, reason=reason, confirm=confirm, person=person)
    answer = _request(site, ask)
    if answer.confirm and sys.stdin.isatty():
        number = click.prompt(f"Release {output}? Type {answer.confirm}, or anything else to leave it", default="")
        if number.strip() == str(answer.confirm):
            ask = Ask(
                id=_new_id(),
                action="release",
                subject=output,
                reason=reason,
                confirm=answer.confirm,
                person=person,
            )
            _request(site, ask)


@main.command()
@click.argument("site", type=_FOLDER)
@click.option("--reason", required=True, help="Why the outputs may be written now; stands in the record.")
@click.option("--yes", is_flag=True, help="Do not ask again; for scripts.")
@_person_option
def commission(site: Path, reason: str, person: str, *, yes: bool) -> None:
    """Let the gateway write the outputs of SITE from now on; until then it only observes.

    It asks once more and names every register. It holds for these outputs
    alone: when what is written where changes, the site observes again.
    """
    loaded, found = _asked(site, lambda field: field.status())
    if not yes and loaded.site.output_block is not None:
        click.echo(commissioning_text(found, _registers(loaded)))
        click.confirm("Shall the gateway write these registers from now on?", abort=True)
    _request(site, Ask(id=_new_id(), action="commission", reason=reason, person=person))


@main.command(name="observe-only")
@click.argument("site", type=_FOLDER)
@click.option("--reason", required=True, help="Why nothing is to be written any more; stands in the record.")
@click.option("--yes", is_flag=True, help="Do not ask again; for scripts.")
@_person_option
def observe_only(site: Path, reason: str, person: str, *, yes: bool) -> None:
    """Withdraw the permissions of SITE and then write nothing any more, until its outputs are commissioned again."""
    if not yes:
        question = "Withdraw every permission, and write nothing any more? Stop codes stay as they stand."
        click.confirm(question, abort=True)
    _request(site, Ask(id=_new_id(), action="decommission", reason=reason, person=person))


def _registers(loaded: LoadedSite) -> list[tuple[str, str, str]]:
    """Tag, place and output of every register that the gateway may write; the heartbeat belongs to none."""
    block = loaded.site.output_block
    outputs = {one.register_tag: name for name, one in loaded.site.outputs.items()}
    registers = block.registers if block is not None else ()
    return [(tag, _place(loaded.site.tags[tag]), outputs.get(tag, "")) for tag in registers]


def _place(tag: Tag) -> str:
    return f"register {tag.address} of {tag.device}"


def _request(site: Path, ask: Ask) -> Answered:
    _, answer = _asked(site, lambda field: field.ask(ask))
    click.echo(answer_text(answer))
    if not answer.granted:
        sys.exit(REFUSED_REQUEST)
    return answer


def _new_id() -> str:
    return uuid.uuid4().hex


cli_protection.add_to(
    main, request=_request, lasting=_Lasting(), site_option=_site_option, person_option=_person_option
)


# --- how ---


def _asked(site: Path, job: Callable[[FieldClient], Awaitable[T]]) -> tuple[LoadedSite, T]:
    """Ask the site's field process something over its local socket."""
    with _explained():
        loaded = load_site(site)
        return loaded, ask_field(loaded.resolve(loaded.site.place.socket), job)


def _journal_of(site: Path) -> tuple[LoadedSite, Recorded]:
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


def _print_or_write(text: str, output: Path | None, what: str, *, replace: bool) -> None:
    if output is None:
        click.echo(text, nl=False)
        return
    _write(output, text, replace=replace)
    click.echo(f"{output}: {what}")


def _write(file: Path, text: str, *, replace: bool) -> None:
    try:
        with file.open("w" if replace else "x", encoding="utf-8", newline="") as opened:
            opened.write(text)
    except FileExistsError:
        raise click.ClickException(f"{file} is there already; say --replace") from None
    except OSError as error:
        raise click.ClickException(f"{file} cannot be written: {error.strerror}") from error


def _zone(loaded: LoadedSite) -> ZoneInfo:
    return ZoneInfo(loaded.site.site.time_zone)


@contextmanager
def _explained() -> Iterator[None]:
    """Errors that a person can do something about end with their text, not with a traceback."""
    try:
        yield
    except Refused as refused:
        click.echo(str(refused), err=True)
        sys.exit(REFUSED_SITE)
    except FieldError as away:
        click.echo(str(away), err=True)
        sys.exit(NO_FIELD)


def _log_to_terminal() -> None:
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(levelname)s %(message)s")
    logging.getLogger("gateway").setLevel(logging.INFO)
