"""A site folder before it is run: checked, its keys explained, its tags as a table and back. Decides nothing."""

import sys
from pathlib import Path

import click

from gateway.cli.choices import folder_argument
from gateway.cli.endings import refusal_told
from gateway.cli.files import FILE, replace_option, write
from gateway.configuration.report import check_report
from gateway.configuration.schema import key_reference
from gateway.configuration.tagmap import TAGS_FILE, export_table, import_table


@click.command()
@folder_argument
def check(site: Path) -> None:
    """Check a site folder: every fault at once, with file, line and what to do. Exit 0 fine, 3 refused."""
    text, code = check_report(site)
    click.echo(text)
    sys.exit(code)


@click.command()
def keys() -> None:
    """Every key that a site folder may have: type, unit, range, default and what it says."""
    click.echo(key_reference())


@click.group()
def tagmap() -> None:
    """The tags of a site as a table for a spreadsheet (CSV), and back."""


@tagmap.command(name="export")
@folder_argument
@click.argument("file", type=FILE)
@replace_option
def export_tags(site: Path, file: Path, *, replace: bool) -> None:
    """Write the tags of SITE to FILE, with everything that its register maps say."""
    with refusal_told():
        table = export_table(site)
    write(file, table, replace=replace)
    click.echo(f"{file}: {table.count(chr(13))} lines")


@tagmap.command(name="import")
@folder_argument
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@replace_option
def import_tags(site: Path, file: Path, *, replace: bool) -> None:
    """Check the whole of SITE with the tags of FILE, and only then replace its tags.yaml.

    Register maps stay as they are. Comments of tags.yaml are not carried over;
    the previous file is kept beside the new one.
    """
    with refusal_told():
        try:
            done = import_table(site, file.read_bytes(), file.name, replace=replace)
        except OSError as error:
            raise click.ClickException(f"{error.filename or site}: {error.strerror}") from error
    for warning in done.warnings:
        click.echo(f"warning: {warning}")
    kept = f"; its comments are lost, the previous file is {done.previous}" if done.previous else ""
    click.echo(f"{done.tags} tags in {site / TAGS_FILE}{kept}")
