"""Tags: registers, spans, ages and who vouches for whom."""

from collections import defaultdict
from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.rules.graphs import circles
from gateway.configuration.schema import Site, Tag
from gateway.configuration.walking import interlock_inputs, questions, section_of, sources, vouching

Findings = Iterator[Finding]

POLLS_UNTIL_STALE = 3
POLLS_WITHOUT_LIMIT = 20  # a protective input that may be older than this has no limit worth the name
BITS_OF_TYPE = {"uint16": 16, "int16": 16, "uint32": 32, "int32": 32, "uint64": 64, "int64": 64}
_ONE_REGISTER = frozenset({"uint16", "int16"})
_LAST_ADDRESS = 65_535


def tag_fits_table(site: Site) -> Findings:
    """Bits stand in coils and discrete inputs, numbers in registers, and every address exists."""
    for name, tag in site.tags.items():
        bit_table = tag.table in {"coil", "discrete"}
        if bit_table != (tag.type == "bool"):
            allowed = "bool" if bit_table else "a number type such as uint16 or float32"
            found = f"{tag.type} in the {tag.table} table"
            yield Finding(
                path=("tags", name, "type"), found=found, allowed=allowed, advice="Correct the type or the table."
            )
        last = tag.address + tag.registers - 1
        if last > _LAST_ADDRESS:
            found = f"{tag.address}, so that {tag.type} ends at {last}"
            yield Finding(path=("tags", name, "address"), found=found, allowed=f"an end at {_LAST_ADDRESS} or below")


def manual_number(site: Site) -> Findings:
    """The number in the manual and the address on the wire must tell the same register."""
    for name, tag in site.tags.items():
        expected = _address_by_manual(tag, site)
        if expected != tag.address:
            counts_from = site.devices[tag.device].manual_counts_from
            yield Finding(
                path=("tags", name, "address"),
                found=f"{tag.address} beside manual number {tag.manual}",
                allowed=f"{expected}, since the manual of {tag.device} counts from {counts_from}",
                advice="Correct the address or the manual number.",
            )


def _address_by_manual(tag: Tag, site: Site) -> int:
    """The address that the manual's number means; the tag's own where the manual has no plain number."""
    device = site.devices.get(tag.device)
    if device is None or not (tag.manual.isascii() and tag.manual.isdigit()):
        return tag.address
    return int(tag.manual) - device.manual_counts_from


def overlapping_tags(site: Site) -> Findings:
    """Two tags may share registers only when they read them alike."""
    tables: dict[tuple[str, str], list[tuple[str, Tag]]] = defaultdict(list)
    for name, tag in site.tags.items():
        if _address_by_manual(tag, site) == tag.address:  # else that is the fault to mend first
            tables[tag.device, tag.table].append((name, tag))
    for entries in tables.values():
        entries.sort(key=lambda entry: entry[1].address)
        first, above = entries[0]
        for second, below in entries[1:]:
            last = above.address + above.registers - 1
            if below.address <= last and _decoding(above) != _decoding(below):
                yield Finding(
                    path=("tags", second, "address"),
                    found=f"{below.address} as {below.type} {below.byte_order}, inside {first}",
                    allowed=f"registers outside {above.address} to {last} ({first}: {above.type} {above.byte_order})",
                    advice="Look into the device's manual.",
                )
            if below.address + below.registers - 1 > last:
                first, above = second, below


def _decoding(tag: Tag) -> tuple[int, str, str, int]:
    """How the registers are read; which bits of them are meant does not matter."""
    return tag.address, tag.type, tag.byte_order, tag.registers


def tag_fits_read(site: Site) -> Findings:
    """A value must come in one read, or its halves may belong to two instants."""
    for name, tag in site.tags.items():
        device = site.devices.get(tag.device)
        if device is not None and tag.type != "bool" and tag.registers > device.longest_read:
            yield Finding(
                path=("tags", name, "type"),
                found=f"{tag.type}, {tag.registers} registers",
                allowed=f"at most {device.longest_read}, the longest read of {tag.device}",
                advice="Correct longest_read of the device.",
            )


def span(site: Site) -> Findings:
    """Ranges run upwards, loops and clipping need one, and scaling does not meet a loop."""
    for name, tag in site.tags.items():
        path: KeyPath = ("tags", name)
        if tag.range is not None and not tag.range[0] < tag.range[1]:
            found = f"{tag.range[0]:g} to {tag.range[1]:g}"
            yield Finding(path=(*path, "range"), found=found, allowed="bottom first, then the higher top")
        for key in ("loop", "clips_at_top", "clips_at_bottom"):
            if getattr(tag, key) and tag.range is None:
                yield Finding(
                    path=(*path, key),
                    found=f"{key} without a range",
                    allowed=f"{key} together with range",
                    advice="Add range.",
                )
        if tag.loop is not None:
            yield from _loop(path, tag)
        if tag.scale == 0:
            yield Finding(
                path=(*path, "scale"), found="0", allowed="any other number", advice="0 makes every reading the same."
            )


def _loop(path: KeyPath, tag: Tag) -> Findings:
    if tag.loop is not None and tag.loop.low_count >= tag.loop.high_count:
        found = f"{tag.loop.low_count} counts at 4 mA and {tag.loop.high_count} at 20 mA"
        yield Finding(path=(*path, "loop"), found=found, allowed="more counts at 20 mA than at 4 mA")
    if tag.scale != 1 or tag.offset != 0:
        key = "scale" if tag.scale != 1 else "offset"
        yield Finding(
            path=(*path, key),
            found=f"{key} together with loop",
            allowed="one of them",
            advice="The range scales a loop.",
        )
    if tag.type not in _ONE_REGISTER:
        yield Finding(path=(*path, "type"), found=f"{tag.type} with loop", allowed="uint16 or int16")


def stale_limits(site: Site) -> Findings:
    """One lost reply must not make a tag stale, and a protective one must become stale at all."""
    protective = {
        source for question in interlock_inputs(site) for tag in question.tags for source in sources(site, tag)
    }
    for name, tag in site.tags.items():
        path: KeyPath = ("tags", name)
        least, most = POLLS_UNTIL_STALE * tag.poll_interval_s, POLLS_WITHOUT_LIMIT * tag.poll_interval_s
        if tag.stale_limit_s < least:
            allowed = f"at least {least:g}, three times poll_interval_s"
            yield Finding(
                path=(*path, "stale_after_s"),
                found=f"{tag.stale_limit_s:g}",
                allowed=allowed,
                advice="Poll more often, or wait longer.",
            )
        if name in protective and tag.stale_limit_s > most:
            found = f"{tag.stale_limit_s:g} at an input of an interlock, which is as good as no limit"
            yield Finding(
                path=(*path, "stale_after_s"), found=found, allowed=f"at most {most:g}, twenty times poll_interval_s"
            )
        if tag.hurried_interval_s is not None and tag.hurried_interval_s > tag.poll_interval_s:
            found = f"{tag.hurried_interval_s:g}, slower than poll_interval_s"
            yield Finding(path=(*path, "hurried_interval_s"), found=found, allowed=f"at most {tag.poll_interval_s:g}")


def governing_circles(site: Site) -> Findings:
    """A tag must not vouch for itself, not even through others."""
    graph = {name: [governor for _, governor in vouching(site, name)] for name in site.tags}
    graph |= {name: list(calculated.inputs.values()) for name, calculated in site.calculated.items()}
    for circle in circles(graph):
        governed = next((number for number, name in enumerate(circle[:-1]) if name in site.tags), None)
        if governed is None:  # calculated tags alone: the rule of calculations says so
            continue
        path = next(path for path, vouches in vouching(site, circle[governed]) if vouches == circle[governed + 1])
        found = f"a circle: {' needs '.join(circle)}"
        yield Finding(
            path=path, found=found, allowed="tags that vouch in one direction", advice="Take one of them out."
        )


def bits_exist(site: Site) -> Findings:
    """A status bit must be a bit of that tag."""
    for path, name, bits in _bit_uses(site):
        point = site.points.get(name)
        if point is None:
            continue
        tag = point if isinstance(point, Tag) else None
        if tag is not None and tag.type == "string":  # told as such
            continue
        kind = tag.type if tag is not None else section_of(site, name)
        width = tag.bit_field.count if tag is not None and tag.bit_field is not None else width_of(kind)
        for number, bit in enumerate(bits):
            if bit >= width:
                allowed = f"0 to {width - 1}" if width else "bits of an integer tag"
                yield Finding(path=(*path, number), found=f"bit {bit} of {name} ({kind})", allowed=allowed)


def width_of(type_name: str) -> int:
    """Bits of an integer type; 0 for any other."""
    return BITS_OF_TYPE.get(type_name, 0)


def _bit_uses(site: Site) -> Iterator[tuple[KeyPath, str, tuple[int, ...]]]:
    for name, tag in site.tags.items():
        for number, bad in enumerate(tag.bad_when):
            yield ("tags", name, "bad_when", number, "bits"), bad.tag, bad.bits
    for question in questions(site):
        bits = question.condition.bits
        if bits is not None:
            yield (*question.path, "bits"), bits.tag, bits.bits
