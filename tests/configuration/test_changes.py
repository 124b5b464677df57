"""What is different between two configurations: every key that differs, and no other."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.configuration.changes import ABSENT, PRESENT, Change, NotReadable, changes
from gateway.configuration.plant import load_site
from gateway.configuration.reading import canonical_text, read_site
from tests.site_copy import alarm_is, alarm_of

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"
TEXT = canonical_text(read_site(MARROWFELL))
Content = dict[str, Any]


def with_changes(change: Callable[[Content], object], *, text: str = TEXT) -> str:
    content, order = json.loads(text)
    change(content)
    return json.dumps([content, order])


def change(
    key: str, old: str | float, new: str | float, section: str = "alarms", entry: str = "TURBIDITY-HIGH"
) -> Change:
    return Change(section=section, entry=entry, key=key, old=old, new=new)


def test_the_same_configuration_is_no_difference() -> None:
    assert changes(TEXT, TEXT) == []


@pytest.mark.parametrize(
    ("key", "new"),
    [
        ("priority", "P3"),
        ("on_delay_s", 7.5),
        ("off_delay_s", 7.5),
        ("release_delay_s", 7.5),
        ("cause", "another one"),
    ],
)
def test_a_key_of_an_alarm_is_told_with_its_old_and_new_value(key: str, new: str | float) -> None:
    old = json.loads(TEXT)[0]["alarms"]["TURBIDITY-HIGH"][key]
    assert old != new
    after = with_changes(lambda content: content["alarms"]["TURBIDITY-HIGH"].update({key: new}))
    assert changes(TEXT, after) == [change(key, old, new)]


def test_a_limit_and_a_suppression_are_found_where_they_lie() -> None:
    def moved(content: Content) -> None:
        content["alarms"]["SUMP-HIGH"]["condition"]["high"]["limit"] = 99.0
        content["alarms"]["SUMP-HIGH"]["suppress_when"] = {"tag": "FIT-905", "equals": 0.0, "alarm": None}

    found = changes(TEXT, with_changes(moved))
    assert [(one.entry, one.key) for one in found] == [
        ("SUMP-HIGH", "condition.high.limit"),
        ("SUMP-HIGH", "suppress_when"),
    ]
    assert found[0].new == 99.0
    assert json.loads(str(found[1].new))["tag"] == "FIT-905"


def test_an_alarm_that_is_removed_and_one_that_is_new_are_one_line_each() -> None:
    def renamed(content: Content) -> None:
        content["alarms"]["ANOTHER"] = content["alarms"].pop("TURBIDITY-HIGH")

    found = changes(TEXT, with_changes(renamed))
    assert change("", PRESENT, ABSENT) in found
    assert change("", ABSENT, PRESENT, entry="ANOTHER") in found
    assert len(found) == 2


def test_another_order_of_the_same_alarms_is_told() -> None:
    content, order = json.loads(TEXT)
    order["alarms"].reverse()
    (found,) = changes(TEXT, json.dumps([content, order]))
    assert (found.section, found.entry, found.key) == ("alarms", "", "order")
    assert str(found.new).split(", ") == str(found.old).split(", ")[::-1]


def test_a_key_that_an_earlier_program_did_not_have_yet_is_no_difference_while_it_has_its_default() -> None:
    before = with_changes(lambda content: content["alarms"]["TURBIDITY-HIGH"].pop("realarm_s"))
    assert changes(before, TEXT) == []
    after = with_changes(lambda content: content["alarms"]["TURBIDITY-HIGH"].update(realarm_s=600.0))
    assert changes(before, after) == [change("realarm_s", "null", 600.0)]


def test_a_configuration_that_does_not_fit_the_schema_any_more_is_compared_as_it_stands() -> None:
    before = with_changes(lambda content: content["alarms"]["TURBIDITY-HIGH"].update(colour="red"))
    assert changes(before, TEXT) == [change("colour", "red", ABSENT)]


@pytest.mark.parametrize("text", ["", "{}", "[1, 2]", "[[], []", '"text"'])
def test_what_is_no_configuration_is_refused(text: str) -> None:
    with pytest.raises(NotReadable, match="cannot be read"):
        changes(text, TEXT)


trees = st.recursive(
    st.one_of(st.booleans(), st.integers(-5, 5), st.text("ab", max_size=2), st.none()),
    lambda inner: st.one_of(st.lists(inner, max_size=2), st.dictionaries(st.sampled_from("pqr"), inner, max_size=3)),
    max_leaves=12,
)
contents = st.dictionaries(
    st.sampled_from(["alarms", "site"]), st.dictionaries(st.sampled_from("xyz"), trees), max_size=2
)


def as_text(content: Content) -> str:
    return json.dumps([content, {"alarms": sorted(content.get("alarms", {}))}])


@given(before=contents, after=contents)
@settings(deadline=None)
def test_there_is_a_difference_exactly_when_the_texts_differ_and_each_place_is_told_once(
    before: Content, after: Content
) -> None:
    found = changes(as_text(before), as_text(after))
    assert bool(found) is (json.dumps(before, sort_keys=True) != json.dumps(after, sort_keys=True))
    assert len({(one.section, one.entry, one.key) for one in found}) == len(found)
    assert all(one.old != one.new or type(one.old) is not type(one.new) for one in found)


def test_it_reads_what_a_start_keeps(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(MARROWFELL, tmp_path / "site", ignore=shutil.ignore_patterns("record")))
    file = folder / "alarms.yaml"
    file.write_text(file.read_text(encoding="utf-8").replace("priority: P1", "priority: P2", 1), encoding="utf-8")
    (found,) = changes(TEXT, canonical_text(read_site(folder)))
    assert (found.section, found.key, found.old, found.new) == ("alarms", "priority", "P1", "P2")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("priority", "P3"),
        ("on_delay_s", 123.0),
        ("says", "other words"),
        ("suppress_when", {"tag": "FIT-905"}),
        ("condition", {"high": {"tag": "LIT-101", "limit": 1.6}}),
    ],
)
def test_the_revision_of_an_alarm_changes_with_each_of_its_keys_and_with_nothing_else(
    tmp_path: Path, key: str, value: object
) -> None:
    folder = Path(shutil.copytree(MARROWFELL, tmp_path / "site", ignore=shutil.ignore_patterns("record")))
    before = {rule.id: rule.revision for rule in load_site(folder).plant.alarms}
    alarm_is(folder, "SUMP-HIGH", {**alarm_of(folder, "SUMP-HIGH"), key: value})
    after = {rule.id: rule.revision for rule in load_site(folder).plant.alarms}
    assert [name for name in before if before[name] != after[name]] == ["SUMP-HIGH"]
    assert all(len(revision) == 12 for revision in after.values())
