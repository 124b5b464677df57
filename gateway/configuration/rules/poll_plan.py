"""The poll plan: that every line can carry what is asked on it, and keep its stale limits with one device dead."""

from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.line_load import LineLoad, line_loads
from gateway.configuration.schema import Site

Findings = Iterator[Finding]

BUSY_AT_MOST = 0.7
_ADVICE = "Poll less often, put neighbouring registers together, or put devices on a line of their own."


def lines_keep_up(site: Site) -> Findings:
    """A line that is asked more than it can answer falls behind for ever; a full one has no room for a retry."""
    for load in line_loads(site):
        path: KeyPath = ("connections", load.connection)
        if load.busy > 1:
            yield Finding(path=path, found=_busy(load), allowed="less than 100 %", advice=_ADVICE)
        elif load.busy > BUSY_AT_MOST:
            allowed = f"at most {BUSY_AT_MOST:.0%}, so that retries find room"
            yield Finding(path=path, found=_busy(load), allowed=allowed, advice=_ADVICE, warning=True)


def _busy(load: LineLoad) -> str:
    return f"{load.requests_per_s:.2f} requests a second, which keep the line busy {load.busy:.0%} of the time"


def stale_limits_kept(site: Site) -> Findings:
    """One dead device must not make the readings of the others too old."""
    for load in line_loads(site):
        if load.busy <= 1 and load.age_s > load.stale_s:
            while_dead = f" while {load.dead} is dead" if load.dead else ""
            yield Finding(
                path=("connections", load.connection),
                found=f"a cycle of {load.cycle_s:.2f} s{while_dead}, so that {load.tightest} is read "
                f"{load.age_s:.2f} s after the last time",
                allowed=f"at most {load.stale_s:g} s, when {load.tightest} is stale",
                advice="Shorten reply_timeout_s, poll more often, raise stale_after_s, or use another line.",
            )
