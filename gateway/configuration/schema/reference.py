"""Every key in tables for a reader: the text of ``config/keys.md``, made from the schema.

Pure. Decides words alone; what a key is stands where it is declared.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from gateway.configuration.schema.alarm_sets import AlarmSet, AlarmSetUse
from gateway.configuration.schema.maps import RegisterMap
from gateway.configuration.schema.site import Site

_Schema = Mapping[str, Any]

_OPENING = """\
# Every key of a site folder

Made from the schema (`make generated`); do not edit. A site is a folder of `*.yaml` files; every key of the first
table stands in one of them. Register maps and alarm sets are files of their own, `maps/<name>.yaml` and
`alarm_sets/<name>.yaml`, and come last. A tag with `point`, or a device with `map`, may leave out what its map says; an
entry of `alarms` may use a set instead of being an alarm.

A key without a default is required. "By name" means that the site chooses the names: 1 to 40 letters, digits and
`. _ -`, with a letter or digit first. Ranges include their ends unless they say "more than" or "less than".
"""
_UNITS = {
    "_s": "s",
    "_min": "min",
    "_h": "h",
    "_days": "d",
    "_m3": "m3",
    "_l": "l",
    "_mb": "MB",
    "_bytes": "byte",
    "_percent": "%",
    "_ms": "ms",
}
_BOUNDS = (
    ("minimum", "exclusiveMinimum", "maximum", "exclusiveMaximum", ""),
    ("minLength", "", "maxLength", "", " characters"),
    ("minItems", "", "maxItems", "", " of them"),
    ("minProperties", "", "maxProperties", "", " of them"),
)
"""Keys of JSON Schema for: at least, more than, at most, less than; and what is counted."""
_NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$"
_POINT = """\
## MapPoint

One point of a device of this kind: every key of [Tag](#tag) but `point` and `device`, none of them required. A `tag` in
it may be `point:NAME`, the tag that is point NAME of the same device.
"""
_SET = """\
In the alarms of a set, `<NAME>` stands for what a use gives: as a whole value (`limit: <high>`) or inside a text. Every
need is given, and `<self>` is the name of the entry: the entry `FILTER-1` and the alarm `TO-WASTE` of its set make the
alarm `FILTER-1-TO-WASTE`. Keys under `changes` go before those of the set.
"""
_ANYTHING = "#/$defs/JsonValue"
_KINDS = {"string": "text", "integer": "whole number", "number": "number", "boolean": "true or false", "null": "null"}


def key_reference() -> str:
    """The whole reference, in Markdown."""
    site = Site.model_json_schema(by_alias=True)
    kind = RegisterMap.model_json_schema(by_alias=True)
    parts = [_OPENING, _table("The sections of a site", site, site)]
    parts += [_table(name, model, site) for name, model in _models(site)]
    parts += [_table("A register map", kind, kind), _POINT]
    for title, model in (("An alarm set", AlarmSet), ("An entry of alarms that uses a set", AlarmSetUse)):
        keys = model.model_json_schema(by_alias=True)
        parts.append(_table(title, keys, keys))
    parts.append(_SET)
    return "\n".join(parts)


def _models(root: _Schema) -> Iterator[tuple[str, _Schema]]:
    """Every model under a root, each once, in the order in which a reader meets it."""
    seen: set[str] = set()
    ahead = list(_named_in(root["properties"]))
    while ahead:
        name = ahead.pop(0)
        if name not in seen:
            seen.add(name)
            model = root["$defs"][name]
            yield name, model
            ahead = [*_named_in(model.get("properties", {})), *ahead]


def _named_in(schema: Any) -> Iterator[str]:
    if isinstance(schema, dict):
        if "$ref" in schema:
            yield _name(schema)
        for key, inner in schema.items():
            if key != "discriminator":
                yield from _named_in(inner)
    elif isinstance(schema, list):
        for inner in schema:
            yield from _named_in(inner)


def _name(schema: _Schema) -> str:
    return str(schema["$ref"]).rpartition("/")[2]


def _table(title: str, model: _Schema, root: _Schema) -> str:
    lines = [f"## {title}", "", _escaped(model.get("description", "")), ""]
    lines += ["| key | type | unit | range | default | what it says |", "| --- | --- | --- | --- | --- | --- |"]
    for key, schema in model["properties"].items():
        required = key in model.get("required", ())
        says = schema.get("description") or root["$defs"][_name(schema)]["description"]
        default = "" if required else _default(schema)
        cells = (f"`{key}`", _kind(schema), _unit(key), ", ".join(dict.fromkeys(_bounds(schema))), default, says)
        lines.append(f"| {' | '.join(_escaped(cell) for cell in cells)} |")
    return "\n".join(lines) + "\n"


def _kind(schema: _Schema) -> str:
    """What stands at a key, in words."""
    if "$ref" in schema:
        return "any value" if schema["$ref"] == _ANYTHING else f"keys of [{_name(schema)}](#{_name(schema).lower()})"
    choices = [choice for choice in schema.get("anyOf", schema.get("oneOf", ())) if choice.get("type") != "null"]
    if choices:
        return " or ".join(_kind(choice) for choice in choices)
    if "enum" in schema or "const" in schema:
        return "one of " + ", ".join(f"`{word}`" for word in schema.get("enum", [schema.get("const")]))
    if schema.get("type") == "array":
        each = schema["items"] if "items" in schema else schema["prefixItems"][0]
        return f"list of {_kind(each)}"
    if schema.get("type") == "object":
        patterns = [*schema.get("patternProperties", {}).values()]
        return f"by name: {_kind(patterns[0] if patterns else schema['additionalProperties'])}"
    return "name" if schema.get("pattern") == _NAME_PATTERN else _KINDS[schema["type"]]


def _bounds(schema: _Schema) -> Iterator[str]:
    """The bounds of a value, or of each value in a list or under names."""
    for least, above, most, below, counted in _BOUNDS:
        words = _span(schema.get(least), schema.get(above), schema.get(most), schema.get(below))
        if words:
            yield words + counted
    if "pattern" in schema and schema["pattern"] != _NAME_PATTERN:
        yield f"of the form `{schema['pattern']}`"
    inner = [*schema.get("anyOf", ()), *schema.get("patternProperties", {}).values()]
    inner += [schema[key] for key in ("items", "additionalProperties") if isinstance(schema.get(key), dict)]
    for one in inner:
        yield from _bounds(one)


def _span(least: float | None, above: float | None, most: float | None, below: float | None) -> str:
    start = f"more than {_figure(above)}" if above is not None else _figure(least) if least is not None else ""
    end = f"less than {_figure(below)}" if below is not None else _figure(most) if most is not None else ""
    if start and end:
        return start if start == end else f"{start} to {end}"
    return f"up to {end}" if end else f"at least {start}" if least is not None else start


def _figure(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else str(value)


def _unit(key: str) -> str:
    return next((unit for ending, unit in _UNITS.items() if key.endswith(ending)), "")


def _default(schema: _Schema) -> str:
    if "default" not in schema:
        return "its defaults" if "$ref" in schema else "empty"
    default = schema["default"]
    if default is None or isinstance(default, bool):
        return str(default).lower().replace("none", "null")
    if isinstance(default, int | float):
        return _figure(default)
    return str(default) if default else "empty"


def _escaped(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")
