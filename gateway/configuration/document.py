"""One YAML file to a tree of values that knows the line of every key. The only file that imports yaml.

Decides what a bare word or number means, stricter than YAML 1.1: whatever two
readers could take for two things (``no``, ``012``, ``1:30``, ``1e3``, a bare
date) is a fault and has to be written so that it can mean one thing. Keys are
always text. Anchors, aliases, merges and tags are refused: in a site folder
everything stands where it counts. It never looks at what a key is called.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from gateway.configuration.fault import Fault, KeyPath, dotted

LONGEST_FILE_BYTES = 2_000_000
DEEPEST = 20

Scalar = str | int | float | bool | None
_Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # libyaml where the wheel has it


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A value and the line it is told on.

    Args:
        file: name of the file.
        line: line of the key (of the item in a list), counted from 1.
        value: the scalar, the mapping or the list.
        usable: False when the value itself is a fault that has been told already.
        path: where it stands in its own file; None where that is its place in the tree.
    """

    file: str
    line: int
    value: "Scalar | dict[str, Node] | list[Node]"
    usable: bool = True
    path: KeyPath | None = None


def children(node: Node) -> dict[str | int, Node]:
    """What stands directly under a node, by key or by position; nothing under a scalar."""
    if isinstance(node.value, dict):
        return dict(node.value.items())
    return dict(enumerate(node.value)) if isinstance(node.value, list) else {}


def deepest(path: KeyPath, tree: Node) -> tuple[Node, int]:
    """The deepest node on the way of a path that exists, and how many parts of the path lead to it."""
    node = tree
    for depth, part in enumerate(path):
        child = children(node).get(part)
        if child is None:
            return node, depth
        node = child
    return node, len(path)


def node_at(path: KeyPath, tree: Node) -> Node:
    """The node at a path, or the deepest one on the way that exists."""
    return deepest(path, tree)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """What one file holds, and its faults."""

    root: dict[str, Node] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    doubled: frozenset[str] = frozenset()  # top-level keys that stand twice; the first is kept
    complete: bool = True  # False after a fault of syntax: what the file says is not known


class _Stop(Exception):  # noqa: N818 - named for what is the case
    """The rest of the file cannot be read."""


def read_document(path: Path, name: str) -> Document:
    """Read one file.

    Args:
        path: the file.
        name: what to call it in faults.

    Returns:
        Its top-level keys and every fault; after a fault of syntax, what stands before it is not used.
    """
    text, fault = _text(path, name)
    return Document(faults=(fault,), complete=False) if fault is not None else parse_document(text, name)


def parse_document(text: str, name: str) -> Document:
    """Like ``read_document``, for text that has been read already."""
    parser = _Parser(text, name)
    root = parser.parse()
    return Document(root=root, faults=tuple(parser.faults), doubled=frozenset(parser.doubled), complete=parser.complete)


def _text(path: Path, name: str) -> tuple[str, Fault | None]:
    try:
        content = path.read_bytes()
    except OSError as error:
        return "", _file_fault(name, f"a file that cannot be read ({error.strerror})", "a readable file", "")
    if len(content) > LONGEST_FILE_BYTES:
        return "", _file_fault(name, f"{len(content)} bytes", f"at most {LONGEST_FILE_BYTES} bytes", "Split the file.")
    try:
        return content.decode("utf-8-sig"), None
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        found = f"the byte 0x{content[error.start]:02x}, which is not UTF-8"
        return "", Fault(file=name, line=line, key="", found=found, allowed="UTF-8 text", advice="Save it as UTF-8.")


def _file_fault(name: str, found: str, allowed: str, advice: str) -> Fault:
    return Fault(file=name, line=1, key="", found=found, allowed=allowed, advice=advice)


class _Parser:
    """Walks the events of one file; faults are collected, not raised."""

    def __init__(self, text: str, name: str) -> None:
        self.faults: list[Fault] = []
        self.complete = True
        self.doubled: set[str] = set()
        self._name = name
        self._text = text
        self._events: Iterator[yaml.Event] = iter(())

    def parse(self) -> dict[str, Node]:
        try:
            self._events = iter(yaml.parse(self._text, Loader=_Loader))
            return self._stream()
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            self._syntax(mark.line + 1 if mark else 1, error.problem or "something that is not YAML")
        except yaml.YAMLError as error:  # a character that no YAML file may hold
            position = getattr(error, "position", 0)
            self._syntax(self._text.count("\n", 0, position) + 1, "a character that is not allowed in YAML")
        except _Stop:
            pass
        self.complete = False
        return {}

    def _syntax(self, line: int, problem: str) -> None:
        advice = "Look at this line and the one before it: indentation, colons, quotes, tabs."
        self._fault(line, (), f"broken YAML ({problem})", "YAML", advice)

    def _stream(self) -> dict[str, Node]:
        root: dict[str, Node] = {}
        documents = 0
        for event in self._events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._fault(_line(event), (), "a second document (---)", "one document a file", "Split the file.")
                    raise _Stop
            elif isinstance(event, yaml.NodeEvent):
                root = self._root(event)
        return root

    def _root(self, event: yaml.NodeEvent) -> dict[str, Node]:
        node = self._node(event, (), _line(event))
        if isinstance(node.value, dict):
            return node.value
        if node.value is not None:
            found = "a list" if isinstance(node.value, list) else "a single value"
            self._fault(node.line, (), found, "keys with values", "Begin with a key, such as site:")
        return {}

    def _node(self, event: yaml.Event, path: KeyPath, line: int) -> Node:
        if len(path) > DEEPEST:
            self._fault(line, (), f"values nested deeper than {DEEPEST}", f"{DEEPEST} levels", "")
            raise _Stop
        if isinstance(event, yaml.AliasEvent):
            return self._unusable(line, path, f"the alias *{event.anchor}", "the value itself", "Write it out here.")
        usable = self._plain(event, path, line)
        if isinstance(event, yaml.MappingStartEvent):
            return Node(file=self._name, line=line, value=self._mapping(path), usable=usable)
        if isinstance(event, yaml.SequenceStartEvent):
            return Node(file=self._name, line=line, value=self._sequence(path), usable=usable)
        if isinstance(event, yaml.ScalarEvent):
            return self._scalar(event, path, line)
        raise _Stop

    def _plain(self, event: yaml.Event, path: KeyPath, line: int) -> bool:
        """Anchors and tags are refused wherever they stand."""
        anchor, tag = getattr(event, "anchor", None), getattr(event, "tag", None)
        if anchor is not None:
            self._fault(line, path, f"the anchor &{anchor}", "the value alone", "Take it away and write values out.")
        if tag is not None and tag != "!":
            self._fault(line, path, f"the tag {tag}", "the value alone", "Take the tag away; use quotes for text.")
        return anchor is None and tag in (None, "!")

    def _mapping(self, path: KeyPath) -> dict[str, Node]:
        entries: dict[str, Node] = {}
        for key in self._events:
            if isinstance(key, yaml.MappingEndEvent):
                break
            name = self._key(key, path)
            child = self._node(next(self._events), (*path, name), _line(key))
            if name in entries:
                self.doubled.update([name] if not path else [])
                first = f"the first stands in line {entries[name].line}"
                self._fault(
                    _line(key), (*path, name), "the key a second time", f"each key once; {first}", "Remove one."
                )
            elif name:
                entries[name] = child
        return entries

    def _key(self, event: yaml.Event, path: KeyPath) -> str:
        if not isinstance(event, yaml.ScalarEvent):
            self._fault(_line(event), path, "a key that is a list or a mapping", "text as a key", "")
            raise _Stop
        if event.value == "<<" and event.style not in _QUOTES:
            self._fault(_line(event), path, "a merge (<<)", "the keys themselves", "Write the keys out here.")
            return ""
        if not event.value:
            self._fault(_line(event), path, "an empty key", "text as a key", "Name the key before the colon.")
        return str(event.value)

    def _sequence(self, path: KeyPath) -> list[Node]:
        items: list[Node] = []
        for event in self._events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            items.append(self._node(event, (*path, len(items)), _line(event)))
        return items

    def _scalar(self, event: yaml.ScalarEvent, path: KeyPath, line: int) -> Node:
        if event.style in _QUOTES:
            return Node(file=self._name, line=line, value=str(event.value))
        doubt = _doubt(event.value)
        if doubt is not None:
            return self._unusable(line, path, f"{event.value} without quotes", *doubt)
        return Node(file=self._name, line=line, value=_meaning(event.value))

    def _unusable(self, line: int, path: KeyPath, found: str, allowed: str, advice: str) -> Node:
        self._fault(line, path, found, allowed, advice)
        return Node(file=self._name, line=line, value=None, usable=False)

    def _fault(self, line: int, path: KeyPath, found: str, allowed: str, advice: str) -> None:
        fault = Fault(file=self._name, line=line, key=dotted(path), found=found, allowed=allowed, advice=advice)
        self.faults.append(fault)


def _line(event: yaml.Event) -> int:
    return event.start_mark.line + 1 if event.start_mark else 1


_DOUBTS: tuple[tuple[re.Pattern[str], str, str], ...] = (
    (
        re.compile(r"(?i:y|n|yes|no|on|off)|TRUE|FALSE|True|False"),
        'true, false, or text in quotes such as "no"',
        "YAML readers disagree whether this is text or a truth value.",
    ),
    (
        re.compile(r"[-+]?0[0-9_]+"),
        'a number without leading zeros, or text in quotes such as "012"',
        "YAML readers disagree whether a leading zero means octal.",
    ),
    (
        re.compile(r"[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?"),
        'a plain number (of seconds, for a duration), or text in quotes such as "1:30"',
        "YAML readers take this for a number to the base of 60.",
    ),
    (
        re.compile(r"[-+]?(?:[0-9][0-9_]*(?:\.[0-9_]*)?|\.[0-9]+)[eE][-+]?[0-9]+"),
        "the number written out, such as 1000",
        "YAML readers disagree whether this is a number or text.",
    ),
    (
        re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}(?:[Tt ].*)?"),
        'text in quotes such as "2025-02-26"',
        "YAML readers disagree whether this is text or a date.",
    ),
    (re.compile(r"[-+]?\.(?i:inf|nan)"), "a finite number", "Leave the key out where there is no limit."),
    (
        re.compile(r"[-+]?0[bo][0-9a-fA-F_]+|[-+]?[0-9]+(?:_[0-9]+)+(?:\.[0-9_]*)?"),
        "a plain decimal number, or hexadecimal as 0xA5A5",
        "YAML readers disagree about this number.",
    ),
)
_QUOTES = ("'", '"', "|", ">")
_NULLS = frozenset({"", "~", "null"})
_TRUTH = {"true": True, "false": False}
_INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+")
_DECIMAL = re.compile(r"[-+]?(?:[0-9]+\.[0-9]*|\.[0-9]+)")
_LONGEST_NUMBER = 40


def _doubt(text: str) -> tuple[str, str] | None:
    """What is allowed instead and why, when YAML readers disagree about a bare word."""
    for pattern, allowed, why in _DOUBTS:
        if pattern.fullmatch(text):
            return allowed, why
    return None


def _meaning(text: str) -> Scalar:
    if text in _NULLS:
        return None
    if text in _TRUTH:
        return _TRUTH[text]
    if len(text) > _LONGEST_NUMBER:
        return text
    if _INTEGER.fullmatch(text):
        return int(text)
    if _HEXADECIMAL.fullmatch(text):
        return int(text, 16)
    return float(text) if _DECIMAL.fullmatch(text) else text
