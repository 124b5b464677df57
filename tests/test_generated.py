"""Files made from the code are what the code would make now. Run as a program ("make generated"), it writes them."""

from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.configuration.schema import alarm_set_json_schema, json_schema, key_reference, map_json_schema
from gateway.publishers.payload import schema_text
from tests.alarm_diagram import alarm_diagram

pytestmark = pytest.mark.tree

ROOT = Path(__file__).resolve().parent.parent

GENERATED: dict[str, Callable[[], str]] = {
    "config/alarm_set_schema.json": alarm_set_json_schema,
    "config/keys.md": key_reference,
    "config/map_schema.json": map_json_schema,
    "config/schema.json": json_schema,
    "gateway/core/alarm_states.md": alarm_diagram,
    "gateway/publishers/payload_schema.json": schema_text,
}


@pytest.mark.parametrize("name", GENERATED)
def test_a_generated_file_is_fresh(name: str) -> None:
    assert (ROOT / name).is_file(), f"{name} is missing: make generated"
    assert (ROOT / name).read_text(encoding="utf-8") == GENERATED[name](), f"{name} is not fresh: make generated"


def write_all() -> None:
    for name, make in GENERATED.items():
        (ROOT / name).write_text(make(), encoding="utf-8")


if __name__ == "__main__":
    write_all()
