"""What a person asks about an alarm: to acknowledge, silence, reset or explain it.

Decides nothing: the scan judges what is asked.
"""

from datetime import datetime, time
from pathlib import Path

import click

from gateway.cli.asking import asked, new_id, request, zone_of
from gateway.cli.choices import person_option, site_option
from gateway.cli.times import Lasting, Moment, seconds_until
from gateway.local.messages import Ask


@click.command()
@click.argument("alarm")
@click.option("--occurrence", default=0, help="The occurrence you have seen; without it, the newest.")
@person_option
@site_option
def acknowledge(alarm: str, occurrence: int, person: str, site: Path) -> None:
    """Say that you have seen an alarm. Clears, resets and releases nothing."""
    request(site, Ask(id=new_id(), action="acknowledge", subject=alarm, occurrence=occurrence, person=person))


@click.command()
@click.argument("alarm")
@click.option("--for", "lasting_s", type=Lasting(), help="For how long, such as 2h or 90min.")
@click.option("--until", type=Moment(), help="Until when by the site's clock, such as 14:30 or '2025-02-06 14:30'.")
@click.option("--reason", required=True, help="Why, in your words; stands in the record.")
@person_option
@site_option
def shelve(
    alarm: str, *, lasting_s: float | None, until: time | datetime | None, reason: str, person: str, site: Path
) -> None:
    """Silence an alarm for a time; it goes on being judged, and sounds at the end if it stands.

    It ends by itself. Longer than the alarm allows is refused, not shortened.
    """
    if (lasting_s is None) == (until is None):
        raise click.UsageError("say either --for or --until; a shelf has an end")
    if until is not None:
        loaded, found = asked(site, lambda field: field.status())  # the site's clock, not this machine's
        lasting_s = seconds_until(until, datetime.fromtimestamp(found.utc_ms / 1_000, zone_of(loaded)))
        if lasting_s <= 0:
            raise click.UsageError(f"{until} has passed already; say a time to come")
    ask = Ask(id=new_id(), action="shelve", subject=alarm, duration_s=lasting_s or 0.0, reason=reason, person=person)
    request(site, ask)


@click.command()
@click.argument("alarm")
@person_option
@site_option
def unshelve(alarm: str, person: str, site: Path) -> None:
    """End the shelf of an alarm; it sounds at once if it stands."""
    request(site, Ask(id=new_id(), action="unshelve", subject=alarm, person=person))


@click.command(name="take-out-of-service")
@click.argument("alarm")
@click.option("--reason", required=True, help="Why, in your words; stands in the record.")
@click.option("--measure", required=True, help="What is done instead meanwhile; stands in the record.")
@person_option
@site_option
def take_out_of_service(alarm: str, reason: str, measure: str, person: str, site: Path) -> None:
    """Take an alarm out of service for maintenance, until somebody returns it; needs an interim measure."""
    ask = Ask(id=new_id(), action="take_out_of_service", subject=alarm, reason=reason, measure=measure, person=person)
    request(site, ask)


@click.command(name="return-to-service")
@click.argument("alarm")
@click.option("--reason", default="", help="What was done, in your words; stands in the record.")
@person_option
@site_option
def return_to_service(alarm: str, reason: str, person: str, site: Path) -> None:
    """Return an alarm to service; it sounds at once if it stands."""
    request(site, Ask(id=new_id(), action="return_to_service", subject=alarm, reason=reason, person=person))


@click.command()
@click.argument("name", metavar="ALARM|INTERLOCK")
@click.option("--reason", default="", help="Why, in your words; stands in the record.")
@person_option
@site_option
def reset(name: str, reason: str, person: str, site: Path) -> None:
    """Let go of a latched alarm, or of an interlock that acts on no output which is released.

    Refused, and not remembered, while the cause is there; an alarm has to be
    acknowledged first.
    """
    request(site, Ask(id=new_id(), action="reset", subject=name, reason=reason, person=person))


@click.command()
@click.argument("alarm")
@click.option("--occurrence", type=click.IntRange(min=1), help="Which one; without it, the newest.")
@click.option("--cause", default="", help="What caused it.")
@click.option("--action", default="", help="What was done about it: the corrective action.")
@person_option
@site_option
def explain(alarm: str, occurrence: int | None, *, cause: str, action: str, person: str, site: Path) -> None:
    """Enter the cause of an alarm, or what was done about it, or both; afterwards, and as often as there is news.

    It stands in the record beside what was entered before; nothing is
    replaced. ``purplegate failures --open`` tells what is still missing.
    """
    if not cause.strip() and not action.strip():
        raise click.UsageError("say --cause, or --action, or both")
    ask = Ask(
        id=new_id(),
        action="explain",
        subject=alarm,
        occurrence=occurrence or 0,
        cause=cause,
        corrective_action=action,
        person=person,
    )
    request(site, ask)
