"""``purplegate alarm-review``: from a stopped site's record, from a running one, and what it refuses."""

import asyncio
import os
import shutil
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.core.request import Answer, Request
from gateway.core.tick import Tick
from gateway.field.serving import Server
from gateway.local.messages import ChunkHeader, Hello, JournalEntry, Status
from gateway.store import journal, machine_state
from gateway.store.database import Database
from gateway.store.migrations import PLANT
from tests.reports.journals import Journal, ms

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"
WAIT_S = 20.0
DONE, REFUSED, WRONG, REFUSED_SITE = 0, 1, 2, 3


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return Path(shutil.copytree(MARROWFELL, tmp_path / "site", ignore=shutil.ignore_patterns("record")))


def reviewed(site: Path, *options: str | Path, first: str = "2025-02-01", last: str = "2025-02-03") -> Result:
    arguments = ["alarm-review", "--site", site, "--from", first, "--to", last, *options]
    result = CliRunner().invoke(main, [str(one) for one in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result


def written() -> Sequence[JournalEntry]:
    lines = Journal().start(ms("1 06:00:00")).line(ms("1 10:00:00"), "alarm", "TURBIDITY-HIGH")
    return lines.line(ms("1 10:20:00"), "acknowledged", "TURBIDITY-HIGH").entries


@contextmanager
def opened(site: Path) -> Iterator[Database]:
    database = Database(site / "record" / "plant.db", PLANT, utc_ms=ms("1 06:00:00"))
    try:
        yield database
    finally:
        database.close(WAIT_S)


@pytest.fixture
def stopped(site: Path) -> Path:
    """A site that was cut off an hour after its last line."""
    saved = machine_state.Saved(
        state=b"any", tick=Tick(monotonic_ms=1, utc_ms=ms("1 11:00:00")), boot_id="b", run=1, configuration="one"
    )
    with opened(site) as database:
        database.submit(lambda transaction: journal.append(transaction, written())).result(WAIT_S)
        database.submit(lambda transaction: machine_state.save(transaction, saved)).result(WAIT_S)
    return site


# --- a stopped site -----------------------------------------------------------------------------------------------


def test_a_stopped_site_is_reviewed_from_its_record(stopped: Path) -> None:
    result = reviewed(stopped)
    assert result.exit_code == DONE
    assert "Alarm review of Marrowfell Saddle (marrowfell), 2025-02-01 to 2025-02-03 (CET)" in result.stdout
    assert "The gateway ran 5 h of 3 d." in result.stdout  # until its state was saved last, not until its last line
    assert "TURBIDITY-HIGH" in result.stdout
    assert "20 min" in result.stdout  # to acknowledge


@pytest.mark.parametrize(("form", "begins"), [("csv", "table,row,"), ("html", "<!DOCTYPE html>"), ("text", "Alarm r")])
def test_each_form_goes_to_a_file_when_one_is_named(stopped: Path, tmp_path: Path, form: str, begins: str) -> None:
    file = tmp_path / "review"
    result = reviewed(stopped, "--format", form, "--output", file)
    assert (result.exit_code, result.stdout) == (DONE, f"{file}: alarm review, 2025-02-01 to 2025-02-03\n")
    assert file.read_text(encoding="utf-8").startswith(begins)


def test_a_file_that_is_there_is_replaced_only_when_told(stopped: Path, tmp_path: Path) -> None:
    file = tmp_path / "review"
    file.write_text("kept", encoding="utf-8")
    result = reviewed(stopped, "--output", file)
    assert (result.exit_code, file.read_text(encoding="utf-8")) == (REFUSED, "kept")
    assert "is there already; say --replace" in result.stderr
    assert reviewed(stopped, "--output", file, "--replace").exit_code == DONE
    assert file.read_text(encoding="utf-8") != "kept"


def test_a_file_that_cannot_be_written_is_told(stopped: Path, tmp_path: Path) -> None:
    result = reviewed(stopped, "--output", tmp_path / "nowhere" / "review")
    assert result.exit_code == REFUSED
    assert "cannot be written" in result.stderr


def test_without_a_record_it_says_so(site: Path) -> None:
    result = reviewed(site)
    assert result.exit_code == REFUSED
    assert "there is no record yet" in result.stderr


def test_a_record_that_another_process_holds_is_told(stopped: Path) -> None:
    with opened(stopped):
        result = reviewed(stopped)
    assert result.exit_code == REFUSED
    assert "plant.db" in result.stderr


def test_a_bad_site_is_refused(site: Path) -> None:
    (site / "site.yaml").write_text("site: [", encoding="utf-8")
    assert reviewed(site).exit_code == REFUSED_SITE


# --- a running site -----------------------------------------------------------------------------------------------


async def nobody(request: Request) -> Answer:
    return Answer(request=request.id, granted=False, reason="nobody")


def status() -> Status:
    return Status(id=0, utc_ms=ms("1 12:00:00"), scan=9, outputs=(), interlocks=(), alarms=(), tags=())


@contextmanager
def running(site: Path, database: Database) -> Iterator[None]:
    """The local socket of the site's field process, with the history of its store behind it."""

    def history(
        _stream: str, after_n: int, _store: str, limit_bytes: int
    ) -> tuple[Sequence[tuple[ChunkHeader, bytes]], int, str]:
        with database.reader() as reader:
            return journal.read_after(reader, after_n, min(limit_bytes, 400)), journal.newest(reader).n, ""

    async def serve() -> None:
        server = Server(
            path=site / "record" / "field.sock",
            hello=lambda: Hello(site="marrowfell"),
            status=status,
            submit=nobody,
            read_history=history,
            confirmed=lambda *_: None,
            persons_of=lambda user: {"VISITOR-OP": "VISITOR-OP"} if user == os.getuid() else {},
        )
        await server.start()
        ready.set()
        await asyncio.get_running_loop().run_in_executor(None, leave.wait, WAIT_S)
        await server.close()

    ready, leave = threading.Event(), threading.Event()
    serving = threading.Thread(target=lambda: asyncio.run(serve()))
    serving.start()
    try:
        assert ready.wait(WAIT_S)
        yield
    finally:
        leave.set()
        serving.join(WAIT_S)


def test_a_running_site_is_asked_for_its_whole_journal(site: Path) -> None:
    with opened(site) as database:
        database.submit(lambda transaction: journal.append(transaction, written())).result(WAIT_S)
        with running(site, database):
            result = reviewed(site)
    assert result.exit_code == DONE
    assert "The gateway ran 6 h of 3 d." in result.stdout  # until now
    assert "TURBIDITY-HIGH" in result.stdout


# --- a wrong command line -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [
        ("2025-02-30", "2025-03-01", "'2025-02-30' is no day; write year, month and day, for instance 2025-02-01"),
        ("yesterday", "2025-03-01", "'yesterday' is no day"),
        ("", "2025-03-01", "'' is no day"),
        ("2025-03-01", "01.03.2025", "'01.03.2025' is no day"),
        ("2025-03-02", "2025-03-01", "--to 2025-03-01 lies before --from 2025-03-02"),
        ("1999-12-31", "2025-03-01", "1999-12-31 is too far away; a day from 2000-01-01 to 2099-12-31 is allowed"),
        ("2025-03-01", "9999-12-31", "too far away"),
        ("2001-01-01", "2025-03-01", "more than 3660 days"),
    ],
)
def test_days_that_make_no_period_are_told_in_a_sentence(stopped: Path, first: str, last: str, told: str) -> None:
    result = reviewed(stopped, first=first, last=last)
    assert result.exit_code == WRONG
    assert told in result.stderr


def test_both_days_and_a_known_form_are_needed(stopped: Path) -> None:
    result = CliRunner().invoke(main, ["alarm-review", "--site", str(stopped), "--from", "2025-02-01"])
    assert (result.exit_code, "--to" in result.stderr) == (WRONG, True)
    assert reviewed(stopped, "--format", "pdf").exit_code == WRONG
