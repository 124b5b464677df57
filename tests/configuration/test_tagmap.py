"""The tags of a site as a table: what goes out comes back the same, and nothing is written that is not sound."""

import csv
import io
import json
import string
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.cli import main
from gateway.configuration.fault import Refused
from gateway.configuration.reading import configuration_hash, read_site
from gateway.configuration.tagmap import HEADING, export_table, import_table

MAPS = """\
site: {id: maps, name: maps, time_zone: CET}
connections:
  L1: {transport: rtu_over_tcp, host: 127.0.0.1, port: 15001}
devices:
  FM1: {connection: L1, unit_id: 1, map: flow_meter}
"""
FLOW_METER = """\
service: flow meter
points:
  flow: {service: flow, table: holding, address: 10, type: float32, unit: m3/h, range: [0, 60], poll_interval_s: 5,
    bad_when: [{tag: point:status, bits: [0]}]}
  status: {service: status, table: holding, address: 20, type: uint16, poll_interval_s: 5, bit_names: {0: fault}}
"""


def site_of(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        path = folder / f"{name.replace('__', '/')}.yaml"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.parent.chmod(0o755)
        path.write_text(text, encoding="utf-8")
        path.chmod(0o644)
    return folder


def changed(table: str, tag: str, column: str, cell: str) -> bytes:
    """The table with one cell changed."""
    rows = list(csv.reader(io.StringIO(table, newline="")))
    row = next(row for row in rows if row[0] == tag)
    row[rows[0].index(column)] = cell
    file = io.StringIO(newline="")
    csv.writer(file).writerows(rows)
    return file.getvalue().encode()


def faults(folder: Path, content: bytes, *, replace: bool = True) -> list[str]:
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    with pytest.raises(Refused) as refused:
        import_table(folder, content, "tags.csv", replace=replace)
    assert {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before
    return [str(fault) for fault in refused.value.faults]


def test_the_demo_site_goes_out_and_comes_back_byte_for_byte_with_its_hash(folder: Path) -> None:
    before, table = configuration_hash(read_site(folder)), export_table(folder)
    done = import_table(folder, table.encode(), "tags.csv", replace=True)
    assert done.tags == len(read_site(folder).tags)
    assert export_table(folder) == table
    assert configuration_hash(read_site(folder)) == before


def test_the_previous_file_is_kept_each_time_and_is_no_file_of_the_site(folder: Path) -> None:
    written_by_hand, table = (folder / "tags.yaml").read_bytes(), export_table(folder).encode()
    kept = [import_table(folder, table, "tags.csv", replace=True).previous for _ in range(2)]
    assert [path.name for path in kept if path] == ["tags.yaml.previous-1", "tags.yaml.previous-2"]
    assert (folder / "tags.yaml.previous-1").read_bytes() == written_by_hand
    assert not list(folder.glob(".tags.yaml.*"))


def test_a_site_made_after_maps_comes_back_the_same_and_its_maps_stay(tmp_path: Path) -> None:
    tags = """\
tags:
  FIT-1: {device: FM1, point: flow, range: null, unit: "", bad_when: []}
  FM1-STS: {device: FM1, point: status}
"""
    folder = site_of(tmp_path / "site", site=MAPS, tags=tags, maps__flow_meter=FLOW_METER)
    before, table = read_site(folder), export_table(folder)
    import_table(folder, table.encode(), "tags.csv", replace=True)
    assert read_site(folder).tags == before.tags
    assert export_table(folder) == table
    assert configuration_hash(read_site(folder)) == configuration_hash(before)
    assert (folder / "maps/flow_meter.yaml").read_text(encoding="utf-8") == FLOW_METER


def test_with_a_point_an_empty_cell_means_what_the_map_says(tmp_path: Path) -> None:
    folder = site_of(tmp_path / "site", site=MAPS, maps__flow_meter=FLOW_METER)
    import_table(folder, b"tag,device,point\r\nFIT-1,FM1,flow\r\nFM1-STS,FM1,status\r\n", "tags.csv", replace=False)
    assert read_site(folder).tags["FIT-1"].range == (0, 60)
    assert read_site(folder).tags["FIT-1"].bad_when[0].tag == "FM1-STS"


TRAPS = ("=1+1", "+1", "-x", "@SUM(A1)", "'quoted", "''", "null", "0012", "1e3", "1.50", "true", "a,b;c", 'a"b', "x\ny")


@pytest.mark.parametrize("text", TRAPS)
def test_what_a_spreadsheet_would_spoil_comes_back_the_same(folder: Path, text: str) -> None:
    table = changed(export_table(folder), "AIT-510", "service", f"'{text}")
    import_table(folder, table, "tags.csv", replace=True)
    assert read_site(folder).tags["AIT-510"].service == text
    cells = next(row for row in csv.reader(io.StringIO(export_table(folder), newline="")) if row[0] == "AIT-510")
    assert cells[1][0] not in "=+-@"
    assert cells[1] in {text, f"'{text}"}


AWKWARD = string.ascii_letters + string.digits + " =+-@'\",;.\\#:{}[]&*!|>%`\n\t°µé\x85\u2028"
TEXTS = st.text(AWKWARD, min_size=1, max_size=12)
NUMBERS = st.floats(-1e6, 1e6).map(lambda value: round(value, 4)) | st.integers(-1000, 1000).map(float)
KEYS = st.fixed_dictionaries(
    {
        "service": TEXTS.filter(lambda text: bool(text.strip())),
        "type": st.sampled_from(["uint16", "float32", "uint64"]),
    },
    optional={
        "unit": TEXTS,
        "manual": TEXTS.filter(lambda text: not text.isdigit()),
        "byte_order": st.sampled_from(["ABCD", "DCBA"]),
        "clips_at_top": st.booleans(),
        "scale": NUMBERS.filter(bool),
        "offset": NUMBERS,
        "range": st.tuples(st.floats(-99, 0).map(lambda v: round(v, 4)), st.just(100.5)),
        "sentinels": st.lists(NUMBERS, max_size=3),
        "stale_after_s": st.just(60.0) | st.none(),
        "states": st.dictionaries(
            st.integers(-5, 99).map(str), TEXTS.filter(lambda text: bool(text.strip())), max_size=3
        ),
        "report_deadband": st.floats(0, 1).map(lambda value: round(value, 4)),
    },
)


@settings(deadline=None, max_examples=60)
@given(made=st.lists(KEYS, min_size=1, max_size=5))
def test_whatever_the_tags_are_a_table_brings_them_back(
    made: list[dict[str, Any]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    tags = {}
    for number, keys in enumerate(made):
        fits = {key: value for key, value in keys.items() if (key, keys["type"]) != ("states", "float32")}
        if "clips_at_top" in fits and "range" not in fits:
            del fits["clips_at_top"]
        place = {"device": "D", "table": "holding", "address": 10 * number, "poll_interval_s": 15}
        tags[f"T{number}"] = {**fits, **place}
    site = {
        "site": {"id": "made", "name": "made", "time_zone": "CET"},
        "connections": {"L": {"transport": "tcp", "host": "127.0.0.1"}},
        "devices": {"D": {"service": "a device", "connection": "L", "unit_id": 1}},
    }
    folder = tmp_path_factory.mktemp("made")
    site_of(folder, site=json.dumps(site), tags=json.dumps({"tags": tags}))
    before, table = read_site(folder), export_table(folder)
    import_table(folder, table.encode(), "tags.csv", replace=True)
    assert read_site(folder) == before
    assert export_table(folder) == table
    assert configuration_hash(read_site(folder)) == configuration_hash(before)


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("address", "sixteen", 'AIT-510.address: found "sixteen"; allowed: a whole number'),
        ("address", "16.5", "AIT-510.address: found 16.5"),
        ("poll_interval_s", "0,5", "a decimal comma"),
        ("type", "float16", "'float32'"),
        ("device", "AN9", "AIT-510.device"),
        ("range", "[20,0]", "AIT-510.range: found 20 to 0"),
        ("range", "[0,20", "broken JSON"),
        ("range", "[0,NaN]", "AIT-510.range[1]"),
        ("bad_when", '[{"tag":"AN1-STS","tag":"X","bits":[0]}]', "a key twice in one cell"),
        ("bad_when", '[{"tag":"AN1-STS","bits":[16]}]', "AIT-510.bad_when[0].bits[0]: found bit 16"),
        ("service", "", "no such key"),
        ("offset", "1e999", "a finite number"),
        ("offset", "9" * 5000, "a number"),
        ("sentinels", "[" * 900 + "]" * 900, "nested deeper"),
        ("sentinels", "[" * 100_000, "broken JSON"),
        ("states", '{"0":"\\ud800"}', "half a character"),
        ("clips_at_top", "yes", "true or false"),
    ],
)
def test_a_fault_in_a_cell_is_told_with_its_row_and_column_and_nothing_is_written(
    folder: Path, column: str, cell: str, says: str
) -> None:
    found = faults(folder, changed(export_table(folder), "AIT-510", column, cell))
    told = [text for text in found if says in text]
    assert len(told) == 1, found
    assert told[0].startswith("tags.csv:5: AIT-510"), found


def test_all_faults_are_told_at_once(folder: Path) -> None:
    table = changed(export_table(folder), "AIT-510", "address", "sixteen").decode()
    found = faults(folder, changed(table, "AIT-511", "type", "float16"))
    assert [text.partition(": found")[0] for text in found] == [
        "tags.csv:3: AIT-511.type",
        "tags.csv:5: AIT-510.address",
    ]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"tag;service;unit\r\nA;b;c\r\n", "separated by semicolons"),
        (b"tag\tservice\r\nA\tb\r\n", "separated by tabs"),
        ("tag,service\r\nA,°\r\n".encode("cp1252"), "not UTF-8"),
        (b"", "an empty file"),
        (b"tag,service\r\n", "no tag"),
        (b"service,unit\r\na,b\r\n", "no column tag"),
        (b"tag,servce\r\nA,b\r\n", "Did you mean service?"),
        (b"tag,unit,unit\r\nA,b,c\r\n", "the column a second time"),
        (b'tag,service\r\nA,"b\r\n', "broken quotes"),
        (b"tag,service\r\nA,b,c\r\n", "more cells than columns"),
        (b"tag,service\r\nA,b\r\nA,c\r\n", "the first is in row 2"),
        (b"tag,service\r\n,b\r\n", "no name"),
    ],
)
def test_a_file_that_is_no_such_table_is_refused_in_words(folder: Path, content: bytes, says: str) -> None:
    (only,) = faults(folder, content)
    assert says in only


def test_a_spreadsheets_own_marks_are_read(folder: Path) -> None:
    table = export_table(folder)
    spreadsheet = "\ufeff" + table.replace("\r\n", "\n").replace(",true,", ",TRUE,").replace(",false,", ",FALSE,")
    before = configuration_hash(read_site(folder))
    import_table(folder, (spreadsheet + "," * (len(HEADING) - 1) + "\n").encode(), "tags.csv", replace=True)
    assert configuration_hash(read_site(folder)) == before


def test_what_stands_in_the_way_is_not_replaced_unasked(folder: Path, tmp_path: Path) -> None:
    table = export_table(folder).encode()
    (only,) = faults(folder, table, replace=False)
    assert "--replace" in only
    tags = folder / "tags.yaml"
    tags.write_text(tags.read_text(encoding="utf-8") + "own_tags: {}\n", encoding="utf-8")
    assert "own_tags, which would be lost" in faults(folder, table)[0]
    text = MAPS + "tags:\n  FM1-STS: {device: FM1, point: status}\n"
    elsewhere = site_of(tmp_path / "site", site=text, maps__flow_meter=FLOW_METER)
    assert "the section tags, in site.yaml" in faults(elsewhere, export_table(elsewhere).encode())[0]


def test_a_number_that_a_site_folder_cannot_hold_is_refused(folder: Path) -> None:
    (only,) = faults(folder, changed(export_table(folder), "AIT-510", "offset", "1e-50"))
    assert "cannot be written" in only


def test_a_hostile_file_name_stays_a_comment(folder: Path) -> None:
    import_table(folder, export_table(folder).encode(), "x\nalarms: {}", replace=True)
    assert (
        (folder / "tags.yaml").read_text(encoding="utf-8").startswith('# Written by "purplegate tagmap import" from x?')
    )


def test_the_commands_write_read_and_refuse(folder: Path, tmp_path: Path) -> None:
    file = str(tmp_path / "tags.csv")
    run = CliRunner().invoke
    assert run(main, ["tagmap", "export", str(folder), file]).exit_code == 0
    again = run(main, ["tagmap", "export", str(folder), file])
    assert (again.exit_code, "--replace" in again.output) == (1, True)
    assert run(main, ["tagmap", "import", str(folder), file]).exit_code == 3
    done = run(main, ["tagmap", "import", str(folder), file, "--replace"])
    assert done.exit_code == 0, done.output
    assert "comments are lost" in done.output
    assert "tags.yaml.previous-1" in done.output
