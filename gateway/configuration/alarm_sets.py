"""Alarm sets written out into the alarms of the units that use them, on the trees of the files.

Decides what a place-holder stands for and which key goes before which: a use's
own before the set's. Every value keeps the file, line and key path where it is
written, so that a fault in a set is told there, once. Never decides whether a
value is allowed: what is written out is validated like any other alarm.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches

from gateway.configuration.document import Node, children
from gateway.configuration.fault import Finding, KeyPath, undeclared
from gateway.configuration.maps import told_in_its_own_file
from gateway.configuration.schema import PLACE_HOLDER, SELF

_SECTION = "alarms"
_HOLE = re.compile(PLACE_HOLDER)


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenOut:
    """The sections of a folder with the alarms of its sets in them.

    Args:
        root: all sections.
        findings: what is wrong between the sets and their uses; paths are those of the folder as it is written.
        uses: the entries that use a set, by name, each with its place in the folder.
        used: names of the sets that something uses.
    """

    root: dict[str, Node]
    findings: tuple[Finding, ...]
    uses: Mapping[str, Node]
    used: frozenset[str]


def write_out(root: Mapping[str, Node], sets: Mapping[str, Node]) -> WrittenOut:
    """Write out the alarms of every use, in the place of the use.

    Args:
        root: the sections of the folder; left as they are.
        sets: the root of each set, by its name, with the paths inside its own file.
    """
    entries = _keys(root.get(_SECTION))
    uses = {
        name: told_in_its_own_file(node, (_SECTION, name))
        for name, node in entries.items()
        if "alarm_set" in _keys(node)
    }
    alarms: dict[str, Node] = {}
    findings: list[Finding] = []
    for name, node in entries.items():
        made = _Use(name, uses[name], sets, findings).alarms() if name in uses else {name: node}
        if name in uses:
            findings += [_twice(name, alarm) for alarm in made if alarm in alarms or alarm in entries]
        alarms |= made
    written = {**root, _SECTION: replace(root[_SECTION], value=alarms)} if uses else dict(root)
    used = {str(_keys(node)["alarm_set"].value) for node in uses.values()}
    return WrittenOut(root=written, findings=tuple(findings), uses=uses, used=frozenset(used))


class _Use:
    """One entry that uses a set; what is wrong is added to ``findings``."""

    def __init__(self, name: str, node: Node, sets: Mapping[str, Node], findings: list[Finding]) -> None:
        self._name = name
        self._own = _keys(node)
        self._sets = sets
        self._findings = findings
        self._path: KeyPath = (_SECTION, name)

    def alarms(self) -> dict[str, Node]:
        """The alarms of the set, by their full names."""
        wanted = self._own["alarm_set"].value
        kind = self._sets.get(wanted) if isinstance(wanted, str) else None
        if kind is None:
            self._findings.append(self._unknown_set(str(wanted)))
            return {}
        keys = _keys(kind)
        held = {name for node in _texts(keys.get("alarms")) for name in _HOLE.findall(str(node.value))}
        given = self._given(_keys(keys.get("needs")), held)
        inside = _keys(keys.get("alarms"))
        changes = _keys(self._own.get("changes"))
        without = [one.value for one in children(self._own["without"]).values()] if "without" in self._own else []
        self._name_alarms("changes", list(changes), inside)
        self._name_alarms("without", [str(one) for one in without], inside)
        return {
            f"{self._name}-{alarm}": _changed(self._filled(node, given), changes.get(alarm))
            for alarm, node in inside.items()
            if alarm not in without
        }

    def _given(self, needs: Mapping[str, Node], held: set[str]) -> dict[str, Node]:
        """What stands for each place-holder; what should be given and is not is told."""
        given = _keys(self._own.get("given"))
        for name in given:
            if name not in needs:
                self._findings.append(undeclared((*self._path, "given", name), name, "needs of the set", needs))
        for name in [one for one in needs if one in held and one not in given]:
            allowed = f"{name}: {needs[name].value}"
            self._findings.append(Finding(path=(*self._path, "given"), found=f"no {name}", allowed=allowed))
        own_name = replace(self._own["alarm_set"], value=self._name)
        return {SELF: own_name, **{name: given[name] for name in needs if name in given}}

    def _name_alarms(self, key: str, names: list[str], inside: Mapping[str, Node]) -> None:
        for number, name in enumerate(names):
            if name not in inside:
                path = (*self._path, key, name if key == "changes" else number)
                self._findings.append(undeclared(path, name, "alarms of the set", inside))

    def _filled(self, node: Node, given: Mapping[str, Node]) -> Node:
        if isinstance(node.value, dict):
            return replace(node, value={key: self._filled(child, given) for key, child in node.value.items()})
        if isinstance(node.value, list):
            return replace(node, value=[self._filled(child, given) for child in node.value])
        return _of_text(node, node.value, given) if isinstance(node.value, str) else node

    def _unknown_set(self, name: str) -> Finding:
        nearest = get_close_matches(name, self._sets, n=1, cutoff=0.4)
        return Finding(
            path=(*self._path, "alarm_set"),
            found=f'"{name}", and there is no alarm_sets/{name}.yaml',
            allowed=f"one of {', '.join(sorted(self._sets))}" if self._sets else "the name of a file in alarm_sets/",
            advice=f"Did you mean {nearest[0]}?" if nearest else "Write the set, or correct the name.",
        )


def _of_text(node: Node, text: str, given: Mapping[str, Node]) -> Node:
    """A place-holder alone takes what is given as it is; inside a text it is written out."""
    names = set(_HOLE.findall(text))
    if not all(name in given and given[name].usable for name in names):
        return replace(node, value=None, usable=False)  # told where it is missing
    whole = _HOLE.fullmatch(text)
    if whole is not None:
        return given[whole[1]]
    for name in names:
        text = text.replace(f"<{name}>", _in_words(given[name]))
    return replace(node, value=text)


def _in_words(node: Node) -> str:
    return f"{node.value:g}" if isinstance(node.value, float) else str(node.value)


def _changed(node: Node, change: Node | None) -> Node:
    """An alarm with some of its keys replaced, key by key down to the last."""
    if change is None:
        return node
    if not isinstance(node.value, dict) or not isinstance(change.value, dict):
        return change
    own = {key: _changed(node.value[key], one) if key in node.value else one for key, one in change.value.items()}
    return replace(node, value={**node.value, **own})


def faults_inside(kind: Node) -> Iterator[Finding]:
    """Place-holders of a set that it does not need, else needs that nothing stands for; with paths inside the set."""
    needs = _keys(_keys(kind).get("needs"))
    held = [
        (node.path or (), name) for node in _texts(_keys(kind).get("alarms")) for name in _HOLE.findall(str(node.value))
    ]
    unknown = [(path, name) for path, name in held if name != SELF and name not in needs]
    for path, name in unknown:
        yield undeclared(path, name, "needs", needs)
    used = {name for _, name in held}
    for name in [] if unknown else [one for one in needs if one not in used]:
        found = f"{name}, and no alarm of the set has <{name}>"
        yield Finding(path=("needs", name), found=found, allowed="what the alarms of the set hold")


def _texts(node: Node | None) -> Iterator[Node]:
    if node is None:
        return
    if isinstance(node.value, str):
        yield node
    for child in children(node).values():
        yield from _texts(child)


def _twice(use: str, alarm: str) -> Finding:
    found = f"{alarm}, which is declared already"
    return Finding(path=(_SECTION, use), found=found, allowed="each alarm once", advice="Name this entry otherwise.")


def _keys(node: Node | None) -> dict[str, Node]:
    return node.value if node is not None and isinstance(node.value, dict) else {}
