"""What ``purplegate check`` prints: every fault, or what the site is and how fast it acts.

Decides words alone: how fast an interlock acts is computed by ``response``,
how busy a line is by ``line_load``. It changes nothing.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path

from gateway.configuration.fault import Fault, Refused
from gateway.configuration.line_load import LineLoad, line_loads
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.response import responses
from gateway.configuration.schema import Site

FINE = 0
REFUSED = 3


def check_report(folder: Path) -> tuple[str, int]:
    """Check a site folder.

    Returns:
        The text to print, and the exit code: 0 fine (there may be warnings), 3 refused.
    """
    try:
        loaded = load_site(folder)
    except Refused as refusal:
        return _refusal(folder, refusal.faults), REFUSED
    return _summary(loaded), FINE


def _refusal(folder: Path, faults: Sequence[Fault]) -> str:
    count = f"{len(faults)} fault{'' if len(faults) == 1 else 's'}"
    return "\n".join([*(str(fault) for fault in faults), "", f"{folder}: refused, {count}"])


def _summary(loaded: LoadedSite) -> str:
    site = loaded.site
    lines = [f"warning: {warning}" for warning in loaded.warnings]
    lines += [
        *([""] if lines else []),
        f"{site.site.name} ({site.site.id}): fine",
        f"configuration {loaded.hash}",
        _counts(site),
        "",
        *_poll_plan(site),
        "",
        *_response_table(site),
    ]
    return "\n".join(lines)


def _counts(site: Site) -> str:
    sections = ("tags", "calculated", "own_tags", "devices", "connections", "outputs", "interlocks", "alarms")
    return ", ".join(f"{len(getattr(site, section))} {section.replace('_', ' ')}" for section in sections)


def _poll_plan(site: Site) -> Iterator[str]:
    """Every connection with what is asked on it, at which pace, and what one dead device does to the others."""
    loads = {load.connection: load for load in line_loads(site)}
    for name, connection in site.connections.items():
        devices = [key for key, device in site.devices.items() if device.connection == name]
        tags = [tag for tag in site.tags.values() if tag.device in devices]
        yield f"{name:<6} {connection.transport:<12} {len(tags):>3} tags of {', '.join(devices)}"
        if name in loads:
            yield from _load(loads[name])


def _load(load: LineLoad) -> Iterator[str]:
    for each in load.classes:
        requests = "request " if each.requests == 1 else "requests"
        yield (
            f"       every {each.interval_s:>4g} s {each.requests:>4} {requests} {each.words:>5} registers and bits "
            f"{each.round_s:>7.2f} s together, {each.round_s / each.interval_s:>6.1%} of the line"
        )
    yield f"       {load.requests_per_s:.2f} requests a second; busy {load.busy:.1%}"
    dead = f"with {load.dead} dead" if load.dead else "with everything due together"
    yield (
        f"       longest cycle {load.cycle_s:.2f} s {dead}; nearest to its limit then is {load.tightest}, "
        f"{load.age_s:.2f} s old, stale after {load.stale_s:g} s"
    )


def _response_table(site: Site) -> Iterator[str]:
    """Poll interval + reply time-out + retry + delay + scan period + wait for the line + reply time-out."""
    rows = responses(site)
    if not rows:
        return
    yield "Longest time from what the instrument shows to the written level, in seconds; purplegate budget adds the way"
    yield "of the water to the instrument and of the output to where it is safe"
    yield "(poll + reply time-out + second attempt, where no value trips + trip delay + scan + wait for the line"
    yield " + reply time-out):"
    for row in rows:
        parts = (row.poll_s, row.reply_s, row.retry_s, row.delay_s, row.scan_s, row.wait_s, row.write_s)
        added = " + ".join(f"{part:g}" for part in parts)
        water = f"; the water takes {row.water_s:.0f} s" if row.water_s is not None else ""
        yield f"  {row.interlock:<6} {row.total_s:>8.2f}  {row.watches}: {added}{water}"
