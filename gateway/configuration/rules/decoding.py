"""Types of tags: strings, bit fields, states and totals, and the keys that go with each."""

from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.rules.tags import width_of
from gateway.configuration.schema import Site, Tag
from gateway.configuration.walking import POINT_SECTIONS, references

Findings = Iterator[Finding]

_WITHOUT_FRACTION = "an integer, BCD or bool type"
_FRACTIONAL = frozenset({"float32", "float64"})
_OF_NUMBERS = (
    "range",
    "scale",
    "offset",
    "sentinels",
    "loop",
    "clips_at_top",
    "clips_at_bottom",
    "rolls_over_at",
    "frozen_after_s",
    "frozen_band",
    "spike",
    "partners",
    "states",
    "bit_names",
    "bit_field",
    "report_deadband",
    "sample_line_s",
    "t90_s",
)
"""Keys that say something about numbers, and nothing about a string."""


def strings(site: Site) -> Findings:
    """A string says how long it is and is no number; nothing else has such a length."""
    for name, tag in site.tags.items():
        path: KeyPath = ("tags", name)
        if tag.type != "string":
            if tag.string_registers is not None:
                found = f"string_registers at a {tag.type}"
                yield Finding(path=(*path, "string_registers"), found=found, allowed="string_registers at a string")
            continue
        if tag.string_registers is None:
            found, allowed = "a string of unknown length", "string_registers together with type: string"
            yield Finding(path=(*path, "type"), found=found, allowed=allowed, advice="Add string_registers.")
        for key in _OF_NUMBERS:
            if getattr(tag, key) != Tag.model_fields[key].get_default(call_default_factory=True):
                yield Finding(path=(*path, key), found=f"{key} at a string", allowed=f"{key} at a number")


def strings_are_shown(site: Site) -> Findings:
    """Text is recorded and shown; nothing is decided or computed by it."""
    for reference in references(site):
        tag = site.tags.get(reference.name) if reference.section in {"points", "tags"} else None
        shown = reference.path[0] == "alarms" and reference.path[-1] == "value"
        computed = reference.path[0] == "calculated"  # the rule of calculations says so
        if tag is not None and tag.is_text and not shown and not computed:
            found = f"{reference.name}, which is text"
            yield Finding(path=reference.path, found=found, allowed="a tag that is a number or a contact")


def bit_fields(site: Site) -> Findings:
    """The bits that are meant lie inside the register."""
    for name, tag in site.tags.items():
        field = tag.bit_field
        if field is None or tag.type == "string":
            continue
        width = width_of(tag.type)
        if not width:
            found = f"bit_field at a {tag.type}"
            yield Finding(path=("tags", name, "bit_field"), found=found, allowed="bit_field at an integer tag")
        elif field.first + field.count > width:
            found = f"bits {field.first} to {field.first + field.count - 1} of {tag.type}"
            yield Finding(path=("tags", name, "bit_field"), found=found, allowed=f"bits 0 to {width - 1}")


def states(site: Site) -> Findings:
    """States are whole numbers: a fraction would never be one of them."""
    for name, tag in site.tags.items():
        if tag.states and tag.type in _FRACTIONAL:
            found = f"states at a {tag.type}"
            yield Finding(path=("tags", name, "states"), found=found, allowed=f"states at {_WITHOUT_FRACTION}")


def bit_names(site: Site) -> Findings:
    """A named bit is a bit of the tag."""
    for section in POINT_SECTIONS:
        for name, point in getattr(site, section).items():
            width = _bits(point) if isinstance(point, Tag) else 0
            for bit in point.bit_names if not _is_string(point) else ():
                if bit >= width:
                    allowed = f"bits 0 to {width - 1}" if width else "bit_names at an integer tag"
                    path = (section, name, "bit_names", str(bit))
                    yield Finding(path=path, found=f"bit {bit}", allowed=allowed)


def _is_string(point: object) -> bool:
    return isinstance(point, Tag) and point.type == "string"


def _bits(tag: Tag) -> int:
    return tag.bit_field.count if tag.bit_field is not None else width_of(tag.type)


def totals(site: Site) -> Findings:
    """Only a counter rolls over."""
    for name, tag in site.tags.items():
        if tag.rolls_over_at is not None and (tag.type in _FRACTIONAL or tag.type == "bool"):
            found = f"rolls_over_at at a {tag.type}"
            yield Finding(path=("tags", name, "rolls_over_at"), found=found, allowed="a total in an integer or BCD")


def spikes(site: Site) -> Findings:
    """A jump that is larger than the span never comes."""
    for name, tag in site.tags.items():
        if tag.spike is None or tag.range is None:
            continue
        span = tag.range[1] - tag.range[0]
        if tag.spike.step >= span > 0:
            path = ("tags", name, "spike", "step")
            yield Finding(path=path, found=f"{tag.spike.step:g}", allowed=f"less than {span:g}, the span of {name}")
