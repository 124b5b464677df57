"""From an error of the schema to a sentence a person can act on, with file and line.

Decides words alone. It never shows what stands at the key of a secret.
"""

import json
import math
from difflib import get_close_matches
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from gateway.configuration.document import Node, Scalar, children, deepest, node_at
from gateway.configuration.fault import Fault, Finding, KeyPath, dotted
from gateway.configuration.schema import Secret, Site

_LONGEST_SHOWN = 60

Root = type[BaseModel]


def path_of(error: ErrorDetails, tree: Node) -> KeyPath:
    """The path as it stands in the files: without the parts that name a kind of model or say that a key is meant."""
    path: list[str | int] = []
    node: Node | None = tree
    parts = [part for part in error["loc"] if part != "[key]"]
    for number, part in enumerate(parts):
        child = children(node).get(part) if node is not None else None
        missing = error["type"] == "missing" and number == len(parts) - 1
        if child is not None or missing:
            path.append(part)
            node = child
    return (*path, "transport") if error["type"] == "union_tag_invalid" else tuple(path)


def enough(error: ErrorDetails, tree: Node) -> bool:
    """Whether a list said to be too short is long enough as written; only its sound items had been counted."""
    value = node_at(path_of(error, tree), tree).value
    least = (error.get("ctx") or {}).get("min_length", 0)
    return isinstance(value, list | dict) and len(value) >= least


def located(finding: Finding, tree: Node) -> Fault:
    """A finding with the file and line where its key stands (or the nearest key above it that does)."""
    node, depth = deepest(finding.path, tree)
    path = finding.path if node.path is None else (*node.path, *finding.path[depth:])
    return Fault(
        file=node.file,
        line=node.line,
        key=dotted(path),
        found=finding.found,
        allowed=finding.allowed,
        advice=finding.advice,
    )


def fault_of(error: ErrorDetails, tree: Node, root: Root = Site) -> Fault:
    """An error of the schema as a fault for a person; ``root`` is the model the whole tree was held against."""
    path = path_of(error, tree)
    found, allowed, advice = _words(error, path, tree, root)
    return located(Finding(path=path, found=found, allowed=allowed, advice=advice), tree)


def _words(error: ErrorDetails, path: KeyPath, tree: Node, root: Root) -> tuple[str, str, str]:
    """What was found, what is allowed, what to do."""
    kind = error["type"]
    node = node_at(path, tree)
    if kind == "missing":
        return "no such key", f"{path[-1]}: {_meaning_of(path, tree, root)}", f"Add {path[-1]}."
    if kind == "extra_forbidden":
        return _unknown_key(path, tree, root)
    if any(model is Secret for model in _models_at(path, tree, root)):
        return _secret(error, node)
    if kind == "value_error":
        found, _, allowed = error["msg"].removeprefix("Value error, ").partition("|")
        return found, allowed, "Keep one of them."
    if "[key]" in error["loc"]:
        found = f"the name {_shown(path[-1])}"
        return found, "1 to 40 letters, digits and . _ -, with a letter or digit first", "Choose another name."
    return _shown(_scalar(node)), _allowed(error), _advice(error, node)


def _secret(error: ErrorDetails, node: Node) -> tuple[str, str, str]:
    """A secret that stands in the file is never shown again."""
    advice = "Put the secret into a file that only the service may read, and name that file here."
    allowed = "{file: PATH} or {environment: NAME}"
    if error["type"] == "value_error":
        return error["msg"].removeprefix("Value error, ").partition("|")[0], allowed, advice
    return "a literal (not shown)" if node.value is not None else "nothing", allowed, advice


def meant_by(path: KeyPath, tree: Node, root: Root = Site) -> KeyPath:
    """The known key that an unknown one comes nearest to, or an empty path."""
    nearest = get_close_matches(str(path[-1]), _known_keys(path, tree, root), n=1, cutoff=0.5)
    return (*path[:-1], nearest[0]) if nearest else ()


def _unknown_key(path: KeyPath, tree: Node, root: Root) -> tuple[str, str, str]:
    nearest = meant_by(path, tree, root)
    advice = f"Did you mean {nearest[-1]}?" if nearest else "Remove it."
    return "an unknown key", f"the keys {', '.join(_known_keys(path, tree, root))}", advice


def _known_keys(path: KeyPath, tree: Node, root: Root) -> list[str]:
    return sorted({name for model in _models_at(path[:-1], tree, root) for name in _fields(model)})


def _allowed(error: ErrorDetails) -> str:
    """What the schema allows, in words."""
    context: dict[str, Any] = error.get("ctx") or {}
    words = {
        "greater_than": "more than {gt}",
        "greater_than_equal": "at least {ge}",
        "less_than": "less than {lt}",
        "less_than_equal": "at most {le}",
        "literal_error": "{expected}",
        "union_tag_invalid": "{expected_tags}",
        "union_tag_not_found": "the key transport with tcp, rtu_over_tcp or rtu",
        "too_short": "at least {min_length} of them",
        "too_long": "at most {max_length} of them",
        "string_too_short": "at least {min_length} characters",
        "string_too_long": "at most {max_length} characters",
        "string_pattern_mismatch": "text of the form {pattern}",
    }.get(error["type"])
    return words.format(**context) if words else _KINDS.get(error["type"], error["msg"])


_KINDS = {
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing_size": "a smaller whole number",
    "float_type": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "string_type": "text",
    "tuple_type": "a list in square brackets",
    "dict_type": "keys with values",
    "model_type": "keys with values",
    "model_attributes_type": "keys with values",
}


def _advice(error: ErrorDetails, node: Node) -> str:
    value = node.value
    if error["type"] == "string_type" and isinstance(value, int | float):
        return "Put it in quotes."
    if error["type"] in {"int_type", "float_type"} and isinstance(value, str) and _is_number(value):
        return "Take the quotes away."
    if error["type"] == "tuple_type":
        return "Write [a, b], or one item a line with a dash."
    if error["type"] == "union_tag_invalid":
        return "Choose one of them."
    return "Correct the value." if value is not None else "Write a value, or remove the key."


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _scalar(node: Node) -> Scalar | str:
    if isinstance(node.value, dict):
        return "keys with values"
    return "a list" if isinstance(node.value, list) else node.value


def _shown(value: Scalar) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, str):
        text = value if value in {"keys with values", "a list"} else json.dumps(value, ensure_ascii=False)
    else:
        text = json.dumps(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


# --- what the schema says at a path ----------------------------------------------------------------------------


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {info.alias or name: info for name, info in model.model_fields.items()}


def _meaning_of(path: KeyPath, tree: Node, root: Root) -> str:
    """The sentence of a missing key."""
    for model in _models_at(path[:-1], tree, root):
        info = _fields(model).get(str(path[-1]))
        if info is not None and info.description:
            return info.description.rstrip(".")
    return "the key"


def _models_at(path: KeyPath, tree: Node, root: Root) -> tuple[type[BaseModel], ...]:
    """Models that the schema allows at a path; the file's own ``transport`` decides between two."""
    types: tuple[Any, ...] = (root,)
    for number, part in enumerate(path):
        types = tuple(inner for kind in types for inner in _inside(kind, part))
        here = node_at(path[: number + 1], tree)
        types = _chosen(tuple(member for kind in types for member in _members(kind)), here)
    return tuple(kind for kind in types if isinstance(kind, type) and issubclass(kind, BaseModel))


def _inside(kind: Any, part: str | int) -> tuple[Any, ...]:
    """Types one step further down."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        info = _fields(kind).get(str(part))
        return (info.annotation,) if info is not None else ()
    origin, arguments = get_origin(kind), get_args(kind)
    if origin is dict:
        return (arguments[1],)
    return (arguments[0],) if origin is tuple else ()


def _members(kind: Any) -> tuple[Any, ...]:
    """A type without annotations and alternatives around it."""
    if get_origin(kind) is Annotated:
        return _members(get_args(kind)[0])
    if get_origin(kind) in (Union, UnionType):
        return tuple(member for choice in get_args(kind) for member in _members(choice))
    return (kind,)


def _chosen(types: tuple[Any, ...], node: Node) -> tuple[Any, ...]:
    transport = node.value.get("transport") if isinstance(node.value, dict) else None
    if transport is None or len(types) == 1:
        return types
    return tuple(kind for kind in types if transport.value in _transports(kind)) or types


def _transports(kind: Any) -> tuple[Any, ...]:
    """What a model lets its key ``transport`` be; nothing for any other type."""
    model = isinstance(kind, type) and issubclass(kind, BaseModel)
    info = _fields(kind).get("transport") if model else None
    return get_args(info.annotation) if info is not None else ()
