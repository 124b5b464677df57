"""Delays that do not do what they seem to."""

from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.response import responses
from gateway.configuration.schema import CauseKeys, Site
from gateway.configuration.walking import alarm_conditions, causes, sources

Findings = Iterator[Finding]


def interlock_delays(site: Site) -> Findings:
    """Delays that do not do what they seem to."""
    for name, interlock in site.interlocks.items():
        if interlock.latched and interlock.restore_delay_s > 0:
            found = f"{interlock.restore_delay_s:g} at a latched interlock"
            path: KeyPath = ("interlocks", name, "restore_delay_s")
            yield Finding(
                path=path,
                found=found,
                allowed="restore_delay_s with latched: false",
                advice="A person releases a latched one.",
            )
    for path, name, cause in causes(site):
        yield from _short_delay(
            (*path, "trip_delay_s"), cause.trip_delay_s, [t for i in cause.inputs for t in _polled(i)], site
        )
        if not site.interlocks[name].latched and site.interlocks[name].restore_delay_s == 0 and cause.trip_delay_s == 0:
            yield from _chatter(path, cause)


def slower_than_the_water(site: Site) -> Findings:
    """An interlock that acts after the water has passed protects the water behind it only.

    Where no volume but that of a pipe lies between tap and output nothing could be fast enough, and nothing is said
    here; ``purplegate budget`` tells how much passes.
    """
    told: set[str] = set()
    for response in responses(site):
        water_s = response.water_s
        if response.interlock in told or not water_s or response.safe_s <= water_s:
            continue
        told.add(response.interlock)
        yield Finding(
            path=("interlocks", response.interlock, "exposure"),
            found=f"water that takes {water_s:.0f} s to the output, and {response.safe_s:.0f} s until "
            f"{response.watches} has moved it",
            allowed="an interlock that acts before the water arrives",
            advice="Shorten its delays or its polls, or take the sample further up.",
            warning=True,
        )


def _chatter(path: KeyPath, cause: CauseKeys) -> Findings:
    for number, condition in enumerate(cause.inputs):
        keys = condition.high or condition.low
        if keys is not None and keys.deadband == 0:
            yield Finding(
                path=(*path, "inputs", number, condition.kind),
                found="a limit without delay, deadband, latch or restore delay",
                allowed="at least one of them",
                advice="The output would follow every wobble of the reading.",
                warning=True,
            )


def alarm_delays(site: Site) -> Findings:
    """An alarm's delay that is shorter than its tag is polled."""
    for question in alarm_conditions(site):
        alarm = site.alarms[str(question.owner[1])]
        tags = _polled(alarm.condition)
        yield from _short_delay((*question.owner, "on_delay_s"), alarm.on_delay_s, tags, site)


def _polled(condition: object) -> list[str]:
    """Tags of a condition for which a delay counts readings."""
    kinds = ("high", "low", "equals", "bits", "deviation")
    keys = [getattr(condition, kind) for kind in kinds if getattr(condition, kind) is not None]
    return [item.tag for item in keys]


def _short_delay(path: KeyPath, delay_s: float, tags: list[str], site: Site) -> Findings:
    names = [source for tag in tags for source in sources(site, tag)]
    slowest = max((site.points[name].interval_s for name in names), default=0.0)
    if 0 < delay_s < slowest:
        yield Finding(
            path=path,
            found=f"{delay_s:g} on a tag polled every {slowest:g} s, so that a single reading decides",
            allowed=f"0, or at least {slowest:g}",
            advice="Poll more often, or say 0 to state it plainly.",
            warning=True,
        )
