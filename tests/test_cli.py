"""The command line: what it prints and with which exit code it ends, for people without a running field process too."""

import asyncio
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.core.request import Action, Answer, Item, Request
from gateway.field.serving import Server
from gateway.local.messages import Hello, OutputStatus, Status
from gateway.store.database import Database
from gateway.store.migrations import PLANT

MARROWFELL = Path(__file__).parents[1] / "config" / "marrowfell"
WAIT_S = 20.0
DONE, REFUSED, WRONG, REFUSED_SITE, NO_FIELD = 0, 1, 2, 3, 4


def run(*arguments: str | Path, typed: str = "") -> Result:
    result = CliRunner().invoke(main, [str(one) for one in arguments], input=typed)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A copy of the demo site."""
    return Path(shutil.copytree(MARROWFELL, tmp_path / "site", ignore=shutil.ignore_patterns("record")))


def spoil(site: Path, file: str, old: str, new: str) -> None:
    text = (site / file).read_text(encoding="utf-8")
    assert old in text
    (site / file).write_text(text.replace(old, new, 1), encoding="utf-8")


# --- check --------------------------------------------------------------------------------------------------------


def test_a_good_site_is_fine(site: Path) -> None:
    result = run("check", site)
    assert result.exit_code == DONE
    assert "Marrowfell Saddle (marrowfell): fine" in result.stdout


def test_every_fault_of_a_bad_site_is_told_at_once_with_file_and_line(site: Path) -> None:
    spoil(site, "site.yaml", "scan_period_s: 1", "scan_perod_s: 1")
    spoil(site, "alarms.yaml", "priority: P1", "priority: P9")
    result = run("check", site)
    assert result.exit_code == REFUSED_SITE
    assert "scan_period_s" in result.stdout  # the nearest known key
    assert "site.yaml:" in result.stdout
    assert "alarms.yaml:" in result.stdout
    assert "refused, 2 faults" in result.stdout


@pytest.mark.parametrize(
    ("name", "content"),
    [
        pytest.param("site.yaml", "site: [", id="no yaml"),
        pytest.param("site.yaml", "", id="an empty file"),
        pytest.param("alarms.yaml", "\x00\x01", id="no text"),
        pytest.param("more.yaml", "site: {id: two}", id="a section in two files"),
    ],
)
def test_a_folder_that_cannot_even_be_read_is_refused_without_a_traceback(site: Path, name: str, content: str) -> None:
    (site / name).write_text(content, encoding="utf-8")
    result = run("check", site)
    assert result.exit_code == REFUSED_SITE
    assert "refused" in result.stdout


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    assert run("check", tmp_path).exit_code == REFUSED_SITE


def test_a_folder_that_is_not_there_is_a_wrong_command_line(tmp_path: Path) -> None:
    result = run("check", tmp_path / "nowhere")
    assert result.exit_code == WRONG
    assert "does not exist" in result.output


# --- without a field process --------------------------------------------------------------------------------------

ASKING: Sequence[Sequence[str]] = (
    ("status",),
    ("tags",),
    ("alarms",),
    ("journal",),
    ("acknowledge", "TURBIDITY-HIGH"),
    ("release", "product", "--reason", "test"),
    ("grab", "turbidity_ntu=0.8"),
    ("commission", "--reason", "test", "--yes"),
    ("observe-only", "--reason", "test", "--yes"),
    ("shelve", "TURBIDITY-HIGH", "--for", "1h", "--reason", "test"),
    ("unshelve", "TURBIDITY-HIGH"),
    ("take-out-of-service", "TURBIDITY-HIGH", "--reason", "test", "--measure", "test"),
    ("return-to-service", "TURBIDITY-HIGH"),
    ("reset", "TURBIDITY-HIGH"),
    ("explain", "TURBIDITY-HIGH", "--cause", "test"),
)
TAKES_THE_SITE_AS_ARGUMENT = {"commission", "observe-only"}


def on(site: Path, command: Sequence[str]) -> list[str | Path]:
    return [*command, *([site] if command[0] in TAKES_THE_SITE_AS_ARGUMENT else ["--site", site])]


@pytest.mark.parametrize("command", ASKING, ids=[one[0] for one in ASKING])
def test_without_a_field_process_everybody_is_told_so(site: Path, command: Sequence[str]) -> None:
    result = run(*on(site, command))
    assert result.exit_code == NO_FIELD
    assert result.stdout == ""
    assert "no field process at" in result.stderr
    assert "is the site running?" in result.stderr


@pytest.mark.parametrize("command", ASKING, ids=[one[0] for one in ASKING])
def test_of_a_bad_site_nobody_asks_anything(site: Path, command: Sequence[str]) -> None:
    spoil(site, "site.yaml", "scan_period_s: 1", "scan_period_s: fast")
    result = run(*on(site, command))
    assert result.exit_code == REFUSED_SITE
    assert "site.yaml:" in result.stderr


@pytest.mark.parametrize("command", ["run", "field", "uplink"])
def test_a_bad_site_starts_nothing(site: Path, command: str) -> None:
    spoil(site, "site.yaml", "scan_period_s: 1", "scan_period_s: fast")
    result = run(command, site)
    assert result.exit_code == REFUSED_SITE
    assert not (site / "record").exists()


def test_a_bad_site_is_told_once_with_all_its_faults_and_starts_no_uplink(site: Path) -> None:
    spoil(site, "site.yaml", "scan_period_s: 1", "scan_period_s: fast")
    spoil(site, "alarms.yaml", "priority: P1", "priority: P9")
    command = [sys.executable, "-m", "gateway", "run", str(site)]
    result = subprocess.run(command, check=False, capture_output=True, text=True, timeout=WAIT_S)
    assert result.returncode == REFUSED_SITE
    assert result.stderr.count("scan_period_s: found") == 1
    assert result.stderr.count('found "P9"') == 1
    assert result.stderr.count(": started as process") == 1
    assert "started again" not in result.stderr
    assert "uplink" not in result.stderr


def test_a_record_that_another_process_holds_is_told_without_a_traceback(
    site: Path, caplog: pytest.LogCaptureFixture
) -> None:
    holder = Database(site / "record" / "plant.db", PLANT, utc_ms=0)
    try:
        assert run("field", site).exit_code == REFUSED
    finally:
        holder.close(WAIT_S)
    assert "another process has this store open; only one may, stop it first" in caplog.text


def test_a_record_that_cannot_be_made_is_told_without_a_traceback(site: Path, caplog: pytest.LogCaptureFixture) -> None:
    spoil(site, "place.yaml", "storage_folder: record", "storage_folder: /dev/null/record")
    assert run("field", site).exit_code == REFUSED
    assert "/dev/null/record: the folder of the store cannot be made" in caplog.text


def test_the_site_may_be_named_by_the_environment(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PURPLEGATE_SITE", str(site))
    assert run("status").exit_code == NO_FIELD


# --- what is typed wrong ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("turbidity", "'turbidity' is not QUANTITY=VALUE; write for instance turbidity_ntu=0.8"),
        ("=0.8", "'=0.8' is not QUANTITY=VALUE"),
        ("turbidity_ntu=cloudy", "has 'cloudy' where a number is wanted"),
        ("turbidity_ntu=", "has '' where a number is wanted"),
        ("turbidity_ntu=0,8", "has '0,8' where a number is wanted"),
        ("turbidity_ntu=nan", "has 'nan' where a number is wanted"),
        ("turbidity_ntu=inf", "has 'inf' where a number is wanted"),
    ],
)
def test_a_figure_that_is_none_is_a_wrong_command_line(site: Path, typed: str, told: str) -> None:
    result = run("grab", typed, "--site", site)
    assert result.exit_code == WRONG
    assert told in result.stderr


def test_a_quantity_is_said_once(site: Path) -> None:
    result = run("grab", "turbidity_ntu=0.8", "turbidity_ntu=3.0", "--site", site)
    assert result.exit_code == WRONG
    assert "a quantity stands there twice" in result.stderr


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(("grab",), id="no figure"),
        pytest.param(("acknowledge",), id="no alarm"),
        pytest.param(("acknowledge", "A", "--occurrence", "first"), id="no number"),
        pytest.param(("release", "product"), id="no reason"),
        pytest.param(("journal", "--last", "0"), id="no line"),
        pytest.param(("relase", "product"), id="no such command"),
        pytest.param(("shelve", "A", "--reason", "test"), id="no end of a shelf"),
        pytest.param(("shelve", "A", "--for", "1h", "--until", "14:30", "--reason", "test"), id="two ends of a shelf"),
        pytest.param(("shelve", "A", "--for", "1h"), id="no reason of a shelf"),
        pytest.param(("take-out-of-service", "A", "--reason", "test"), id="no interim measure"),
        pytest.param(("take-out-of-service", "A", "--measure", "test"), id="no reason out of service"),
        pytest.param(("explain", "A"), id="no cause and no action"),
        pytest.param(("explain", "A", "--cause", " "), id="an empty cause"),
        pytest.param(("explain", "A", "--cause", "x", "--occurrence", "0"), id="no occurrence"),
        pytest.param(("story", "A", "0"), id="no story"),
        pytest.param(("alarms", "--state", "sleeping"), id="no such state"),
    ],
)
def test_what_is_missing_or_unknown_is_a_wrong_command_line(site: Path, command: Sequence[str]) -> None:
    result = run(*command, "--site", site)
    assert result.exit_code == WRONG
    assert "Usage:" in result.stderr


def test_a_mistyped_command_names_the_nearest(site: Path) -> None:
    result = run("relase", "product", "--site", site)
    assert result.exit_code == WRONG
    assert "Did you mean" in result.stderr
    assert "'release'" in result.stderr


# --- help ---------------------------------------------------------------------------------------------------------


def test_the_program_says_what_it_is_and_which_version() -> None:
    assert "purplegate, version " in run("--version").stdout
    text = run("--help").stdout
    assert "Supervisory only" in text
    assert all(name in text for name in main.commands)


@pytest.mark.parametrize("name", sorted(main.commands))
def test_every_command_and_every_option_explains_itself(name: str) -> None:
    result = run(name, "-h")
    assert result.exit_code == DONE
    command = main.commands[name]
    assert command.name == name
    assert command.help
    assert command.help.split()[0] in result.stdout
    options = [one for one in command.params if isinstance(one, click.Option)]
    assert all(one.help for one in options)


# --- with something that answers ----------------------------------------------------------------------------------


class Answering:
    """A local socket that answers requests as it is told to, and remembers them."""

    def __init__(self) -> None:
        self.asked: list[Request] = []
        self.answers: list[Answer] = []
        self.observing = False

    async def submit(self, request: Request) -> Answer:
        self.asked.append(request)
        given = self.answers.pop(0)
        return Answer(
            request=request.id,
            granted=given.granted,
            reason=given.reason,
            text=given.text,
            items=given.items,
            confirm=given.confirm,
        )

    def status(self) -> Status:
        output = OutputStatus(
            output="product",
            service="recycled water",
            level="withdrawn",
            safe=True,
            confirmed=True,
            proven=True,
            reasons=("I-01",),
            since_utc_ms=1_738_800_000_000,
        )
        return Status(
            id=0,
            utc_ms=1_738_800_000_000,
            scan=1,
            outputs=(output,),
            interlocks=(),
            alarms=(),
            tags=(),
            observing=self.observing,
        )

    @contextmanager
    def at(self, site: Path) -> Iterator["Answering"]:
        (site / "record").mkdir(mode=0o700, exist_ok=True)
        ready, loop = threading.Event(), asyncio.new_event_loop()
        serving = threading.Thread(target=self._serve, args=(site / "record" / "field.sock", loop, ready))
        serving.start()
        try:
            assert ready.wait(WAIT_S)
            yield self
        finally:
            loop.call_soon_threadsafe(self._stopped.set)
            serving.join(WAIT_S)

    def _serve(self, path: Path, loop: asyncio.AbstractEventLoop, ready: threading.Event) -> None:
        async def serve() -> None:
            self._stopped = asyncio.Event()
            server = Server(
                path=path,
                hello=lambda: Hello(site="marrowfell"),
                status=self.status,
                submit=self.submit,
                read_history=lambda *_: ((), 0, ""),
                confirmed=lambda *_: None,
                persons_of=lambda user: {"VISITOR-OP": "VISITOR-OP"} if user == os.getuid() else {},
            )
            await server.start()
            ready.set()
            await self._stopped.wait()
            await server.close()

        with suppress(asyncio.CancelledError):
            loop.run_until_complete(serve())
        loop.close()


def test_the_status_is_said_in_site_time(site: Path) -> None:
    with Answering().at(site):
        result = run("status", "--site", site)
    assert result.exit_code == DONE
    assert result.stdout.startswith("Marrowfell Saddle, Thu 06 Feb 2025 01:00:00")
    assert "product: withdrawn" in result.stdout


def test_an_acknowledgement_goes_out_as_typed_and_its_answer_is_printed(site: Path) -> None:
    answering = Answering()
    answering.answers = [Answer(request="", granted=True, text="TURBIDITY-HIGH, occurrence 3, is acknowledged.")]
    with answering.at(site):
        result = run("acknowledge", "TURBIDITY-HIGH", "--occurrence", "3", "--site", site)
    assert (result.exit_code, result.stdout) == (DONE, "TURBIDITY-HIGH, occurrence 3, is acknowledged.\n")
    (asked,) = answering.asked
    assert (asked.subject, asked.occurrence, asked.person, asked.role) == (
        "TURBIDITY-HIGH",
        3,
        "VISITOR-OP",
        "VISITOR-OP",
    )


def test_a_refused_release_prints_its_list_and_ends_with_one(site: Path) -> None:
    items = (Item(text="valve proven", satisfied=True), Item(text="no bypass", satisfied=False, detail="I-01"))
    answering = Answering()
    answering.answers = [
        Answer(request="", granted=False, reason="not_ready", text="Not every condition holds.", items=items)
    ]
    with answering.at(site):
        result = run("release", "product", "--reason", "looked at it", "--site", site)
    assert result.exit_code == REFUSED
    assert result.stdout == "Refused. Not every condition holds.\n[x] valve proven\n[ ] no bypass (I-01)\n"
    assert answering.asked[0].reason == "looked at it"


def test_the_second_step_of_a_release_carries_the_number(site: Path) -> None:
    answering = Answering()
    answering.answers = [
        Answer(request="", granted=True, text="confirm with 7", confirm=7),
        Answer(request="", granted=True, text="product is released."),
    ]
    with answering.at(site):
        offered = run("release", "product", "--reason", "test", "--site", site)
        released = run("release", "product", "--reason", "test", "--confirm", "7", "--site", site)
    assert (offered.stdout, released.stdout) == ("confirm with 7\n", "product is released.\n")
    assert [one.confirm for one in answering.asked] == [0, 7]


def test_commissioning_names_every_register_and_asks_once_more(site: Path) -> None:
    answering = Answering()
    answering.answers = [Answer(request="", granted=True, text="The outputs are commissioned.")]
    with answering.at(site):
        for_nobody = run("commission", site, "--reason", "loops checked", typed="n\n")
        assert answering.asked == []
        done = run("commission", site, "--reason", "loops checked", typed="y\n")
    assert for_nobody.exit_code == REFUSED
    for line in (
        "GW-HB, register 320 of PC1: the heartbeat",
        "GW-PERMIT, register 321 of PC1: product withdrawn",
        "GW-FEED, register 322 of PC1: feed",
        "GW-DELIV, register 323 of PC1: supply",
    ):
        assert line in for_nobody.stdout
    assert done.exit_code == DONE
    assert "The outputs are commissioned." in done.stdout
    (asked,) = answering.asked
    assert (asked.action.value, asked.reason) == ("commission", "loops checked")


def test_a_script_commissions_and_goes_back_without_a_question(site: Path) -> None:
    answering = Answering()
    answering.answers = [Answer(request="", granted=True, text="Done.")] * 2
    with answering.at(site):
        assert run("commission", site, "--reason", "test", "--yes").stdout == "Done.\n"
        assert run("observe-only", site, "--reason", "test", "--yes").stdout == "Done.\n"
    assert [one.action.value for one in answering.asked] == ["commission", "decommission"]


def test_going_back_to_observing_asks_once_more(site: Path) -> None:
    answering = Answering()
    with answering.at(site):
        result = run("observe-only", site, "--reason", "test", typed="n\n")
    assert result.exit_code == REFUSED
    assert answering.asked == []


@pytest.mark.parametrize("command", ["status", "tags"])
def test_while_nothing_is_written_the_first_lines_say_so(site: Path, command: str) -> None:
    answering = Answering()
    with answering.at(site):
        assert "OBSERVE-ONLY" not in run(command, "--site", site).stdout
        answering.observing = True
        said = run(command, "--site", site).stdout
    assert "OBSERVE-ONLY: nothing is written" in said.splitlines()[0 if command == "tags" else 1]


@pytest.mark.parametrize(
    ("typed", "seconds"),
    [
        (("--for", "2h"), 7_200),
        (("--for", "90min"), 5_400),
        (("--for", "1h30min"), 5_400),
        (("--for", "1.5 h"), 5_400),
        (("--until", "01:30"), 1_800),  # it is one o'clock at the site
        (("--until", "00:59:30"), 86_370),  # tomorrow
        (("--until", "2025-02-06 08:00"), 25_200),
    ],
)
def test_a_shelf_ends_after_a_time_or_at_one_by_the_clock_of_the_site(
    site: Path, typed: tuple[str, str], seconds: float
) -> None:
    answering = Answering()
    answering.answers = [Answer(request="", granted=True, text="It is shelved.")]
    with answering.at(site):
        result = run("shelve", "TURBIDITY-HIGH", *typed, "--reason", "cleaning the cell", "--site", site)
    assert (result.exit_code, result.stdout) == (DONE, "It is shelved.\n")
    (asked,) = answering.asked
    assert (asked.action, asked.subject, asked.duration_ms) == (Action.SHELVE, "TURBIDITY-HIGH", seconds * 1_000)
    assert asked.reason == "cleaning the cell"


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (("--for", "2"), "'2' is no length of time; write for instance 90min, 2h or 1h30min"),
        (("--for", "soon"), "'soon' is no length of time"),
        (("--for", ""), "'' is no length of time"),
        (("--for", "-2h"), "'-2h' is no length of time"),
        (("--until", "25:00"), "'25:00' is no time; write for instance 14:30, or 2025-02-06 14:30"),
        (("--until", "tomorrow"), "'tomorrow' is no time"),
        (("--until", "2025-02-06 14:30+01:00"), "names a time zone"),
        (("--until", "2025-02-05 14:30"), "has passed already"),
    ],
)
def test_an_end_of_a_shelf_that_is_none_is_a_wrong_command_line(site: Path, typed: tuple[str, str], told: str) -> None:
    answering = Answering()
    with answering.at(site):
        result = run("shelve", "A", *typed, "--reason", "test", "--site", site)
    assert result.exit_code == WRONG
    assert told in " ".join(result.stderr.split())
    assert answering.asked == []


@pytest.mark.parametrize(
    ("command", "asked"),
    [
        (("unshelve", "A"), {"action": "unshelve"}),
        (
            ("take-out-of-service", "A", "--reason", "lamp out", "--measure", "grab every 4 h"),
            {"action": "take_out_of_service", "reason": "lamp out", "measure": "grab every 4 h"},
        ),
        (("return-to-service", "A", "--reason", "new lamp"), {"action": "return_to_service", "reason": "new lamp"}),
        (("reset", "A"), {"action": "reset"}),
        (
            ("explain", "A", "--occurrence", "3", "--cause", "lamp", "--action", "changed it"),
            {"action": "explain", "occurrence": 3, "cause": "lamp", "corrective_action": "changed it"},
        ),
        (("explain", "A", "--action", "changed it"), {"action": "explain", "occurrence": 0, "cause": ""}),
    ],
)
def test_a_request_about_an_alarm_goes_out_as_typed(
    site: Path, command: Sequence[str], asked: dict[str, object]
) -> None:
    answering = Answering()
    answering.answers = [Answer(request="", granted=True, text="Done.")]
    with answering.at(site):
        result = run(*command, "--site", site)
    assert (result.exit_code, result.stdout) == (DONE, "Done.\n")
    (request,) = answering.asked
    found = {"subject": request.subject, **{name: getattr(request, name) for name in asked}}
    assert found == {"subject": "A", **asked, "action": Action(asked["action"])}


def test_a_grab_sample_goes_out_with_its_figures(site: Path) -> None:
    answering = Answering()
    answering.answers = [Answer(request="", granted=True, text="The grab sample is entered.")]
    with answering.at(site):
        result = run("grab", "turbidity_ntu=0.8", "total_chlorine_mg_l=5.1", "--site", site)
    assert result.exit_code == DONE
    assert answering.asked[0].measured == {"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1}


def test_a_person_that_the_user_may_not_be_is_refused(site: Path) -> None:
    answering = Answering()
    with answering.at(site):
        result = run("acknowledge", "A", "--person", "DUTY-MGR", "--site", site)
    assert result.exit_code == REFUSED
    assert "Refused. " in result.stdout
    assert answering.asked == []


def test_an_empty_journal_is_said_in_words(site: Path) -> None:
    with Answering().at(site):
        result = run("journal", "--site", site)
    assert (result.exit_code, result.stdout) == (DONE, "The journal is empty.\n")
