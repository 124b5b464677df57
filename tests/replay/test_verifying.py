"""``purplegate journal verify``: every kind of tampering is told with its place, on a stopped record and on a copy."""

import hashlib
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.store import journal
from gateway.store.seal import seal
from tests.store.support import entry, opened

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"
WHOLE, NOT_WHOLE, WRONG, REFUSED_SITE, NO_RECORD = 0, 1, 2, 3, 5
COUNT = 9
Vandal = sqlite3.Connection


def verify(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, ["journal", "verify", *(str(one) for one in arguments)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A stopped site whose journal has nine lines."""
    folder = Path(shutil.copytree(MARROWFELL, tmp_path / "site", ignore=shutil.ignore_patterns("record")))
    with opened(folder / "record" / "plant.db") as database:
        database.submit(lambda t: journal.append(t, [entry(n) for n in range(1, COUNT + 1)])).result(20)
    return folder


def hashes() -> list[bytes]:
    """Each line's own, computed from what ``entry`` says and nothing else."""
    found = [bytes(32)]
    for n in range(1, COUNT + 1):
        found.append(hashlib.sha256(found[-1] + journal.canonical(entry(n))).digest())
    return found


def put(vandal: Vandal, n: int, row_hash: bytes, octets: bytes) -> None:
    values = (n, row_hash, seal(n, row_hash, octets), octets)
    vandal.execute("INSERT OR REPLACE INTO journal (n, hash, seal, entry) VALUES (?, ?, ?, ?)", values)


def tampered(site: Path, tamper: Callable[[Vandal], object]) -> None:
    with closing(sqlite3.connect(site / "record" / "plant.db", isolation_level=None)) as vandal:
        tamper(vandal)


def test_a_whole_journal_is_said_to_be_whole_with_the_hash_to_note(site: Path) -> None:
    result = verify(site)
    assert result.exit_code == WHOLE
    assert f"The journal is whole: {COUNT} lines" in result.stdout
    noted = f"{COUNT}={hashes()[COUNT].hex()}"
    assert noted in result.stdout
    assert verify(site, "--known", noted).exit_code == WHOLE


def edit(vandal: Vandal) -> None:
    vandal.execute("UPDATE journal SET entry = CAST(replace(CAST(entry AS TEXT), 'I-01', 'I-02') AS BLOB) WHERE n = 5")


def edit_like_one_who_knows_the_format(vandal: Vandal) -> None:
    before = bytes(vandal.execute("SELECT hash FROM journal WHERE n = 4").fetchone()[0])
    octets = journal.canonical(entry(5, subject="I-99"))
    put(vandal, 5, hashlib.sha256(before + octets).digest(), octets)


def insert(vandal: Vandal) -> None:
    octets = journal.canonical(entry(COUNT + 1))
    put(vandal, COUNT + 1, bytes(32), octets)


def delete(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal WHERE n = 5")


def cut(vandal: Vandal) -> None:
    vandal.execute("DELETE FROM journal WHERE n > 6")


@pytest.mark.parametrize(
    ("tamper", "told"),
    [
        (edit, "edited: entry 5 does not follow entry 4"),
        (edit_like_one_who_knows_the_format, "edited: entry 6 does not follow entry 5"),
        (insert, f"inserted: entries {COUNT + 1} to {COUNT + 1} were put in"),
        (delete, "deleted: entries 5 to 5 are gone"),
        (cut, f"truncated: entries 7 to {COUNT} are gone"),
    ],
)
def test_tampering_is_told_with_its_place_and_nothing_is_given_to_note(
    site: Path, tamper: Callable[[Vandal], None], told: str
) -> None:
    tampered(site, tamper)
    result = verify(site)
    assert result.exit_code == NOT_WHOLE
    assert "NOT as it was written" in result.stdout
    assert told in result.stdout
    assert "--known" not in result.stdout


def cut_with_its_head(vandal: Vandal) -> None:
    cut(vandal)
    vandal.execute("UPDATE journal_head SET n = 6, hash = ?", (hashes()[6],))


def test_a_journal_that_was_cut_together_with_its_head_shows_only_against_a_hash_noted_outside(site: Path) -> None:
    noted = f"{COUNT}={hashes()[COUNT].hex()}"
    earlier = f"6={hashes()[6].hex()}"
    tampered(site, cut_with_its_head)
    assert verify(site).exit_code == WHOLE
    result = verify(site, "--known", earlier, "--known", noted)
    assert result.exit_code == NOT_WHOLE
    assert f"truncated: entry {COUNT} was noted outside and is not there" in result.stdout


def test_a_copy_of_the_record_alone_is_enough(site: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(site / "record", tmp_path / "copy"))
    with closing(sqlite3.connect(copy / "plant.db", isolation_level=None)) as vandal:
        delete(vandal)
    assert verify(site).exit_code == WHOLE
    for given in (copy, copy / "plant.db"):
        result = verify(given)
        assert (result.exit_code, "entries 5 to 5 are gone" in result.stdout) == (NOT_WHOLE, True)


def test_a_record_in_use_is_not_verified_and_its_copy_is(site: Path, tmp_path: Path) -> None:
    with opened(site / "record" / "plant.db"):
        result = verify(site)
        assert result.exit_code == NO_RECORD
        assert "another process has this store open" in result.stderr
        copy = Path(shutil.copytree(site / "record", tmp_path / "copy"))
        assert verify(copy).exit_code == WHOLE


def test_verifying_changes_nothing(site: Path) -> None:
    tampered(site, delete)
    before = (site / "record" / "plant.db").read_bytes()
    verify(site)
    assert (site / "record" / "plant.db").read_bytes() == before


def test_an_empty_journal_is_whole_and_there_is_nothing_to_note(site: Path) -> None:
    shutil.rmtree(site / "record")
    with opened(site / "record" / "plant.db"):
        pass
    result = verify(site)
    assert (result.exit_code, result.stdout) == (
        WHOLE,
        "The journal is empty; there is nothing to verify yet.\n",
    )


def test_what_cannot_be_read_is_told_without_a_traceback(site: Path, tmp_path: Path) -> None:
    shutil.rmtree(site / "record")
    missing = verify(site)
    assert (missing.exit_code, "there is no record yet" in missing.stderr) == (NO_RECORD, True)
    text = tmp_path / "notes.txt"
    text.write_text("no database\n" * 100, encoding="utf-8")
    assert verify(text).exit_code == NO_RECORD
    (tmp_path / "empty").mkdir()
    assert verify(tmp_path / "empty").exit_code == REFUSED_SITE


@pytest.mark.parametrize("known", ["9", "9=abc", f"0={'a' * 64}", f"x={'a' * 64}", f"9={'g' * 64}", f"={'a' * 64}"])
def test_a_noted_hash_that_is_none_is_a_wrong_command_line(site: Path, known: str) -> None:
    result = verify(site, "--known", known)
    assert result.exit_code == WRONG
    assert "64 hexadecimal digits" in " ".join(result.stderr.split())


def test_two_hashes_for_one_line_are_a_wrong_command_line(site: Path) -> None:
    result = verify(site, "--known", f"3={'a' * 64}", "--known", f"3={'b' * 64}")
    assert result.exit_code == WRONG
    assert "two hashes for one line" in " ".join(result.stderr.split())
