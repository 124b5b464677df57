"""The commands with which people put protection aside for a time, and take it back: bypasses and holds.

Each needs a reason and an end. What is asked is judged by the field process.
"""

from pathlib import Path

import click
import msgspec

from gateway.cli.asking import new_id, request
from gateway.cli.choices import person_option, site_option
from gateway.cli.times import Lasting
from gateway.local.messages import Ask

_for_option = click.option("--for", "lasting_s", type=Lasting(), required=True, help="For how long, such as 2h.")
_reason_option = click.option("--reason", required=True, help="Why, in your words; stands in the record.")


@click.command()
@click.argument("interlock")
@click.option("--for", "lasting_s", type=Lasting(), default=None, help="For how long, such as 2h.")
@_reason_option
@click.option("--confirm", type=click.IntRange(min=1), default=None, help="As the second person: the first's number.")
@person_option
@site_option
def bypass(
    interlock: str, *, lasting_s: float | None, reason: str, confirm: int | None, person: str, site: Path
) -> None:
    """Put an interlock aside for a time; it goes on being judged, and trips at the end if its cause stands.

    It ends by itself and with any restart. Longer than the site allows is
    refused, not shortened; so is what is tripped. Nothing is released meanwhile.
    Where the site wants two persons, the first is told a number, and nothing
    is put aside until the second has confirmed it.
    """
    if (lasting_s is None) is (confirm is None):
        raise click.UsageError("Say --for how long, or, as the second person, --confirm and the number; not both.")
    asking = _asking("bypass", interlock, person, lasting_s=lasting_s or 0.0, reason=reason)
    request(site, msgspec.structs.replace(asking, confirm=confirm or 0))


@click.command()
@click.argument("interlock")
@person_option
@site_option
def end_bypass(interlock: str, person: str, site: Path) -> None:
    """End a bypass before its time; the interlock trips at once if its cause stands."""
    request(site, _asking("end_bypass", interlock, person))


@click.command()
@click.argument("instrument", metavar="TAG|DEVICE")
@_for_option
@_reason_option
@person_option
@site_option
def hold(instrument: str, *, lasting_s: float, reason: str, person: str, site: Path) -> None:
    """Announce that an instrument is held, to calibrate or clean it; do so before you touch it.

    Its readings are not trusted until you end the hold, and what needs them
    is diverted without a latch and without a call. The end is a plan: half
    an hour past it (or what the site says) they count as bad, and somebody
    is called. Said again, it gets a new end.
    """
    request(site, _asking("hold", instrument, person, lasting_s=lasting_s, reason=reason))


@click.command()
@click.argument("instrument", metavar="TAG|DEVICE")
@person_option
@site_option
def end_hold(instrument: str, person: str, site: Path) -> None:
    """End a hold: the instrument is back in its water. A hold bit of its own still counts as bad."""
    request(site, _asking("end_hold", instrument, person))


def _asking(action: str, subject: str, person: str, *, lasting_s: float = 0.0, reason: str = "") -> Ask:
    return Ask(id=new_id(), action=action, subject=subject, person=person, duration_s=lasting_s, reason=reason)
