"""Equilibria of chlorine and ammonia, the slope of a pH electrode, and what light passes water. Pure."""

import math

from gateway.treatment.refusal import above_zero, not_negative, within

HOCL_SOURCE = "J. Phys. Chem. 70:3798 (1966), from memory"
AMMONIA_SOURCE = "J. Fish. Res. Board Can. 32:2379 (1975)"
UVT_SOURCE = "EPA UV Disinfection Guidance Manual (2006), from memory"
NERNST_SOURCE = "R T ln 10 / F, CODATA"

_KELVIN = 273.15
_COLD_C, _WARM_C = 0.0, 35.0  # HOCl: the measurements of the publication, from memory
_AMMONIA_WARM_C = 50.0
_ELECTRODE_WARM_C = 130.0
_GAS_CONSTANT, _FARADAY = 8.314462618, 96_485.33212  # J/(mol K), C/mol


def pka_hocl(temperature_c: float) -> float:
    """Acid exponent of hypochlorous acid: 3000/T - 10.0686 + 0.0253 T.

    Args:
        temperature_c: 0 to 35.

    Raises:
        NotCovered: outside.
    """
    kelvin = within("temperature degC", temperature_c, _COLD_C, _WARM_C, HOCL_SOURCE) + _KELVIN
    return 3_000.0 / kelvin - 10.0686 + 0.0253 * kelvin


def hocl_fraction(ph: float, temperature_c: float) -> float:
    """Share of free chlorine that is hypochlorous acid, 0 to 1.

    Args:
        ph: 0 to 14.
        temperature_c: 0 to 35.

    Raises:
        NotCovered: outside.
    """
    return 1.0 / (1.0 + math.pow(10.0, _ph(ph, HOCL_SOURCE) - pka_hocl(temperature_c)))


def _ph(ph: float, source: str) -> float:
    return within("pH", ph, 0.0, 14.0, source)


def pka_ammonium(temperature_c: float) -> float:
    """Acid exponent of ammonium: 0.09018 + 2729.92/T.

    Args:
        temperature_c: 0 to 50.

    Raises:
        NotCovered: outside.
    """
    return 0.09018 + 2_729.92 / (
        within("temperature degC", temperature_c, 0.0, _AMMONIA_WARM_C, AMMONIA_SOURCE) + _KELVIN
    )


def unionised_ammonia_fraction(ph: float, temperature_c: float) -> float:
    """Share of total ammonia that is un-ionised, 0 to 1.

    Args:
        ph: 0 to 14.
        temperature_c: 0 to 50.

    Raises:
        NotCovered: outside.
    """
    return 1.0 / (1.0 + math.pow(10.0, pka_ammonium(temperature_c) - _ph(ph, AMMONIA_SOURCE)))


def electrode_slope_mv(temperature_c: float) -> float:
    """Slope of a perfect pH electrode, mV per pH: 59.16 at 25 degC.

    Args:
        temperature_c: 0 to 130.

    Raises:
        NotCovered: outside.
    """
    kelvin = within("temperature degC", temperature_c, 0.0, _ELECTRODE_WARM_C, NERNST_SOURCE) + _KELVIN
    return 1_000.0 * _GAS_CONSTANT * kelvin * math.log(10.0) / _FARADAY


def electrode_share(slope_mv: float, temperature_c: float) -> float:
    """Slope of an electrode over that of a perfect one; 0.92 to 1.02 is common practice.

    Args:
        slope_mv: measured, mV per pH, from 0.
        temperature_c: of the buffers, 0 to 130.

    Raises:
        NotCovered: outside.
    """
    return not_negative("slope mV/pH", slope_mv, NERNST_SOURCE) / electrode_slope_mv(temperature_c)


def transmittance_percent(absorbance_per_cm: float) -> float:
    """UV transmittance of 1 cm at 254 nm, %: 100 x 10^-A.

    Args:
        absorbance_per_cm: A254, from 0.

    Raises:
        NotCovered: below 0.
    """
    return 100.0 * math.pow(10.0, -not_negative("A254 1/cm", absorbance_per_cm, UVT_SOURCE))


def absorbance_per_cm(transmittance: float) -> float:
    """A254 from the UV transmittance of 1 cm, 1/cm: -log10(UVT/100).

    Args:
        transmittance: %, above 0 up to 100.

    Raises:
        NotCovered: outside.
    """
    within("UVT %", transmittance, 0.0, 100.0, UVT_SOURCE)
    return -math.log10(above_zero("UVT %", transmittance, UVT_SOURCE) / 100.0)
