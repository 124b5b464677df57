"""Bypasses and holds from the command line against a real field process whose devices are all silent."""

import re
from pathlib import Path

import pytest

from tests.site_copy import alarm_is
from tests.test_alarm_commands import RATE, on_record, refused, running, say, site, until

__all__ = ["site"]  # a fixture

TEXT = {
    "priority": "P3",
    "says": "a test",
    "cause": "a test",
    "consequence": "a line in the journal",
    "action": "look at the journal",
    "respond_within_min": 60,
}
BY = ("--reason", "dosing pump in manual", "--person", "VISITOR-OP")


def test_a_bypass_is_on_every_list_with_owner_and_end_and_people_are_called_when_it_ends_by_itself(site: Path) -> None:
    with running(site):
        until(lambda: "I-05 tripped" in say(site, "status")[1], "the trip for want of a value")
        refused(say(site, "bypass", "I-05", "--for", "1h", *BY), "what is tripped cannot be bypassed")
        refused(say(site, "bypass", "I-13", "--for", "5h", *BY), "longer than this one may be put aside")
        refused(say(site, "bypass", "I-19", "--for", "1h", *BY), "may not be put aside")
        refused(say(site, "bypass", "I-99", "--for", "1h", *BY), "nothing of that name")
        refused(say(site, "end-bypass", "I-01"), "It is not bypassed.")
        assert say(site, "bypass", "I-01", "--for", "1h", *BY) == (0, "I-01 is bypassed for 60 min.\n")
        for command in ("status", "alarms"):
            _, told = say(site, command)
            assert re.search(r"Bypassed:\n  I-01 until .* by VISITOR-OP: dosing pump in manual \(cloudy water", told), (
                told
            )
        assert "[ ] no interlock bypassed (I-01)" in say(site, "status")[1]
        assert say(site, "end-bypass", "I-01") == (0, "I-01 is not bypassed any more.\n")
        assert "Bypassed" not in say(site, "status")[1]
        assert say(site, "bypass", "I-02", "--for", "1min", *BY)[0] == 0
        until(lambda: "P2 BYPASS-ENDS #1" in say(site, "alarms")[1], "the warning before its end")
        until(lambda: "P1 BYPASS-ENDED #1 active" in say(site, "alarms")[1], f"its end, {60 / RATE:g} s later")
        _, journal = say(site, "journal", "--last", "200")
        assert "bypass_off I-02 (expired) by VISITOR-OP" in journal
        assert "put_aside=I-02 bypassed by VISITOR-OP for 1 min more" in journal or "for 0 min more" in journal
    code, replayed = on_record("replay", site)
    assert (code, "all the same" in replayed) == (0, True), replayed


def test_a_hold_is_announced_kept_over_a_restart_overdue_and_ended(site: Path) -> None:
    alarm_is(site, "TEST-LATE", {**TEXT, "condition": {"hold_overdue": {"by_min": 0}}})
    with running(site):
        refused(say(site, "hold", "PC1", "--for", "1h", *BY), "nothing of that name")
        refused(say(site, "hold", "FIT-701", "--for", "1h", *BY), "no instrument of this site's holds")
        refused(say(site, "hold", "AIT-510", "--for", "9h", *BY), "longer than this one may be put aside")
        refused(say(site, "end-hold", "AIT-510"), "Nobody holds it.")
        code, told = say(site, "hold", "AN1", "--for", "40min", *BY)
        assert (code, told.startswith("AN1 is held and not trusted; planned for 40 min")) == (0, True), told
        refused(say(site, "hold", "AIT-510", "--for", "1h", *BY), "Somebody holds it already, by another name")
    with running(site):
        for command in ("status", "alarms"):
            _, told = say(site, command)
            assert re.search(
                r"Held by people:\n  AN1 \(AIT-501, AIT-510, AIT-511, AIT-512\) planned until .* "
                r"by VISITOR-OP: dosing pump in manual\n",
                told,
            ), told
        assert re.search(r"AIT-510 .*the instrument is held", say(site, "tags")[1])
        assert say(site, "hold", "AN1", "--for", "1min", *BY)[0] == 0
        until(lambda: "P3 TEST-LATE #1 active" in say(site, "alarms")[1], "the call after the planned end")
        assert "AN1 (AIT-501, AIT-510, AIT-511, AIT-512) OVERDUE, was planned until" in say(site, "status")[1]
        assert say(site, "end-hold", "AN1") == (0, "The hold of AN1 is over; its reading counts in 180 s.\n")
        assert "over, does not count yet" in say(site, "status")[1]
    code, replayed = on_record("replay", site)
    assert (code, "all the same" in replayed) == (0, True), replayed


@pytest.mark.parametrize("command", ["bypass", "hold"])
def test_what_has_no_end_or_no_reason_is_no_command(site: Path, command: str) -> None:
    code, told = say(site, command, "I-01", "--reason", "because")
    assert (code, "--for" in told) == (2, True)
    code, told = say(site, command, "I-01", "--for", "2h")
    assert (code, "--reason" in told) == (2, True)
    code, told = say(site, command, "I-01", "--reason", "because", "--for", "soon")
    assert (code, "no length of time" in told) == (2, True)
