"""Files of rows to enter: what cannot be read is told with file, line and column, all of it at once."""

from zoneinfo import ZoneInfo

import pytest

from gateway.configuration.entry_rows import identity_of, table_of, utc_ms_of

ZONE = ZoneInfo("Europe/Oslo")
NOTE = "kind,time,text\nnote,2025-02-03 08:30,cleaned\n"


def faults(text: str) -> str:
    return "\n".join(table_of(text.encode(), "notes.csv", ZONE).faults)


def test_rows_are_read_with_site_times_whether_comma_or_semicolon_separates() -> None:
    table = table_of(NOTE.encode(), "notes.csv", ZONE)
    assert not table.faults
    row = table.rows[0].row
    assert (row["kind"], row["time"], row["text"]) == (
        "note",
        str(utc_ms_of("2025-02-03 07:30+00:00", ZONE)),
        "cleaned",
    )
    other = table_of(b"\xef\xbb\xbf" + NOTE.replace(",", ";").encode(), "other.csv", ZONE)
    assert other.rows[0].row == row, "the same row has the same identity in another file"


def test_another_row_has_another_identity() -> None:
    other = table_of(NOTE.replace("cleaned", "wiped").encode(), "notes.csv", ZONE)
    assert identity_of(other.rows[0].row) != identity_of(table_of(NOTE.encode(), "notes.csv", ZONE).rows[0].row)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param("", "has no rows", id="empty"),
        pytest.param("kind,time,text\n", "has no rows", id="no rows"),
        pytest.param("time,text\n2025-02-03 08:30,x\n", "no column kind", id="no kind"),
        pytest.param(NOTE.replace("text", "colour"), "column 'colour' is unknown; known: kind, ", id="unknown column"),
        pytest.param(NOTE.replace("text", "time"), "column 'time' stands there twice", id="column twice"),
        pytest.param(NOTE + "note,2025-02-03 09:30,x,y\n", "notes.csv:3: 4 cells, 3 columns", id="too many cells"),
        pytest.param(NOTE + NOTE.splitlines()[1], "notes.csv:3: is the same as notes.csv:2", id="row twice"),
        pytest.param(
            NOTE.replace("2025", "soon"), "notes.csv:2: column time: 'soon-02-03 08:30' is no time", id="time"
        ),
        pytest.param('kind,text\nnote,"x', "cannot be read as a table", id="open quote"),
        pytest.param(
            "kind,text\n" + "\n".join(f"note,{n}" for n in range(501)), "501 rows; at most 500", id="too many"
        ),
    ],
)
def test_what_cannot_be_read_is_told_with_its_place(text: str, words: str) -> None:
    assert words in faults(text)


def test_a_file_that_is_no_text_is_refused() -> None:
    assert "save it as CSV, UTF-8" in table_of(b"\xff\xfe\x00", "x.csv", ZONE).faults[0]


def test_a_time_that_comes_twice_or_never_is_refused_and_an_offset_settles_it() -> None:
    with pytest.raises(ValueError, match="comes twice"):
        utc_ms_of("2025-10-26 02:30", ZONE)
    with pytest.raises(ValueError, match="never comes"):
        utc_ms_of("2025-03-30 02:30", ZONE)
    later, earlier = utc_ms_of("2025-10-26 02:30+01:00", ZONE), utc_ms_of("2025-10-26 02:30+02:00", ZONE)
    assert later - earlier == 3_600_000
