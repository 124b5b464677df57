"""Whether the values of a site fit together: faults (cannot work) and warnings (unwise).

Decides by comparing keys with each other; what one key alone may be is
decided by ``schema``. Each rule is one small function that lists its findings;
``RULES`` is the table of contents. A name that is not declared is told once,
by ``unknown_names``; the other rules pass over it.
"""

from collections.abc import Callable, Iterator

from gateway.configuration.fault import Finding, undeclared
from gateway.configuration.rules import (
    alarms,
    calculations,
    decoding,
    delays,
    entries,
    interlocks,
    limits,
    outputs,
    place,
    points,
    poll_plan,
    tags,
)
from gateway.configuration.schema import Site
from gateway.configuration.walking import POINT_SECTIONS, references

RULES: tuple[Callable[[Site], Iterator[Finding]], ...] = (
    place.time_zone,
    place.simulated_place,
    place.root_is_nobody,
    place.key_of_several,
    place.roles_without_people,
    place.commissioning_without_people,
    place.clear_text_uplink,
    place.line_protocol_server,
    place.one_unit_one_device,
    place.rtu_units,
    place.shared_endpoints,
    place.idle_entries,
    tags.tag_fits_table,
    tags.manual_number,
    tags.overlapping_tags,
    tags.tag_fits_read,
    tags.span,
    tags.stale_limits,
    tags.governing_circles,
    tags.bits_exist,
    decoding.strings,
    decoding.strings_are_shown,
    decoding.bit_fields,
    decoding.states,
    decoding.bit_names,
    decoding.totals,
    decoding.spikes,
    calculations.formulas,
    calculations.computed_from_numbers,
    calculations.calculation_circles,
    calculations.rates_of_readings,
    points.one_name_one_point,
    points.ranges,
    points.partners,
    points.test_constants,
    points.own_tags,
    points.reasons,
    poll_plan.lines_keep_up,
    poll_plan.stale_limits_kept,
    entries.bands,
    limits.limits_inside_span,
    limits.span_above_limits,
    limits.limits_of_contacts,
    limits.running_numbers,
    limits.time_inside_window,
    limits.for_alarms_alone,
    limits.same_units,
    outputs.output_levels,
    outputs.permitted_without_data,
    outputs.output_registers,
    outputs.output_block,
    outputs.output_connection,
    interlocks.interlock_effects,
    interlocks.automatic_returns,
    interlocks.in_shadow,
    interlocks.interlock_votes,
    interlocks.watched_elsewhere,
    interlocks.tripped_circles,
    delays.interlock_delays,
    delays.slower_than_the_water,
    delays.alarm_delays,
    alarms.releases,
    alarms.alarm_texts,
    alarms.suppression_circles,
    alarms.process_circles,
    alarms.alarms_of_units,
)
"""Every rule but that of the names, in the order of the files."""


def crosscheck(site: Site, broken: frozenset[tuple[str, str]] = frozenset()) -> tuple[Finding, ...]:
    """All faults and warnings of a site.

    Args:
        site: the site, without entries that have a fault of their own.
        broken: (section, entry) of those entries; their names count as declared.
    """
    found = [*unknown_names(site, broken)]
    for rule in RULES:
        found += rule(site)
    return tuple(found if not broken else _sure(found, broken))


def _sure(found: list[Finding], broken: frozenset[tuple[str, str]]) -> Iterator[Finding]:
    """With entries missing, only what does not say that something is missing."""
    sections = {section for section, _ in broken}
    for finding in found:
        if not (finding.missing_from and finding.missing_from & sections):
            yield finding


def unknown_names(site: Site, broken: frozenset[tuple[str, str]] = frozenset()) -> Iterator[Finding]:
    """A name is used that is not declared."""
    for reference in references(site):
        declared = [*getattr(site, reference.section)]
        sections = POINT_SECTIONS if reference.section == "points" else (reference.section,)
        declared += [entry for section, entry in broken if section in sections]
        if reference.name not in declared and "" not in declared:
            yield undeclared(reference.path, reference.name, _in_words(sections), declared)


def _in_words(sections: tuple[str, ...]) -> str:
    *others, last = sections
    return f"{', '.join(others)} or {last}" if others else last
