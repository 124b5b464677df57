"""Filters: hydraulic loading, head loss, ripening. Pure."""

import math
from collections.abc import Iterable, Sequence

from gateway.treatment.refusal import above_zero, not_negative
from gateway.treatment.trend import line_through, time_until

SOURCE = "common practice, no source"
TITLE_22_LOADING_M_S = 5 * 0.0037854118 / 0.09290304 / 60
"""5 gpm/ft2, the most for mono, dual or mixed media: 22 CCR 60301.320(a)(1)."""


def loading_m_s(flow_m3_s: float, area_m2: float) -> float:
    """Hydraulic loading (filtration rate), m/s.

    Args:
        flow_m3_s: onto the filters in service, from 0.
        area_m2: of the filters in service, above 0.

    Raises:
        NotCovered: outside these ranges.
    """
    return not_negative("flow m3/s", flow_m3_s, SOURCE) / above_zero("area m2", area_m2, SOURCE)


def empty_bed_contact_time_s(volume_m3: float, flow_m3_s: float) -> float:
    """Volume of the bed over the flow, s.

    Args:
        volume_m3: of the media, from 0.
        flow_m3_s: above 0.

    Raises:
        NotCovered: outside these ranges.
    """
    return not_negative("volume m3", volume_m3, SOURCE) / above_zero("flow m3/s", flow_m3_s, SOURCE)


def clean_head_loss(head_loss: float, flow_m3_s: float, rated_m3_s: float) -> float:
    """Head loss as it would be at the rated flow, in proportion (laminar flow through media), in the unit given.

    Only so are head losses at different flows of one trend.

    Args:
        head_loss: now, from 0.
        flow_m3_s: now, above 0.
        rated_m3_s: above 0.

    Raises:
        NotCovered: outside these ranges.
    """
    not_negative("head loss", head_loss, SOURCE)
    return head_loss * above_zero("rated flow m3/s", rated_m3_s, SOURCE) / above_zero("flow m3/s", flow_m3_s, SOURCE)


def time_to_terminal(readings: Sequence[tuple[float, float]], terminal: float, *, now: float, at_most: float) -> float:
    """How long until the head loss reaches its terminal value, by the line through its readings since the last wash.

    Args:
        readings: time and head loss at rated flow, since the last wash or scraping.
        terminal: head loss at which the filter is washed.
        now: on the clock of the readings.
        at_most: how far ahead the line is believed, such as the longest run there was.

    Raises:
        NotCovered: too few readings, head loss does not rise, or it is too far ahead.
    """
    return time_until(line_through(readings), terminal, now=now, at_most=at_most)


def ripened_at(readings: Iterable[tuple[float, float | None]], limit: float, lasting: float) -> float:
    """When a filter had ripened: its turbidity had been at or below a limit for long enough without a break.

    Args:
        readings: time and filtrate turbidity since the wash, in the order of time; None where nothing usable was read,
            which begins the wait anew.
        limit: in the unit of the readings.
        lasting: for so long, above or at 0.

    Returns:
        The time, or infinity while it has not.

    Raises:
        NotCovered: a wait below 0.
    """
    not_negative("time", lasting, SOURCE)
    since: float | None = None
    for time, value in readings:
        if value is None or value > limit:
            since = None
            continue
        since = time if since is None else since
        if time - since >= lasting:
            return time
    return math.inf
