"""Whether a figure keeps to a limit. Pure.

Figures are compared as they are, before any rounding for print. A reading
equal to a "not above" limit complies, and so does one equal to a "not below"
limit (22 CCR 60301.320 and 60301.230 are worded so). Two figures count as
equal when they differ by no more than binary fractions do: 12.0/6 is 2, and
4.6 x 100 is 460.
"""

_BINARY = 1e-12  # relative; far finer than any instrument, far coarser than the last digit of a float


def equal(value: float, limit: float) -> bool:
    """Whether a figure is the limit itself, but for what binary fractions do."""
    return abs(value - limit) <= _BINARY * max(abs(value), abs(limit))


def exceeds(value: float, limit: float) -> bool:
    """Whether a figure is above a limit that it must not be above."""
    return value > limit and not equal(value, limit)


def reaches(value: float, limit: float) -> bool:
    """Whether a figure is at or above a limit that it must not be below."""
    return value >= limit or equal(value, limit)
