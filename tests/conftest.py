"""For all tests: Hypothesis judges what comes out, never how long it took on a busy machine."""

from hypothesis import settings

settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")
