"""The operating record: of a day, month or year; what a figure is made of; certified; and criteria files.

Reads the record of the site, running or stopped, and writes only the files it is asked for.
"""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import click

from gateway.cli.asking import journal_of, zone_of
from gateway.cli.choices import FOLDER, site_option
from gateway.cli.endings import NO_RECORD, REFUSED_REQUEST
from gateway.cli.files import FILE, print_or_write, replace_option
from gateway.cli.times import Day
from gateway.configuration.criteria import CriteriaRefused, criteria_texts, limits_of, read_criteria
from gateway.configuration.plant import LoadedSite
from gateway.core.state import rules_of
from gateway.local.client import FieldAway, FieldClient, ask_field
from gateway.records import as_csv, as_html
from gateway.records.certificate import Certificate, certificate_of, certificate_text, changed_cells, code_of, digest
from gateway.records.day import AFTER_MS, Given, day_span, tags_of
from gateway.records.judging import Judging
from gateway.records.period import day_sheet, month_sheet
from gateway.records.series import State
from gateway.records.sheet import Sheet
from gateway.records.tracing import NotTraced, trace_text
from gateway.records.year import year_sheet
from gateway.replay.readings import stored_readings, told_readings
from gateway.replay.stopped import Recorded, RecordUnreadable
from gateway.reports.entries import entries_of

_BEFORE_MS = 25 * 3_600_000  # read before a period, for totals, what still stands, and windows of 24 h
_STATEMENT = "I have read this record before and after signing; to my knowledge it is true, accurate and complete."

_form_option = click.option(
    "--as", "form", type=click.Choice(["html", "csv", "pdf"]), default="html", show_default=True
)
_output_option = click.option("--output", type=FILE, help="File to write it to; else KEY.FORM in the current folder.")
_as_of_option = click.option("--as-of", type=Day(), help="As known at the end of this day; else all that is known.")


@click.group()
def record() -> None:
    """The operating record of a day, month or year; certify one; see what a figure is made of."""


@record.command(name="day")
@click.argument("which", type=Day(), metavar="DAY")
@site_option
@_form_option
@_output_option
@_as_of_option
@replace_option
def of_day(which: date, site: Path, form: str, output: Path | None, as_of: date | None, *, replace: bool) -> None:
    """The daily operating record, as 2025-02-26."""
    with _explained():
        given = _given(site, which, which, as_of)
        _write(day_sheet(given, which), form, output, replace=replace)


@record.command(name="month")
@click.argument("which", type=click.DateTime(["%Y-%m"]), metavar="MONTH")
@site_option
@_form_option
@_output_option
@_as_of_option
@replace_option
def of_month(which: datetime, site: Path, form: str, output: Path | None, as_of: date | None, *, replace: bool) -> None:
    """The record of a month, as 2025-02."""
    with _explained():
        _write(_month(site, which.year, which.month, as_of)[1], form, output, replace=replace)


@record.command(name="year")
@click.argument("which", type=click.IntRange(2000, 2099), metavar="YEAR")
@site_option
@_form_option
@_output_option
@_as_of_option
@replace_option
@click.option("--copies", type=FOLDER, help="Copies of record; the totals are compared with the certified months.")
def of_year(
    which: int, *, site: Path, form: str, output: Path | None, as_of: date | None, replace: bool, copies: Path | None
) -> None:
    """The record of a year, as 2025: its months side by side."""
    with _explained():
        sheets = [_month(site, which, month, as_of)[1] for month in range(1, 13)]
        filed = None if copies is None else _filed(copies, [sheet.key for sheet in sheets])
        _write(year_sheet(which, sheets, filed), form, output, replace=replace)


@record.command()
@click.argument("key")
@site_option
@_as_of_option
def explain(key: str, site: Path, as_of: date | None) -> None:
    """What a figure is made of, as 2025-02/turbidity-mean/26: figure, rules, readings. KEY stands in CSV and HTML."""
    with _explained():
        period = key.split("/", maxsplit=1)[0]
        try:
            first = datetime.strptime(period, "%Y-%m" if period.count("-") == 1 else "%Y-%m-%d").replace(tzinfo=UTC)
        except ValueError:
            raise click.UsageError(
                f"{key!r} begins with no month or day; write for instance 2025-02/turbidity-mean/26"
            ) from None
        if period.count("-") == 1:
            given, sheet = _month(site, first.year, first.month, as_of)
        else:
            given = _given(site, first.date(), first.date(), as_of)
            sheet = day_sheet(given, first.date())
        click.echo(trace_text(given, sheet, key), nl=False)


@record.command()
@click.argument("which", type=Day(), metavar="DAY")
@site_option
@click.option("--to", "last", type=Day(), help="Last day, which is within the period too.")
@click.option("--output", type=FILE, help="File to write it to, instead of the terminal.")
@replace_option
def readings(which: date, site: Path, last: date | None, output: Path | None, *, replace: bool) -> None:
    """Every reading that the record of DAY is made of, as CSV: tag, time, value, and how it may count."""
    with _explained():
        given = _given(site, which, last or which, None)
        lines = ["tag,utc_ms,value,state"]
        for tag, series in sorted(given.series.items()):
            each = zip(series.times, series.values, series.states, strict=True)
            lines += [f"{tag},{t},{v!r},{State(s).name}" for t, v, s in each]
        print_or_write("\n".join([*lines, ""]), output, f"{len(lines) - 1} readings", replace=replace)


@record.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--signer", required=True, help="Name of the person who signs.")
@click.option("--role", required=True, help="Role in which the person signs.")
@click.option("--copies", type=FOLDER, required=True, help="Folder of the copies of record.")
@click.option("--cells", type=FILE, help="CSV of the same record, to list changed cells of a PDF.")
@click.option("--confirm", default="", help="The code that the first step shows.")
def certify(file: Path, *, signer: str, role: str, copies: Path, cells: Path | None, confirm: str) -> None:
    """Certify exactly the bytes of FILE, in two steps: the first shows the hash and a code, the second repeats it.

    A later certification of a file of the same name is a revision: it names the
    hash before it and lists the cells that changed.
    """
    content = file.read_bytes()
    if confirm != code_of(content):
        told = f"{confirm!r} is not the code of this file. " if confirm else ""
        click.echo(f"{told}{file}: {len(content)} bytes, SHA-256 {digest(content)}")
        click.echo(f"{_STATEMENT}\nRead the file, then repeat with --confirm {code_of(content)}")
        sys.exit(REFUSED_REQUEST if confirm else 0)
    with _explained():
        before = _newest(copies, file)
        if before is not None and before.sha256 == digest(content):
            raise click.ClickException(f"these bytes are certified already, as revision {before.revision}")
        now = _cells(content, cells)
        earlier = _kept_cells(copies, before) if before is not None else {}
        one = Certificate(
            file=f"{file.stem}-r{before.revision + 1 if before else 1}{file.suffix}",
            sha256=digest(content),
            revision=before.revision + 1 if before else 1,
            previous=before.sha256 if before else "",
            signer=signer,
            role=role,
            statement=_STATEMENT,
            signed_utc=datetime.now(UTC).isoformat(timespec="seconds"),
            changed=changed_cells(earlier, now) if before else {},
        )
        _keep(copies / one.file, content)
        if cells is not None:
            _keep(copies / f"{one.file}.cells.csv", cells.read_bytes())
        _keep(copies / f"{one.file}.json", certificate_text(one).encode())
    click.echo(
        f"{copies / one.file}: revision {one.revision}, certified by {signer}, {role}; {len(one.changed)} cells changed"
    )


def _keep(path: Path, content: bytes) -> None:
    try:
        with path.open("xb") as kept:
            kept.write(content)
    except OSError as error:
        raise click.ClickException(
            f"{path} cannot be written: {error.strerror}; a copy of record is never replaced"
        ) from error


def _newest(copies: Path, file: Path) -> Certificate | None:
    """The last certificate of a file of this name, whose copy has to be what was signed."""
    found: list[Certificate] = []
    for path in copies.glob(f"{file.stem}-r*{file.suffix}.json"):
        try:
            one = certificate_of(path.read_text(encoding="utf-8"))
            kept = (copies / one.file).read_bytes()
        except (ValueError, OSError) as error:
            raise click.ClickException(f"{path}: {error}; put the copies of record right first") from error
        if digest(kept) != one.sha256:
            raise click.ClickException(f"{copies / one.file} is not what was certified; put it right first")
        found.append(one)
    return max(found, key=lambda one: one.revision, default=None)


def _filed(copies: Path, months: Sequence[str]) -> dict[str, dict[str, str]]:
    """Cells of the newest certified copy of each month, in whichever form has them."""
    found: dict[str, dict[str, str]] = {}
    for month in months:
        for form in ("csv", "html", "pdf"):
            newest = _newest(copies, Path(f"{month}.{form}"))
            if newest is not None and month not in found:
                found[month] = _kept_cells(copies, newest)
    return found


def _kept_cells(copies: Path, before: Certificate) -> dict[str, str]:
    beside = copies / f"{before.file}.cells.csv"
    return _cells((copies / before.file).read_bytes(), beside if beside.is_file() else None)


def _cells(content: bytes, beside: Path | None) -> dict[str, str]:
    if beside is not None:
        return as_csv.keyed_cells(beside.read_bytes())
    return as_html.keyed_cells(content) if content.startswith(b"<!DOCTYPE") else as_csv.keyed_cells(content)


@click.command()
@click.argument("table", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--folder", type=FOLDER, required=True, help="Where the criteria files are written.")
@replace_option
def criteria(table: Path, folder: Path, *, replace: bool) -> None:
    """Make criteria files of a table of limits (CSV), one for each jurisdiction in it."""
    with _explained():
        for name, text in criteria_texts(table.read_text(encoding="utf-8-sig"), table.name).items():
            print_or_write(text, folder / f"{name}.yaml", "criteria", replace=replace)


@contextmanager
def _explained() -> Iterator[None]:
    try:
        yield
    except (CriteriaRefused, NotTraced) as why:
        click.echo(str(why), err=True)
        sys.exit(REFUSED_REQUEST)
    except RecordUnreadable as why:
        click.echo(str(why), err=True)
        sys.exit(NO_RECORD)


def _month(site: Path, year: int, month: int, as_of: date | None) -> tuple[Given, Sheet]:
    first = date(year, month, 1)
    last = (first + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    given = _given(site, first, last, as_of)
    return given, month_sheet(given, year, month)


def _given(site: Path, first: date, last: date, as_of: date | None) -> Given:
    loaded, journal = journal_of(site)
    permit, zone = loaded.site.permit, zone_of(loaded)
    if permit is None:
        raise click.ClickException(f"{site} has no permit; say under 'permit' and 'record' what the record is made of")
    base = None if permit.criteria is None else read_criteria(loaded.resolve(permit.criteria))
    begin, end = day_span(first, zone)[0], day_span(last, zone)[1]
    until = journal.until_utc_ms if as_of is None else day_span(as_of, zone)[1]
    judging = Judging(rules_of(loaded.plant), tags_of(loaded.site.record))
    _read(loaded, begin - _BEFORE_MS, end + AFTER_MS, judging)
    known = _known_until(journal, until)
    return Given(
        site=loaded.site.site.name,
        zone=zone,
        permit=permit.id,
        limits=limits_of(permit, base),
        record=loaded.site.record,
        series=judging.series,
        journal=[one for one in journal.entries if one.utc_ms <= until],
        entries=entries_of(journal.entries),
        rolls_over_at={rule.tag: rule.rolls_over_at for rule in loaded.plant.tags},
        as_of_ms=known,
        configuration=loaded.hash,
        units={rule.tag: rule.unit for rule in loaded.plant.points},
        telephone_within_min=permit.telephone_within_min,
        due_day=permit.report_due_day,
        certification=permit.certification,
    )


def _known_until(journal: Recorded, until_ms: int) -> int:
    """The moment things are known until; what people entered for later is known when it was entered."""
    newest = max((one.utc_ms for one in journal.entries), default=0)
    return min(until_ms, max(newest, journal.until_utc_ms))


def _read(loaded: LoadedSite, begin_ms: int, end_ms: int, judging: Judging) -> None:
    async def over_socket(field: FieldClient) -> None:
        await told_readings(
            field, judging.tags, begin_ms, end_ms, lambda header, chunk: judging.take(header.run, chunk)
        )

    with suppress(FieldAway):
        ask_field(loaded.resolve(loaded.site.place.socket), over_socket)
        judging.finish()
        return
    database = loaded.resolve(loaded.site.place.storage_folder) / "plant.db"
    stored_readings(database, judging.tags, begin_ms, end_ms, lambda header, chunk: judging.take(header.run, chunk))
    judging.finish()


def _write(sheet: Sheet, form: str, output: Path | None, *, replace: bool) -> None:
    content = _printed(sheet, form)
    path = output or Path(f"{sheet.key}.{form}")
    try:
        with path.open("wb" if replace else "xb") as opened:
            opened.write(content)
    except FileExistsError:
        raise click.ClickException(f"{path} is there already; say --replace") from None
    except OSError as error:
        raise click.ClickException(f"{path} cannot be written: {error.strerror}") from error
    click.echo(f"{path}: {sheet.title}; {sheet.head[1]}; SHA-256 {digest(content)}")


def _printed(sheet: Sheet, form: str) -> bytes:
    if form == "pdf":
        from gateway.records.as_pdf import as_pdf  # noqa: PLC0415 - half a second that the other forms need not wait

        return as_pdf(sheet)
    return as_csv.as_csv(sheet) if form == "csv" else as_html.as_html(sheet)
