"""The cause-and-effect matrix: what it says, in each format and on the command line."""

import csv
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from io import StringIO
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.configuration.plant import load_site
from gateway.core.condition import (
    BadQuality,
    BitSet,
    BypassEnds,
    BypassExpired,
    Condition,
    Count,
    Deviation,
    Equals,
    HoldOverdue,
    Limit,
    Mismatch,
    NoChange,
    OtherLimit,
    Rate,
    Side,
    StateLimit,
    TimeBeyond,
    Tripped,
    Unproven,
    Unwritable,
    WrittenOver,
)
from gateway.core.motor import MotorRule
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.validity import TagRule
from gateway.reports.condition_words import asked
from gateway.reports.matrix import Configured, Matrix, matrix
from gateway.reports.matrix_csv import matrix_csv
from gateway.reports.matrix_html import matrix_html
from gateway.reports.matrix_text import matrix_text
from simulator.site import DEMO_SITE
from tests.core.plants import INTERLOCKS, OUTPUTS, PLANT

WRITERS = (matrix_text, matrix_csv, matrix_html)
HIGH = Limit(tag="T", side=Side.HIGH, limit=10.0, deadband=0.5)
TAGS = {
    "T": TagRule(tag="T", unit="NTU", stale_after_ms=1),
    "S": TagRule(tag="S", stale_after_ms=1, states={1: "cleaning"}, bit_names={0: "hold"}),
}


def drawn(plant: Plant = PLANT, **about: object) -> Matrix:
    given: dict[str, object] = {
        "id": "demo",
        "name": "Demo <&> Site",
        "zone": ZoneInfo("Europe/Berlin"),
        "hash": "0123abcd",
        "version": "9.9",
        "utc_ms": 1_738_800_000_000,
        "plant": plant,
        "stroke_ms": {"product": 12_000},
        "returns_because": {"I-TANK": "the water is good"},
    }
    return matrix(Configured(**{**given, **about}))  # type: ignore[arg-type]


class Page(HTMLParser):
    """Rows of every table of a page, as text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.open: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002 - the base's shape
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag not in ("br", "meta"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("td", "th"):
            self.rows[-1][-1] += data


@pytest.mark.parametrize("write", WRITERS)
def test_every_format_says_of_which_configuration_when_and_that_it_is_supervisory(write: object) -> None:
    text = write(drawn())  # type: ignore[operator]
    assert "0123abcd" in text
    assert "9.9" in text
    assert re.search(r"2025-02-06[ T]01:00:00", text)
    assert "Supervisory only" in text
    assert "Local codes" in text


def test_the_text_has_a_line_for_every_condition_and_a_cell_for_every_output() -> None:
    lines = matrix_text(drawn()).splitlines()
    high = next(line for line in lines if line.startswith("I-TURB.1"))
    assert re.split(r"  +", high) == [
        "I-TURB.1",
        "TURB above",
        "10 NTU (gone at 9.5)",
        "1oo1",
        "15 s",
        "watched elsewhere: TURB by I-TURB-BAD, 20 s",
        "latched until released",
        "at most 8 h, on site",
        "withdrawn, latched, 15 s",
    ]
    levels = next(number for number, line in enumerate(lines) if line.startswith("I-LEVELS.1"))
    assert "2oo3" in lines[levels]
    assert "votes to trip, 20 s" in lines[levels]
    assert [re.split(r"  +", line.strip())[0] for line in lines[levels + 1 : levels + 3]] == [
        "LEVEL-B above",
        "LEVEL-C above",
    ]
    tank = next(line for line in lines if line.startswith("I-TANK.1"))
    assert "returns 5 s after the cause" in tank
    assert "withdrawn, while it stands, at once" in tank
    valve = next(line for line in lines if line.startswith("I-VALVE.1"))
    assert "not allowed" in valve
    assert valve.count("stop, latched, 30 s") == 2


def test_each_output_has_its_release_its_restart_and_who_looks_whether_it_came_there() -> None:
    text = matrix_text(drawn())
    product = text.split("Output product:")[1].split("Output feed:")[0]
    assert "withdrawn (0); normal is permitted" in product
    assert "returns by itself after 1 min 40 s of good readings" in product
    assert "position: ZSC reads 1 at the safe level, 12 s after the level is written" in product
    assert "I-VALVE: product commanded safe, and ZSC is not 1; for 30 s: feed stop, supply stop" in product
    assert "causes gone for 1 min of those tripped among I-TURB, I-TURB-BAD" in product
    assert "a grab sample since the trip with turbidity at most 2, total chlorine at least 2" in product
    assert "feed released first" in product
    assert "by DUTY-MGR or VISITOR-OP, on site or from afar, after I-VALVE on site only" in product
    assert re.search(r"I-TANK +tank full; returns by itself: the water is good", text)


def test_an_interlock_in_shadow_moves_nothing_and_watches_for_nobody() -> None:
    shadowed = tuple(replace(rule, shadow=True) if rule.id == "I-TURB-BAD" else rule for rule in INTERLOCKS)
    found = drawn(replace(PLANT, interlocks=shadowed))
    row = next(row for row in found.rows if row.rule.id == "I-TURB-BAD")
    assert row.cells == {}
    assert "in shadow: judged and reported, acts on nothing" in matrix_text(found)
    assert next(row for row in found.rows if row.rule.id == "I-TURB").watchers == ()
    assert "I-TURB-BAD" not in next(one for one in found.columns if one.rule.id == "product").stops


def test_how_often_a_motor_may_start_stands_at_its_output() -> None:
    motor = MotorRule(id="feed", min_off_ms=60_000, max_starts=6, window_ms=3_600_000)
    outputs = tuple(replace(one, motor=motor) if one.id == "feed" else one for one in OUTPUTS)
    assert "rests for 1 min before a start; 6 starts in 1 h at most" in matrix_text(
        drawn(replace(PLANT, outputs=outputs))
    )


def test_the_table_for_a_spreadsheet_has_plain_figures() -> None:
    lines = list(csv.reader(StringIO(matrix_csv(drawn()))))
    head = next(line for line in lines if line[:2] == ["causes", "interlock"])
    rows = [dict(zip(head, line, strict=True)) for line in lines if line[0] == "causes" and line is not head]
    turbid = next(row for row in rows if row["interlock"] == "I-TURB")
    assert (turbid["delay_s"], turbid["bad_inputs"], turbid["bad_delay_s"]) == ("15", "elsewhere", "")
    assert (turbid["product"], turbid["product_within_s"], turbid["product_latched"]) == ("withdrawn", "15", "yes")
    assert (turbid["feed"], turbid["feed_within_s"], turbid["feed_latched"]) == ("", "", "")
    assert (turbid["bypass_max_s"], turbid["restore_s"]) == ("28800", "")
    levels = [row for row in rows if row["interlock"] == "I-LEVELS"]
    assert [row["condition"] for row in levels] == [f"LEVEL-{one} above" for one in "ABC"]
    assert {row["bad_delay_s"] for row in levels} == {"20"}
    assert ["outputs", "feed", "register", "GW-feed: idle 0, stop 13107, resume 42405"] in lines


def test_the_page_is_well_formed_and_has_the_same_cells_as_the_text() -> None:
    found = drawn()
    page = matrix_html(found)
    assert "Demo &lt;&amp;&gt; Site" in page
    assert "<&>" not in page
    rows = {row[0]: row for row in Page(page).rows}
    assert rows["I-TURB.1"][-3:] == ["withdrawn, latched, 15 s", "", ""]
    assert rows["I-VALVE.1"][-3:] == ["", "stop, latched, 30 s", "stop, latched, 30 s"]
    assert {name for name in rows if re.fullmatch(r"I-.*\.\d", name)} == {
        f"{row.rule.id}.{row.number}" for row in found.rows
    }


@pytest.mark.parametrize(
    ("condition", "what", "limit"),
    [
        (HIGH, "T above", "10 NTU (gone at 9.5)"),
        (Limit(tag="T", side=Side.LOW, limit=2.0, deadband=0.2), "T below", "2 NTU (gone at 2.2)"),
        (Limit(tag="X", side=Side.LOW, limit=2.0), "X below", "2"),
        (
            StateLimit(base=HIGH, others=(OtherLimit(tag="S", equals=1.0, limit=20.0),)),
            "T above",
            "10 NTU (gone at 9.5); 20 NTU while S is cleaning (1)",
        ),
        (Equals(tag="S", value=1.0), "S is", "cleaning (1)"),
        (BitSet(tag="S", mask=0b101), "S shows", "bit 0 (hold) or bit 2"),
        (NoChange(tag="T", after_ms=15_000), "T does not move", "15 s"),
        (NoChange(tag="T", band=0.1, after_ms=15_000), "T does not move", "0.1 NTU in 15 s"),
        (BadQuality(tag="T"), "T has no usable value", ""),
        (
            BadQuality(tag="T", because=frozenset({Reason.STALE})),
            "T has no usable value",
            "because no new reading in time",
        ),
        (
            BadQuality(tag="T", except_for=frozenset({Reason.STALE})),
            "T has no usable value",
            "unless no new reading in time",
        ),
        (Rate(tag="T", limit=2.0), "T rises faster than", "2 NTU a minute"),
        (Deviation(tag="T", other="U", limit=1.0), "T and U differ by more than", "1 NTU"),
        (Mismatch(command="C", feedback="F"), "F is not what C commands", ""),
        (Unproven(output="valve", tag="Z"), "valve commanded safe, and Z is not", "1"),
        (Tripped(interlock="I-1"), "I-1 tripped, and its cause stands", ""),
        (Unwritable(output="valve"), "valve does not read back as written", ""),
        (WrittenOver(output="valve"), "somebody else wrote the register of valve", ""),
        (BypassEnds(within_ms=900_000), "a bypass ends within", "15 min"),
        (BypassExpired(for_ms=60_000), "a bypass ended by itself within the last", "1 min"),
        (HoldOverdue(by_ms=60_000), "an announced hold stands longer than planned, by", "1 min"),
        (
            TimeBeyond(level=HIGH, more_than_ms=60_000, window_ms=600_000),
            "T for more than 1 min of the last 10 min above",
            "10 NTU (gone at 9.5)",
        ),
        (Count(tag="T", at_least=3, window_ms=60_000), "T counted 3 times in 1 min", "steps"),
        (
            Count(tag="S", at_least=3, window_ms=60_000, becomes=1.0),
            "S counted 3 times in 1 min",
            "coming to cleaning (1)",
        ),
        (
            Count(tag="T", at_least=3, window_ms=60_000, level=HIGH),
            "T counted 3 times in 1 min",
            "coming above 10 NTU (gone at 9.5)",
        ),
    ],
)
def test_every_kind_of_condition_has_its_words(condition: Condition, what: str, limit: str) -> None:
    assert asked(condition, TAGS) == (what, limit)


# --- on the command line ---


def told(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(one) for one in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def test_the_command_prints_the_configuration_that_would_run() -> None:
    loaded = load_site(DEMO_SITE)
    result = told("matrix", DEMO_SITE)
    assert result.exit_code == 0
    assert loaded.hash in result.output
    for rule in loaded.plant.interlocks:
        for number in range(1, len(rule.causes) + 1):
            assert f"\n{rule.id}.{number} " in result.output
    product = result.output.split("Output product:")[1].split("Output feed:")[0]
    assert "6.75 m3 of FIT-905 since the trip, or a grab sample since" in product
    assert "after I-01 the first alone" in product
    flow = next(line for line in product.splitlines() if "DIVERT-APART:" in line)
    assert loaded.site.calculated["DIVERT-APART"].service in flow, "position and flow are set beside each other"
    assert "PRODUCT-UNCONFIRMED: product does not read back as written" in product


@pytest.mark.parametrize("command", ["matrix", "budget"])
def test_a_file_is_written_once_and_replaced_only_when_asked(command: str, tmp_path: Path) -> None:
    file = tmp_path / "out.csv"
    assert told(command, DEMO_SITE, "--format", "csv", "--output", file).exit_code == 0
    first = file.read_text(encoding="utf-8")
    assert len(list(csv.reader(StringIO(first)))) > 20
    again = told(command, DEMO_SITE, "--output", file)
    assert again.exit_code == 1
    assert "is there already; say --replace" in again.output
    assert file.read_text(encoding="utf-8") == first
    assert told(command, DEMO_SITE, "--output", file, "--replace").exit_code == 0
    assert file.read_text(encoding="utf-8") != first


@pytest.mark.parametrize("command", ["matrix", "budget"])
def test_a_refused_site_gets_its_faults_and_nothing_else(command: str, tmp_path: Path) -> None:
    site = Path(shutil.copytree(DEMO_SITE, tmp_path / "site", ignore=shutil.ignore_patterns("record")))
    protection = site / "protection.yaml"
    text = protection.read_text(encoding="utf-8")
    assert text.count("{tag: AIT-801, limit: 2.0") == 1
    protection.write_text(text.replace("{tag: AIT-801, limit: 2.0", "{tag: AIT-888, limit: 2.0"), encoding="utf-8")
    result = told(command, site)
    assert result.exit_code == 3
    assert "AIT-888" in result.output
    assert "I-01" not in result.output
