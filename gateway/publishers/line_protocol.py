"""Readings as lines of the InfluxDB line protocol. Pure: values to bytes.

    reading,site=marrowfell,tag=AIT-510 value=0.71,quality=192.0,reason=0.0 1740562261000

One line a reading, stamped in milliseconds. A reading without a number has no
field ``value``: a server cannot take for a figure what is not there. Quality
and reason are numbers, because some servers store any text as 0; all numbers
are written as floats, because a field that is an integer once and a float
later is a type conflict to others. A reading that is a text has no line.

Units and descriptions are not part of a series' name, so that correcting one
does not start another series.
"""

from collections.abc import Sequence
from functools import cache

from gateway.core.quality import Quality, Reason
from gateway.publishers.payload import SampleRow

QUALITY_CODES = {  # after OPC: the two upper bits of eight
    Quality.GOOD: 192.0,
    Quality.UNCERTAIN: 64.0,
    Quality.BAD: 0.0,
}

# What has been written stays: a reason that is new gets a number that is new.
REASON_CODES = {
    Reason.OK: 0.0,
    Reason.AWAITED: 1.0,
    Reason.NO_ANSWER: 2.0,
    Reason.REFUSED: 3.0,
    Reason.INVALID_REPLY: 4.0,
    Reason.STALE: 5.0,
    Reason.NOT_FINITE: 6.0,
    Reason.SENTINEL: 7.0,
    Reason.OUT_OF_RANGE: 8.0,
    Reason.LOOP_FAULT: 9.0,
    Reason.OVER_RANGE: 10.0,
    Reason.UNDER_RANGE: 11.0,
    Reason.DEVICE_FAULT: 12.0,
    Reason.HOLD: 13.0,
    Reason.NO_SAMPLE_FLOW: 14.0,
    Reason.PURGING: 15.0,
    Reason.FROZEN: 16.0,
    Reason.UNCERTAIN_REFUSED: 17.0,
    Reason.GOVERNOR_BAD: 18.0,
    Reason.INPUT_BAD: 19.0,
    Reason.WRONG_CONSTANT: 20.0,
    Reason.UNKNOWN_STATE: 21.0,
    Reason.SPIKE: 22.0,
    Reason.PARTNER: 23.0,
    Reason.INPUT_UNCERTAIN: 24.0,
    Reason.ROUNDED: 25.0,
    Reason.NO_FIGURE: 26.0,
    Reason.NOT_COVERED: 27.0,
}

_ESCAPES = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ "})


def has_line(row: SampleRow) -> bool:
    """Whether there is a line for a reading."""
    return not isinstance(row.value, str)


def first_field(row: SampleRow) -> tuple[str, float]:
    """Name and content of the first field of a reading's line."""
    if isinstance(row.value, float | int):
        return "value", row.value
    return "quality", QUALITY_CODES[Quality(row.quality)]


def lines_of(rows: Sequence[SampleRow], *, measurement: str, site: str) -> bytes:
    """A line for each reading that is not a text.

    Raises:
        ValueError: a name cannot be written in line protocol.
    """
    lined = [row for row in rows if has_line(row)]
    series = f"{_escaped(measurement)},site={_escaped(site)},tag="
    heads = {tag: series + _escaped(tag) for tag in {row.tag for row in lined}}  # there are few, and many readings
    return "".join([f"{heads[row.tag]} {_fields(row)} {row.utc_ms}\n" for row in lined]).encode()


def _fields(row: SampleRow) -> str:
    codes = _codes(row.quality, row.reason)
    return codes if row.value is None else f"value={float(row.value)!r},{codes}"


@cache
def _codes(quality: str, reason: str) -> str:
    return f"quality={QUALITY_CODES[Quality(quality)]!r},reason={REASON_CODES[Reason(reason)]!r}"


def _escaped(name: str) -> str:
    """A measurement or tag value; quotation marks mean nothing there and stay as they are."""
    if not name or not name.isprintable() or name.endswith("\\") or name.startswith("#"):
        raise ValueError(
            f"{name!r} cannot be a name in line protocol; allowed are printable names that neither end in a"
            " backslash nor start with #"
        )
    return name.translate(_ESCAPES)
