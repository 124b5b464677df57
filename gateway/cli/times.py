"""Days, times and lengths of time as people type them. Decides only what is none, and says how to write it."""

import re
from datetime import UTC, date, datetime, time, timedelta

import click

_FIRST_DAY, _LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)
_LASTING = re.compile(r"(?:([0-9]+(?:[.][0-9]+)?) *h)? *(?:([0-9]+(?:[.][0-9]+)?) *min)?")
_TIME_CHARACTERS = len("14:30:00")


class Day(click.ParamType[date]):
    """A day of the site's calendar."""

    name = "day"

    def convert(self, value: str | date, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """The day itself, or a wrong command line."""
        if isinstance(value, date):
            return value
        try:
            day = date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is no day; write year, month and day, for instance 2025-02-01", param, ctx)
        if not _FIRST_DAY <= day <= _LAST_DAY:
            self.fail(f"{value} is too far away; a day from {_FIRST_DAY} to {_LAST_DAY} is allowed", param, ctx)
        return day


class Lasting(click.ParamType[float]):
    """A length of time, in seconds."""

    name = "duration"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Hours and minutes to seconds, or a wrong command line."""
        parts = _LASTING.fullmatch(str(value).strip())
        if parts is None or not any(parts.groups()):
            self.fail(f"{value!r} is no length of time; write for instance 90min, 2h or 1h30min", param, ctx)
        hours, minutes = (float(part or 0) for part in parts.groups())
        return hours * 3_600 + minutes * 60


class Moment(click.ParamType[time | datetime]):
    """A time of day, or a day and a time, by the site's clock."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> time | datetime:
        """A time, or a day and a time, without a zone; or a wrong command line."""
        text = str(value).strip()
        try:
            moment = time.fromisoformat(text) if len(text) <= _TIME_CHARACTERS else datetime.fromisoformat(text)
        except ValueError:
            self.fail(f"{value!r} is no time; write for instance 14:30, or 2025-02-06 14:30", param, ctx)
        if moment.tzinfo is not None:
            self.fail(f"{value!r} names a time zone; the site's own is meant, so leave it away", param, ctx)
        return moment


def seconds_until(end: time | datetime, now: datetime) -> float:
    """Seconds until then; a time of day is the next one."""
    if isinstance(end, datetime):
        return (end.replace(tzinfo=now.tzinfo).astimezone(UTC) - now.astimezone(UTC)).total_seconds()
    today = datetime.combine(now.date(), end, tzinfo=now.tzinfo)
    moment = today if today > now else datetime.combine(now.date() + timedelta(days=1), end, tzinfo=now.tzinfo)
    return (moment.astimezone(UTC) - now.astimezone(UTC)).total_seconds()
