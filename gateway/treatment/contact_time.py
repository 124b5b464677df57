"""How long the water stays in a tank. Pure.

The time that counts is not volume over flow: water takes short cuts. The
baffling factor (the modal or the t10 time of a tracer test over volume/flow)
says how far.
"""


def contact_time_s(volume_m3: float, baffling_factor: float, flow_m3_s: float) -> float:
    """Contact time of a tank.

    Args:
        volume_m3: of water in it.
        baffling_factor: 1 for plug flow, less for a real tank.
        flow_m3_s: through it.

    Raises:
        ZeroDivisionError: no flow has no contact time.
    """
    return baffling_factor * volume_m3 / flow_m3_s
