"""The way from the die to the cooler: limits, and a second opinion by another method."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, root

from coolsim.model import way
from coolsim.physics import air, pellet
from coolsim.physics.materials import load_material
from coolsim.physics.sorption import bound_water_heat, heat_of_desorption, water_activity

PIG = load_material("pig-pellets")
P, OUTSIDE, X_IN, T_IN, R = 101_325.0, 20.0, 0.155 / 0.845, 80.0, 2.2e-3
HUMIDITY = air.humidity_ratio_from_relative_humidity(OUTSIDE, 0.6, P)
DENSITY = 640 * (1 - 0.155) / 0.58


def sent(dry_air, seconds, temperature=T_IN):
    a = np.atleast_1d(np.asarray(dry_air, float))
    s = way.Sphere(
        R + 0 * a,
        DENSITY + 0 * a,
        PIG.specific_heat + 0 * a,
        PIG.conductivity + 0 * a,
        PIG.diffusivity,
        PIG.isotherm,
    )
    t = np.broadcast_to(np.asarray(seconds, float), a.shape)
    return way.after_way(
        s, X_IN + 0 * a, temperature + 0 * a, t, a, OUTSIDE + 0 * a, HUMIDITY + 0 * a, P + 0 * a
    )


def test_no_time_or_no_air_is_no_way():
    for dry_air, seconds in ((0.05, 0.0), (0.0, 20.0)):
        X, T = sent(dry_air, seconds)
        assert X[0] == X_IN and T[0] == T_IN


@pytest.mark.parametrize("dry_air", [0.02, 0.1])
def test_in_the_end_pellets_and_their_air_are_in_equilibrium(dry_air):
    """Closed: water and heat stay; one temperature, and a_w = relative humidity. Balances, solved here."""
    H_0 = pellet.enthalpy(PIG.specific_heat, X_IN, T_IN, bound_water_heat(PIG.isotherm, X_IN))
    whole = H_0 + dry_air * air.enthalpy(OUTSIDE, HUMIDITY)

    def temperature(X):
        Y = HUMIDITY + (X_IN - X) / dry_air
        capacity = PIG.specific_heat + 4186 * X + dry_air * (1006 + 1860 * Y)
        return (whole + bound_water_heat(PIG.isotherm, X) - dry_air * 2501e3 * Y) / capacity, Y

    def surplus(X):
        T, Y = temperature(X)
        return water_activity(PIG.isotherm, X, T) * air.saturation_pressure(T) - air.vapour_pressure(Y, P)

    X_end = brentq(surplus, X_IN - 0.05, X_IN - 1e-6, xtol=1e-13)
    X, T = sent(dry_air, 40 * 3600.0)
    assert X[0] == pytest.approx(X_end, abs=3e-6)
    assert T[0] == pytest.approx(temperature(X_end)[0], abs=0.01)


def _by_lines(dry_air, seconds, n=50):
    """The same course by the method of lines: LSODA in time, equal steps in a graded radius, floats."""
    s = np.linspace(0, 1, n + 1)
    faces = 1 - (np.expm1(4 * (1 - s)) / np.expm1(4.0))
    middle = 0.5 * (faces[1:] + faces[:-1])
    V = np.diff(faces**3)
    g = np.append(3 * faces[1:-1] ** 2 / np.diff(middle), 3 / (1 - middle[-1]))
    c_d, c_w, per_area = PIG.specific_heat, 4186.0, DENSITY * R / 3
    h_0 = air.enthalpy(OUTSIDE, HUMIDITY)
    H_0 = pellet.enthalpy(c_d, X_IN, T_IN, bound_water_heat(PIG.isotherm, X_IN))
    start = [X_IN, T_IN]

    def slope(t, y):
        X, H = y[:-1], y[-1]
        mean = V @ X
        Tp = (H + V @ bound_water_heat(PIG.isotherm, X)) / (c_d + c_w * mean)
        Y = HUMIDITY + (X_IN - mean) / dry_air
        Ta = air.temperature_from_enthalpy(h_0 + (H_0 - H) / dry_air, Y)
        q_st = heat_of_desorption(PIG.isotherm, X)

        def fluxes(u):
            Xs, Ts = u
            D = pellet.diffusivity(PIG.diffusivity, Ts, 0.15)
            film_T = (Ta + Ts) / 2
            nu, k = air.viscosity(film_T) / air.density(film_T, P), air.thermal_conductivity(film_T)
            D_v, Re = air.vapour_diffusivity(film_T, P), 0.05 * 2 * R
            h = (2 + 0.6 * (Re / nu) ** 0.5 * (1006 * air.viscosity(film_T) / k) ** (1 / 3)) * k / (2 * R)
            k_m = (2 + 0.6 * (Re / nu) ** 0.5 * (nu / D_v) ** (1 / 3)) * D_v / (2 * R)
            p_s = water_activity(PIG.isotherm, Xs, Ts) * air.saturation_pressure(Ts)
            p_a = air.vapour_pressure(Y, P)
            J = k_m * P / (air.GAS_CONSTANT_WATER * (film_T + 273.15)) * np.log((P - p_a) / (P - p_s))
            inner = g[-1] * (X[-1] - Xs) * D / R**2
            flow = np.append(g[:-1] * np.diff(X) * D / R**2, -inner)
            rate = (flow - np.append(0.0, flow[:-1])) / V
            q, h_v = h * (Ts - Ta), 2501e3 + 1860 * Ts
            q_b = -per_area * (V * q_st) @ rate
            heat = 5 * PIG.conductivity / R * (Tp - Ts) - q - J * (h_v - c_w * Tp) - q_b
            return inner * per_area - J, heat, rate, (q + J * h_v) / per_area

        found = root(lambda u: (fluxes(u)[0] * 1e5, fluxes(u)[1] / 100), start, tol=1e-10)
        assert np.abs(found.fun).max() < 1e-5, found
        Xs, Ts = found.x
        start[:] = Xs, Ts
        *_, rate, loss = fluxes((Xs, Ts))
        return np.append(rate, -loss)

    run = solve_ivp(
        slope, (0, seconds), np.append(np.full(n, X_IN), H_0), method="LSODA", rtol=1e-6, atol=1e-8
    )
    X, H = run.y[:-1, -1], run.y[-1, -1]
    mean = V @ X  # evened out inside: the heat that dry skin sets free as it takes water from within counts
    return mean, (H + bound_water_heat(PIG.isotherm, mean)) / (c_d + c_w * mean)


@pytest.mark.parametrize("dry_air, seconds", [(0.024, 15.0), (0.3, 30.0)])
def test_second_opinion(dry_air, seconds):
    X, T = sent(dry_air, seconds)
    by_lines = _by_lines(dry_air, seconds)
    assert X[0] == pytest.approx(by_lines[0], abs=1.5e-4)  # .01 point
    assert T[0] == pytest.approx(by_lines[1], abs=0.1)


def test_unlimited_air():
    # model page §11 (computed, crude): 26 K and 1.5 points in 15 s at .05 m/s
    X, T = sent(100.0, 15.0)
    assert T_IN - T[0] == pytest.approx(26.0, abs=3.0)
    assert 100 * (0.155 - X[0] / (1 + X[0])) == pytest.approx(1.5, abs=0.3)


def test_a_case_does_not_hang_on_its_neighbours():
    apart = [sent(a, 20.0) for a in (0.02, 0.2, 5.0)]
    together = sent([0.02, 0.2, 5.0], 20.0)
    assert together[0] == pytest.approx([one[0][0] for one in apart], abs=1e-9)
    assert together[1] == pytest.approx([one[1][0] for one in apart], abs=1e-6)
