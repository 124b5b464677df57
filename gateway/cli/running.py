"""Running a site: all of it, or one of its processes alone. Decides nothing.

Loads neither the configuration nor the drivers for ``run``: the supervisor starts
the processes at once, and the one at the plant says whether the site is refused.
"""

import logging
import sys
from pathlib import Path

import click

from gateway.cli.choices import folder_argument
from gateway.cli.endings import REFUSED_SITE, refusal_told
from gateway.supervision import Child, supervise

_FIELD_STOPS_WITHIN_S = 30.0  # it withdraws the permission, proves it, and commits the record
_FIELD_ACCEPTS_WITHIN_S = 30.0  # a large site on a slow machine


@click.command()
@folder_argument
def run(site: Path) -> None:
    """Run a site until stopped: the field process and the uplink, watched and restarted."""
    _log_to_terminal()
    sys.exit(supervise(_processes(site)))


def _processes(site: Path) -> list[Child]:
    """The processes of a site, in the order in which they are started and stopped."""
    program = (sys.executable, "-m", "gateway")
    field = Child(
        name="field",
        command=(*program, "field", str(site)),
        stop_within_s=_FIELD_STOPS_WITHIN_S,
        final_codes=frozenset({REFUSED_SITE}),
        accepts_within_s=_FIELD_ACCEPTS_WITHIN_S,  # a refused site is told once, and starts no uplink
    )
    # An uplink that cannot start is tried again for ever: it must never stop the process at the plant.
    return [field, Child(name="uplink", command=(*program, "uplink", str(site)))]


@click.command()
@folder_argument
def field(site: Path) -> None:
    """Run the field process alone (what ``run`` starts; for a service manager)."""
    from gateway.assembly.field_process import field_process  # noqa: PLC0415 - other commands need not load the drivers

    _log_to_terminal()
    with refusal_told():
        sys.exit(field_process(site))


@click.command()
@folder_argument
def uplink(site: Path) -> None:
    """Run the uplink process alone (what ``run`` starts; for a service manager)."""
    from gateway.assembly.uplink_process import uplink_process  # noqa: PLC0415 - as above

    _log_to_terminal()
    with refusal_told():
        sys.exit(uplink_process(site))


def _log_to_terminal() -> None:
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(levelname)s %(message)s")
    logging.getLogger("gateway").setLevel(logging.INFO)
