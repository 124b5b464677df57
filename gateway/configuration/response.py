"""How long it takes from the water to an output that stands safe, for each way in which an interlock can trip.

Pure: one computation from keys alone. ``purplegate check`` prints what the
gateway itself takes of it and warns where the water is faster, and
``purplegate budget`` prints it whole. That a device gives no value is only said once it has
not answered twice in a row, so a cause that trips for want of a value takes one
more attempt than one that trips on a value.
"""

from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from gateway.configuration.schema import CauseKeys, ConditionKeys, Interlock, Site
from gateway.configuration.walking import devices_of, sources, tags_of

ASKED_AGAIN_S = 1.2  # longest pause after a lost reply before the block is asked once more


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """Worst case of one cause of one interlock, in seconds.

    Args:
        interlock: its name.
        service: what it protects against.
        watches: the inputs, in words.
        line_s: through the sample line to the instrument; 0 where no value is awaited.
        t90_s: until the instrument shows it.
        poll_s: longest poll interval of the inputs.
        reply_s: reply time-out of their connections.
        retry_s: until it is sure that there is no value, where the cause trips for want of one; else 0.
        delay_s: trip delay of the cause.
        scan_s: scan period.
        wait_s: time until the line to the controller is free: one reply time-out and the pause after it.
        write_s: reply time-out of the write.
        stroke_s: from the written level until the slowest of the outputs stands safe.
        peak_m3_h: highest flow of the water; None where not declared.
        volume_l: between tap and output, without the pipe that an exposure counts as passed.
        pipe_l: that pipe.
    """

    interlock: str
    service: str
    watches: str
    line_s: float
    t90_s: float
    poll_s: float
    reply_s: float
    retry_s: float
    delay_s: float
    scan_s: float
    wait_s: float
    write_s: float
    stroke_s: float
    peak_m3_h: float | None
    volume_l: float
    pipe_l: float

    @property
    def total_s(self) -> float:
        """The gateway's part: from what the instrument shows to the written level."""
        return self.poll_s + self.reply_s + self.retry_s + self.delay_s + self.scan_s + self.wait_s + self.write_s

    @property
    def safe_s(self) -> float:
        """All of it: from the water at the tap to the output that stands safe."""
        return self.line_s + self.t90_s + self.total_s + self.stroke_s

    @property
    def water_s(self) -> float | None:
        """Time the water takes from the tap to the output at the highest flow; None where not declared."""
        return None if self.peak_m3_h is None else self.volume_l / litres_a_second(self.peak_m3_h)


def litres_a_second(flow_m3_h: float) -> float:
    """A flow in other units."""
    return flow_m3_h * 1_000 / 3_600


def responses(site: Site) -> tuple[Response, ...]:
    """Worst case of every cause of every interlock, in file order; bad inputs have their own where timed.

    A name that is not declared is passed over: another rule tells it.
    """
    return tuple(
        _response(name, interlock, cause, delay, site)
        for name, interlock in site.interlocks.items()
        for cause in interlock.causes
        for delay in _delays(cause)
    )


@dataclass(frozen=True, slots=True)
class _Delay:
    """One delay of a cause: how long, what it is for in words, and whether it counts for want of a value."""

    seconds: float
    words: str
    unknown: bool


def _delays(cause: CauseKeys) -> tuple[_Delay, ...]:
    """The delays of a cause; one that stands for a value and for want of one is as long as the longer way."""
    if cause.bad_trip_delay_s is not None:
        return _Delay(cause.trip_delay_s, "", False), _Delay(cause.bad_trip_delay_s, " (no usable value)", True)
    asks_for_it = any(condition.bad_quality is not None for condition in cause.inputs)
    return (_Delay(cause.trip_delay_s, "", asks_for_it or cause.bad == "vote_trip"),)


def _response(name: str, interlock: Interlock, cause: CauseKeys, delay: _Delay, site: Site) -> Response:
    tags = [tag for condition in cause.inputs for tag in tags_of(condition)]
    waited_for = {condition.unproven.tag for condition in cause.inputs if condition.unproven is not None}
    devices = [site.devices.get(device) for tag in tags for device in devices_of(site, tag)]
    lines = [
        site.connections[device.connection] for device in devices if device and device.connection in site.connections
    ]
    block = site.output_block
    line = site.connections.get(block.connection) if block is not None else None
    reply_s = max((each.reply_timeout_s for each in lines), default=0.0)
    line_s, t90_s = (0.0, 0.0) if delay.words else max((_instrument_s(one, site) for one in cause.inputs), key=sum)
    outputs = [site.outputs[name] for name in interlock.effects if name in site.outputs]
    exposure = interlock.exposure
    return Response(
        interlock=name,
        service=interlock.service,
        watches=", ".join(_words(condition) for condition in cause.inputs) + delay.words,
        line_s=line_s,
        t90_s=t90_s,
        poll_s=max((_poll_s(condition, site, waited_for) for condition in cause.inputs), default=0.0),
        reply_s=reply_s,
        retry_s=ASKED_AGAIN_S + reply_s if delay.unknown and lines else 0.0,
        delay_s=delay.seconds + max((_stillness_s(condition) for condition in cause.inputs), default=0.0),
        scan_s=site.site.scan_period_s,
        wait_s=line.reply_timeout_s + line.pause_s if line is not None else 0.0,
        write_s=line.reply_timeout_s if line is not None else 0.0,
        stroke_s=max((output.stroke_s for output in outputs), default=0.0),
        peak_m3_h=_peak_m3_h(interlock, site),
        volume_l=exposure.volume_l if exposure is not None else 0.0,
        pipe_l=exposure.pipe_l if exposure is not None else 0.0,
    )


def _instrument_s(condition: ConditionKeys, site: Site) -> tuple[float, float]:
    """Sample line and T90 of the slowest instrument behind a condition; that a value is lost is seen without it."""
    if condition.bad_quality is not None:
        return 0.0, 0.0
    names = [source for tag in tags_of(condition) for source in sources(site, tag) if source in site.tags]
    return max(((site.tags[name].sample_line_s, site.tags[name].t90_s) for name in names), key=sum, default=(0.0, 0.0))


def _poll_s(condition: ConditionKeys, site: Site, waited_for: AbstractSet[str]) -> float:
    """Seconds until a change is read; a position is polled fast while it is waited for."""
    names = [source for tag in tags_of(condition) for source in sources(site, tag)]
    return max((_interval_s(site, name, hurried=name in waited_for) for name in names), default=0.0)


def _interval_s(site: Site, name: str, *, hurried: bool) -> float:
    hurried_s = site.tags[name].hurried_interval_s if hurried and name in site.tags else None
    return hurried_s or site.points[name].interval_s


def _stillness_s(condition: ConditionKeys) -> float:
    """Seconds a condition takes by itself before it holds."""
    return condition.no_change.after_s if condition.no_change is not None else 0.0


def _peak_m3_h(interlock: Interlock, site: Site) -> float | None:
    """What an output says it lets through, else the top of the range of the flow that the exposure names."""
    exposure = interlock.exposure
    if exposure is None:
        return None
    peaks = [site.outputs[name].peak_m3_h for name in interlock.effects if name in site.outputs]
    declared = max((peak for peak in peaks if peak is not None), default=None)
    flow = site.points.get(exposure.flow)
    limits = flow.range if flow is not None else None
    if declared is not None or limits is None or limits[1] <= 0:
        return declared
    return limits[1]


def _words(condition: ConditionKeys) -> str:
    """A condition in a few words, such as ``AIT-510 above 10``."""
    tags = " and ".join(tags_of(condition))
    if condition.high is not None:
        return f"{tags} above {condition.high.limit:g}"
    if condition.low is not None:
        return f"{tags} below {condition.low.limit:g}"
    if condition.equals is not None:
        return f"{tags} at {condition.equals.value:g}"
    return f"{tags} {condition.kind.replace('_', ' ')}".strip()
