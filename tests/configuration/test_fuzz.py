"""Whatever becomes of a site folder, the check answers with faults or a summary, never with a traceback."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.configuration.fault import Refused
from gateway.configuration.plant import load_site
from gateway.configuration.report import FINE, REFUSED, check_report
from tests.configuration import test_alarm_sets
from tests.configuration.conftest import MARROWFELL
from tests.configuration.test_rules import SITE

ODD = (
    "", "x", "0", "-1", "1.5", "99999999999", "1e3", "012", "no", "null", "~", "true", "[]", "{}", "[1, 2]", "{a: 1}",
    '"text"', "point:x", "'", '"', "[", "{", "}", ":", "- ", "# ", "&a", "*a", "!!int", "é", "\x00", "\t", "---", "<<",
)  # fmt: skip
LINE = st.integers(0, 10_000)
MUTATION = st.one_of(
    st.tuples(st.just("drop"), LINE, LINE),
    st.tuples(st.just("double"), LINE, LINE),
    st.tuples(st.just("swap"), LINE, LINE),
    st.tuples(st.just("indent"), LINE, st.integers(0, 6)),
    st.tuples(st.just("value"), LINE, st.sampled_from(ODD)),
    st.tuples(st.just("key"), LINE, st.sampled_from(ODD)),
    st.tuples(st.just("value of"), LINE, LINE),
    st.tuples(st.just("word of"), LINE, LINE),
)


def mutated(text: str, mutations: list[tuple[str, int, int | str]]) -> str:
    lines = text.splitlines()
    for kind, where, what in mutations:
        if not lines:
            break
        at = where % len(lines)
        other = lines[what % len(lines)] if isinstance(what, int) else what
        key, colon, value = lines[at].partition(":")
        match kind:
            case "drop":
                del lines[at]
            case "double":
                lines.insert(at, other)
            case "swap":
                lines[at], lines[int(what) % len(lines)] = other, lines[at]
            case "indent":
                lines[at] = " " * int(what) + lines[at].lstrip()
            case "value" if colon:
                lines[at] = f"{key}: {what}"
            case "key":
                lines[at] = f"{key[: len(key) - len(key.lstrip())]}{what}{colon}{value}"
            case "value of":
                lines[at] = f"{key}:{other.partition(':')[2]}"
            case _:
                words = lines[at].split(" ")
                words[-1] = other.split(" ")[-1]
                lines[at] = " ".join(words)
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


def answer(folder: Path, texts: dict[str, str]) -> None:
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.parent.chmod(0o755)
        path.write_text(text, encoding="utf-8")
        path.chmod(0o644)
    report, code = check_report(folder)
    assert report
    assert code in {FINE, REFUSED}
    if code == REFUSED:
        with pytest.raises(Refused) as refused:
            load_site(folder)
        assert refused.value.faults
        assert all(fault.line >= 1 and fault.found and fault.allowed for fault in refused.value.faults)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_a_spoilt_demo_site_is_answered(data: st.DataObject, place: Path) -> None:
    sources = {path.relative_to(MARROWFELL).as_posix(): path for path in MARROWFELL.rglob("*.yaml")}
    texts = {name: path.read_text(encoding="utf-8") for name, path in sources.items()}
    for name in data.draw(st.lists(st.sampled_from(sorted(texts)), min_size=1, max_size=2, unique=True)):
        texts[name] = mutated(texts[name], data.draw(st.lists(MUTATION, min_size=1, max_size=4)))
    answer(place / "demo", texts)


@settings(deadline=None, max_examples=150)
@given(mutations=st.lists(MUTATION, min_size=1, max_size=5))
def test_a_spoilt_site_with_one_of_everything_is_answered(
    mutations: list[tuple[str, int, int | str]], place: Path
) -> None:
    answer(place / "everything", {"site.yaml": mutated(SITE, mutations)})


KIND = """\
service: a kind
longest_read: 32
points:
  flow:
    service: flow
    table: holding
    address: 1
    type: uint16
    poll_interval_s: 5
    bad_when:
    - tag: point:status
      bits: [0]
  status:
    service: status
    table: holding
    address: 3
    type: uint16
    poll_interval_s: 5
"""
TWO_OF_A_KIND = """\
site: {id: maps, name: maps, time_zone: CET}
connections:
  L1: {transport: tcp, host: 127.0.0.1}
devices:
  A:
    connection: L1
    unit_id: 1
    map: kind
  B:
    connection: L1
    unit_id: 2
    map: kind
    service: second
tags:
  F1:
    device: A
    point: flow
  S1:
    device: A
    point: status
  F2:
    device: B
    point: flow
    address: 7
  S2:
    device: B
    point: status
"""


@settings(deadline=None, max_examples=150)
@given(of_map=st.lists(MUTATION, max_size=3), of_site=st.lists(MUTATION, max_size=3))
def test_a_spoilt_map_is_answered(
    of_map: list[tuple[str, int, int | str]], of_site: list[tuple[str, int, int | str]], place: Path
) -> None:
    texts = {
        "maps/kind.yaml": mutated(KIND, of_map),
        "site.yaml": mutated(TWO_OF_A_KIND, of_site),
    }
    answer(place / "maps", texts)


@settings(deadline=None, max_examples=150)
@given(of_set=st.lists(MUTATION, max_size=3), of_uses=st.lists(MUTATION, max_size=3))
def test_a_spoilt_alarm_set_is_answered(
    of_set: list[tuple[str, int, int | str]], of_uses: list[tuple[str, int, int | str]], place: Path
) -> None:
    texts = {
        "alarm_sets/pump.yaml": mutated(test_alarm_sets.SET, of_set),
        "alarms.yaml": mutated(test_alarm_sets.ALARMS, of_uses),
        "site.yaml": test_alarm_sets.SITE,
    }
    answer(place / "sets", texts)
