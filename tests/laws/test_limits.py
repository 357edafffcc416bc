"""Limits that follow without a computer: wet bulb, adiabatic saturation, equilibrium, bound water, balances."""

from __future__ import annotations

import numpy as np
import pytest
from laws.domain import SORPTION_SETS, pig
from laws.exact import (
    ISOTHERMAL,
    air_enthalpy,
    bed,
    constant_heat_transfer,
    exhaust,
    humidity_ratio,
    linear_law,
    run,
    saturation_pressure,
    with_time,
)
from scipy.integrate import quad
from scipy.optimize import brentq

from coolsim import predict
from coolsim.model.surface import REAL, Laws
from coolsim.physics.sorption import Isotherm

# A solid whose water activity is 1 at any moisture above a part per million: modified Oswin, A → 0.
WET = Isotherm("modified-oswin", (1e-6, 0.0, 3.0))
FINE = 64, 4


# ---- Wet bulb and saturation ----------------------------------------------------------------------------


def viscosity(T: float) -> float:
    """Sutherland's law, Pa s (constants of model.md §1)."""
    K = T + 273.15
    return 1.716e-5 * (K / 273.15) ** 1.5 * (273.15 + 110.4) / (K + 110.4)


PRINTED_BULBS = [  # °C, RH, psychrometric, thermodynamic: computed by itself, D_v 2.178e-5, Re 280, 1 atm
    (20.0, 0.60, 14.937, 15.144), (40.0, 0.10, 17.635, 18.566), (80.0, 0.05, 32.783, 34.017),
]  # fmt: skip


@pytest.mark.parametrize("T, RH, psychrometric, start", PRINTED_BULBS)
def test_wet_pellets_settle_at_the_psychrometric_wet_bulb(T, RH, psychrometric, start):
    """Few pellets in much air: each sees the air that enters. They come from the thermodynamic wet bulb."""
    R = 2e-3
    one = bed(
        D=1e-5, isotherm=WET, radius=R, air_flux=280 * viscosity(T) / (2 * R), solid_flux=1e-6,
        feed_moisture_db=1.9, feed_temperature=start, inlet_air_temperature=T,
        inlet_humidity_ratio=humidity_ratio(T, RH),
    )  # fmt: skip
    # more than ten time constants ρ_d R/3 · c/(h + latent), or 900 · 6.7e-4 · 9700/400 s at most
    out = run(with_time(one, 180.0), REAL, *FINE)
    assert out.temperature == pytest.approx(psychrometric, abs=6e-4)  # three decimals are printed
    assert out.air_temperature == pytest.approx(T, abs=3e-3)  # the air hardly noticed


@pytest.mark.parametrize("T, RH, _, thermodynamic", PRINTED_BULBS)
def test_much_wet_solid_saturates_the_air_adiabatically(T, RH, _, thermodynamic):
    """Feed enters at the adiabatic saturation temperature, into a bed without end: the air leaves at it.

    The pellets that leave are at the psychrometric wet bulb, up to 1.4 K cooler, which warms the air by
    Gs c/(Ga dh_s/dT) of that: 0.004 K at 200 kg of air per kg of solid.
    """
    Y = humidity_ratio(T, RH)
    evaporated = humidity_ratio(thermodynamic, 1.0) - Y
    ratio = 0.4 / evaporated  # so that 0.4 kg/kg of the solid's water goes
    one = bed(
        D=1e-5, isotherm=WET, specific_heat=1.0, solid_flux=0.5 / ratio, air_flux=0.5, depth=0.5,
        feed_moisture_db=0.5, feed_temperature=thermodynamic, inlet_air_temperature=T, inlet_humidity_ratio=Y,
    )  # fmt: skip
    out = run(one, REAL, *FINE)
    assert out.air_temperature == pytest.approx(thermodynamic, abs=0.006)
    assert out.humidity_ratio == pytest.approx(humidity_ratio(out.air_temperature, 1.0), rel=1e-4)


def test_the_end_of_a_cooler_with_much_air_is_in_equilibrium_with_the_air_that_enters():
    """model.md §7.5 (computed): air ratio 60, D 1e-7."""
    case = pig(
        cooler__air_ratio=60.0, cooler__bed_depth=2.0, diffusivity__value=1e-7, air__temperature=25.0,
        air__relative_humidity=0.70, feed__throughput=0.05,
    )  # fmt: skip
    out = predict(case).pellets_out
    assert out.temperature == pytest.approx(25.0, abs=5e-5)
    assert out.water_activity == pytest.approx(0.70, abs=5e-6)
    # corn, modified Chung–Pfost by hand, 4 % fat that takes up no water
    M = -np.log(-np.log(0.70) * (25.0 + 30.205) / 312.3) / 0.16958
    assert out.moisture_db == pytest.approx(M / 100 * (1 - 0.04), rel=1e-5)


def test_at_a_coolers_own_air_ratio_neither_end_is_in_equilibrium():
    """model.md §7.5: two coupled waves pinch at different ends; depth alone does not equalise."""
    r = predict(pig(cooler__bed_depth=3.0, diffusivity__value=1e-7, feed__throughput=0.1))
    assert r.pellets_out.temperature > 31.0 + 0.5
    assert abs(r.pellets_out.water_activity - 0.85) > 0.01


# ---- Bound water ----------------------------------------------------------------------------------------

R_V = 8.314462618 / 0.018015268  # J/(kg K)
T_REF = 40.0


def log_activity(equation: str, c: tuple[float, ...], M: float, T: float) -> float:
    """ln a_w of the six published equations, M in % dry basis of fat-free solid, T in °C."""
    if equation == "modified-henderson":
        return float(np.log(-np.expm1(-c[0] * (T + c[2]) * M ** c[1])))
    if equation == "modified-chung-pfost":
        return float(-c[0] / (T + c[2]) * np.exp(-c[1] * M))
    if equation == "modified-oswin":
        return float(-np.log1p(((c[0] + c[1] * T) / M) ** c[2]))
    if equation == "modified-halsey":
        return float(-np.exp(c[0] + c[1] * T) / M ** c[2])
    if equation == "oswin-variable":
        return float(-np.log1p(((c[0] + c[1] * T) / M) ** (1 / (c[2] + c[3] * T))))
    assert equation == "gab", equation
    K, X = T + 273.15, M / 100
    M0, C, k = (v * np.exp(w / K) for v, w in (c[0:2], c[2:4], c[4:6]))
    # X (1−y)(1−y+C y) = M0 C y as a quadratic in y = k a_w; its root below 1
    roots = np.roots([X * (1 - C), X * (C - 2) - M0 * C, X])
    y = min(r.real for r in roots if 0 < r.real < 1)
    return float(np.log(y / k))


def bound_heat(equation: str, c: tuple[float, ...], X: float, fat: float) -> float:
    """Q(X) = ∫ R_v T² ∂ln a_w/∂T dX at 40 °C, q_st held below 3 % of fat-free solid."""

    def q_st(x: float) -> float:
        M = max(100 * x / (1 - fat), 3.0)
        rise = log_activity(equation, c, M, T_REF + 0.01) - log_activity(equation, c, M, T_REF - 0.01)
        return R_V * (T_REF + 273.15) ** 2 * rise / 0.02

    return quad(q_st, 0.0, X, points=[0.03 * (1 - fat)], epsrel=1e-9)[0]


def test_desorption_heat_of_corn():
    """model.md §7.6 (computed): 9.000 kJ/kg dry from X .19 to .14."""
    corn = Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205))
    Q, _ = bed(isotherm=corn).bound_water(np.array([[0.19], [0.14]]))
    assert float(Q[0, 0] - Q[1, 0]) == pytest.approx(9000.0, abs=0.5)
    by_hand = bound_heat(corn.equation, corn.constants, 0.19, 0) - bound_heat(
        corn.equation, corn.constants, 0.14, 0
    )
    assert by_hand == pytest.approx(9000.0, abs=0.5)


@pytest.mark.parametrize("equation", SORPTION_SETS)
@pytest.mark.parametrize("D", [1e-10, 1e-9, 2e-8])
def test_bound_water_is_a_state_of_the_pellet(equation, D):
    """However steep the moisture is inside, evened out the pellet has what the air did not take.

    H_out by the air's balance = (c_d + 4186 X) T − Q(X) of the pellet in its closed bag, with Q by
    quadrature of the published equation. A toll of q_st(Xs) per kilogram misses this by kilojoules.
    """
    constants, fat = SORPTION_SETS[equation][0], 0.04
    case = pig(
        isotherm__equation=equation,
        isotherm__constants=constants,
        diffusivity__value=D,
        air__temperature=15.0,
    )
    r = predict(case)
    M = 0.165
    X_in, X = M / (1 - M), r.pellets_out.moisture_db
    Ga_Gs = 1.0 / (1 - M)  # dry air per dry solid at air ratio 1
    Y = humidity_ratio(15.0, 0.85)
    given = Ga_Gs * (air_enthalpy(r.air_out.temperature, r.air_out.humidity_ratio) - air_enthalpy(15.0, Y))
    H_in = (1800.0 + 4186.0 * X_in) * 80.0 - bound_heat(equation, constants, X_in, fat)
    H_bag = (1800.0 + 4186.0 * X) * r.after_equalising.temperature - bound_heat(equation, constants, X, fat)
    # Q of the model is a cubic table: within 1e-3 J/kg of quadrature, and 0.5 for the kink at 3 %
    assert H_in - given == pytest.approx(H_bag, abs=1.0)


def test_two_ways_to_one_moisture_end_at_one_enthalpy():
    """model.md §7.6: dry with two diffusivities to one X̄, lose no heat, even out: one temperature.

    Slow diffusion to a dry skin, and quick diffusion behind a film: very different profiles. With latent heat
    and the heat of water zero, what the water that left was bound by is all that cools the pellets.
    """
    corn = Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205))
    X_in, X_end = 0.20, 0.14
    ways = {  # D, law, and Fo between which X̄ passes X_end
        "dry skin": (1e-10, linear_law(Xs=1.0, constant=-0.05), (0.005, 0.2)),
        "film": (1e-8, linear_law(J=1 / 2e-4, Xs=-1.0, constant=0.05), (0.1, 30.0)),
    }
    mean, even = {}, {}
    for name, (D, law, (least, most)) in ways.items():
        laws = Laws(moisture=law, heat_transfer=constant_heat_transfer(0.0), **ISOTHERMAL)
        one = bed(D=D, isotherm=corn, feed_moisture_db=X_in, feed_temperature=60.0)

        def exit_after(Fo, one=one, laws=laws, D=D):
            return run(with_time(one, Fo * 4e-6 / D), laws, 16, 32)

        out = exit_after(brentq(lambda Fo: exit_after(Fo).moisture - X_end, least, most, xtol=1e-9))
        H = float(out.solution.outlet.enthalpy[0])
        mean[name], even[name] = (
            out.temperature,
            (H + bound_heat(corn.equation, corn.constants, X_end, 0)) / 1800.0,
        )
    lost = bound_heat(corn.equation, corn.constants, X_in, 0) - bound_heat(
        corn.equation, corn.constants, X_end, 0
    )
    expected = 60.0 - lost / 1800.0
    assert even["dry skin"] == pytest.approx(expected, abs=2e-4)
    assert even["film"] == pytest.approx(expected, abs=2e-4)
    assert abs(mean["dry skin"] - mean["film"]) > 0.3  # before evening out they differ


def test_water_that_lets_go_draws_its_heat_through_the_pellet():
    """Below 3 % the desorption heat is one number, so 5k/R (Tp − Ts) = q_st J at every point; no other heat."""
    A, B, C = 312.3, 0.16958, 30.205
    corn = Isotherm("modified-chung-pfost", (A, B, C))
    q_st = R_V * (T_REF + 273.15) ** 2 * A / (T_REF + C) ** 2 * np.exp(-3 * B)  # by hand, at 3 %: 1.7 MJ/kg
    k_film, X_end, R = 1e-3, 0.002, 2e-3
    laws = Laws(
        moisture=linear_law(J=1 / k_film, Xs=-1.0, constant=X_end),
        heat_transfer=constant_heat_transfer(0.0),
        **ISOTHERMAL,
    )
    one = bed(isotherm=corn, feed_moisture_db=0.025, feed_temperature=60.0, radius=R, conductivity=0.01)
    points = run(one, laws, 16, 8).solution.state.points
    Xs, Ts, Tp = points[:, 0], points[:, 1], points[:, 2]
    gap = R / (5 * 0.01) * q_st * k_film * (Xs - X_end)
    assert gap.max() > 1.0
    np.testing.assert_allclose(Tp - Ts, gap, rtol=1e-5)  # the table of Q is within 1e-6 of its constant slope


# ---- Balances of a whole cooler -------------------------------------------------------------------------

PRINTED_EXHAUST = [  # kg air per kg dry solid, °C, RH %: model.md §7.7 (computed)
    (0.8, 60.2, 39.0), (1.0, 52.6, 47.0), (1.2, 47.5, 53.0), (1.5, 42.2, 60.0),
]  # fmt: skip


@pytest.mark.parametrize("ratio, T, RH", PRINTED_EXHAUST)
def test_balance_of_the_tests_is_the_printed_one(ratio, T, RH):
    Ta, Y = exhaust((80.0, 0.170), (28.0, 0.135), (20.0, humidity_ratio(20.0, 0.60)), ratio, 1600.0)
    assert Ta == pytest.approx(T, abs=0.05)
    vapour = 101_325.0 * Y / (0.621945 + Y)
    assert 100 * vapour / saturation_pressure(Ta) == pytest.approx(RH, abs=0.6)  # 53.52 is printed as 53


@pytest.mark.parametrize("ratio", [0.5, 0.8, 1.0, 1.5, 4.0])
def test_exhaust_follows_from_the_pellets_by_balance(ratio):
    """q_st = 0 (an isotherm without slope in T): from the pellets that leave, the air that leaves, to 1e-6."""
    X = 0.170
    case = pig(
        isotherm__equation="modified-oswin", isotherm__constants=(14.0, 0.0, 3.0), material__specific_heat=1600.0,
        feed__moisture=X / (1 + X), cooler__air_ratio=ratio / (1 + X), air__temperature=20.0,
        air__relative_humidity=0.60,
    )  # fmt: skip
    r = predict(case)
    Ta, Y = exhaust(
        (80.0, X), (r.pellets_out.temperature, r.pellets_out.moisture_db), (20.0, humidity_ratio(20.0, 0.60)),
        ratio, 1600.0,
    )  # fmt: skip
    assert r.air_out.temperature == pytest.approx(Ta, rel=1e-6)
    assert r.air_out.humidity_ratio == pytest.approx(Y, rel=1e-6)
    assert r.bed.evaporation == pytest.approx(0.5 / (1 + X) * (X - r.pellets_out.moisture_db), rel=1e-9)
    assert abs(r.accuracy.energy_imbalance) < 1e-10
