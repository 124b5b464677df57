"""The process graph of a site as the alarms see it: which of them lie upstream of which.

Decides nothing that the site does not say; a unit needs whatever the units it needs need.
"""

from gateway.configuration.schema import Site
from gateway.core.cause_groups import GroupRules, Place


def group_rules(site: Site) -> GroupRules:
    """The rules of a site that has passed every check: every unit after those it needs, and no circle."""
    graph = site.process_graph
    places: dict[str, Place] = {}
    for name in _upstream_first(site):
        upstream = frozenset(alarm for unit in needed_by(site, name) for alarm in graph[unit].alarms)
        own = frozenset(graph[name].alarms)
        places |= {alarm: Place(upstream=upstream, beside=own - {alarm}) for alarm in graph[name].alarms}
    return GroupRules(
        places=places,
        late_cause_ms=round(site.cause_grouping.late_cause_s * 1_000),
        settles_ms=round(site.cause_grouping.settles_s * 1_000),
    )


def needed_by(site: Site, name: str) -> frozenset[str]:
    """Every unit that a unit needs, however far upstream."""
    found: set[str] = set()
    ahead = [*site.process_graph[name].needs]
    while ahead:
        unit = ahead.pop()
        if unit not in found:
            found.add(unit)
            ahead += site.process_graph[unit].needs
    return frozenset(found)


def _upstream_first(site: Site) -> list[str]:
    """Units by how many they need: whatever a unit needs, needs less."""
    return sorted(site.process_graph, key=lambda name: len(needed_by(site, name)))
