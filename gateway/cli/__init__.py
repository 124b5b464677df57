"""Every command and its help. Calls into the packages below and decides nothing itself.

Exit codes: 0 done, 1 refused or failed, 2 the command line is wrong, 3 the
site folder is refused, 4 no field process answers, 5 a record cannot be
verified (there is none, or it is in use), 130 stopped by hand.
"""

from collections.abc import Iterator, Mapping
from importlib import import_module

import click

from gateway import __version__

# Command: the module that holds it, as a function of the same name with _ for -.
COMMANDS = {
    "run": "gateway.cli.running",
    "field": "gateway.cli.running",
    "uplink": "gateway.cli.running",
    "check": "gateway.cli.site_folder",
    "keys": "gateway.cli.site_folder",
    "tagmap": "gateway.cli.site_folder",
    "matrix": "gateway.cli.rules",
    "budget": "gateway.cli.rules",
    "prove": "gateway.cli.proving",
    "probe": "gateway.probe.command",
    "status": "gateway.cli.looking",
    "tags": "gateway.cli.looking",
    "alarms": "gateway.cli.looking",
    "journal": "gateway.cli.record",
    "replay": "gateway.cli.record",
    "store": "gateway.cli.store",
    "alarm-review": "gateway.cli.reviewing",
    "failures": "gateway.cli.reviewing",
    "story": "gateway.cli.reviewing",
    "record": "gateway.cli.recording",
    "criteria": "gateway.cli.recording",
    "acknowledge": "gateway.cli.alarm_requests",
    "shelve": "gateway.cli.alarm_requests",
    "unshelve": "gateway.cli.alarm_requests",
    "take-out-of-service": "gateway.cli.alarm_requests",
    "return-to-service": "gateway.cli.alarm_requests",
    "reset": "gateway.cli.alarm_requests",
    "explain": "gateway.cli.alarm_requests",
    "bypass": "gateway.cli.protection_requests",
    "end-bypass": "gateway.cli.protection_requests",
    "hold": "gateway.cli.protection_requests",
    "end-hold": "gateway.cli.protection_requests",
    "grab": "gateway.cli.output_requests",
    "enter": "gateway.cli.entering",
    "entries": "gateway.cli.entering",
    "release": "gateway.cli.output_requests",
    "commission": "gateway.cli.output_requests",
    "observe-only": "gateway.cli.output_requests",
    "key": "gateway.cli.afar",
    "ask": "gateway.cli.afar",
}


class _Commands(Mapping[str, click.Command]):
    """Loads a command when it is asked for, so that nobody waits for, or keeps in memory, what the others need."""

    def __getitem__(self, name: str) -> click.Command:
        command: click.Command = getattr(import_module(COMMANDS[name]), name.replace("-", "_"))
        return command

    def __iter__(self) -> Iterator[str]:
        return iter(COMMANDS)

    def __len__(self) -> int:
        return len(COMMANDS)


@click.group(commands=_Commands(), context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="purplegate")
def main() -> None:
    """Telemetry gateway with alarm logic for unattended water-reuse plants.

    Supervisory only: hard-wired and local protection stays, and local codes
    and licensed practice decide.
    """
