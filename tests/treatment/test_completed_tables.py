"""The tables that were completed from memory hold together, cell by cell, and with the printed cells and equations.

The copies at hand are sub-grids; ``gateway/treatment`` names the cells that
are recalled. What is checked: halving over 10 degC, straight lines between
printed rows, proportion in log, and, for Giardia by free chlorine, figures
that somebody else published about all 588 cells.
"""

import math
from collections.abc import Callable
from itertools import pairwise
from statistics import mean
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.treatment import chloramine, giardia_by_chlorine, ozone, uv_credit, virus_by_chlorine
from gateway.treatment.giardia_by_chlorine import (
    CT_MG_MIN_L,
    PHS,
    RESIDUALS_MG_L,
    TEMPERATURES_C,
    Look,
    ct_of_table,
)
from gateway.treatment.giardia_regressions import required_ct_by_regression, required_ct_simplified
from gateway.treatment.published_tables import Columns
from gateway.treatment.refusal import NotCovered
from tests.treatment.published import HERE, rows

TEMPERATURES = st.floats(0, 40)
PH_VALUES = st.floats(5, 9)
RESIDUALS = st.floats(0, 4)


def off_by_percent(regression: Callable[..., float], temperature_c: float, ph: float, residual_mg_l: float) -> float:
    cell = ct_of_table(temperature_c=temperature_c, ph=ph, residual_mg_l=residual_mg_l)
    return 100 * (regression(3, temperature_c=temperature_c, ph=ph, residual_mg_l=residual_mg_l) / cell - 1)


@pytest.mark.parametrize(
    ("temperature_c", "of_1995", "simplified", "below"),
    [  # mean, smallest, largest, and how many of the 98 cells lie above: published consistency check of the table
        (0.5, (4.5, 2.3, 10.0), (-1.4, -8.7, 4.0), 62),
        (5.0, (8.8, 6.6, 12.6), (2.4, -5.5, 8.1), 23),
        (10.0, (3.4, 0.4, 7.8), (-3.6, -11.2, 2.0), 85),
        (15.0, (9.6, 5.6, 14.0), (2.1, -6.5, 8.1), 26),
        (20.0, (4.6, 0.0, 9.2), (-3.7, -10.7, 2.3), 86),
        (25.0, (11.8, 5.8, 17.4), (2.1, -5.0, 7.6), 29),
    ],
)
def test_the_98_giardia_cells_of_a_temperature_lie_about_the_regressions_as_published(
    temperature_c: float,
    of_1995: tuple[float, float, float],
    simplified: tuple[float, float, float],
    below: int,
) -> None:
    points = [(temperature_c, ph, residual) for residual in RESIDUALS_MG_L for ph in PHS]
    first = [off_by_percent(required_ct_by_regression, *point) for point in points]
    second = [off_by_percent(required_ct_simplified, *point) for point in points]
    for found, published in ((first, of_1995), (second, simplified)):
        assert (mean(found), min(found), max(found)) == pytest.approx(published, abs=0.051)
    assert sum(one < 0 for one in second) == below
    assert min(first) > 0, "the regression of 1995 is never below the table"


def test_a_giardia_cell_is_half_of_the_one_ten_degrees_colder() -> None:
    for warm, cold in ((3, 1), (4, 2), (5, 3)):
        for row in range(len(RESIDUALS_MG_L)):
            for column in range(len(PHS)):
                assert abs(CT_MG_MIN_L[warm][row][column] - CT_MG_MIN_L[cold][row][column] / 2) <= 0.5


def test_recalled_giardia_rows_lie_between_their_printed_neighbours_on_a_straight_line() -> None:
    printed = {float(row["free_cl_mg_l"]) for row in rows("giardia_free_chlorine_ct", HERE)}
    assert printed | set(giardia_by_chlorine.FROM_MEMORY_MG_L) == set(RESIDUALS_MG_L)
    off = []
    for residual in giardia_by_chlorine.FROM_MEMORY_MG_L:
        row = RESIDUALS_MG_L.index(residual)
        for warm, _ in enumerate(TEMPERATURES_C):
            for column, ph in enumerate(PHS):
                low, cell, high = (CT_MG_MIN_L[warm][at][column] for at in (row - 1, row, row + 1))
                assert low <= cell <= high
                if abs(cell - (low + high) / 2) > 1.5:
                    off.append((TEMPERATURES_C[warm], residual, ph))
    assert off == [(0.5, 0.6, 7.5), (0.5, 2.2, 7.5)], "the column that is printed out of trend"


@pytest.mark.parametrize(
    ("columns", "absolute", "relative"),
    [  # as coarse as the manual prints them
        (chloramine.GIARDIA, 10, 0.02),
        (ozone.GIARDIA, 0.01, 0.06),
        (ozone.VIRUS, 0.051, 0),
        (virus_by_chlorine.PH_6_TO_9, 0.51, 0),
        (virus_by_chlorine.PH_10, 1.51, 0),
    ],
)
def test_every_log_column_is_in_proportion_to_the_last_within_its_printing(
    columns: Columns, absolute: float, relative: float
) -> None:
    most = max(columns)
    for log, cells in columns.items():
        for cell, whole in zip(cells, columns[most], strict=True):
            assert cell == pytest.approx(whole * log / most, abs=absolute, rel=relative), log


def test_chloramine_for_viruses_halves_over_ten_degrees_and_never_falls_in_log() -> None:
    for cells in chloramine.VIRUS.values():
        for cold, warm in ((1, 3), (2, 4), (3, 5)):
            assert cells[warm] == pytest.approx(cells[cold] / 2, abs=1.5)
    for low, high in ((2.0, 3.0), (3.0, 4.0)):
        growth = [after / before for before, after in zip(chloramine.VIRUS[low], chloramine.VIRUS[high], strict=True)]
        assert max(growth) - min(growth) < 0.01


def test_cryptosporidium_cells_agree_with_the_rules_equation_as_published() -> None:
    off = [
        100 * (log / ozone.crypto_log(1.0, temperature_c=temperature_c) / cell - 1)
        for log, cells in ozone.CRYPTOSPORIDIUM.items()
        for cell, temperature_c in zip(cells, ozone.CRYPTO_TEMPERATURES_C, strict=True)
    ]
    assert len(off) == 77
    assert (mean(off), min(off), max(off)) == pytest.approx((-0.4, -4.4, 4.5), abs=0.051)


def test_uv_doses_rise_with_the_credit_and_by_even_steps_for_viruses() -> None:
    for doses in uv_credit.DOSES_MJ_CM2.values():
        assert sorted(set(doses)) == list(doses)
    virus = uv_credit.DOSES_MJ_CM2["virus"]
    steps = [after - before for before, after in pairwise(virus)]
    assert max(steps) - min(steps) <= 4


@given(TEMPERATURES, PH_VALUES, RESIDUALS, st.tuples(st.floats(0, 1), st.floats(0, 1), st.floats(0, 10)))
def test_more_chlorine_or_higher_ph_never_asks_for_less_and_warmth_never_for_more(
    temperature_c: float, ph: float, residual_mg_l: float, further: tuple[float, float, float]
) -> None:
    more, alkaline, warmer = further
    higher = min(9.0, ph + alkaline)
    for look in Look:
        here = ct_of_table(temperature_c=temperature_c, ph=ph, residual_mg_l=residual_mg_l, look=look)
        assert ct_of_table(temperature_c=temperature_c, ph=ph, residual_mg_l=residual_mg_l + more, look=look) >= here
        assert ct_of_table(temperature_c=temperature_c, ph=higher, residual_mg_l=residual_mg_l, look=look) >= here
        warm = ct_of_table(temperature_c=temperature_c + warmer, ph=ph, residual_mg_l=residual_mg_l, look=look)
        assert warm <= here + 1e-9


@given(TEMPERATURES, PH_VALUES, RESIDUALS)
def test_neither_the_conservative_look_up_nor_the_regression_asks_for_less_than_interpolation(
    temperature_c: float, ph: float, residual_mg_l: float
) -> None:
    one, other = (
        ct_of_table(temperature_c=temperature_c, ph=ph, residual_mg_l=residual_mg_l, look=look) for look in Look
    )
    assert one >= other - 1e-9
    by_regression = required_ct_by_regression(3, temperature_c=temperature_c, ph=ph, residual_mg_l=residual_mg_l)
    assert by_regression >= other - 0.1, "0.03 mg.min/L below at most, between cells"


@pytest.mark.parametrize("target", ["giardia", "virus"])
@pytest.mark.parametrize("table", [chloramine, ozone])
def test_the_ct_of_a_printed_cell_gives_its_log_and_a_little_less_gives_less(table: ModuleType, target: str) -> None:
    columns = getattr(table, target.upper())
    for temperature_c in table.TEMPERATURES_C:
        for log in columns:
            ct = table.required_ct(target, log, temperature_c=temperature_c)
            assert table.log_inactivation(target, ct, temperature_c=temperature_c) == log
            assert table.log_inactivation(target, 0.99 * ct, temperature_c=temperature_c) < log
        assert table.log_inactivation(target, 1e6, temperature_c=temperature_c) == max(columns)


@pytest.mark.parametrize(
    ("work", "told"),
    [
        (lambda: ct_of_table(temperature_c=10, ph=9.01, residual_mg_l=1), "there is no Giardia value above"),
        (lambda: ct_of_table(temperature_c=-1, ph=7, residual_mg_l=1), "temperature degC -1, allowed is 0 to 100"),
        (lambda: ct_of_table(temperature_c=10, ph=7, residual_mg_l=-0.1), "0 or more"),
        (lambda: ct_of_table(temperature_c=math.nan, ph=7, residual_mg_l=1), "nan"),
        (lambda: virus_by_chlorine.required_ct(4, temperature_c=10, ph=10.1), "6 to 10"),
        (lambda: virus_by_chlorine.required_ct(4.5, temperature_c=10, ph=7), "log inactivation 4.5, allowed is 0 to 4"),
        (lambda: chloramine.required_ct("cryptosporidium", 1, temperature_c=10), "allowed is giardia, virus"),
        (lambda: uv_credit.required_dose("virus", 4.5), "0 to 4"),
    ],
)
def test_what_no_table_covers_is_refused_with_the_range(work: Callable[[], float], told: str) -> None:
    with pytest.raises(NotCovered, match=told):
        work()
