"""``purplegate store verify``: a whole record, and every kind of tampering with its place and meaning."""

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.store.database import offline
from gateway.store.journal import newest
from tests.custody.made_site import LINES, SAMPLES, made_site, running
from tests.faults.tampering import flip_byte

WHOLE, NOT_WHOLE, WRONG, NO_RECORD = 0, 1, 2, 5
Vandal = sqlite3.Connection


def verify(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, ["store", "verify", *(str(one) for one in arguments)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_site(tmp_path_factory.mktemp("made"))


@pytest.fixture
def site(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "site"))


def tampered(site: Path, *statements: str) -> None:
    """By somebody who knows how to take the closing seal away with it."""
    (site / "record" / "plant.db.closed").unlink()
    with closing(sqlite3.connect(site / "record" / "plant.db", isolation_level=None)) as vandal:
        for statement in statements:
            vandal.execute(statement)


def test_a_stopped_record_is_said_to_be_whole_with_what_was_checked_and_the_hash_to_note(site: Path) -> None:
    result = verify(site)
    assert result.exit_code == WHOLE, result.output
    assert f"journal: {LINES} lines" in result.stdout
    assert f"samples: {SAMPLES} samples in {LINES} chunks" in result.stdout
    assert "configurations: 1 texts" in result.stdout
    assert "Octet for octet the file that the last stop left." in result.stdout
    noted = result.stdout.strip().rpartition(" ")[2]
    assert noted.startswith(f"{LINES}=")
    assert verify(site, "--known", noted).exit_code == WHOLE
    other = verify(site, "--known", f"{LINES}={'0' * 64}")
    assert (other.exit_code, "were rewritten" in other.stdout) == (NOT_WHOLE, True)


TAMPERINGS = [
    ("UPDATE journal SET entry = CAST(replace(entry, 'I-01', 'I-02') AS BLOB) WHERE n = 5", "entry 5 does not follow"),
    ("DELETE FROM journal WHERE n = 5", "entries 5 to 5 are gone"),
    ("DELETE FROM journal WHERE n > 10", "entries 11 to 12 are gone"),
    ("UPDATE sample_chunk SET body = zeroblob(length(body)) WHERE first_n = 41", "samples 41 to 80 do not match"),
    ("UPDATE sample_chunk SET first_utc_ms = first_utc_ms + 1 WHERE first_n = 41", "samples 41 to 80 do not match"),
    ("DELETE FROM sample_chunk WHERE last_n = 120", "after sample 80 comes 121"),
    ("DELETE FROM sample_chunk", "mqtt had samples up to 40, the newest is 0"),
    ("UPDATE sample_chunk SET run = 3 WHERE first_n = 41", "runs only grow"),
    ("UPDATE configuration SET document = CAST('{}' AS BLOB)", "does not match its hash"),
    ("UPDATE configuration SET document = NULL", "its text is not there"),
    ("UPDATE position SET n = 80", "the position of mqtt in samples does not match"),
    ("UPDATE machine_state SET state = CAST('x' AS BLOB)", "the saved state does not match"),
    ("UPDATE beginning SET said = 4 WHERE run = 1", "the state run 1 began with does not match"),
    ("UPDATE store SET run = 1", "the store's id and run do not match"),
    ("UPDATE migration SET name = 'plants'", "the record of the layout was changed"),
    ("CREATE TABLE more (one INTEGER)", "more is not laid out as it was made"),
]


@pytest.mark.parametrize(("statement", "told"), TAMPERINGS)
def test_each_tampering_is_told_with_its_place_and_what_it_means(site: Path, statement: str, told: str) -> None:
    tampered(site, statement)
    result = verify(site / "record")  # as a copy of the record: no site has to be read
    assert result.exit_code == NOT_WHOLE
    assert "NOT as it was written" in result.stdout
    assert told in result.stdout
    assert "--known" not in result.stdout
    assert "The last stop left no seal" in result.stdout


def test_an_older_copy_put_back_is_known_by_the_run_beside_it(site: Path, tmp_path: Path) -> None:
    older = Path(shutil.copy(site / "record" / "plant.db", tmp_path))
    with running(site):
        pass
    shutil.copy(older, site / "record" / "plant.db")
    result = verify(site)
    assert result.exit_code == NOT_WHOLE
    assert "it is an older copy, or was cut" in result.stdout


@pytest.mark.parametrize("seed", range(12))
def test_one_octet_changed_anywhere_in_a_stopped_record_is_found(site: Path, seed: int) -> None:
    chance = random.Random(seed)  # noqa: S311 - places of damage
    name = "plant.db" if seed < 8 else chance.choice(["plant.db.run", "plant.db.closed"])
    flip_byte(site / "record" / name, chance)
    result = verify(site / "record")
    assert result.exit_code == NOT_WHOLE, result.output


def change_chunk(vandal: Vandal) -> None:
    vandal.execute("UPDATE sample_chunk SET body = zeroblob(length(body)) WHERE first_n = 41")


def change_line(vandal: Vandal) -> None:
    vandal.execute("UPDATE journal SET entry = CAST(replace(entry, 'I-01', 'I-02') AS BLOB) WHERE n = 5")


def test_a_running_site_is_asked_over_its_socket_and_ends_at_the_same_hash(site: Path) -> None:
    stopped = verify(site).stdout.strip().rpartition(" ")[2]
    with running(site):
        result = verify(site)
    assert result.exit_code == WHOLE, result.output
    assert f"journal: {LINES} lines, chained from the first" in result.stdout
    assert f"samples: {SAMPLES} samples in {LINES} chunks" in result.stdout
    assert "its database was not opened" in result.stdout
    assert result.stdout.strip().endswith(stopped)


@pytest.mark.parametrize(
    ("tamper", "told"), [(change_chunk, "samples 41 to 80 are gone or damaged"), (change_line, "entries 5 to 5 are")]
)
def test_what_a_running_site_cannot_hand_out_is_told(site: Path, tamper: Callable[[Vandal], None], told: str) -> None:
    with closing(sqlite3.connect(site / "record" / "plant.db", isolation_level=None)) as vandal:
        tamper(vandal)
    with running(site):
        result = verify(site, "--known", f"9={'a' * 64}")
    assert result.exit_code == NOT_WHOLE
    assert told in result.stdout
    assert "entry 9: its hash is not the one noted outside" in result.stdout


def test_a_record_in_use_whose_process_does_not_answer_is_not_opened(site: Path) -> None:
    with running(site):
        copy = site / "record" / "plant.db"
        result = verify(copy)  # the file itself: nobody to ask
    assert result.exit_code == NO_RECORD
    assert "another process has this store open" in result.stderr


def test_verifying_changes_nothing_and_a_start_after_it_is_the_same(site: Path) -> None:
    def octets() -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in (site / "record").iterdir()}

    before = octets()
    verify(site)
    after = octets()
    assert {name: after[name] for name in before if not name.endswith(".lock")} == {
        name: before[name] for name in before if not name.endswith(".lock")
    }
    with offline(site / "record" / "plant.db") as reader:
        assert newest(reader).n == LINES


def test_what_is_no_database_any_more_is_a_finding_and_no_record_is_not(site: Path) -> None:
    (site / "record" / "plant.db").write_bytes(b"no database\n" * 100)
    result = verify(site)
    assert (result.exit_code, "file is not a database" in result.stdout) == (NOT_WHOLE, True)
    shutil.rmtree(site / "record")
    missing = verify(site)
    assert (missing.exit_code, "there is no record yet" in missing.stderr) == (NO_RECORD, True)
    assert verify(site, "--known", "9").exit_code == WRONG
