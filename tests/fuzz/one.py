"""One target under the fuzzer, in this process: ``python -m tests.fuzz.one TARGET CORPUS ...``; see ``__main__``."""

import sys

import atheris

with atheris.instrument_imports(include=["gateway"]):
    from tests.fuzz.targets import TARGETS

if __name__ == "__main__":
    name = sys.argv.pop(1)
    atheris.Setup(sys.argv, TARGETS[name].takes)
    atheris.Fuzz()
