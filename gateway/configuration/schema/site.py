"""The whole of a site folder, and its JSON Schema for editors."""

import json
from collections.abc import Mapping
from functools import cached_property
from typing import Any

from pydantic import BaseModel, Field

from gateway.configuration.schema.alarm_sets import AlarmSetUse
from gateway.configuration.schema.alarms import Alarm, AlarmFigures, CauseGrouping, ProcessUnit
from gateway.configuration.schema.entries import Entries
from gateway.configuration.schema.keys import Keys, Name, Text
from gateway.configuration.schema.maps import MapPoint, RegisterMap
from gateway.configuration.schema.permit import Permit, Record
from gateway.configuration.schema.place import Person, Place, SiteKeys
from gateway.configuration.schema.points import CalculatedTag, OwnTag, Tag
from gateway.configuration.schema.protection import Holds, Interlock, Output, OutputBlock, Release
from gateway.configuration.schema.uplink import Uplink
from gateway.configuration.schema.wires import Connection, Device


class Site(Keys):
    """All files of a site folder together."""

    site: SiteKeys = Field(description="The site as a whole.")
    roles: dict[Name, Text] = Field(default_factory=dict, description="Roles of people and what they do.")
    people: dict[Name, Person] = Field(default_factory=dict, description="Persons, their roles and local users.")
    place: Place = Field(default_factory=Place, description="The machine it runs on.")
    connections: dict[Name, Connection] = Field(default_factory=dict, description="Connections by name.")
    devices: dict[Name, Device] = Field(default_factory=dict, description="Devices by name.")
    tags: dict[Name, Tag] = Field(default_factory=dict, description="Tags that are read from devices, by name.")
    calculated: dict[Name, CalculatedTag] = Field(
        default_factory=dict, description="Tags that are computed from others, by name."
    )
    own_tags: dict[Name, OwnTag] = Field(default_factory=dict, description="Tags about the gateway itself, by name.")
    outputs: dict[Name, Output] = Field(default_factory=dict, description="Outputs by name.")
    output_block: OutputBlock | None = Field(default=None, description="The registers the gateway writes.")
    interlocks: dict[Name, Interlock] = Field(
        default_factory=dict, description="Interlocks by name, in the order in which they are judged."
    )
    holds: Holds | None = Field(default=None, description="Which instruments people may hold; null for none.")
    releases: dict[Name, Release] = Field(default_factory=dict, description="Release rules, by output.")
    alarms: dict[Name, Alarm] = Field(
        default_factory=dict, description="Alarms by name, in the order in which they are judged."
    )
    alarm_figures: AlarmFigures = Field(
        default_factory=AlarmFigures, description="When floods, chattering and standing alarms are journaled."
    )
    first_out_groups: dict[Name, tuple[Name, ...]] = Field(
        default_factory=dict, description="Groups of alarms, each in the order of the cascade."
    )
    process_graph: dict[Name, ProcessUnit] = Field(
        default_factory=dict, description="Units of the plant by name, what each needs, and the alarms of each."
    )
    cause_grouping: CauseGrouping = Field(
        default_factory=CauseGrouping, description="When alarms along the process graph are one event."
    )
    grab_quantities: dict[Name, Text] = Field(
        default_factory=dict, description="Quantities a grab sample may carry, and their words."
    )
    entries: Entries = Field(default_factory=Entries, description="What people can enter afterwards.")
    permit: Permit | None = Field(default=None, description="The permit; null for none.")
    record: Record = Field(default_factory=Record, description="What the operating record is made of.")
    uplink: Uplink = Field(default_factory=Uplink, description="Where records and alarms go.")

    @cached_property
    def points(self) -> Mapping[str, Tag | CalculatedTag | OwnTag]:
        """Every named point, wherever its value comes from; names are told apart by a rule of ``crosscheck``."""
        return {**self.tags, **self.calculated, **self.own_tags}


def json_schema() -> str:
    """JSON Schema of the files of a site folder, for editors: the text of ``config/schema.json``.

    Any file of a folder fits, each having some of the sections; a tag or a device
    may leave to its register map what the map can say, and an entry of the
    alarms may use a set.
    """
    schema = Site.model_json_schema(by_alias=True)
    del schema["required"]
    _left_to_the_map(schema["$defs"]["Tag"], "point", Tag, MapPoint)
    _left_to_the_map(schema["$defs"]["Device"], "map", Device, RegisterMap)
    uses = AlarmSetUse.model_json_schema(by_alias=True)
    schema["$defs"] |= {**uses.pop("$defs"), "AlarmSetUse": uses}
    for choices in schema["properties"]["alarms"]["patternProperties"].values():
        choices["anyOf"] = [{"$ref": choices.pop("$ref")}, {"$ref": "#/$defs/AlarmSetUse"}]
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def _left_to_the_map(definition: dict[str, Any], key: str, entry: type[Keys], in_the_map: type[BaseModel]) -> None:
    """With ``key`` given, what may stand in the map need not stand here."""
    required = [name for name, info in entry.model_fields.items() if info.is_required()]
    definition["required"] = [name for name in required if name not in in_the_map.model_fields]
    shared = [name for name in required if name in in_the_map.model_fields]
    definition["anyOf"] = [{"required": [key]}, {"required": shared}]
