"""What ``purplegate check`` prints: every fault, or what the site is and how fast it acts.

Decides words and one computation: the longest time from the water to the
written level, for each way in which an interlock can trip. It changes nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.configuration.fault import Fault, Refused
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.schema import CauseKeys, ConditionKeys, Interlock, Site
from gateway.configuration.walking import tags_of

FINE = 0
REFUSED = 3
_S_PER_MIN = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """Worst case of one cause of one interlock, in seconds.

    Args:
        interlock: its name.
        service: what it protects against.
        watches: the inputs, in words.
        poll_s: longest poll interval of the inputs.
        reply_s: reply time-out of their connections.
        delay_s: trip delay of the cause.
        scan_s: scan period.
        wait_s: time until the line to the controller is free: one reply time-out and the pause after it.
        write_s: reply time-out of the write.
        water_s: time the water takes from the tap to the output at the highest flow; None where not declared.
    """

    interlock: str
    service: str
    watches: str
    poll_s: float
    reply_s: float
    delay_s: float
    scan_s: float
    wait_s: float
    write_s: float
    water_s: float | None

    @property
    def total_s(self) -> float:
        """The sum."""
        return self.poll_s + self.reply_s + self.delay_s + self.scan_s + self.wait_s + self.write_s


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


def responses(site: Site) -> tuple[Response, ...]:
    """Worst case of every cause of every interlock, in file order; bad inputs have their own where timed."""
    return tuple(
        _response(name, interlock, cause, delay, site)
        for name, interlock in site.interlocks.items()
        for cause in interlock.causes
        for delay in _delays(cause)
    )


def _delays(cause: CauseKeys) -> tuple[tuple[float, str], ...]:
    """The delays of a cause, each with what it is for."""
    if cause.bad_trip_delay_s is None:
        return ((cause.trip_delay_s, ""),)
    return (cause.trip_delay_s, ""), (cause.bad_trip_delay_s, " (no usable value)")


def _response(name: str, interlock: Interlock, cause: CauseKeys, delay: tuple[float, str], site: Site) -> Response:
    tags = [tag for condition in cause.inputs for tag in tags_of(condition)]
    lines = [site.connections[site.devices[site.tags[tag].device].connection] for tag in tags]
    block = site.output_block
    line = site.connections[block.connection] if block is not None else None
    return Response(
        interlock=name,
        service=interlock.service,
        watches=", ".join(_words(condition) for condition in cause.inputs) + delay[1],
        poll_s=max((_poll_s(condition, site) for condition in cause.inputs), default=0.0),
        reply_s=max((each.reply_timeout_s for each in lines), default=0.0),
        delay_s=delay[0] + max((_stillness_s(condition) for condition in cause.inputs), default=0.0),
        scan_s=site.site.scan_period_s,
        wait_s=line.reply_timeout_s + line.pause_s if line is not None else 0.0,
        write_s=line.reply_timeout_s if line is not None else 0.0,
        water_s=_water_s(interlock, site),
    )


def _poll_s(condition: ConditionKeys, site: Site) -> float:
    """Seconds until a change is read; a position is polled fast while it is waited for."""
    hurried = condition.unproven is not None
    tags = [site.tags[tag] for tag in tags_of(condition)]
    polls = (tag.hurried_interval_s if hurried and tag.hurried_interval_s else tag.poll_interval_s for tag in tags)
    return max(polls, default=0.0)


def _stillness_s(condition: ConditionKeys) -> float:
    """Seconds a condition takes by itself before it holds."""
    return condition.no_change.after_s if condition.no_change is not None else 0.0


def _water_s(interlock: Interlock, site: Site) -> float | None:
    exposure = interlock.exposure
    limits = site.tags[exposure.flow].range if exposure is not None else None
    if exposure is None or limits is None or limits[1] <= 0:
        return None
    litres_a_second = limits[1] * 1_000 / 3_600
    return exposure.volume_l / litres_a_second


def _words(condition: ConditionKeys) -> str:
    """A condition in a few words, such as ``AIT-510 above 10``."""
    tags = " and ".join(tags_of(condition))
    if condition.high is not None:
        return f"{tags} above {condition.high.limit:g}"
    if condition.low is not None:
        return f"{tags} below {condition.low.limit:g}"
    if condition.equals is not None:
        return f"{tags} at {condition.equals.value:g}"
    return f"{tags} {condition.kind.replace('_', ' ')}".strip()


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
        *_connections(site),
        "",
        *_response_table(site),
    ]
    return "\n".join(lines)


def _counts(site: Site) -> str:
    sections = ("tags", "devices", "connections", "outputs", "interlocks", "alarms")
    return ", ".join(f"{len(getattr(site, section))} {section}" for section in sections)


def _connections(site: Site) -> Iterator[str]:
    for name, connection in site.connections.items():
        devices = [key for key, device in site.devices.items() if device.connection == name]
        tags = [tag for tag in site.tags.values() if tag.device in devices]
        yield f"{name:<6} {connection.transport:<12} {len(tags):>3} tags of {', '.join(devices)}"


def _response_table(site: Site) -> Iterator[str]:
    """Poll interval + reply time-out + delay + scan period + wait for the line + reply time-out."""
    rows = responses(site)
    if not rows:
        return
    yield "Longest time from the water to the written level, in seconds"
    yield "(poll + reply time-out + trip delay + scan + wait for the line + reply time-out):"
    for row in rows:
        parts = (row.poll_s, row.reply_s, row.delay_s, row.scan_s, row.wait_s, row.write_s)
        added = " + ".join(f"{part:g}" for part in parts)
        water = f"; the water takes {row.water_s:.0f} s" if row.water_s is not None else ""
        yield f"  {row.interlock:<6} {row.total_s:>8.2f}  {row.watches}: {added}{water}"
