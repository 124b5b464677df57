"""Register maps merged into the devices and tags that are made after them, on the trees of the files.

Decides which key goes before which: a tag's own before its point's, a
device's own before its map's. Every value keeps the file, line and key path
where it is written, so that a fault in a map is told there. Never decides
whether a value is allowed: the merged tree is validated like any other.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches

from gateway.configuration.document import Node
from gateway.configuration.fault import Finding, KeyPath, undeclared
from gateway.configuration.schema import POINT_PREFIX, DeviceManners, MapPoint

_OF_THE_DEVICE = frozenset({"service", *DeviceManners.model_fields})


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """The tree of a folder with the keys of its maps in it.

    Args:
        root: all sections.
        findings: what is wrong between the maps and those who use them; paths are those of ``root``,
            or those of the map for what is told in a map.
        unfinished: keys that may be missing because of another fault, which is told.
        used: names of the maps that some device is made after.
    """

    root: dict[str, Node]
    findings: tuple[Finding, ...]
    unfinished: frozenset[KeyPath]
    used: frozenset[str]


def merge_maps(root: Mapping[str, Node], maps: Mapping[str, Node]) -> Merged:
    """Merge the maps of a folder.

    Args:
        root: the sections of the folder; left as they are.
        maps: the root of each map, by its name, with the paths inside its own file (see ``told_in_its_own_file``).
    """
    merging = _Merging(root, maps)
    devices = {name: merging.device(name, node) for name, node in _entries(root, "devices").items()}
    tags = {name: merging.tag(name, node) for name, node in _entries(root, "tags").items()}
    merged = dict(root)
    for section, entries in (("devices", devices), ("tags", tags)):
        if entries:
            merged[section] = replace(root[section], value=entries)
    return Merged(
        root=merged,
        findings=tuple(merging.findings),
        unfinished=frozenset(merging.unfinished),
        used=frozenset(merging.used),
    )


def told_in_its_own_file(node: Node, path: KeyPath = ()) -> Node:
    """The same tree, in which every node knows its path inside its file."""
    if isinstance(node.value, dict):
        entries = {key: told_in_its_own_file(child, (*path, key)) for key, child in node.value.items()}
        return replace(node, value=entries, path=path)
    if isinstance(node.value, list):
        items = [told_in_its_own_file(child, (*path, number)) for number, child in enumerate(node.value)]
        return replace(node, value=items, path=path)
    return replace(node, path=path)


class _Merging:
    """One pass over devices and tags; what is wrong is collected."""

    def __init__(self, root: Mapping[str, Node], maps: Mapping[str, Node]) -> None:
        self.findings: list[Finding] = []
        self.unfinished: set[KeyPath] = set()
        self.used: set[str] = set()
        self._maps = maps
        self._devices = _entries(root, "devices")
        self._instances = _instances(_entries(root, "tags"))

    def device(self, name: str, node: Node) -> Node:
        """A device with what its map says of its kind."""
        own = _keys(node)
        wanted = _text(own, "map")
        if wanted is None:
            return node
        self.unfinished.add(("devices", name, "service"))  # the map's to say; that it does not is told there
        if wanted not in self._maps:
            self.findings.append(_unknown_map(("devices", name, "map"), wanted, self._maps))
            return node
        self.used.add(wanted)
        kind = {key: child for key, child in _keys(self._maps[wanted]).items() if key in _OF_THE_DEVICE}
        return replace(node, value={**kind, **own})

    def tag(self, name: str, node: Node) -> Node:
        """A tag with what the map of its device says of its point."""
        own = _keys(node)
        point = _text(own, "point")
        if point is None:
            return node
        points = self._points(name, own)
        if points is None or point not in points:
            self.unfinished.update(("tags", name, key) for key in MapPoint.model_fields)
            if points is not None:
                self.findings.append(undeclared(("tags", name, "point"), point, "points of its map", points))
            return node
        device = _text(own, "device") or ""
        inherited = {key: child for key, child in _keys(points[point]).items() if key not in own}
        resolved = {key: self._resolved(child, name, device, points) for key, child in inherited.items()}
        return replace(node, value={**resolved, **own})

    def _points(self, name: str, own: Mapping[str, Node]) -> dict[str, Node] | None:
        """The points of the map a tag's device is made after; None (and told, where it is not yet) if there is none."""
        device = _text(own, "device")
        if device is None:
            return None
        if device not in self._devices:
            self.findings.append(undeclared(("tags", name, "device"), device, "devices", self._devices))
            return None
        wanted = _text(_keys(self._devices[device]), "map")
        if wanted is None:
            found = f"a point, while {device} has no map"
            advice = f"Give {device} a map, or say all keys here and no point."
            self.findings.append(
                Finding(path=("tags", name, "point"), found=found, allowed="a device with a map", advice=advice)
            )
            return None
        kind = self._maps.get(wanted)
        return _entries(_keys(kind), "points") if kind is not None else None

    def _resolved(self, node: Node, tag: str, device: str, points: Mapping[str, Node]) -> Node:
        """A value of a map with ``point:NAME`` replaced by the tag that is this point of the same device."""
        if isinstance(node.value, dict):
            entries = {key: self._resolved(child, tag, device, points) for key, child in node.value.items()}
            return replace(node, value=entries)
        if isinstance(node.value, list):
            return replace(node, value=[self._resolved(child, tag, device, points) for child in node.value])
        return self._instance(node, tag, device, points) if names_a_point(node) else node

    def _instance(self, node: Node, tag: str, device: str, points: Mapping[str, Node]) -> Node:
        point = str(node.value).removeprefix(POINT_PREFIX)
        instances = self._instances.get((device, point), [])
        if len(instances) == 1:
            return replace(node, value=instances[0])
        if point in points:
            self.findings.append(_no_single_instance(("tags", tag, "point"), point, device, instances))
        return replace(node, value=None, usable=False)  # a point that the map does not have is told in the map


def unknown_points(kind: Node) -> Iterator[Finding]:
    """Every ``point:NAME`` of a map that is no point of it, with its path inside the map."""
    points = _entries(_keys(kind), "points")
    for node in _scalars(kind):
        name = str(node.value).removeprefix(POINT_PREFIX)
        if node.path is not None and names_a_point(node) and name not in points:
            yield undeclared(node.path, name, "points", points)


def names_a_point(node: Node) -> bool:
    """Whether a value of a map is ``point:NAME`` at a key ``tag``."""
    at_tag = node.path is not None and node.path[-1:] == ("tag",)
    return at_tag and isinstance(node.value, str) and node.value.startswith(POINT_PREFIX)


def _scalars(node: Node) -> Iterator[Node]:
    children = node.value.values() if isinstance(node.value, dict) else node.value
    if isinstance(children, str | int | float | None):
        yield node
        return
    for child in children:
        yield from _scalars(child)


def _unknown_map(path: KeyPath, name: str, maps: Mapping[str, Node]) -> Finding:
    nearest = get_close_matches(name, maps, n=1, cutoff=0.4)
    return Finding(
        path=path,
        found=f'"{name}", and there is no maps/{name}.yaml',
        allowed=f"one of {', '.join(sorted(maps))}" if maps else "the name of a file in maps/, without .yaml",
        advice=f"Did you mean {nearest[0]}?" if nearest else "Write the map, or correct the name.",
    )


def _no_single_instance(path: KeyPath, point: str, device: str, instances: list[str]) -> Finding:
    which = f"which {' and '.join(instances)} are" if instances else "which no tag is"
    return Finding(
        path=path,
        found=f"a point whose map looks at point {point} of {device}, {which}",
        allowed=f"exactly one tag with device: {device} and point: {point}",
        advice="Add it, or say the key here.",
    )


def _instances(tags: Mapping[str, Node]) -> dict[tuple[str, str], list[str]]:
    """Tags by device and point."""
    found: dict[tuple[str, str], list[str]] = {}
    for name, node in tags.items():
        device, point = _text(_keys(node), "device"), _text(_keys(node), "point")
        if device is not None and point is not None:
            found.setdefault((device, point), []).append(name)
    return found


def _entries(root: Mapping[str, Node], section: str) -> dict[str, Node]:
    return _keys(root[section]) if section in root else {}


def _keys(node: Node) -> dict[str, Node]:
    return node.value if isinstance(node.value, dict) else {}


def _text(keys: Mapping[str, Node], key: str) -> str | None:
    value = keys[key].value if key in keys else None
    return value if isinstance(value, str) else None
