"""Delays as values: when something began, and whether it has lasted long enough."""


def running_since(since_ms: int | None, now_ms: int) -> int:
    """The start of a delay: the old one while it runs, else now."""
    return now_ms if since_ms is None else since_ms


def due(since_ms: int | None, delay_ms: int, now_ms: int) -> bool:
    """Whether a delay that runs has lasted at least ``delay_ms``."""
    return since_ms is not None and now_ms - since_ms >= delay_ms


def shifted(stamp_ms: int | None, shift_ms: int) -> int | None:
    """A stamp carried into another run's monotonic time."""
    return None if stamp_ms is None else stamp_ms + shift_ms
