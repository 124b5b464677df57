"""What a check of the record found, in words: each place, and what it means. Pure."""

from gateway.store.closing_seal import Closed
from gateway.store.findings import Fault
from gateway.store.wholeness import Whole

_MEANS = {
    Fault.EDITED: "what stands there is not what was written; the lines before it still stand",
    Fault.INSERTED: "it was put in by somebody else than the gateway",
    Fault.DELETED: "what stood between its neighbours is gone",
    Fault.TRUNCATED: "the newest part is gone: cut off, or this is an older copy",
    Fault.HEAD: "the note of the newest line was changed, or the line itself",
    Fault.DAMAGED: "octets changed, by the disk or by somebody; the gateway hands none of it out",
}
_CLOSED = {
    Closed.AS_IT_WAS: "Octet for octet the file that the last stop left.",
    Closed.CHANGED: "The file is NOT the one that the last stop left.",
    Closed.NO_SEAL: (
        "The last stop left no seal (power cut, kill, or a record too large for it): what the rows say is checked,"
        " octets that no row uses are not."
    ),
    None: "",
}


def verdict_text(found: Whole, *, running: bool = False) -> str:
    """The check for a person; below a whole record the line to note outside of the box."""
    count = len(found.findings)
    head = "The record is whole." if not count else f"The record is NOT as it was written: {_places(count)}."
    lines = [head]
    for part in found.parts:
        lines.append(f"  {part.name}: {part.checked}{', nothing wrong' if not part.findings else ''}")
        lines += [f"    {one.fault.value}: {one.text}" for one in part.findings]
    lines += [
        f"{fault.value}: {_MEANS[fault]}." for fault in Fault if any(fault is one.fault for one in found.findings)
    ]
    if running:
        lines.append(
            "The site runs, so its database was not opened: this is what it hands out. Daily digests, configurations,"
            " positions and octets that no row uses are checked when it is stopped, or on a copy."
        )
    if _CLOSED[found.closed]:
        lines.append(_CLOSED[found.closed])
    if not count and found.head.n:
        lines.append(
            "Note this outside of the box, and check later with --known (a record that was rewritten as a whole shows"
            f" only so): {found.head.n}={found.head.hash.hex()}"
        )
    return "\n".join(lines)


def _places(count: int) -> str:
    return f"{count} {'place' if count == 1 else 'places'}"
