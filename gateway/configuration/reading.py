"""A site folder to a ``Site``: all files, all faults, each with its file and line.

Decides whether every key is known and every value is what the schema allows.
Whether the values fit together is decided by ``crosscheck``. It never guesses:
a folder with a fault gives no ``Site``.
"""

import hashlib
import json
import stat
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from gateway.configuration.alarm_sets import faults_inside, write_out
from gateway.configuration.document import Document, Node, children, read_document
from gateway.configuration.fault import Fault, Finding, KeyPath, Refused, in_order
from gateway.configuration.maps import merge_maps, told_in_its_own_file, unknown_points
from gateway.configuration.schema import POINT_PREFIX, AlarmSet, AlarmSetUse, RegisterMap, Site
from gateway.configuration.wording import enough, fault_of, located, meant_by, path_of

_Root = TypeVar("_Root", bound=BaseModel)

SECTIONS_OF_NAMES = frozenset(
    {
        "roles",
        "people",
        "connections",
        "devices",
        "tags",
        "calculated",
        "own_tags",
        "outputs",
        "interlocks",
        "releases",
        "alarms",
        "first_out_groups",
        "process_graph",
        "grab_quantities",
    }
)
"""Top-level keys whose entries are named by the site, such as ``tags``."""

MAPS = "maps"  # folder of the register maps inside a site folder
ALARM_SETS = "alarm_sets"  # folder of the alarm sets
_WORLD_WRITABLE = stat.S_IWOTH
_ATTEMPTS = 5
_SECRETS = {"mqtt": ("username", "password"), "influx": ("token",)}
_STAND_IN: dict[str, Any] = {"id": "unreadable", "name": "unreadable", "time_zone": "UTC"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """What could be read of a folder.

    Args:
        site: the sound entries alone, for checking them against each other;
            None when not even that is possible. Only a draft without faults is a site.
        faults: everything that is wrong so far.
        broken: (section, entry) of entries that are missing from ``site`` because of a fault.
        sources: the tree of all files with maps and alarm sets merged in, which knows the lines.
        folder: the folder.
        warnings: what is unwise in the files, whatever their values mean.
    """

    site: Site | None
    faults: tuple[Fault, ...]
    broken: frozenset[tuple[str, str]]
    sources: Node
    folder: Path
    warnings: tuple[Fault, ...] = ()

    def locate(self, findings: Iterable[Finding]) -> tuple[Fault, ...]:
        """Findings of ``crosscheck`` as faults with file and line."""
        return once(located(finding, self.sources) for finding in findings)


def read_site(folder: Path) -> Site:
    """Read a folder, without looking at how its values fit together.

    Raises:
        Refused: with every fault of reading and of the schema.
    """
    draft = read_draft(folder)
    if draft.faults or draft.site is None:
        raise Refused(draft.faults)
    return draft.site


def read_draft(folder: Path, *, tags: Node | None = None) -> Draft:
    """Read as much of a folder as is sound, and every fault of the rest. Never raises for what is in the files.

    Args:
        folder: the site folder.
        tags: what to take for the section ``tags`` instead of what stands in the folder.
    """
    collected = _collect(folder)
    if tags is not None:
        collected.root["tags"] = tags
    if not collected.root:
        return _nothing(collected, folder)
    merged = merge_maps(collected.root, collected.maps)
    written = write_out(merged.root, collected.alarm_sets)
    tree = Node(file=folder.name or ".", line=1, value=written.root)
    faults, site, broken = _validated(tree, complete=collected.complete, unfinished=merged.unfinished)
    between = [located(finding, tree) for finding in merged.findings] if collected.complete else []
    if collected.complete:
        as_it_stands = replace(tree, value=collected.root)
        between += [located(finding, as_it_stands) for finding in written.findings]
    broken |= {(section, "") for section in collected.doubled}  # whatever the second part declares is not there
    if written.findings:
        broken |= {("alarms", "")}
    return Draft(
        site=site if collected.complete else None,
        faults=once(
            [*collected.faults, *_faults_of_kinds(collected), *_faults_of_uses(written.uses), *between, *faults]
        ),
        broken=broken,
        sources=tree,
        folder=folder,
        warnings=(
            *(_unused_map(name, kind) for name, kind in collected.maps.items() if name not in merged.used),
            *(_unused_set(name, kind) for name, kind in collected.alarm_sets.items() if name not in written.used),
        ),
    )


def once(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Faults in order; of those that one key of a map or an alarm set causes in several places, the first."""
    kept: dict[object, Fault] = {}
    for fault in faults:
        shared = fault.file.startswith((f"{MAPS}/", f"{ALARM_SETS}/"))
        kept.setdefault((fault.file, fault.line, fault.key) if shared else fault, fault)
    return in_order(kept.values())


def canonical_text(site: Site) -> str:
    """Everything that the site says, in the one way of writing it that is hashed and kept.

    In it: every key of every section with defaults filled in, numbers as
    numbers (so 5 and 5.0 are the same), and the order of the entries, since
    alarms and interlocks are judged in that order. Not in it: comments, the
    order of files, and secrets or where they are kept.
    """
    content = site.model_dump(mode="json", by_alias=True)
    for publisher, secrets in _SECRETS.items():
        for secret in secrets if content["uplink"][publisher] else ():
            content["uplink"][publisher].pop(secret)
    order = {section: list(content[section]) for section in sorted(SECTIONS_OF_NAMES)}
    return json.dumps([content, order], sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def configuration_hash(site: Site) -> str:
    """SHA-256, in hexadecimal, over the canonical text of a site."""
    return hashlib.sha256(canonical_text(site).encode("ascii")).hexdigest()


# --- files -----------------------------------------------------------------------------------------------------


@dataclass(kw_only=True)
class _Collected:
    root: dict[str, Node] = field(default_factory=dict)
    maps: dict[str, Node] = field(default_factory=dict)
    alarm_sets: dict[str, Node] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    doubled: set[str] = field(default_factory=set)
    complete: bool = True


def _collect(folder: Path) -> _Collected:
    collected = _Collected()
    for path in _files(folder, collected.faults):
        document = read_document(path, path.name)
        collected.faults.extend(document.faults)
        collected.doubled |= document.doubled
        collected.complete = collected.complete and document.complete
        _merge(document, collected)
    _collect_kinds(folder / MAPS, collected, collected.maps)
    _collect_kinds(folder / ALARM_SETS, collected, collected.alarm_sets)
    return collected


def _collect_kinds(folder: Path, collected: _Collected, kinds: dict[str, Node]) -> None:
    """Files that say once what several entries have in common."""
    if not folder.is_dir():
        return
    for path in _files(folder, collected.faults, prefix=f"{folder.name}/"):
        name = f"{folder.name}/{path.name}"
        document = read_document(path, name)
        collected.faults.extend(document.faults)
        collected.complete = collected.complete and document.complete
        if document.complete:
            root = Node(file=name, line=1, value=document.root)
            kinds[path.stem] = told_in_its_own_file(root)


def _files(folder: Path, faults: list[Fault], prefix: str = "") -> Iterator[Path]:
    if not folder.is_dir():
        found = "a file" if folder.exists() else "nothing"
        faults.append(
            _file_fault(str(folder), found, "a site folder with *.yaml files", "Give the folder of the site.")
        )
        return
    faults.extend(_writable(folder, f"{folder.name or '.'}/"))
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() in {".yml", ".yaml"} and path.suffix != ".yaml" and path.is_file():
            allowed = "files named *.yaml"
            faults.append(
                _file_fault(
                    prefix + path.name, "a file that would not be read", allowed, f"Rename it to {path.stem}.yaml."
                )
            )
        elif path.suffix == ".yaml" and not path.name.startswith("."):
            faults.extend(_writable(path, prefix + path.name))
            yield path


def _writable(path: Path, name: str) -> Iterator[Fault]:
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
    except OSError:  # a link to nowhere; reading it says so
        return
    if mode & _WORLD_WRITABLE:
        found = f"permissions {mode:04o}, so that anybody on this machine may change it"
        yield _file_fault(name, found, "not writable by others", f"Run: chmod o-w {path}")


def _file_fault(name: str, found: str, allowed: str, advice: str) -> Fault:
    return Fault(file=name, line=1, key="", found=found, allowed=allowed, advice=advice)


def _merge(document: Document, collected: _Collected) -> None:
    for key, node in document.root.items():
        first = collected.root.setdefault(key, node)
        if first is not node:
            allowed = f"each top-level key in one file; the first stands in {first.file}, line {first.line}"
            advice = "Move both parts under one key."
            found = "the key a second time"
            fault = Fault(file=node.file, line=node.line, key=key, found=found, allowed=allowed, advice=advice)
            collected.faults.append(fault)
            collected.doubled.add(key)


def _nothing(collected: _Collected, folder: Path) -> Draft:
    tree = Node(file=folder.name or ".", line=1, value={})
    faults = collected.faults
    if not faults:
        found, allowed = "no keys in any *.yaml file", "a site folder with *.yaml files"
        faults = [_file_fault(str(folder), found, allowed, "Begin with a copy of config/marrowfell.")]
    return Draft(site=None, faults=in_order(faults), broken=frozenset(), sources=tree, folder=folder)


# --- schema ----------------------------------------------------------------------------------------------------


def _faults_of_kinds(collected: _Collected) -> Iterator[Fault]:
    """What is wrong in maps and alarm sets by themselves, whoever uses them."""
    for kind in collected.maps.values():
        yield from _faults_of_model(kind, _without_prefixes(_plain(kind)), RegisterMap)
        yield from (located(finding, kind) for finding in unknown_points(kind))
    for kind in collected.alarm_sets.values():
        yield from _faults_of_model(kind, _plain(kind), AlarmSet)
        yield from (located(finding, kind) for finding in faults_inside(kind))


def _faults_of_uses(uses: Mapping[str, Node]) -> Iterator[Fault]:
    for node in uses.values():
        yield from _faults_of_model(node, _plain(node), AlarmSetUse)


def _faults_of_model(kind: Node, content: Any, root: type[BaseModel]) -> Iterator[Fault]:
    _, errors = _attempt(content, root)
    unusable = tuple(_unusable(kind, ()))
    misspelt = _misspelt(errors, kind, root)
    for error in errors:
        if _is_news(error, kind, unusable, misspelt, complete=True):
            yield fault_of(error, kind, root)


def _without_prefixes(content: Any) -> Any:
    """A map as if its points were tags."""
    if isinstance(content, dict):
        return {
            key: _without_prefix(value) if key == "tag" else _without_prefixes(value) for key, value in content.items()
        }
    return [_without_prefixes(value) for value in content] if isinstance(content, list) else content


def _without_prefix(value: Any) -> Any:
    return value.removeprefix(POINT_PREFIX) if isinstance(value, str) else value


def _unused_map(name: str, kind: Node) -> Fault:
    found, advice = "a map that no device is made after", f"Give a device map: {name}, or remove the file."
    return Fault(file=kind.file, line=1, key="", found=found, allowed="maps in use", advice=advice)


def _unused_set(name: str, kind: Node) -> Fault:
    found, advice = "an alarm set that nothing uses", f"Give an alarm alarm_set: {name}, or remove the file."
    return Fault(file=kind.file, line=1, key="", found=found, allowed="alarm sets in use", advice=advice)


def _validated(
    tree: Node, *, complete: bool, unfinished: frozenset[KeyPath]
) -> tuple[list[Fault], Site | None, frozenset[tuple[str, str]]]:
    """Faults of the schema, and the site without the entries that have one."""
    unusable = tuple(_unusable(tree, ()))
    site, errors = _attempt(_plain(tree), Site)
    misspelt = _misspelt(errors, tree, Site) | unfinished
    news = [error for error in errors if _is_news(error, tree, unusable, misspelt, complete=complete)]
    faults = [fault_of(error, tree) for error in news]
    if site is not None and not unusable:
        return faults, site, frozenset()
    broken: set[tuple[str, str]] = set()
    return faults, _sound(tree, unusable, broken), frozenset(broken)


def _misspelt(errors: list[ErrorDetails], tree: Node, root: type[BaseModel]) -> set[KeyPath]:
    """Known keys that an unknown one was probably meant to be."""
    return {meant_by(path_of(error, tree), tree, root) for error in errors if error["type"] == "extra_forbidden"}


def _sound(tree: Node, unusable: tuple[KeyPath, ...], broken: set[tuple[str, str]]) -> Site | None:
    """What validates once the entries with faults are taken out; the names taken out are added to ``broken``."""
    content = _plain(tree)
    for path in unusable:
        _take_out(content, path, broken)
    for _ in range(_ATTEMPTS):
        site, errors = _attempt(content, Site)
        if site is not None:
            return site
        for error in errors:
            _take_out(content, path_of(error, tree), broken, unknown=error["type"] == "extra_forbidden")
    return None


def _attempt(content: Any, root: type[_Root]) -> tuple[_Root | None, list[ErrorDetails]]:
    """JSON is the strict form in which lists may stand for tuples and nothing else is converted."""
    try:
        return root.model_validate_json(json.dumps(content), strict=True), []
    except ValidationError as error:
        return None, error.errors(include_url=False)


def _plain(node: Node) -> Any:
    if isinstance(node.value, dict):
        return {key: _plain(child) for key, child in node.value.items()}
    if isinstance(node.value, list):
        return [_plain(child) for child in node.value]
    return node.value


def _unusable(node: Node, path: KeyPath) -> Iterator[KeyPath]:
    if not node.usable:
        yield path
    for part, child in children(node).items():
        yield from _unusable(child, (*path, part))


def _is_news(
    error: ErrorDetails, tree: Node, unusable: tuple[KeyPath, ...], expected: set[KeyPath], *, complete: bool
) -> bool:
    """Whether an error says more than a fault that has been told already.

    Args:
        error: the error.
        tree: where it stands.
        unusable: values that are a fault themselves.
        expected: keys that are missing because of another fault.
        complete: whether every file could be read.
    """
    path = path_of(error, tree)
    if error["type"] == "missing" and len(path) == 1 and not complete:
        return False
    if error["type"] == "missing" and path in expected:
        return False
    if error["type"] == "too_short" and enough(error, tree):
        return False
    told = any(path[: len(fault)] == fault for fault in unusable)
    follows = error["type"] == "value_error" and any(fault[: len(path)] == path for fault in unusable)
    return not told and not follows


def _take_out(content: Any, path: KeyPath, broken: set[tuple[str, str]], *, unknown: bool = False) -> None:
    """Remove an unknown key; else the whole entry a fault stands in."""
    if not path or not isinstance(content, dict):
        return
    section = str(path[0])
    if unknown:
        _delete(content, path)
        return
    by_name = section in SECTIONS_OF_NAMES and isinstance(content.get(section), dict)
    entry = str(path[1]) if by_name and len(path) > 1 else ""
    broken.add((section, entry))
    if entry:
        content[section].pop(entry, None)
    elif section == "site":
        content[section] = dict(_STAND_IN)
    else:
        content.pop(section, None)


def _delete(content: Any, path: KeyPath) -> None:
    """Remove a key; it has been found there, so the way to it exists unless it was removed before."""
    try:
        for part in path[:-1]:
            content = content[part]
        del content[path[-1]]
    except (KeyError, IndexError, TypeError):
        return
