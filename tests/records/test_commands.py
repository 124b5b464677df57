"""The commands of the record on a stored record: printed, explained, certified, revised; and criteria from a table."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.configuration.criteria import COLUMNS, read_criteria
from gateway.configuration.plant import load_site
from simulator.site import DEMO_SITE
from tests.bench.made_record import JOINED_S, fill
from tests.bench.row_report import made_chunks

CRITERIA = Path(__file__).parents[2] / "config" / "criteria"


def run(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(one) for one in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = Path(shutil.copytree(DEMO_SITE, tmp_path_factory.mktemp("record") / "site"))
    loaded = load_site(folder)
    fill(loaded, loaded.resolve(loaded.site.place.storage_folder) / "plant.db", made_chunks(loaded, 2 * JOINED_S))
    return folder


def test_a_stored_day_is_printed_the_same_twice_and_every_cell_can_be_explained(site: Path, tmp_path: Path) -> None:
    for form in ("html", "csv", "pdf"):
        one, other = tmp_path / f"one.{form}", tmp_path / f"other.{form}"
        for path in (one, other):
            assert run("record", "day", "2025-02-01", "--site", site, "--as", form, "--output", path).exit_code == 0
        assert one.read_bytes() == other.read_bytes()
    told = run("record", "explain", "2025-02-01/turbidity-mean/1", "--site", site)
    assert told.exit_code == 0
    assert "Required 10.9 min, valid 10.9" in told.output
    assert "2. The rules: AIT-510" in told.output
    unknown = run("record", "explain", "2025-02-01/nothing/1", "--site", site)
    assert (unknown.exit_code, "is no figure of this record" in unknown.output) == (1, True)


def test_readings_of_the_record_come_as_plain_text_with_their_state(site: Path) -> None:
    lines = run("record", "readings", "2025-02-01", "--site", site).output.splitlines()
    assert lines[0] == "tag,utc_ms,value,state"
    turbidity = [line for line in lines if line.startswith("AIT-510,")]
    assert len(turbidity) == 2 * JOINED_S // 5
    assert all(line.endswith(("GOOD", "SUSPECT", "BAD", "STALE")) for line in turbidity)


def test_exactly_the_bytes_shown_are_certified_and_a_change_is_a_revision(site: Path, tmp_path: Path) -> None:
    file, copies = tmp_path / "2025-02.csv", tmp_path / "copies"
    copies.mkdir()
    run("record", "day", "2025-02-01", "--site", site, "--as", "csv", "--output", file)
    who = ("--signer", "A. Person", "--role", "COMPLIANCE", "--copies", copies)
    first = run("record", "certify", file, *who)
    code = first.output.rsplit("--confirm ", 1)[1].strip()
    assert not list(copies.iterdir()), "the first step keeps nothing"
    assert run("record", "certify", file, *who, "--confirm", code).exit_code == 0
    assert (copies / "2025-02-r1.csv").read_bytes() == file.read_bytes()
    text = file.read_text().replace("/turbidity-valid-min/1,", "/turbidity-valid-min/1,9")
    file.write_text(text)
    refused = run("record", "certify", file, *who, "--confirm", code)
    assert refused.exit_code == 1, "a byte has changed since the code was shown"
    again = refused.output.rsplit("--confirm ", 1)[1].strip()
    assert run("record", "certify", file, *who, "--confirm", again).exit_code == 0
    revision = json.loads((copies / "2025-02-r2.csv.json").read_text())
    before = json.loads((copies / "2025-02-r1.csv.json").read_text())
    assert revision["previous"] == before["sha256"]
    assert list(revision["changed"]) == ["2025-02-01/turbidity-valid-min/1"]
    (copies / "2025-02-r2.csv").write_bytes(b"other")
    assert "is not what was certified" in run("record", "certify", file, *who, "--confirm", again).output


TABLE = f"""{",".join(COLUMNS)}
Invented Isles,flushing,turbidity,mean_24h,1.5,NTU,24 h,,,Act 7 [M],memory,low,
Invented Isles,flushing,E. coli,fraction_below_detection_min,ND,count/100 mL,30 d,0.75,,Act 7 [S3],seen,high,a note
"""


def test_another_jurisdiction_becomes_a_criteria_file_without_code(tmp_path: Path) -> None:
    table = tmp_path / "isles.csv"
    table.write_text(TABLE)
    assert run("criteria", table, "--folder", tmp_path).exit_code == 0
    made = read_criteria(tmp_path / "invented_isles.yaml")
    assert made.jurisdiction == "Invented Isles"
    (mean,), (detected,) = made.limits.values()
    assert (mean.limit, mean.seen, mean.source) == (1.5, False, "Act 7")
    assert (detected.limit, detected.text, detected.allowed_fraction, detected.seen) == (None, "ND", 0.75, True)


OTHER_TABLES = {
    "isles_gas": "gas,limit_type,value,unit,averaging,source,seen,confidence,note\n"
    "ozone,Isles ceiling,0.08,ppm,15 min,Act 9,seen,high,\n",
    "isles_credit": "kind,source_water_or_process,use,organism,log10_low,log10_high,source,seen,confidence,note\n"
    "target,rain from roofs,indoor,enteric virus,2.5,3.5,Act 10 [M],memory,low,\n",
    "isles_monitors": "jurisdiction,parameter,fallback,interval,interval_unit,max_duration,source,seen,confidence\n"
    "Invented Isles,turbidity,grab samples at least every,2,h,12 h,Act 11,seen,high\n",
    "isles_figures": "unit_process,parameter,low,high,unit,source,seen,confidence,note\n"
    "drum screen,head loss,0.1,0.3,m,Act 12,seen,high,\n",
}


@pytest.mark.parametrize(
    ("table", "made", "limits"),
    [
        ("isles_gas", "isles_gas", [("ozone", 0.08, "ppm")]),
        ("isles_credit", "isles_credit", [("enteric virus", 2.5, "log10"), ("enteric virus", 3.5, "log10")]),
        ("isles_monitors", "invented_isles_failed_monitors", [("turbidity", 2.0, "h")]),
        ("isles_figures", "isles_figures", [("head loss", 0.1, "m"), ("head loss", 0.3, "m")]),
    ],
)
def test_tables_of_gases_credits_monitors_and_figures_become_criteria_too(
    tmp_path: Path, table: str, made: str, limits: list[tuple[str, float, str]]
) -> None:
    file = tmp_path / f"{table}.csv"
    file.write_text(OTHER_TABLES[table])
    told = run("criteria", file, "--folder", tmp_path)
    assert told.exit_code == 0, told.output
    found = [version for (version,) in read_criteria(tmp_path / f"{made}.yaml").limits.values()]
    assert [(one.parameter, one.limit, one.unit) for one in found] == limits
    assert {one.seen for one in found} == {"memory" not in OTHER_TABLES[table]}


def test_a_line_that_is_cut_short_is_told_and_not_a_crash(tmp_path: Path) -> None:
    file = tmp_path / "isles_gas.csv"
    file.write_text(OTHER_TABLES["isles_gas"] + "chlorine\n")
    assert "line 3: source is empty" in run("criteria", file, "--folder", tmp_path).output


def test_a_table_tells_all_of_its_faults_at_once(tmp_path: Path) -> None:
    table = tmp_path / "isles.csv"
    table.write_text(TABLE.replace("memory", "perhaps").replace(",0.75,", ",most,"))
    told = run("criteria", table, "--folder", tmp_path).output
    assert "line 2: seen is 'perhaps'" in told
    assert "line 3: allowed_fraction is 'most'" in told


@pytest.mark.parametrize("file", sorted(CRITERIA.glob("*.yaml")), ids=lambda file: file.stem)
def test_every_criteria_file_can_be_read(file: Path) -> None:
    assert read_criteria(file).limits
