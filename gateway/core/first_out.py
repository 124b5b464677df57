"""Which alarm of a group came first, while everybody else was quiet."""

from collections.abc import Mapping, Sequence

from gateway.core.alarm import AlarmState


def first_out(members: Sequence[str], before: Mapping[str, AlarmState], after: Mapping[str, AlarmState]) -> str:
    """The member that became active in this scan while none was active before it, or an empty string.

    Ties go to the earlier onset, then to the order of the group. Hidden members take part.

    Args:
        members: alarm ids in cascade order.
        before: states the last scan left.
        after: states of this scan.
    """
    if any(before[member].active for member in members):
        return ""
    risen = [member for member in members if after[member].active]
    return min(risen, key=lambda member: _onset_ms(after[member]), default="")


def _onset_ms(state: AlarmState) -> int:
    return state.activated_ms if state.onset_ms is None else state.onset_ms
