"""What must not stand in any file of the tree: places of one machine, hosts of package registries."""

import re
import subprocess
from pathlib import Path

import pytest

pytestmark = pytest.mark.tree

ROOT = Path(__file__).resolve().parent.parent

# Written so that this file does not find itself.
MACHINE_PATHS = [rf"(?<![\w.~-])/{folder}/" for folder in ("work", "root", "home", "Users", "tmp")] + ["[.]pyenv"]
REGISTRY_HOSTS = [
    "pypi[.]org",
    "pythonhosted[.]org",
    "debian[.]org/debian",
    "(?:deb|security)[.]debian[.]org",
    "(?:archive|security)[.]ubuntu[.]com",
    "registry[.]npmjs",
    "docker[.]io",
    "index-[u]rl",
]
FORBIDDEN = re.compile("|".join(MACHINE_PATHS + REGISTRY_HOSTS))


def tracked_files() -> list[Path]:
    """Files under version control, and those that would be added now."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a checkout, nothing says which files belong to the tree")
    command = ["git", "-c", "safe.directory=*", "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    listed = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    return [ROOT / name for name in listed.split("\0") if name and (ROOT / name).is_file()]


def findings(text: str) -> list[str]:
    return [
        f"line {number}: {line.strip()}" for number, line in enumerate(text.splitlines(), 1) if FORBIDDEN.search(line)
    ]


def test_no_file_names_a_place_of_one_machine_or_a_registry() -> None:
    found = {}
    for path in tracked_files():
        if lines := findings(path.read_text(encoding="utf-8", errors="replace")):
            found[path.relative_to(ROOT).as_posix()] = lines
    assert found == {}


NAMED_PATH = re.compile(r"`((?:gateway|simulator|tests|config|deploy)/[\w./-]*)`")


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_every_path_that_a_document_names_exists(document: str) -> None:
    named = NAMED_PATH.findall((ROOT / document).read_text(encoding="utf-8"))
    assert named, "the pattern finds nothing: correct it"
    assert [path for path in named if not (ROOT / path).exists()] == []


def test_the_list_of_files_is_not_empty() -> None:
    assert len(tracked_files()) > 20


@pytest.mark.parametrize(
    "line", ["open('/" + "work/main')", 'x = "/' + 'home/me/x"', "see pypi" + ".org", "--index" + "-url=x"]
)
def test_such_a_line_would_be_found(line: str) -> None:
    assert findings(line)


@pytest.mark.parametrize("line", ["see docs/work/order.md", "tmp_path / 'x'", "homes and /dev/ttyS1"])
def test_an_innocent_line_is_left_alone(line: str) -> None:
    assert not findings(line)
