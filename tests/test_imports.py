"""Who may import what from outside. The arrows between our own packages are import-linter's, in pyproject.toml."""

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.tree

ROOT = Path(__file__).resolve().parent.parent
SOURCES = sorted([*ROOT.glob("gateway/**/*.py"), *ROOT.glob("simulator/**/*.py")])

CORE_MAY_IMPORT = {"ast", "collections.abc", "dataclasses", "datetime", "enum", "math", "typing"}
TREATMENT_MAY_IMPORT = CORE_MAY_IMPORT | {"bisect", "collections", "decimal", "itertools"}  # values too

COMMAND_LINE = {source.relative_to(ROOT).as_posix() for source in ROOT.glob("gateway/cli/*.py")}

# Library: the files that may import it. A path that does not exist yet costs nothing.
FOREIGN_LIBRARIES = {
    "click": {*COMMAND_LINE, "gateway/probe/command.py"},
    "influxdb_client": {"gateway/publishers/influx.py"},
    "cryptography": {"gateway/local/signatures.py"},
    "iotcore": {"simulator/office.py"},
    "paho": {"gateway/publishers/mqtt.py", "simulator/office.py"},
    "pymodbus": set[str](),  # what the tests compare ourselves with
    "reportlab": {"gateway/records/as_pdf.py"},
    "serial": {"gateway/drivers/modbus/serial_line.py"},
    "sqlite3": {"gateway/store/database.py"},
    "urllib3": {"gateway/publishers/influx.py"},
    "yaml": {"gateway/configuration/document.py"},
}

# Files that take values and return values although they sit at an edge. Those whose opening says "Pure" are held to
# it as well.
PURE_AT_THE_EDGE = {
    "gateway/drivers/modbus/codec.py",
    "gateway/configuration/poll_plan.py",
    "gateway/drivers/modbus/register_map.py",
    "gateway/drivers/modbus/reply.py",
    "gateway/local/frames.py",
    "gateway/local/messages.py",
    "gateway/publishers/payload.py",
}
WHAT_PURE_FILES_NEVER_IMPORT = {
    "asyncio", "http", "io", "logging", "mmap", "multiprocessing", "os", "pathlib", "select", "selectors",
    "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess", "sys", "tempfile", "threading", "time", "urllib",
}  # fmt: skip

NAMELESS = {"utils", "util", "common", "misc", "base", "manager", "helpers"}


def name_of(source: Path) -> str:
    return source.relative_to(ROOT).as_posix()


def imported_by(tree: ast.AST) -> Iterator[str]:
    """Absolute names of all imported modules, wherever in the file the import stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: imports are absolute"
            yield node.module or ""


def imports_of(source: Path) -> set[str]:
    return set(imported_by(ast.parse(source.read_text(encoding="utf-8"))))


def is_or_is_in(module: str, package: str) -> bool:
    return module == package or module.startswith(package + ".")


@pytest.mark.parametrize("source", SOURCES, ids=name_of)
def test_each_foreign_library_is_imported_in_one_file_only(source: Path) -> None:
    for library, allowed in FOREIGN_LIBRARIES.items():
        if name_of(source) not in allowed:
            assert not [module for module in imports_of(source) if is_or_is_in(module, library)]


@pytest.mark.parametrize(
    "source", sorted([*ROOT.glob("gateway/core/**/*.py"), *ROOT.glob("gateway/treatment/**/*.py")]), ids=name_of
)
def test_the_core_imports_values_and_nothing_that_acts(source: Path) -> None:
    ours = ("gateway.core", "gateway.treatment")
    foreign = {module for module in imports_of(source) if not any(is_or_is_in(module, package) for package in ours)}
    assert foreign <= (CORE_MAY_IMPORT if "core" in source.parts else TREATMENT_MAY_IMPORT)


@pytest.mark.parametrize("source", sorted(ROOT.glob("gateway/field/**/*.py")), ids=name_of)
def test_within_the_field_process_only_the_clock_asks_for_the_time(source: Path) -> None:
    if source.name != "clock.py":
        assert "time" not in imports_of(source)


def says_that_it_is_pure(source: Path) -> bool:
    opening = source.read_text(encoding="utf-8").partition('"""')[2].partition('"""')[0]
    return re.search(r"\bPure\b", opening) is not None


PURE = sorted(PURE_AT_THE_EDGE | {name_of(source) for source in SOURCES if says_that_it_is_pure(source)})


@pytest.mark.parametrize("name", PURE)
def test_a_pure_file_at_the_edge_imports_nothing_that_acts(name: str) -> None:
    source = ROOT / name
    assert source.is_file(), f"{name} is gone: correct the list"
    assert not {module.partition(".")[0] for module in imports_of(source)} & WHAT_PURE_FILES_NEVER_IMPORT


@pytest.mark.parametrize("source", SOURCES, ids=name_of)
def test_no_module_goes_without_a_name_of_its_own(source: Path) -> None:
    parts = set(source.relative_to(ROOT).with_suffix("").parts)
    assert not parts & NAMELESS


def test_every_part_of_the_gateway_has_its_import_contract() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    covered = {module for contract in contracts for module in contract["source_modules"]}
    parts = {path.stem for path in ROOT.glob("gateway/*") if path.suffix == ".py" or path.is_dir()}
    named = {f"gateway.{part}" for part in parts if not part.startswith("__")}
    assert named - covered == set()


def test_watching_processes_loads_neither_the_configuration_nor_the_drivers() -> None:
    loads = "import gateway.cli.running, sys; print(*(name for name in sys.modules if name.startswith('gateway.')))"
    command = [sys.executable, "-c", loads]
    loaded = set(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout.split())
    assert {name for name in loaded if not name.startswith("gateway.cli.")} == {
        "gateway.cli",
        "gateway.configuration",
        "gateway.configuration.fault",
        "gateway.starting",
        "gateway.stopping",
        "gateway.supervision",
    }


def test_the_finder_sees_imports_inside_functions_and_of_submodules() -> None:
    text = "def f():\n    from paho.mqtt import client\nimport os.path as p\n"
    assert set(imported_by(ast.parse(text))) == {"paho.mqtt", "os.path"}
