"""Looking at a site that runs: its outputs, tags and alarms. Asks and prints, and changes nothing."""

from pathlib import Path

import click

from gateway.cli.asking import asked, zone_of
from gateway.cli.choices import site_option
from gateway.terminal import ALARM_STATES, alarms_text, status_text, tags_text


@click.command()
@site_option
def status(site: Path) -> None:
    """Whether water is delivered, why not, since when, and what a release needs."""
    loaded, found = asked(site, lambda field: field.status())
    click.echo(status_text(found, loaded.site.site.name, zone_of(loaded)))


@click.command()
@site_option
def tags(site: Path) -> None:
    """Every tag with its newest value, or why it has none."""
    loaded, found = asked(site, lambda field: field.status())
    units = {name: tag.unit for name, tag in loaded.site.points.items()}
    click.echo(tags_text(found, zone_of(loaded), units))


@click.command()
@site_option
@click.option(
    "--state", "states", type=click.Choice(list(ALARM_STATES)), multiple=True, help="Only these; may be said again."
)
def alarms(site: Path, states: tuple[str, ...]) -> None:
    """Every alarm that is not plain normal, with what to do and how long that may take.

    The gravest come first, and among equals those with the least time left;
    what is shelved, suppressed or out of service comes last.
    """
    loaded, found = asked(site, lambda field: field.status())
    click.echo(alarms_text(found, zone_of(loaded), states))
