"""Register maps: what devices of one kind have in common, one file for each kind under ``maps/``.

A map holds the keys of a device that its kind decides and the keys of its
points; every key of a tag but ``point`` and ``device`` may stand at a point,
and whatever a point leaves out is for the tag to say.
"""

import json
from copy import copy
from typing import Any

from pydantic import BaseModel, Field, create_model
from pydantic.fields import FieldInfo

from gateway.configuration.schema.keys import Keys, Name, Text
from gateway.configuration.schema.points import Tag
from gateway.configuration.schema.wires import DeviceManners

POINT_PREFIX = "point:"
"""In a map, ``point:NAME`` is the tag that is point NAME of the same device."""

_OF_THE_TAG_ALONE = frozenset({"point", "device"})


def _may_be_left_out(info: FieldInfo) -> tuple[Any, FieldInfo]:
    if not info.is_required():
        return info.annotation, info
    optional = copy(info)
    optional.default = None  # never read: a point is only checked, its keys are merged as they stand in the file
    return info.annotation, optional


_KEYS_OF_A_POINT: dict[str, Any] = {
    name: _may_be_left_out(info) for name, info in Tag.model_fields.items() if name not in _OF_THE_TAG_ALONE
}
MapPoint: type[BaseModel] = create_model(
    "MapPoint", __base__=Keys, __doc__="One point of a device of this kind.", **_KEYS_OF_A_POINT
)


class RegisterMap(DeviceManners):
    """One kind of device."""

    service: Text = Field(description="What devices of this kind are, in words; a device may say more of itself.")
    points: dict[Name, MapPoint] = Field(  # type: ignore[valid-type]  # a model made from the keys of a tag
        min_length=1, description="Points of the device, by name."
    )


def map_json_schema() -> str:
    """JSON Schema of a map, for editors: the text of ``config/map_schema.json``."""
    schema = RegisterMap.model_json_schema(by_alias=True)
    for name, definition in schema["$defs"].items():
        tag = definition["properties"].get("tag")
        if name == "MapPoint":
            _without_invented_defaults(definition)
        elif tag is not None:
            tag["pattern"] = f"^({POINT_PREFIX})?{tag['pattern'].removeprefix('^')}"
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def _without_invented_defaults(point: dict[str, Any]) -> None:
    for name, info in Tag.model_fields.items():
        if info.is_required() and name in point["properties"]:
            del point["properties"][name]["default"]
