"""Contact time of a tank: by the plant's own figures."""

import pytest

from gateway.treatment.contact_time import contact_time_s


@pytest.mark.parametrize(
    ("flow_m3_h", "minutes"),
    [(2.0, 94.5), (2.1, 90.0), (1.0, 189.0), (0.6, 315.0)],  # 189/q min: 0.70 x 4.50 m3 x 60
)
def test_the_chlorine_contact_tank_has_its_modal_contact_time(flow_m3_h: float, minutes: float) -> None:
    assert contact_time_s(4.50, 0.70, flow_m3_h / 3_600) == pytest.approx(minutes * 60)


def test_no_flow_has_no_contact_time() -> None:
    with pytest.raises(ZeroDivisionError):
        contact_time_s(4.50, 0.70, 0.0)
