"""``purplegate store export``: what is in the text, checked by a recipe that knows nothing of the gateway."""

import csv
import json
import random
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.configuration.plant import load_site
from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Sample, Text
from gateway.core.tick import Tick
from gateway.custody.sample_text import HEAD, SampleFiles
from gateway.store.chunk import SampleRow, ScanTick, pack
from tests.custody.made_site import LINES, SAMPLES, made_site, running
from tests.custody.recheck import recheck, sample_lines
from tests.faults.tampering import flip_byte
from tests.store.support import rows_from

DONE, REFUSED, WRONG, NO_RECORD = 0, 1, 2, 5


def export(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, ["store", "export", *(str(one) for one in arguments)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_site(tmp_path_factory.mktemp("made"))


@pytest.fixture(scope="module")
def exported(site: Path) -> Path:
    result = export(site, site.parent / "text")
    assert result.exit_code == DONE, result.output
    assert f"{SAMPLES} samples and {LINES} journal lines of marrowfell" in result.stdout
    return site.parent / "text"


def test_the_recipe_of_its_readme_finds_the_export_whole(exported: Path) -> None:
    recheck(exported, None)
    readme = (exported / "README.txt").read_text(encoding="utf-8")
    program = readme.partition("In Python:\n\n")[2].partition("\n\n   It must end")[0]
    lines = [line[7:] for line in program.splitlines()]
    printed: list[object] = []
    text = "\n".join(lines).replace('open("journal.jsonl"', f'open("{exported}/journal.jsonl"')
    exec(text, {"print": lambda *words: printed.extend(words)})  # noqa: S102 - the program that a third party is given
    assert printed[0] == LINES
    assert f"{LINES} {printed[1]}" in readme


@pytest.mark.parametrize("seed", range(12))
def test_one_octet_changed_anywhere_in_an_export_is_found(exported: Path, tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)  # noqa: S311 - places of damage
    noted = recheck(exported, None)
    copy = Path(shutil.copytree(exported, tmp_path / "copy"))
    flip_byte(chance.choice(sorted(path for path in copy.rglob("*") if path.is_file())), chance)
    with pytest.raises((AssertionError, ValueError, KeyError, OSError)):
        recheck(copy, noted)


def test_every_sample_stands_there_with_unit_times_value_quality_run_and_number(exported: Path) -> None:
    lines = sample_lines(exported)
    assert [int(line["n"]) for line in lines] == list(range(1, SAMPLES + 1))
    for line, row in zip(lines, rows_from(1, SAMPLES), strict=True):
        sample = row.sample
        at = datetime.fromtimestamp(sample.arrived.utc_ms / 1_000, UTC)
        assert (line["site"], line["tag"], line["run"]) == ("marrowfell", sample.tag, "1" if row.n <= 240 else "2")
        assert datetime.fromisoformat(line["utc"]) == datetime.fromisoformat(line["site_time"]) == at
        assert datetime.fromisoformat(line["site_time"]).utcoffset() == timedelta(hours=1)
        if isinstance(sample.reading, Number):
            assert float(line["value"]) == sample.reading.value
            assert (line["quality"], line["reason"]) == ("good", "ok")
        else:
            assert (line["value"], line["quality"], line["reason"]) == ("", "bad", "no_answer")
    assert {line["unit"] for line in lines if line["tag"] == "AIT-510"} == {"NTU"}


def test_journal_and_configurations_are_there_as_they_were_kept(site: Path, exported: Path) -> None:
    text = (exported / "journal.jsonl").read_text(encoding="utf-8")
    lines = [json.loads(line)["entry"] for line in text.split("\n")[:-1]]
    assert [(line["n"], line["kind"], line["subject"]) for line in lines] == [
        (n, "trip", "I-01") for n in range(1, LINES + 1)
    ]
    configuration = load_site(site).hash
    assert (exported / "configurations" / f"{configuration}.json").is_file()
    with (exported / "configurations.csv").open(encoding="utf-8", newline="") as file:
        found = [(line["run"], line["sha256"], line["stream"], line["from_n"]) for line in csv.DictReader(file)]
    assert found == [("1", configuration, "journal", "1"), ("2", configuration, "journal", "7")]
    with (exported / "limits.csv").open(encoding="utf-8", newline="") as file:
        limits = {(line["section"], line["name"], line["key"]): line["value"] for line in csv.DictReader(file)}
    assert limits["interlocks", "I-01", "causes[0].inputs[0].high.limit"] == "10.0"
    assert (exported / "gaps.csv").read_text(encoding="utf-8") == "stream,after_n,why\n"


def test_a_running_site_exports_the_same_over_its_socket(site: Path, exported: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(site, tmp_path / "site"))
    with running(copy):
        result = export(copy, tmp_path / "text")
    assert result.exit_code == DONE, result.output
    recheck(tmp_path / "text", None)
    for path in exported.rglob("*"):
        if path.is_file() and path.name not in {"README.txt", "SHA256SUMS"}:
            assert (tmp_path / "text" / path.relative_to(exported)).read_bytes() == path.read_bytes(), path.name


def test_days_can_be_chosen_and_the_journal_stays_whole(site: Path, tmp_path: Path) -> None:
    assert export(site, tmp_path / "none", "--from", "2025-02-07").exit_code == DONE
    assert sample_lines(tmp_path / "none") == []
    assert export(site, tmp_path / "all", "--from", "2025-02-06", "--to", "2025-02-06").exit_code == DONE
    assert len(sample_lines(tmp_path / "all")) == SAMPLES
    recheck(tmp_path / "none", None)
    wrong = export(site, tmp_path / "never", "--from", "2025-02-07", "--to", "2025-02-06")
    assert (wrong.exit_code, "--from is after --to" in wrong.stderr) == (WRONG, True)


def test_what_is_damaged_is_listed_and_never_passed_over(site: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(site, tmp_path / "site"))
    with closing(sqlite3.connect(copy / "record" / "plant.db", isolation_level=None)) as vandal:
        vandal.execute("UPDATE sample_chunk SET body = zeroblob(length(body)) WHERE first_n = 41")
        vandal.execute("DELETE FROM journal WHERE n = 5")
    assert export(copy, tmp_path / "text").exit_code == DONE
    gaps = (tmp_path / "text" / "gaps.csv").read_text(encoding="utf-8")
    assert "samples,40," in gaps
    assert "samples 41 to 80 are gone or damaged" in gaps
    assert "journal entries 5 to 5 are gone or damaged" in gaps
    numbers = [int(line["n"]) for line in sample_lines(tmp_path / "text")]
    assert numbers == [n for n in range(1, SAMPLES + 1) if not 41 <= n <= 80]


def test_an_export_never_goes_into_a_folder_that_is_there(site: Path, exported: Path, tmp_path: Path) -> None:
    again = export(site, exported)
    assert (again.exit_code, "there already" in again.stderr) == (REFUSED, True)
    (tmp_path / "file").write_text("", encoding="utf-8")
    below = export(site, tmp_path / "file" / "text")
    assert (below.exit_code, "cannot be written" in below.stderr) == (REFUSED, True)


def test_without_a_record_it_says_so(site: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(site, tmp_path / "site", ignore=shutil.ignore_patterns("record")))
    result = export(copy, tmp_path / "text")
    assert (result.exit_code, "there is no record yet" in result.stderr) == (NO_RECORD, True)
    assert not (tmp_path / "text").exists()


def test_a_day_that_changes_its_offset_and_values_that_are_words_come_out_as_they_are(tmp_path: Path) -> None:
    """30 March 2025, 01:00 UTC: clocks in central Europe go from +01:00 to +02:00."""
    change_ms = round(datetime(2025, 3, 30, 1, tzinfo=UTC).timestamp() * 1_000)
    readings: list[Text | Number | NoNumber] = [
        Text('says "no", twice'),
        Number(0.1, Quality.UNCERTAIN, Reason.SPIKE),
        NoNumber(Reason.REFUSED),
    ]
    rows = [
        SampleRow(n=n, scan=1, sample=_sample(f"T,{n}", reading, change_ms - 2 + n))
        for n, reading in enumerate(readings, 1)
    ]
    scans = [ScanTick(scan=1, tick=Tick(monotonic_ms=9, utc_ms=change_ms + 9))]
    files = SampleFiles(
        tmp_path,
        site="a site",
        zone=ZoneInfo("Europe/Berlin"),
        units=lambda _: {"T,1": "1"},
        within=lambda _: True,
    )
    files.take(*pack(rows, scans, run=1, configuration="c"))
    files.close()
    head, *lines = (tmp_path / "samples-2025-03-30.csv").read_text(encoding="utf-8").splitlines()
    assert head + "\n" == HEAD
    assert [line.split(",", 1)[1].split("Z,")[1] for line in lines] == [
        '2025-03-30T01:59:59.999+01:00,"says ""no"", twice",good,ok,1,1,1,',
        "2025-03-30T03:00:00.000+02:00,0.1,uncertain,spike,1,2,1,",
        "2025-03-30T03:00:00.001+02:00,,bad,refused,1,3,1,",
    ]
    assert lines[0].startswith('a site,"T,1",1,2025-03-30T00:59:59.999')


def _sample(tag: str, reading: Text | Number | NoNumber, utc_ms: int) -> Sample:
    return Sample(tag=tag, reading=reading, arrived=Tick(monotonic_ms=utc_ms, utc_ms=utc_ms), source_utc_ms=utc_ms)
