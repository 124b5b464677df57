"""Releases and alarms: that what is taken can be given back, and that a call says something."""

from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.rules.graphs import circles
from gateway.configuration.schema import Site

Findings = Iterator[Finding]

_PLACEHOLDERS = frozenset({"todo", "tbd", "xxx", "none", "n/a", "unknown", "fixme"})
_SHORTEST_WORD = 3


def releases(site: Site) -> Findings:
    """What is taken away can be given back, by a rule that says what it asks.

    Also a stop that no interlock latches: a stop code found at the controller after a start is latched.
    """
    misnamed = not site.releases.keys() <= site.outputs.keys()
    for name in site.outputs:
        if not misnamed and name not in site.releases:
            yield Finding(
                path=("outputs", name),
                found=f"{name} without a release rule, so that nobody could ever give it back",
                allowed=f"a rule for {name} under releases",
                advice="Add it.",
                missing_from=frozenset({"releases"}),
            )
    for name, release in site.releases.items():
        for number, limit in enumerate(release.grab):
            if limit.at_most is None and limit.at_least is None:
                found = f"{limit.quantity} without at_most and at_least"
                yield Finding(path=("releases", name, "grab", number), found=found, allowed="at least one of them")
    graph = {name: list(release.after_outputs) for name, release in site.releases.items()}
    for circle in circles(graph):
        found = f"a circle: {' after '.join(circle)}"
        yield Finding(path=("releases", circle[0], "after_outputs"), found=found, allowed="releases in one order")


def alarm_texts(site: Site) -> Findings:
    """Every alarm tells its reader something."""
    for name, alarm in site.alarms.items():
        for key in ("says", "cause", "consequence", "action"):
            text = getattr(alarm, key).strip(" .?!-").lower()
            if text in _PLACEHOLDERS or sum(letter.isalpha() for letter in text) < _SHORTEST_WORD:
                found = f'"{getattr(alarm, key)}"'
                yield Finding(
                    path=("alarms", name, key), found=found, allowed="a sentence for the person who is called"
                )


def process_circles(site: Site) -> Findings:
    """A unit cannot need itself, not by way of others either: nothing would be the first cause."""
    for circle in circles({name: list(unit.needs) for name, unit in site.process_graph.items()}):
        found = f"a circle: {' needs '.join(circle)}"
        path: KeyPath = ("process_graph", circle[0], "needs")
        yield Finding(path=path, found=found, allowed="units that need each other in one direction")


def alarms_of_units(site: Site) -> Findings:
    """An alarm tells of one unit."""
    told: dict[str, str] = {}
    for name, unit in site.process_graph.items():
        for number, alarm in enumerate(unit.alarms):
            other = told.setdefault(alarm, name)
            if other != name or alarm in unit.alarms[:number]:
                found = f"{alarm}, which is an alarm of {other} already"
                path: KeyPath = ("process_graph", name, "alarms", number)
                yield Finding(path=path, found=found, allowed="each alarm at one unit")


def suppression_circles(site: Site) -> Findings:
    """Alarms must not silence each other in a circle."""
    graph = {
        name: [alarm.suppress_when.alarm]
        for name, alarm in site.alarms.items()
        if alarm.suppress_when is not None and alarm.suppress_when.alarm is not None
    }
    for circle in circles(graph):
        found = f"a circle: {' is silenced by '.join(circle)}"
        path: KeyPath = ("alarms", circle[0], "suppress_when", "alarm")
        yield Finding(
            path=path, found=found, allowed="alarms that silence in one direction", advice="Take one of them out."
        )
