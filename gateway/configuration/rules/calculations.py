"""Calculated tags: formulas that can be computed, in units that come out as declared, and no circles."""

from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.formulas import formula_of
from gateway.configuration.rules.graphs import circles
from gateway.configuration.schema import Site, Tag
from gateway.configuration.walking import questions
from gateway.core.expression import BadFormula, FormulaFault

Findings = Iterator[Finding]


def formulas(site: Site) -> Findings:
    """Every fault of every formula whose inputs are declared."""
    for name, keys in site.calculated.items():
        if all(tag in site.points for tag in keys.inputs.values()):
            try:
                formula_of(keys, site)
            except BadFormula as bad:
                yield from (_finding(name, fault) for fault in bad.faults)


def _finding(name: str, fault: FormulaFault) -> Finding:
    path: KeyPath = ("calculated", name, *fault.about)
    return Finding(path=path, found=fault.found, allowed=fault.allowed, advice=fault.advice)


def computed_from_numbers(site: Site) -> Findings:
    """Text cannot be computed with."""
    for name, keys in site.calculated.items():
        for word, source in keys.inputs.items():
            tag = site.points.get(source)
            if isinstance(tag, Tag) and tag.is_text:
                path = ("calculated", name, "inputs", word)
                yield Finding(path=path, found=f"{source}, which is text", allowed="a point that is a number")


def calculation_circles(site: Site) -> Findings:
    """A calculated tag must not be computed from itself, not even through others."""
    graph = {name: list(keys.inputs.values()) for name, keys in site.calculated.items()}
    for circle in circles(graph):
        word = next(word for word, source in site.calculated[circle[0]].inputs.items() if source == circle[1])
        found = f"a circle: {' needs '.join(circle)}"
        path = ("calculated", circle[0], "inputs", word)
        yield Finding(path=path, found=found, allowed="tags that are computed in one direction")


def rates_of_readings(site: Site) -> Findings:
    """A rate is the change from one reading to the next; a calculated tag has none of its own."""
    for question in questions(site):
        rate = question.condition.rate
        if rate is not None and rate.tag in site.calculated:
            found = f"{rate.tag}, which is calculated"
            advice = "Watch a tag that it is computed from."
            yield Finding(
                path=(*question.path, "tag"), found=found, allowed="a tag that is read from a device", advice=advice
            )
