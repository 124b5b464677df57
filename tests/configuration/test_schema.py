"""What editors and readers are given says what the gateway accepts."""

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from click.testing import CliRunner

from gateway.cli import main
from gateway.configuration.schema import RegisterMap, Site, Tag, json_schema, key_reference, map_json_schema
from tests.configuration.conftest import FOUR_DEVICES, MARROWFELL
from tests.configuration.test_rules import SITE
from tests.configuration.test_tagmap import FLOW_METER

FILES = [*sorted(MARROWFELL.glob("*.yaml")), *sorted(FOUR_DEVICES.glob("*.yaml"))]
WHOLE_TAG = {"service": "flow", "table": "holding", "address": 1, "type": "uint16", "poll_interval_s": 5}
DEVICE = {"connection": "L1", "unit_id": 1}


def fits(content: Any, schema: str) -> bool:
    return jsonschema.Draft202012Validator(json.loads(schema)).is_valid(content)


@pytest.mark.parametrize("file", FILES, ids=lambda file: f"{file.parent.name}/{file.name}")
def test_every_file_of_a_site_fits_the_schema_alone(file: Path) -> None:
    assert fits(yaml.safe_load(file.read_text(encoding="utf-8")), json_schema())


def test_every_map_fits_the_schema_of_a_map() -> None:
    maps = [FLOW_METER, *(path.read_text(encoding="utf-8") for path in MARROWFELL.glob("maps/*.yaml"))]
    assert all(fits(yaml.safe_load(text), map_json_schema()) for text in maps)


def test_a_site_with_one_of_everything_fits_and_a_misspelt_key_does_not() -> None:
    assert fits(yaml.safe_load(SITE), json_schema())
    assert not fits(yaml.safe_load(SITE.replace("byte_order", "byteorder").replace("figure:", "figur:")), json_schema())


@pytest.mark.parametrize(
    ("tag", "expected"),
    [
        ({"device": "FM1", **WHOLE_TAG}, True),
        ({"device": "FM1", "point": "flow"}, True),
        ({"device": "FM1", "point": "flow", "address": 5}, True),
        ({"point": "flow"}, False),
        ({"device": "FM1", "service": "flow"}, False),
        ({"device": "FM1", "point": "flow", "address": "five"}, False),
    ],
)
def test_a_tag_has_a_point_or_says_everything_itself(tag: dict[str, object], *, expected: bool) -> None:
    assert fits({"tags": {"FIT-1": tag}}, json_schema()) is expected


@pytest.mark.parametrize(
    ("device", "expected"),
    [
        ({**DEVICE, "service": "meter"}, True),
        ({**DEVICE, "map": "meter"}, True),
        (DEVICE, False),
        ({"map": "m"}, False),
    ],
)
def test_a_device_has_a_map_or_says_what_it_is(device: dict[str, object], *, expected: bool) -> None:
    assert fits({"devices": {"FM1": device}}, json_schema()) is expected


@pytest.mark.parametrize(
    ("point", "expected"),
    [
        (WHOLE_TAG, True),
        ({"address": 1}, True),
        ({"bad_when": [{"tag": "point:status", "bits": [0]}]}, True),
        ({"bad_when": [{"tag": "poin:status", "bits": [0]}]}, False),
        ({"device": "FM1"}, False),
        ({"address": -1}, False),
    ],
)
def test_a_point_of_a_map_has_any_key_of_a_tag_but_that_of_its_device(
    point: dict[str, object], *, expected: bool
) -> None:
    assert fits({"service": "meter", "points": {"flow": point}}, map_json_schema()) is expected


def test_every_key_stands_in_the_reference_with_its_sentence() -> None:
    text = key_reference()
    models = {**Site.model_json_schema(by_alias=True)["$defs"], "RegisterMap": RegisterMap.model_json_schema()}
    for model in models.values():
        for key, schema in model["properties"].items():
            assert f"| `{key}` |" in text
            assert " ".join(schema.get("description", "").split()) in text.replace("\\|", "|")


def test_the_reference_tells_type_unit_range_and_default() -> None:
    lines = key_reference().splitlines()
    tag = lines[lines.index("## Tag") :]
    table = tag[6 : tag.index("", 6)]
    row = {cells[1]: cells[2:6] for cells in ([cell.strip(" `") for cell in line.split("|")] for line in table)}
    assert row["poll_interval_s"] == ["number", "s", "0.1 to 86400", ""]
    assert row["byte_order"] == ["one of `ABCD`, `CDAB`, `BADC`, `DCBA", "", "", "ABCD"]
    assert row["bit_field"] == ["keys of [BitField](#bitfield)", "", "", "null"]
    assert set(Tag.model_fields) == row.keys()


def test_the_command_prints_the_reference() -> None:
    told = CliRunner().invoke(main, ["keys"])
    assert (told.exit_code, told.output) == (0, key_reference() + "\n")
