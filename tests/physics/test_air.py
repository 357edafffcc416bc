"""Moist air against psychrolib, and the traps of psychrolib that are avoided here."""

import numpy as np
import psychrolib
import pytest

from coolsim.physics import air

IDENTICAL = 1e-12  # the same formulas; only the order of the additions differs
PRESSURES = (70_000.0, 90_000.0, 101_325.0)
STEP = 1e-30  # complex step: exact to rounding


@pytest.fixture(autouse=True)
def si_units():
    psychrolib.SetUnitSystem(psychrolib.SI)
    yield
    psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("T", [0.5, 5.0, 25.0, 60.0, 99.0, 150.0])
def test_saturation_over_liquid_equals_psychrolib(T):
    assert air.saturation_pressure(T) == pytest.approx(psychrolib.GetSatVapPres(T), rel=IDENTICAL)


@pytest.mark.parametrize("T", [-60.0, -20.0, -0.5])
def test_saturation_over_ice_equals_psychrolib(T):
    assert air.saturation_pressure_ice(T) == pytest.approx(psychrolib.GetSatVapPres(T), rel=IDENTICAL)


@pytest.mark.parametrize("p", PRESSURES)
@pytest.mark.parametrize("T", [-15.0, 0.0, 0.01, 20.0, 60.0])
def test_states_equal_psychrolib(T, p):
    Y = psychrolib.GetHumRatioFromRelHum(T, 0.6, p)
    assert air.humidity_ratio_from_relative_humidity(T, 0.6, p) == pytest.approx(Y, rel=IDENTICAL)
    assert air.humidity_ratio_from_dew_point(T, p) == pytest.approx(
        psychrolib.GetHumRatioFromTDewPoint(T, p), rel=IDENTICAL
    )
    assert air.vapour_pressure(Y, p) == pytest.approx(psychrolib.GetVapPresFromHumRatio(Y, p), rel=IDENTICAL)
    assert air.enthalpy(T, Y) == pytest.approx(psychrolib.GetMoistAirEnthalpy(T, Y), rel=IDENTICAL, abs=1e-9)
    assert air.dry_air_volume(T, Y, p) == pytest.approx(psychrolib.GetMoistAirVolume(T, Y, p), rel=IDENTICAL)
    assert air.moist_density(T, Y, p) == pytest.approx(psychrolib.GetMoistAirDensity(T, Y, p), rel=IDENTICAL)


@pytest.mark.parametrize("T, T_wb", [(30.0, 25.0), (80.0, 35.0), (8.0, 0.5), (5.0, -1.0), (-10.0, -11.0)])
def test_humidity_from_wet_bulb_equals_psychrolib(T, T_wb):
    # At the wet bulbs 0…0.01 °C psychrolib mixes ice and liquid; they are left out.
    expected = psychrolib.GetHumRatioFromTWetBulb(T, T_wb, 95_461.0)
    assert air.humidity_ratio_from_wet_bulb(T, T_wb, 95_461.0) == pytest.approx(expected, rel=1e-11)
    # 1e-11: the difference of two terms a hundred times larger


@pytest.mark.parametrize("altitude", [-300.0, 0.0, 1500.0, 4000.0])
def test_standard_pressure_equals_psychrolib(altitude):
    expected = psychrolib.GetStandardAtmPressure(altitude)
    assert air.standard_pressure(altitude) == pytest.approx(expected, rel=IDENTICAL)


def test_wet_bulb_and_dew_point_equal_psychrolib_in_one_call_for_all():
    T, RH, p = (
        a.ravel() for a in np.meshgrid([-15.0, -2.0, 6.0, 25.0, 60.0, 90.0], [0.05, 0.5, 0.95], PRESSURES)
    )
    Y = air.humidity_ratio_from_relative_humidity(T, RH, p)
    wet, dew = air.wet_bulb(T, Y, p), air.dew_point(Y, p)
    for i in range(T.size):
        # 1e-3 K is psychrolib's own tolerance; between −0.01 and 0.01 °C it jumps between ice and liquid
        assert dew[i] == pytest.approx(psychrolib.GetTDewPointFromHumRatio(T[i], Y[i], p[i]), abs=2e-3)
        theirs = psychrolib.GetTWetBulbFromHumRatio(T[i], Y[i], p[i])
        assert wet[i] == pytest.approx(theirs, abs=2e-3) or abs(theirs) < 0.02


def test_inversions_close():
    T = np.linspace(-30, 110, 57)[:, None]
    Y = np.array([1e-5, 1e-3, 0.01, 0.03, 0.08])
    p = 93_000.0
    h = air.enthalpy(T, Y)
    np.testing.assert_allclose(air.temperature_from_enthalpy(h, Y), np.broadcast_to(T, h.shape), atol=1e-10)
    T_wb = air.wet_bulb(T, Y, p)
    assert np.isfinite(T_wb).all()
    clear = (air.humidity_ratio_from_relative_humidity(T, 1.0, p) >= Y) | (T > 90)  # 90: no fog above
    back, given = air.humidity_ratio_from_wet_bulb(T, T_wb, p), np.broadcast_to(Y, h.shape)
    np.testing.assert_allclose(back[clear], given[clear], rtol=1e-9, atol=1e-12)  # 1e-10 K in T_wb
    assert (T_wb[clear] <= np.broadcast_to(T, h.shape)[clear] + 1e-9).all()
    T_dp = air.dew_point(Y, p)
    np.testing.assert_allclose(air.humidity_ratio_from_dew_point(T_dp, p), Y, rtol=1e-12)
    np.testing.assert_allclose(air.saturation_pressure(air.saturation_temperature(p)), p, rtol=1e-12)


def test_dew_point_has_no_gap_at_the_triple_point_and_none_for_dry_air():
    Y = air.humidity_ratio(np.linspace(610.0, 613.0, 3001), 101_325.0)
    dew = air.dew_point(Y, 101_325.0)
    # 1e-3 Pa a step is 2e-5 K; the two equations meet within 2e-4 K at the triple point
    assert np.all(np.diff(dew) >= 0) and np.diff(dew).max() < 5e-4
    assert air.dew_point(0.0, 101_325.0) == -np.inf


def test_scalars_stay_scalars_and_arrays_keep_their_shape():
    for function, arguments in [
        (air.wet_bulb, (30.0, 0.01, 1e5)),
        (air.dew_point, (0.01, 1e5)),
        (air.humidity_ratio_from_relative_humidity, (30.0, 0.5, 1e5)),
        (air.humidity_ratio_from_wet_bulb, (30.0, 20.0, 1e5)),
        (air.viscosity, (30.0,)),
    ]:
        assert np.ndim(function(*arguments)) == 0
        assert np.shape(function(np.full((2, 3), arguments[0]), *arguments[1:])) == (2, 3)


def test_slopes_by_complex_step():
    T = np.linspace(-40, 190, 24)
    p_sat = air.saturation_pressure(T)
    slope = air.saturation_pressure(T + 1j * STEP).imag / STEP / p_sat
    np.testing.assert_allclose(air.saturation_pressure_log_slope(T), slope, rtol=1e-12)
    for function in (air.viscosity_and_log_slope, air.thermal_conductivity_and_log_slope):
        value, log_slope = function(T)
        slope = function(T + 1j * STEP)[0].imag / STEP / value
        np.testing.assert_allclose(log_slope, slope, rtol=1e-12)


def test_all_functions_of_the_solver_take_complex_numbers():
    x = np.array([30.0 + 1j * STEP])
    for value in (
        air.humidity_ratio(air.saturation_pressure(x), 1e5),
        air.vapour_pressure(x * 1e-3, 1e5),
        air.enthalpy(x, x * 1e-3),
        air.vapour_diffusivity(x, 1e5),
        air.density(x, 1e5),
    ):
        assert value.imag[0] != 0 and np.isfinite(value).all()


# ---- Traps of psychrolib ------------------------------------------------------------------------------


def test_trap_units_of_the_process():
    ours = air.enthalpy(30.0, 0.01)
    psychrolib.SetUnitSystem(psychrolib.IP)
    assert psychrolib.GetMoistAirEnthalpy(30.0, 0.01) != pytest.approx(ours, rel=0.1)
    assert air.enthalpy(30.0, 0.01) == ours


@pytest.mark.parametrize("T, T_dp", [(110.0, 30.0), (150.0, 60.0), (180.0, 90.0), (120.0, 99.0)])
def test_trap_wet_bulb_of_hot_air(T, T_dp):
    p = 101_325.0
    Y = psychrolib.GetHumRatioFromTDewPoint(T_dp, p)
    ours = air.wet_bulb(T, Y, p)
    assert T_dp < ours < 100
    # psychrolib's own formula agrees that this is the wet bulb …
    assert psychrolib.GetHumRatioFromTWetBulb(T, float(ours), p) == pytest.approx(Y, rel=1e-8)
    if (T + T_dp) / 2 >= 100:  # … while its search returns the dry bulb
        assert psychrolib.GetTWetBulbFromHumRatio(T, Y, p) == pytest.approx(T, abs=0.01)


def test_trap_saturation_at_and_above_boiling():
    assert psychrolib.GetSatHumRatio(105.0, 101_325.0) == pytest.approx(1e-7)  # looks like very dry air
    assert air.humidity_ratio(air.saturation_pressure(105.0), 101_325.0) < 0  # cannot be mistaken


def test_trap_supersaturated_air_shows():
    Y = 1.2 * psychrolib.GetSatHumRatio(20.0, 101_325.0)
    assert air.relative_humidity(20.0, Y, 101_325.0) > 1.19
    assert air.wet_bulb(20.0, Y, 101_325.0) > 20 and air.dew_point(Y, 101_325.0) > 20


def test_trap_step_at_the_triple_point():
    T = np.array([0.01 - 1e-9, 0.01 + 1e-9])
    theirs = np.log([psychrolib.GetSatVapPres(t) for t in T])
    ours = np.log(air.saturation_pressure(T))
    slope = 0.0727  # 1/K, L M_w/(R T²) = 2501e3/461.5/273.16²: the smooth change
    assert np.diff(theirs)[0] > 10 * slope * 2e-9  # a step, small …
    assert np.diff(ours)[0] == pytest.approx(slope * 2e-9, rel=0.01)
    assert psychrolib.dLnPws_(-0.01) > 1.1 * slope  # … and a kink, which a Newton step would feel
    assert air.saturation_pressure_log_slope(-0.01) == pytest.approx(slope, rel=0.01)


def test_transport_properties_by_hand():
    # 80 °C, 353.15/273.15 = 1.292879, to the 1.5: 1.470066, to the 1.81: 1.591914 (model page's constants)
    # μ = 1.716e-5 · 1.470066 · 383.55/463.55, k = .0241 · 1.470066 · 467.55/547.55, D_v = 2.178e-5 · 1.591914
    assert air.viscosity(80.0) == pytest.approx(2.08728e-5, rel=1e-5)
    assert air.thermal_conductivity(80.0) == pytest.approx(0.0302523, rel=1e-5)
    assert air.vapour_diffusivity(80.0, 101_325.0) == pytest.approx(3.46719e-5, rel=1e-5)
    assert air.density(80.0, 101_325.0) == pytest.approx(101_325 / (287.042 * 353.15), rel=1e-12)
