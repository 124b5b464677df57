"""The answers to worked examples take other figures, units and lists of the same topics than those at hand."""

import pytest

from tests.treatment.worked import Given, answer


@pytest.mark.parametrize(
    ("topic", "figure", "given", "expected"),
    [
        ("T10 segment", "t10_min", {"volume_m3": 10, "peak_flow_m3h": 60, "baffling_factor": 0.7}, 7.0),
        ("CT required", "ct_required_0.5log_conservative", {"temp_c": 10, "ph": 8, "free_cl_mg_l": 1.2}, 28),
        (
            "sum of segment ratios",
            "giardia_log",
            {"segments": [{"t10_min": 39, "free_cl_mg_l": 2.0, "temp_c": 25, "ph": 7}] * 2, "lookup": "trilinear"},
            3 * 2 * 78 / 41,
        ),
        ("Title 22 turbidity day, 20 readings", "percent_of_readings_above_0.2", {"ntu": [0.1, 0.3]}, 50.0),
        (
            "Title 22 turbidity day, membrane",
            "exceeds_time_limit",
            {"interval_h": 1, "ntu": [0.3] * 2 + [0.1] * 18},
            True,
        ),
        ("Title 22 turbidity day, membrane", "exceeds_max_0.5", {"ntu": [0.5, 0.1]}, False),
        ("EU 2020/741 class B E. coli series", "compliant", {"e_coli": [90] * 9 + [1000]}, True),
        ("EU 2020/741 class A turbidity series", "compliant", {"turbidity_ntu": [4] * 9 + [11]}, False),
        ("Florida 75 % below detection", "compliant", {"values": ["<1"] * 29 + [26]}, False),
        ("pump cycle", "cycle_min", {"pump_m3h": 36, "active_volume_m3": 1.5, "inflow_m3h": 18}, 10.0),
        ("starts per hour", "starts_per_h", {"pump_m3h": 36, "active_volume_m3": 1.5, "inflow_m3h": 18}, 6.0),
        ("4-20 mA scaling 0-20 NTU", "value_unclamped", {"ma": 3.5, "lo": 0, "hi": 20}, "none"),
        ("flow totalisation, trapezoid", "volume_m3", {"points_min_gpm": [[0, 100], [10, 100]]}, 3.785411784),
        (
            "pulse counter rollover",
            "volume_m3",
            {"previous": 2**32 - 1, "current": 9, "bits": 32, "l_per_pulse": 100},
            1,
        ),
        (
            "filter influent interlock (no coagulation)",
            "trip_minute",
            {"points_min_ntu": [[0, 6], [14, 5], [16, 6]], "limit": 5, "delay_min": 15},
            31,
        ),
        ("log credit sum vs target", "meets", {"credits_bacteria": [2.1, 3.9], "target": 6.0}, True),
        ("percent LEL", "hazardous", {"ppm": 5_100, "lel_percent_vol": 5.0}, True),
    ],
)
def test_an_example_of_the_same_topic_is_answered(
    topic: str,
    figure: str,
    given: Given,
    expected: float | bool | str,  # noqa: FBT001
) -> None:
    found = answer(topic, figure, given)
    assert found == (pytest.approx(expected) if isinstance(expected, float) else expected)


def test_an_input_that_is_missing_is_named() -> None:
    with pytest.raises(LookupError, match="no input peak_flow_<unit>"):
        answer("T10 segment", "t10_min", {"volume_m3": 1, "peak_flow_furlongs": 1, "baffling_factor": 1})
