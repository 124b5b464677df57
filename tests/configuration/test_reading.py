"""What is written is what is read: documents, hash, secrets, and values that fit by themselves."""

import string
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.configuration.document import Node, _doubt, parse_document
from gateway.configuration.fault import Refused
from gateway.configuration.plant import load_site, resolve_secret
from gateway.configuration.reading import configuration_hash, read_site
from gateway.configuration.report import REFUSED, check_report
from gateway.configuration.rules.graphs import circles
from gateway.configuration.schema import Secret

Plain = str | int | float | bool | None | dict[str, "Plain"] | list["Plain"]

SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**63), 2**63),
    st.floats(-1e6, 1e6).map(lambda value: round(value, 6)).filter(lambda value: "e" not in repr(value)),
    st.text(string.printable, max_size=30).filter(lambda text: _doubt(text) is None),
)
KEYS = st.text(string.ascii_letters + string.digits + " .-_", min_size=1, max_size=12)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=20,
)


def plain(node: Node) -> object:
    if isinstance(node.value, dict):
        return {key: plain(child) for key, child in node.value.items()}
    return [plain(child) for child in node.value] if isinstance(node.value, list) else node.value


@given(st.dictionaries(KEYS, VALUES, min_size=1, max_size=5))
def test_what_a_yaml_writer_writes_is_read_back(content: dict[str, object]) -> None:
    document = parse_document(yaml.safe_dump(content, allow_unicode=True), "site.yaml")
    assert not document.faults
    assert {key: plain(node) for key, node in document.root.items()} == content


@given(st.text(max_size=200))
def test_any_text_gives_a_document_or_faults(text: str) -> None:
    document = parse_document(text, "site.yaml")
    assert document.complete or document.faults
    assert all(1 <= fault.line <= text.count("\n") + text.count("\r") + 2 for fault in document.faults) or any(
        mark in text for mark in "\x85\u2028\u2029"
    )


@pytest.mark.parametrize("word", ["y", "No", "OFF", "True", "007", "1:30:00", "1E5", "-1.5e3", "2025-02-26T10:00:00"])
def test_a_word_that_readers_disagree_about_is_a_fault_without_quotes_and_text_with(word: str) -> None:
    assert len(parse_document(f"a: {word}\n", "x").faults) == 1
    quoted = parse_document(f"a: '{word}'\n", "x")
    assert not quoted.faults
    assert quoted.root["a"].value == word


@pytest.mark.parametrize(
    ("written", "read"),
    [("0xA5A5", 42_405), ("-3", -3), ("0", 0), (".5", 0.5), ("2.", 2.0), ("~", None), ("", None), ("on it", "on it")],
)
def test_a_plain_word_means_one_thing(written: str, read: object) -> None:
    document = parse_document(f"a: {written}\n", "x")
    assert not document.faults
    assert document.root["a"].value == read


def test_a_key_is_text_whatever_it_looks_like() -> None:
    document = parse_document("levels: {off: 0, 012: 1, 1e3: 2}\n", "x")
    assert not document.faults
    assert plain(document.root["levels"]) == {"off": 0, "012": 1, "1e3": 2}


def test_the_hash_does_not_see_comments_or_how_a_number_is_written(folder: Path) -> None:
    before = load_site(folder).hash
    site = folder / "site.yaml"
    site.write_text("# another word\n" + site.read_text().replace("scan_period_s: 1 ", "scan_period_s: 1.0 "))
    assert load_site(folder).hash == before


def test_the_hash_sees_a_limit_and_the_order_of_the_interlocks(folder: Path) -> None:
    site = read_site(folder)
    swapped = site.model_copy(update={"interlocks": dict(reversed(site.interlocks.items()))})
    protection = folder / "protection.yaml"
    protection.write_text(protection.read_text().replace("limit: 2.0,", "limit: 2.1,"), encoding="utf-8")
    hashes = {configuration_hash(site), configuration_hash(swapped), load_site(folder).hash}
    assert len(hashes) == 3


def test_the_hash_does_not_see_where_a_secret_is_kept(folder: Path) -> None:
    before = load_site(folder).hash
    place = folder / "place.yaml"
    place.write_text(place.read_text().replace("password: null", "password: {environment: UPLINK}"), encoding="utf-8")
    assert load_site(folder).hash == before


def test_a_secret_comes_from_a_file_that_others_cannot_read(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_text("hunter2\n", encoding="utf-8")
    file.chmod(0o600)
    assert resolve_secret(Secret(file="password"), tmp_path) == "hunter2"
    file.chmod(0o644)
    with pytest.raises(Refused, match="chmod") as refused:
        resolve_secret(Secret(file="password"), tmp_path)
    assert "hunter2" not in str(refused.value)


def test_a_secret_comes_from_the_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("UPLINK_PASSWORD", "hunter2")
    assert resolve_secret(Secret(environment="UPLINK_PASSWORD"), tmp_path) == "hunter2"
    monkeypatch.delenv("UPLINK_PASSWORD")
    with pytest.raises(Refused, match="UPLINK_PASSWORD"):
        resolve_secret(Secret(environment="UPLINK_PASSWORD"), tmp_path)


@pytest.mark.parametrize("content", [None, b"", b"\xff\xfe"])
def test_a_secret_that_is_not_there_is_refused(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "password").write_bytes(content)
        (tmp_path / "password").chmod(0o600)
    with pytest.raises(Refused):
        resolve_secret(Secret(file="password"), tmp_path)


@given(st.dictionaries(st.sampled_from("abcdef"), st.lists(st.sampled_from("abcdef"), max_size=3), max_size=6))
def test_a_circle_is_found_exactly_when_a_name_leads_back_to_itself(graph: dict[str, list[str]]) -> None:
    def reaches_itself(start: str) -> bool:
        seen: set[str] = set()
        ahead = list(graph.get(start, []))
        while ahead:
            name = ahead.pop()
            if name not in seen:
                seen.add(name)
                ahead += graph.get(name, [])
        return start in seen

    assert bool(list(circles(graph))) == any(reaches_itself(name) for name in graph)


@settings(deadline=None)
@given(data=st.data())
def test_whatever_one_character_becomes_the_check_answers_without_a_traceback(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    source = Path(__file__).resolve().parents[2] / "config" / "marrowfell"
    copy = tmp_path_factory.mktemp("site")
    texts = {path.name: path.read_text(encoding="utf-8") for path in source.glob("*.yaml")}
    name = data.draw(st.sampled_from(sorted(texts)))
    at = data.draw(st.integers(0, len(texts[name]) - 1))
    put = data.draw(st.sampled_from(["", "x", ":", "-", "0", "[", "{", '"', "\n", " ", "#", "&", "*", "é"]))
    texts[name] = texts[name][:at] + put + texts[name][at + 1 :]
    for key, text in texts.items():
        (copy / key).write_text(text, encoding="utf-8")
        (copy / key).chmod(0o644)
    text, code = check_report(copy)
    assert code in {0, REFUSED}
    assert text
