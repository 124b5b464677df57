"""Lines of our own: read back by a reader that knows the protocol and not the writer."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.quality import Quality, Reason
from gateway.publishers.line_protocol import QUALITY_CODES, REASON_CODES, lines_of
from gateway.publishers.payload import SampleRow


def parts(text: str, separator: str) -> list[str]:
    """Split at separators that no backslash stands before."""
    return re.split(rf"(?<!\\){separator}", text)


def plain(text: str) -> str:
    return re.sub(r"\\([,= ])", r"\1", text)


def read(line: str) -> tuple[str, dict[str, str], dict[str, str], int]:
    names, fields, stamp = parts(line, " ")
    measurement, *tags = parts(names, ",")
    told = {plain(key): plain(value) for key, value in (parts(tag, "=") for tag in tags)}
    return plain(measurement), told, dict(field.split("=") for field in fields.split(",")), int(stamp)


def line(row: SampleRow, measurement: str = "reading", site: str = "marrowfell") -> str:
    text = lines_of([row], measurement=measurement, site=site).decode()
    assert text.count("\n") == 1
    assert text.endswith("\n")
    return text[:-1]


def test_a_reading_is_one_line() -> None:
    row = SampleRow(n=1, tag="AIT-510", utc_ms=1_740_562_261_000, value=0.71)
    assert line(row) == "reading,site=marrowfell,tag=AIT-510 value=0.71,quality=192.0,reason=0.0 1740562261000"


@pytest.mark.parametrize("value", [5.0, 0.0, -3.0, 1e22, 1e-9])
def test_a_number_is_never_written_as_an_integer(value: float) -> None:
    """Trap 9: 5i beside 5.0 is a type conflict, and part of the batch is lost."""
    written = read(line(SampleRow(n=1, tag="A", utc_ms=1, value=value)))[2]
    assert not any(number.endswith("i") for number in written.values())
    assert all(re.search(r"[.e]", number) for number in written.values())
    assert float(written["value"]) == value


def test_a_bad_reading_has_no_value_and_numbers_for_quality_and_reason() -> None:
    """Trap 8 and 7: a field that is not there must not be a NaN, and a text would be stored as 0."""
    row = SampleRow(n=1, tag="A", utc_ms=1, quality="bad", reason="no_answer")
    assert read(line(row))[2] == {"quality": "0.0", "reason": "2.0"}


def test_a_text_has_no_line() -> None:
    assert lines_of([SampleRow(n=1, tag="A", utc_ms=1, value="fw 2.11")], measurement="m", site="s") == b""


def test_stamps_are_milliseconds_as_recorded() -> None:
    assert read(line(SampleRow(n=1, tag="A", utc_ms=1_740_562_261_123, value=1.0)))[3] == 1_740_562_261_123


NAMES = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_characters="\\#"), min_size=1).filter(
    str.isprintable
)


@given(NAMES, NAMES, NAMES, st.floats(allow_nan=False, allow_infinity=False))
def test_whatever_the_names_the_same_comes_out(measurement: str, site: str, tag: str, value: float) -> None:
    row = SampleRow(n=1, tag=tag, utc_ms=7, value=value)
    found, tags, fields, stamp = read(line(row, measurement, site))
    assert (found, tags, stamp) == (measurement, {"site": site, "tag": tag}, 7)
    assert float(fields["value"]) == value


@pytest.mark.parametrize("name", ["", "A\nB", "A\\", "#A", "A\x00"])
def test_a_name_that_cannot_be_written_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="cannot be a name"):
        lines_of([SampleRow(n=1, tag=name, utc_ms=1, value=1.0)], measurement="m", site="s")


def test_every_quality_and_reason_has_a_number_of_its_own() -> None:
    assert set(QUALITY_CODES) == set(Quality)
    assert set(REASON_CODES) == set(Reason), "a new reason gets a new number, at the end"
    assert len(set(REASON_CODES.values())) == len(REASON_CODES)
