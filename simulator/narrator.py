"""The demo's story, a sentence at a time: what the gateway journaled, in words for somebody who watches. Pure."""

from collections.abc import Callable, Mapping

from gateway.local.messages import JournalEntry, OutputStatus, TagValue

Facts = Mapping[str, str | int | float | bool]

_LEVELS = {
    ("product", "permitted"): "permission given: XV-901 may stand at product",
    ("product", "withdrawn"): "permission withdrawn: PC1 diverts the water",
    ("feed", "stop"): "stop code to the feed pump P-201",
    ("supply", "stop"): "stop code to the toilet supply: XV-955 closes, P-951 and P-952 stop",
}
_POSITIONS = {
    ("ZSC-901", 1.0): "XV-901 is proven at divert",
    ("ZSO-901", 1.0): "XV-901 is proven at product: delivering",
    ("ZSC-955", 1.0): "XV-955 is proven closed",
}
STEPS_NTU = (1.5, 2.0, 5.0, 10.0)


def sentence(entry: JournalEntry) -> str:
    """What happened, or an empty string for what a watcher need not hear."""
    tell = _SENTENCES.get(entry.kind)
    return "" if tell is None else tell(entry)


def _trip(entry: JournalEntry) -> str:
    return f"{entry.subject} TRIPS after {entry.facts.get('trip_delay_s', 0):g} s: {_why(entry.facts)}"


def _level(entry: JournalEntry) -> str:
    to = str(entry.facts.get("to", ""))
    return _LEVELS.get((entry.subject, to), f"{entry.subject}: {to}")


def _exposure(entry: JournalEntry) -> str:
    facts = entry.facts
    return (
        f"{entry.subject}: {facts.get('passed_l', 0):g} L may have passed the valve "
        f"({facts.get('past_the_tap_l', 0):g} L passed the tap in {facts.get('lasted_s', 0):g} s)"
    )


_SENTENCES: Mapping[str, Callable[[JournalEntry], str]] = {
    "start_latched": lambda entry: f"{entry.subject}: stays safe until a person releases it ({entry.reason})",
    "trip": _trip,
    "alarm": lambda entry: f"alarm {entry.facts.get('priority', '')} {entry.subject}, occurrence {entry.occurrence}",
    "cause_group": lambda entry: f"one cause, {entry.subject}, of {entry.facts.get('alarms', '')}",
    "first_out": lambda entry: f"first of its group: {entry.subject}",
    "level": _level,
    "grab_sample": lambda entry: f"grab sample entered by {entry.person}",
    "release_refused": lambda entry: f"release of {entry.subject} refused: {entry.facts.get('missing', entry.reason)}",
    "released": lambda entry: f"{entry.subject} released by {entry.person}: {entry.facts.get('because', '')}",
    "exposure": _exposure,
    "bypass_on": lambda entry: f"{entry.subject} bypassed by {entry.person}: {entry.facts.get('because', '')}",
    "bypass_off": lambda entry: f"the bypass of {entry.subject} is over ({entry.reason})",
    "hold_on": lambda entry: f"{entry.subject} held by {entry.person}: {entry.facts.get('because', '')}",
    "hold_off": lambda entry: f"the hold of {entry.subject} is over",
    "stop": lambda entry: f"field process stops: {entry.reason}",
}


def standing(output: OutputStatus) -> str:
    """How an output stands at the beginning."""
    held = f", held by: {', '.join(output.reasons)}" if output.reasons else ""
    return f"{output.output} {output.level}{held}"


def _why(facts: Facts) -> str:
    what = str(facts.get("service") or facts.get("tag", ""))
    if "value" not in facts:
        return f"{what} cannot be trusted ({str(facts.get('quality_reason', '')).replace('_', ' ')})"
    value = f"{what} {facts['value']:.3g} {facts.get('unit', '')}".strip()
    limit = f", limit {facts['limit']:g}" if "limit" in facts else f", {facts.get('kind', '')}"
    return value + limit


def position(value: TagValue) -> str:
    """What a limit switch that has just made says; empty for everything else."""
    return "" if value.value is None else _POSITIONS.get((value.tag, value.value), "")


def step_up(before_ntu: float, now_ntu: float) -> str:
    """Says when the turbidity has climbed over one of a few steps."""
    climbed = [step for step in STEPS_NTU if before_ntu < step <= now_ntu]
    return f"turbidity at the filters rises: {now_ntu:.1f} NTU" if climbed else ""
