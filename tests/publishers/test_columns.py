"""Columns: the same readings out as in, small, without gap or double, and only with the table."""

import itertools
import random
import zlib

import pytest

from gateway.configuration.schema.points import OwnTag
from gateway.publishers import payload
from gateway.publishers.columns import (
    Batch,
    Reader,
    TagTable,
    UnknownTable,
    history_of,
    history_parcels,
    tag_table,
    tags_parcel,
)
from gateway.publishers.payload import SampleRow

START_UTC_MS = 1_740_562_261_000


def tag(deadband: float = 0.0, unit: str = "") -> OwnTag:
    return OwnTag(service="a quantity", unit=unit, figure="rows_waiting", report_deadband=deadband)


POINTS = {"AIT-510": tag(0.05, "NTU"), "AIT-801": tag(unit="mg/L"), "ZSC-901": tag(), "SERIAL": tag()}
TABLE = tag_table(POINTS, site="marrowfell", configuration="c0ffee")


def rows(count: int, first_n: int = 1_000) -> list[SampleRow]:
    draw = random.Random(1)  # noqa: S311 - makes test data
    made = []
    for n in range(first_n, first_n + count):
        name = draw.choice([*POINTS, "OF-ANOTHER-CONFIGURATION"])
        stamp = START_UTC_MS + 200 * n - draw.randrange(1_000)
        if draw.random() < 0.1:
            made.append(SampleRow(n=n, tag=name, utc_ms=stamp, quality="bad", reason="no_answer"))
        elif name == "SERIAL":
            made.append(SampleRow(n=n, tag=name, utc_ms=stamp, value="fw 2.11, \u00b5S"))
        else:
            made.append(SampleRow(n=n, tag=name, utc_ms=stamp, value=round(draw.uniform(-20, 20), 3)))
    return made


def batch(given: list[SampleRow], first_n: int, last_n: int) -> Batch:
    return Batch(rows=given, run=3, configuration="c0ffee", first_n=first_n, last_n=last_n)


def receiver(table: TagTable = TABLE) -> Reader:
    reader = Reader()
    parcel = tags_parcel(table)
    reader.decode(parcel.body, parcel.content_type)
    return reader


def sent(given: Batch, limit_bytes: int = 60_000, table: TagTable = TABLE) -> list[payload.History]:
    reader = receiver(table)
    heard = []
    for last_n, parcel in history_parcels(given, table, limit_bytes=limit_bytes):
        content = reader.decode(parcel.body, parcel.content_type)
        assert isinstance(content, payload.History)
        assert content.last_n == last_n
        assert len(parcel.body) <= limit_bytes
        heard.append(content)
    return heard


def test_readings_come_out_of_their_columns_as_they_went_in() -> None:
    before = rows(500)
    (history,) = sent(batch(before, 1_000, 1_499))
    assert receiver().rows_of(history) == before


def test_a_value_is_rounded_to_some_hundredths_of_the_dead_band_and_to_nothing_without_one() -> None:
    given = [
        SampleRow(n=1, tag="AIT-510", utc_ms=0, value=0.7134512),
        SampleRow(n=2, tag="AIT-801", utc_ms=0, value=5.4000000953674316),
        SampleRow(n=3, tag="AIT-510", utc_ms=0, value=20.0),
        SampleRow(n=4, tag="AIT-801", utc_ms=0, value=1e300),
    ]
    assert history_of(batch(given, 1, 4), TABLE).value == (0.713, 5.4000000953674316, 20, 1e300)


@pytest.mark.parametrize(
    ("deadband", "step"), [(0.05, 0.001), (0.1, 0.01), (1.0, 0.1), (20.0, 1.0), (0.3, 0.01), (500.0, 10.0)]
)
def test_the_table_says_how_values_are_rounded(deadband: float, step: float) -> None:
    table = tag_table({"A": tag(deadband)}, site="m", configuration="c")
    assert table.message.tags[0].step == pytest.approx(step)
    (value,) = history_of(batch([SampleRow(n=1, tag="A", utc_ms=0, value=1234.56789)], 1, 1), table).value
    assert isinstance(value, int | float)
    assert abs(value - 1234.56789) <= step / 2 * 1.001
    assert step <= deadband / 10 * 1.001


def test_readings_are_cut_to_the_size_bound_and_the_ranges_follow_each_other() -> None:
    before = rows(3_000)
    parts = sent(batch(before, 990, 4_010), limit_bytes=1_500)
    assert len(parts) > 3
    reader = receiver()
    assert [row for part in parts for row in reader.rows_of(part)] == before
    assert (parts[0].first_n, parts[-1].last_n) == (990, 4_010)
    assert all(after.first_n == part.last_n + 1 for part, after in itertools.pairwise(parts))


def test_readings_held_back_earlier_may_be_cut_off_too() -> None:
    before = rows(400, first_n=100)
    parts = sent(batch(before, 480, 520), limit_bytes=700)
    assert [row for part in parts for row in receiver().rows_of(part)] == before
    answered = [n for part in parts for n in range(part.first_n, part.last_n + 1)]
    assert answered == list(range(480, 521))


def test_a_range_without_readings_is_a_message_too() -> None:
    (history,) = sent(batch([], 5, 90))
    assert (history.first_n, history.last_n, history.n) == (5, 90, ())


def test_without_its_table_a_message_is_not_read() -> None:
    ((_, parcel),) = history_parcels(batch(rows(3), 1_000, 1_002), TABLE, limit_bytes=60_000)
    with pytest.raises(UnknownTable):
        Reader().decode(parcel.body, parcel.content_type)


def test_each_table_has_a_name_of_its_own_and_old_messages_stay_readable() -> None:
    other = tag_table({**POINTS, "NEW": tag()}, site="marrowfell", configuration="c0ffee")
    assert other.message.table != TABLE.message.table
    reader = receiver()
    late = tags_parcel(other)
    reader.decode(late.body, late.content_type)
    before = rows(40)
    ((_, parcel),) = history_parcels(batch(before, 1_000, 1_039), TABLE, limit_bytes=60_000)
    content = reader.decode(parcel.body, parcel.content_type)
    assert isinstance(content, payload.History)
    assert reader.rows_of(content) == before


def test_the_pattern_is_what_rfc_1950_calls_a_preset_dictionary() -> None:
    ((_, parcel),) = history_parcels(batch(rows(3), 1_000, 1_002), TABLE, limit_bytes=60_000)
    assert parcel.body[1] & 0x20, "FDICT"
    assert int.from_bytes(parcel.body[2:6], "big") == zlib.adler32(TABLE.message.pattern.encode()), "DICTID"
