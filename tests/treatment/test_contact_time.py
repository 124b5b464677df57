"""Contact time of a tank: by the plant's own figures."""

import pytest

from gateway.treatment.contact_time import TracerTest, contact_time_s, modal_time_s
from gateway.treatment.refusal import NotCovered


@pytest.mark.parametrize(
    ("flow_m3_h", "minutes"),
    [(2.0, 94.5), (2.1, 90.0), (1.0, 189.0), (0.6, 315.0)],  # 189/q min: 0.70 x 4.50 m3 x 60
)
def test_the_chlorine_contact_tank_has_its_modal_contact_time(flow_m3_h: float, minutes: float) -> None:
    assert contact_time_s(4.50, 0.70, flow_m3_h / 3_600) == pytest.approx(minutes * 60)


def test_no_flow_has_no_contact_time() -> None:
    with pytest.raises(NotCovered, match="more than 0"):
        contact_time_s(4.50, 0.70, 0.0)


def test_between_two_tested_flows_the_smaller_volume_counts_and_outside_of_them_none() -> None:
    study = [TracerTest(flow_m3_s=0.10, modal_s=6_000.0), TracerTest(flow_m3_s=0.20, modal_s=2_800.0)]
    assert modal_time_s(study, 0.10) == 6_000.0
    assert modal_time_s(study, 0.16) == pytest.approx(560 / 0.16)
    with pytest.raises(NotCovered, match=r"0\.1 to 0\.2"):
        modal_time_s(study, 0.09)
