"""Every command and its help. Calls into the packages below and decides nothing itself.

Exit codes: 0 done, 1 refused or failed, 2 the command line is wrong, 3 the
site folder is refused, 4 no field process answers, 130 stopped by hand.
"""

import logging
import math
import sys
import uuid
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import click

from gateway import __version__
from gateway.configuration.fault import Refused
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.report import check_report
from gateway.configuration.schema import Tag, key_reference
from gateway.configuration.tagmap import TAGS_FILE, export_table, import_table
from gateway.local.client import FieldClient, FieldError, ask_field
from gateway.local.messages import Answered, Ask
from gateway.probe.command import probe
from gateway.replay.checking import RecordUnreadable, check_record, in_words
from gateway.supervision import Child, supervise
from gateway.terminal import alarms_text, answer_text, commissioning_text, journal_text, status_text, tags_text

T = TypeVar("T")

REFUSED_REQUEST, REFUSED_SITE, NO_FIELD = 1, 3, 4
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
def keys() -> None:
    """Every key that a site folder may have: type, unit, range, default and what it says."""
    click.echo(key_reference())


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
    try:
        with file.open("w" if replace else "x", encoding="utf-8", newline="") as opened:
            opened.write(table)
    except FileExistsError:
        raise click.ClickException(f"{file} is there already; say --replace") from None
    except OSError as error:
        raise click.ClickException(f"{file} cannot be written: {error.strerror}") from error
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
def alarms(site: Path) -> None:
    """Every alarm that is not plain normal, the most urgent first, with what to do."""
    loaded, found = _asked(site, lambda field: field.status())
    click.echo(alarms_text(found, _zone(loaded)))


@main.command()
@_site_option
@click.option("--last", type=click.IntRange(1, 10_000), default=40, show_default=True, help="How many lines.")
def journal(site: Path, last: int) -> None:
    """The newest lines of the journal: what was decided, asked and answered."""
    loaded, entries = _asked(site, lambda field: field.newest_entries(last))
    click.echo(journal_text(entries, _zone(loaded)))


# --- asking ---


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


# --- how ---


def _asked(site: Path, job: Callable[[FieldClient], Awaitable[T]]) -> tuple[LoadedSite, T]:
    """Ask the site's field process something over its local socket."""
    with _explained():
        loaded = load_site(site)
        return loaded, ask_field(loaded.resolve(loaded.site.place.socket), job)


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
