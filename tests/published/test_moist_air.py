"""Moist air against printed tables and CoolProp. Numbers marked as in the reference pages."""

import humid_air as CoolProp
import numpy as np
import pytest

from coolsim.physics import air

P = 101_325.0


@pytest.mark.parametrize("T, p_ws", [(5, 872.6), (25, 3169.7), (50, 12351.3), (100, 101418)])
def test_ashrae_saturation_pressure(T, p_ws):
    # ASHRAE Fundamentals 2017 ch. 1 table 3 (seen); 3e-4: the table follows IAPWS, the formula its own fit
    assert air.saturation_pressure(float(T)) == pytest.approx(p_ws, rel=3e-4)


@pytest.mark.parametrize("T, W_s", [(5, 0.005425), (25, 0.020173), (50, 0.086863)])
def test_ashrae_saturated_humidity_ratio(T, W_s):
    # ASHRAE 2017 ch. 1 table 2 (seen); 7e-3: the table carries the enhancement factor, up to 1.0055, which
    # p/(p − p_v) = 1.14 magnifies at 50 °C
    assert air.humidity_ratio(air.saturation_pressure(float(T)), P) == pytest.approx(W_s, rel=7e-3)


def test_ashrae_example_1():
    # ASHRAE 2017 ch. 1 example (seen), read from a chart: one in the last digit
    W = air.humidity_ratio_from_wet_bulb(40.0, 20.0, P)
    assert float(W) == pytest.approx(0.0065, abs=1e-4)
    assert air.dew_point(W, P) == pytest.approx(7, abs=1)
    assert air.relative_humidity(40.0, W, P) == pytest.approx(0.14, abs=0.005)
    assert air.enthalpy(40.0, W) == pytest.approx(56.7e3, abs=0.3e3)  # follows W: 1e-4 · 2.5e6
    assert air.dry_air_volume(40.0, W, P) == pytest.approx(0.896, abs=5e-4)


def test_humidity_ratio_from_wet_bulb_at_altitude():
    # seen in a test-suite that allows 3e-4, with another fit of the saturation pressure
    assert air.humidity_ratio_from_wet_bulb(30.0, 25.0, 95_461.0) == pytest.approx(0.01922813, rel=3e-4)


def test_coolprop_saturation_pressure():
    for T in (1.0, 20.0, 50.0, 99.0):
        expected = CoolProp.PropsSI("P", "T", T + 273.15, "Q", 0, "Water")
        # 2.3e-4: the fit against IAPWS-95
        assert air.saturation_pressure(T) == pytest.approx(expected, rel=2.3e-4)


def test_coolprop_humid_air_at_one_point():
    # HAPropsSI at 40 °C, W .02, 1 atm (seen); tolerances: ideal mixture without enhancement factor
    assert air.enthalpy(40.0, 0.02) == pytest.approx(91_730.8, rel=1.1e-3)
    assert air.dry_air_volume(40.0, 0.02, P) == pytest.approx(0.915380, rel=7.9e-4)
    assert air.relative_humidity(40.0, 0.02, P) == pytest.approx(0.425439, rel=6e-3)
    assert air.wet_bulb(40.0, 0.02, P) == pytest.approx(301.633 - 273.15, abs=0.1)  # 6e-3 of p_v is 0.1 K
    assert air.dew_point(0.02, P) == pytest.approx(298.010 - 273.15, abs=0.1)  # 6e-3 of p_v is 0.1 K


@pytest.mark.parametrize("T, W", [(10, 0.002), (10, 0.007), (45, 0.002), (45, 0.05), (80, 0.007), (80, 0.09)])
def test_coolprop_humid_air(T, W):
    # up to 80 °C and W < 0.1: 1.1e-3 in h and 7.9e-4 in v (computed); h counts from 0 °C and is small there
    h = CoolProp.HAPropsSI("H", "T", T + 273.15, "W", W, "P", P)
    v = CoolProp.HAPropsSI("V", "T", T + 273.15, "W", W, "P", P)
    assert air.enthalpy(T, W) == pytest.approx(h, rel=1.1e-3, abs=60)
    assert air.dry_air_volume(T, W, P) == pytest.approx(v, rel=7.9e-4)


def test_hot_air_wet_bulb_against_coolprop():
    # 0.3 K: real-gas wet bulb against the ideal ASHRAE balance, whose latent heat is 0.2 % high there
    for T, W in ((110.0, 0.01), (110.0, 0.1), (150.0, 0.05)):
        expected = CoolProp.HAPropsSI("B", "T", T + 273.15, "W", W, "P", P) - 273.15
        assert air.wet_bulb(T, W, P) == pytest.approx(expected, abs=0.3)


@pytest.mark.parametrize("T", [0.0, 40.0, 80.0])
def test_transport_properties_of_dry_air(T):
    # CoolProp's reference equations for air (Lemmon & Jacobsen 2004); Sutherland's fits are within 1.5 %
    mu = CoolProp.PropsSI("V", "T", T + 273.15, "P", P, "Air")
    k = CoolProp.PropsSI("L", "T", T + 273.15, "P", P, "Air")
    assert air.viscosity(T) == pytest.approx(mu, rel=0.01)
    assert air.thermal_conductivity(T) == pytest.approx(k, rel=0.015)
    assert air.density(T, P) == pytest.approx(CoolProp.PropsSI("D", "T", T + 273.15, "P", P, "Air"), rel=1e-3)


def test_vapour_diffusivity():
    # 2.49e-5 m²/s at 20 °C, 2.60e-5 at 25 °C: common handbook values (memory, medium); they scatter by 5 %
    np.testing.assert_allclose(
        air.vapour_diffusivity(np.array([20.0, 25.0]), P), [2.49e-5, 2.60e-5], rtol=0.05
    )
    # Massman 1998, Atmos. Environ. 32:1111 (seen in public code citing it): 0.2178 cm²/s at 0 °C, exponent 1.81
    assert air.vapour_diffusivity(0.0, P / 2) == pytest.approx(2 * 2.178e-5, rel=1e-12)  # inverse to pressure
    assert air.vapour_diffusivity(100.0, P) == pytest.approx(2.178e-5 * (373.15 / 273.15) ** 1.81, rel=1e-12)
