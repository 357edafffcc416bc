"""Isotherms against published equilibrium moistures. The mark after a set is its status: seen, memory."""

import numpy as np
import pytest

from coolsim.physics import sorption
from coolsim.physics.sorption import Isotherm

# ASABE D245
CORN_HENDERSON = Isotherm("modified-henderson", (8.6541e-5, 1.8634, 49.810))  # seen
SOYBEAN_HENDERSON = Isotherm("modified-henderson", (30.5327e-5, 1.2164, 134.136))  # seen
CORN_CHUNG = Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205))  # seen
WHEAT_CHUNG = Isotherm("modified-chung-pfost", (610.34, 0.15526, 93.213))  # seen
CORN_OSWIN = Isotherm("modified-oswin", (15.303, -0.10184, 3.0358))  # seen
SOYBEAN_HALSEY = Isotherm("modified-halsey", (2.87, -0.0054, 1.38))  # seen
# extruded durum pasta: Xiong et al. 1991 and Andrieu et al. 1985, seen in public code citing them
PASTA_OSWIN = Isotherm("oswin-variable", (17.6, -0.1748, 0.182, 6.946e-3))
PASTA_GAB = Isotherm("gab", (0.0017, 1135.3, 2.8339e-8, 6545.8, 1.8320, -238.49))

EMC = [  # % wet basis at 25 °C for a_w .30 .50 .65 .70 .80 (computed)
    (CORN_HENDERSON, (7.92, 10.94, 13.30, 14.17, 16.18)),
    (CORN_CHUNG, (8.36, 11.02, 13.18, 14.01, 16.01)),
    (CORN_OSWIN, (8.80, 11.31, 13.53, 14.43, 16.76)),
    (SOYBEAN_HENDERSON, (4.90, 8.16, 11.12, 12.28, 15.09)),
    (WHEAT_CHUNG, (8.57, 11.45, 13.79, 14.69, 16.83)),
]
HALF_A_DIGIT = 0.0051  # the table has two decimals


@pytest.mark.parametrize("isotherm, expected", EMC)
def test_equilibrium_moisture_of_grains(isotherm, expected):
    X = sorption.equilibrium_moisture(isotherm, np.array([0.30, 0.50, 0.65, 0.70, 0.80]), 25.0)
    np.testing.assert_allclose(100 * X / (1 + X), expected, atol=HALF_A_DIGIT)


@pytest.mark.parametrize("isotherm, expected", EMC)
def test_water_activity_of_grains(isotherm, expected):
    m = np.array(expected) / 100
    a_w = sorption.water_activity(isotherm, m / (1 - m), 25.0)
    # half a digit of moisture is up to 0.0012 of a_w, where the isotherm is steepest (24 per kg/kg wet)
    np.testing.assert_allclose(a_w, [0.30, 0.50, 0.65, 0.70, 0.80], atol=1.2e-3)


def test_extension_table_of_corn():
    # university extension table: 60 °F, 80 % → 16.06 % wet basis with these constants (seen)
    X = sorption.equilibrium_moisture(
        Isotherm("modified-chung-pfost", (374.34, 0.18662, 31.696)), 0.80, 28 / 1.8
    )
    assert float(100 * X / (1 + X)) == pytest.approx(16.06, abs=HALF_A_DIGIT)


def test_oswin_of_pasta():
    # X = (0.176 − 1.748e-3 T)(a_w/(1−a_w))^(0.182 + 6.946e-3 T), decimal (seen), at a_w .5: the first factor
    for T in (40.0, 60.0, 80.0):
        assert sorption.equilibrium_moisture(PASTA_OSWIN, 0.5, T) == pytest.approx(
            0.176 - 1.748e-3 * T, rel=1e-12
        )
    expected = (0.176 - 0.06992) * 4.0 ** (0.182 + 0.27784)  # a_w .8 at 40 °C
    assert sorption.equilibrium_moisture(PASTA_OSWIN, 0.8, 40.0) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("T, M0", [(40.0, 0.0638), (60.0, 0.0513), (80.0, 0.0423)])
def test_gab_of_pasta(T, M0):
    # M0 as printed (computed, four decimals); C and k by hand from the same constants
    T_K = T + 273.15
    C, k = 2.8339e-8 * np.exp(6545.8 / T_K), 1.8320 * np.exp(-238.49 / T_K)
    for a_w in (0.1, 0.5, 0.8):
        X = M0 * C * k * a_w / ((1 - k * a_w) * (1 - k * a_w + C * k * a_w))
        # 5e-5 in M0 is 0.12 %
        assert sorption.equilibrium_moisture(PASTA_GAB, a_w, T) == pytest.approx(X, rel=1.2e-3)
        assert sorption.water_activity(PASTA_GAB, X, T) == pytest.approx(a_w, rel=3e-3)


@pytest.mark.parametrize(
    "isotherm, expected",
    [
        (CORN_HENDERSON, (374, 283, 192)),
        (CORN_CHUNG, (526, 267, 135)),
        (CORN_OSWIN, (732, 422, 240)),
        (WHEAT_CHUNG, (330, 177, 95)),
        (SOYBEAN_HALSEY, (145, 91, 64)),
    ],
)
def test_heat_of_desorption(isotherm, expected):
    # kJ/kg at 40 °C and 10, 14, 18 % dry basis (computed, no decimals)
    heat = sorption.heat_of_desorption(isotherm, np.array([0.10, 0.14, 0.18]))
    np.testing.assert_allclose(heat / 1e3, expected, atol=0.51)


def test_heat_to_dry_corn():
    # ∫q_st dX, corn Chung–Pfost, .19 → .14: 9.000 kJ/kg dry (computed, three decimals)
    heat = sorption.bound_water_heat(CORN_CHUNG, 0.19) - sorption.bound_water_heat(CORN_CHUNG, 0.14)
    assert heat / 1e3 == pytest.approx(9.000, abs=6e-4)
