"""Alarm sets: the alarms of one kind of unit, one file for each kind under ``alarm_sets/``.

A set holds alarms in which ``<NAME>`` stands for what a use gives, whole values
as well as words inside a text; ``<self>`` is the name of the use, which is the
beginning of every alarm it makes. Keys of the alarms are those of ``Alarm``.
"""

import json
from typing import Any

from pydantic import Field, JsonValue

from gateway.configuration.schema.alarms import Alarm
from gateway.configuration.schema.keys import Keys, Name, Text, Word

SELF = "self"
PLACE_HOLDER = r"<([a-z][a-z0-9_]{0,29})>"
"""In a set: what stands for something that a use gives."""


class AlarmSet(Keys):
    """The alarms of one kind of unit."""

    service: Text = Field(description="What the set is for, in words.")
    needs: dict[Word, Text] = Field(
        default_factory=dict, description="What a use has to give, each in words: tags, limits, names."
    )
    alarms: dict[Name, dict[str, JsonValue]] = Field(
        min_length=1,
        description="Alarms by the end of their name, with the keys of an alarm; `<name>` stands for what a use gives.",
    )


class AlarmSetUse(Keys):
    """The alarms of a set for one unit; each is named after the entry and its name in the set: ENTRY-NAME."""

    alarm_set: Name = Field(description="Name of a file in alarm_sets/, without .yaml.")
    given: dict[Word, JsonValue] = Field(default_factory=dict, description="What the set needs, by name.")
    changes: dict[Name, dict[str, JsonValue]] = Field(
        default_factory=dict, description="Keys that are other here, by the alarm's name in the set."
    )
    without: tuple[Name, ...] = Field(default=(), description="Alarms of the set that this unit does not have.")


def alarm_set_json_schema() -> str:
    """JSON Schema of a set, for editors: the text of ``config/alarm_set_schema.json``."""
    schema = AlarmSet.model_json_schema(by_alias=True)
    alarm = Alarm.model_json_schema(by_alias=True)
    definitions = {**alarm.pop("$defs"), "Alarm": alarm}
    for definition in definitions.values():
        definition.pop("required", None)  # a use may say it
        properties = definition.get("properties", {})
        definition["properties"] = {key: _or_place_holder(one) for key, one in properties.items()}
    schema["$defs"] = {**schema.get("$defs", {}), **definitions}
    for name in schema["properties"]["alarms"]["patternProperties"]:
        schema["properties"]["alarms"]["patternProperties"][name] = {"$ref": "#/$defs/Alarm"}
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def _or_place_holder(schema: dict[str, Any]) -> dict[str, Any]:
    """What may stand at a key, or a place-holder for it."""
    given = {"type": "string", "pattern": PLACE_HOLDER}
    said = ("description", "default")
    either: dict[str, Any] = {"anyOf": [{key: one for key, one in schema.items() if key not in said}, given]}
    return either | {key: schema[key] for key in said if key in schema}
