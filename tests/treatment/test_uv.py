"""UV dose from the reactor's sensors: by the figures of the validated point and the plant's worked ones."""

import math

import pytest

from gateway.treatment.uv import Validated, lamp_factor, uv_dose_j_m2

REACTOR = Validated(dose_j_m2=1_280.0, transmittance_percent=74.0, flow_m3_s=2.0 / 3_600, slope_per_percent=0.055)
J_M2_PER_MJ_CM2 = 10.0


def test_new_lamps_at_the_validated_point_give_the_validated_dose() -> None:
    assert lamp_factor(118.0, 118.0, 74.0, 74.0, 0.02) == 1.0
    assert uv_dose_j_m2(REACTOR, 1.0, 74.0, 2.0 / 3_600) == pytest.approx(1_280.0)


@pytest.mark.parametrize(("lamps", "dose_mj_cm2"), [(0.86, 115), (0.82, 110), (0.75, 100)])
def test_the_dose_falls_with_the_lamps_as_the_plant_expects(lamps: float, dose_mj_cm2: int) -> None:
    intensity_w_m2 = 118.0 * lamps * math.exp(0.02 * (74.8 - 74.0))
    seen = lamp_factor(intensity_w_m2, 118.0, 74.8, 74.0, 0.02)
    assert seen == pytest.approx(lamps)
    dose = uv_dose_j_m2(REACTOR, seen, 74.8, 2.0 / 3_600) / J_M2_PER_MJ_CM2
    assert round(dose) == dose_mj_cm2


def test_half_the_flow_gives_twice_the_dose() -> None:
    full = uv_dose_j_m2(REACTOR, 0.8, 73.0, 2.0 / 3_600)
    assert uv_dose_j_m2(REACTOR, 0.8, 73.0, 1.0 / 3_600) == pytest.approx(2 * full)
