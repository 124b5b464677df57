"""What the journal tells about alarms afterwards: review, failures, stories.

Reads and prints, and changes nothing; what is counted is said in ``gateway.reports``.
"""

import sys
from datetime import date
from pathlib import Path

import click

from gateway.cli.asking import journal_of, zone_of
from gateway.cli.choices import site_option
from gateway.cli.endings import REFUSED_REQUEST
from gateway.cli.files import FILE, print_or_write, replace_option
from gateway.cli.times import Day
from gateway.reports.alarm_review import Reviewed, review
from gateway.reports.alarm_story import NotTold, alarm_story
from gateway.reports.failures import failures as failures_of
from gateway.reports.failures import failures_csv, failures_text
from gateway.reports.review_csv import as_csv
from gateway.reports.review_html import as_html
from gateway.reports.review_text import as_text

_MOST_DAYS = 3_660  # ten years

_REVIEWS = {"text": as_text, "csv": as_csv, "html": as_html}


@click.command(name="alarm-review")
@site_option
@click.option("--from", "first", type=Day(), required=True, help="First day, as 2025-02-01, by the site's calendar.")
@click.option("--to", "last", type=Day(), required=True, help="Last day, which is within the period too.")
@click.option(
    "--format", "form", type=click.Choice(sorted(_REVIEWS)), default="text", show_default=True, help="How to write it."
)
@click.option("--output", type=FILE, help="File to write it to, instead of the terminal.")
@replace_option
def alarm_review(site: Path, first: date, last: date, form: str, output: Path | None, *, replace: bool) -> None:
    """The alarms of a period after ISA-18.2 and EEMUA 191: rates, floods, bad actors, answers, and what was hidden.

    Counts annunciations in the journal, while the site runs or when it is
    stopped, and sets each figure beside its published target.
    """
    if last < first:
        raise click.UsageError(f"--to {last} lies before --from {first}; say the first day and then the last")
    if (last - first).days >= _MOST_DAYS:
        raise click.UsageError(f"{first} to {last} is more than {_MOST_DAYS} days; review them in parts")
    loaded, found = journal_of(site)
    about = Reviewed(
        id=loaded.site.site.id,
        name=loaded.site.site.name,
        zone=zone_of(loaded),
        alarms={rule.id: rule for rule in loaded.plant.alarms},
    )
    text = _REVIEWS[form](review(about, found.entries, first=first, last=last, until_utc_ms=found.until_utc_ms))
    print_or_write(text, output, f"alarm review, {first} to {last}", replace=replace)


_FAILURES = {"text": failures_text, "csv": failures_csv}


@click.command()
@site_option
@click.option("--open", "only_open", is_flag=True, help="Only those without a cause or without a corrective action.")
@click.option(
    "--format", "form", type=click.Choice(sorted(_FAILURES)), default="text", show_default=True, help="How to write it."
)
@click.option("--output", type=FILE, help="File to write it to, instead of the terminal.")
@replace_option
def failures(site: Path, form: str, output: Path | None, *, only_open: bool, replace: bool) -> None:
    """Every failure that raised an alarm: its time, its cause and what was done about it.

    A failure is open until both have been entered with ``purplegate explain``.
    Reads the journal, while the site runs or when it is stopped.
    """
    loaded, record = journal_of(site)
    found = [one for one in failures_of(record.entries) if one.open or not only_open]
    text = _FAILURES[form](found, {rule.id: rule.text.says for rule in loaded.plant.alarms}, zone_of(loaded))
    print_or_write(text, output, f"{len(found)} failures", replace=replace)


@click.command()
@click.argument("alarm")
@click.argument("occurrence", type=click.IntRange(min=1), required=False)
@site_option
def story(alarm: str, occurrence: int | None, site: Path) -> None:
    """The story of an alarm: what was in force, what the plant did, who did what, and how long it took.

    Of OCCURRENCE, or of the newest one. Reads the journal, while the site runs
    or when it is stopped.
    """
    loaded, record = journal_of(site)
    try:
        click.echo(alarm_story(record.entries, loaded.plant, alarm, occurrence or 0, zone_of(loaded)), nl=False)
    except NotTold as why:
        click.echo(str(why), err=True)
        sys.exit(REFUSED_REQUEST)
