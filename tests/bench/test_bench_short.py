"""Every row of the bench still runs and measures something; how fast is not judged here."""

import json
import math
from pathlib import Path

import pytest

from tests.bench import __main__ as bench
from tests.bench.frame import SHORT, Figure, Goal, Row, lines_of, merge, record_of
from tests.bench.row_scan import ScannedPlant
from tests.bench.rows import ROWS


@pytest.mark.parametrize("key", ROWS)
def test_a_row_gives_figures_and_both_sides_have_done_the_same_work(key: str) -> None:
    figures = ROWS[key].measure(SHORT)
    assert figures
    for figure in figures:
        values = [*figure.gateway, *figure.baseline]
        assert figure.gateway, figure.name
        assert all(math.isfinite(value) and value > 0 for value in values), (figure.name, values)
        if figure.work is not None:
            ours, bare = figure.work
            assert ours == bare > 0, figure.name
    assert len({figure.name for figure in figures}) == len(figures)


def test_the_plant_that_is_scanned_takes_every_sample_and_crosses_limits_now_and_then() -> None:
    passes = ScannedPlant(200, 100).round()
    assert passes.samples == 200 * 100 / 5
    assert 0 < passes.events < 200


def figure_of(goal: Goal | None, *gateway: float, baseline: tuple[float, ...] = ()) -> Figure:
    return Figure(name="a figure", unit="s", gateway=gateway, baseline=baseline, goal=goal)


def test_medians_are_judged_not_the_best_nor_the_worst() -> None:
    assert figure_of(Goal(at_most=2.0), 1.0, 2.1, 2.2).verdict == "not met"
    assert figure_of(Goal(at_most=2.0), 1.9, 2.0, 9.9).verdict == "met"
    assert figure_of(Goal(at_least=2.0, stretch=3.0), 0.0, 3.0, 3.1).verdict == "stretch met"
    assert figure_of(None, 1.0).verdict is None


def test_a_ratio_is_taken_round_by_round() -> None:
    figure = figure_of(Goal(at_least=0.5, of="ratio"), 50.0, 5.0, 60.0, baseline=(100.0, 10.0, 200.0))
    assert figure.ratio == 0.5
    assert figure.verdict == "met"


def test_a_goal_and_a_figure_that_say_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="either at least or at most"):
        Goal()
    with pytest.raises(ValueError, match="no baseline"):
        figure_of(Goal(at_least=0.5, of="ratio"), 1.0)
    with pytest.raises(ValueError, match="2 rounds beside 1"):
        figure_of(None, 1.0, 2.0, baseline=(1.0,))


def test_rows_that_were_not_run_stay_in_the_file(tmp_path: Path) -> None:
    file, row = tmp_path / "results.json", Row("a title", lambda _: [])
    for key, value in (("a", 1.0), ("b", 2.0), ("a", 3.0)):
        merge(file, {key: record_of(row, [figure_of(Goal(at_most=2.5), value)], SHORT, 0.5)})
    kept = json.loads(file.read_text(encoding="utf-8"))
    assert [kept[key]["figures"][0]["gateway"]["median"] for key in ("a", "b")] == [3.0, 2.0]
    assert [kept[key]["figures"][0]["verdict"] for key in ("a", "b")] == ["not met", "met"]
    assert kept["a"]["machine"]["cores"] >= 1
    assert set(kept["a"]["versions"]) >= {"python", "influxdb-client", "msgspec", "paho-mqtt", "pymodbus"}


def test_a_figure_shows_median_range_goal_and_verdict() -> None:
    figure = figure_of(Goal(at_least=0.5, of="ratio"), 1_000.0, 1_200.0, 1_300.0, baseline=(2_000.0,) * 3)
    title, line = lines_of("x", Row("a title", lambda _: []), [figure])
    assert title == "x: a title"
    shown = "a figure s 1,200 1,000 .. 1,300 2,000 2,000 .. 2,000 0.60 >= 0.5 of bare met"
    assert " ".join(line.split()) == shown


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["--rows", "a,zz"], "no row zz; there are a,b,c"),
        (["--tags", "10,x"], "'10,x': whole numbers from 1"),
        (["--tags", "2,100"], "'2,100': from 40 up, which is one device"),
        (["--rounds", "0"], "'0': a whole number from 1"),
    ],
)
def test_what_cannot_be_run_is_told_in_a_sentence(
    given: list[str], says: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["tests.bench", *given])
    with pytest.raises(SystemExit) as ended:
        bench.main()
    assert ended.value.code == 2
    assert says in capsys.readouterr().err


def test_a_short_run_prints_the_table_and_keeps_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    results = tmp_path / "results.json"
    monkeypatch.setattr(
        "sys.argv", ["tests.bench", "--short", "--rows", "c", "--tags", "60", "--results", str(results)]
    )
    assert bench.main() == 0
    assert "60 tags, median" in capsys.readouterr().out
    assert not results.exists()
