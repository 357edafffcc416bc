"""The deep bed in limits and against itself: one pellet in unlimited air, mixing, zones, balances, orders."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from laws.dryers import FEED, ONE, at_points, dry, exhaust, meshed, moisture, phase, supply, temperature
from laws.exact import NUMBERS, air_enthalpy, humidity_ratio, saturation_pressure
from scipy.integrate import solve_ivp
from scipy.optimize import root

from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model import drying
from coolsim.model import guess as guessing
from coolsim.model.march import METHOD, Programme, march
from coolsim.model.pellet_shells import with_empty_shells
from coolsim.numerics import crossed, mesh
from coolsim.numerics.newton import newton

HUMID = humidity_ratio(25.0, 0.6)
HEATED = supply(25.0, HUMID, heated_to=90.0)


# ---- One pellet in unlimited air ------------------------------------------------------------------------


def single_pellet(
    X_0: float, T_0: float, Ta: float, Y: float, Ga: float, seconds: float, shells: int
) -> tuple[float, float]:
    """Mean moisture and temperature of one pellet of FEED in a stream of air: model.md §1–3 written again, shells
    finer near the surface, integrated by scipy's BDF; surface equations solved to
    rounding at each call."""
    R, k, c_d, rho, p = (
        NUMBERS[n] for n in ("radius", "conductivity", "specific_heat", "solid_density", "pressure")
    )
    faces = R * (1 - (1 - np.linspace(0, 1, shells + 1)) ** 2)
    volume, middle = np.diff(faces**3) / R**3, 0.5 * (faces[1:] + faces[:-1])
    K_a, d_p = Ta + 273.15, 2 * R
    mu = 1.716e-5 * (K_a / 273.15) ** 1.5 * (273.15 + 110.4) / (K_a + 110.4)
    k_air = 0.0241 * (K_a / 273.15) ** 1.5 * (273.15 + 194.4) / (K_a + 194.4)
    D_v, density = 2.178e-5 * (K_a / 273.15) ** 1.81 * 101_325.0 / p, p / (287.042 * K_a)
    Re = Ga * d_p / mu
    h = (2 + 1.1 * Re**0.6 * (1006.0 * mu / k_air) ** (1 / 3)) * k_air / d_p
    k_m = (2 + 1.1 * Re**0.6 * (mu / (density * D_v)) ** (1 / 3)) * D_v / d_p
    p_a = p * Y / (0.621945 + Y)

    def activity(X: float, T: float) -> float:
        M, A, B = X * 100 / 0.95, 312.3 / (T + 30.205), 0.16958
        if M >= 3:
            return float(np.exp(-A * np.exp(-B * M)))
        return float(np.exp(-A * np.exp(-3 * B)) * (max(M, 0.0) / 3) ** (3 * A * B * np.exp(-3 * B)))

    def heat_of_desorption(X):  # R_v T² ∂ln a_w/∂T at 40 °C, constant below M = 3 %
        M = np.maximum(X * 100 / 0.95, 3.0)
        return 461.523 * 313.15**2 * 312.3 / (40 + 30.205) ** 2 * np.exp(-0.16958 * M)

    def surface(X, T, near):
        def flux(Xs, Ts):
            D = 7e-10 * np.exp(-26e3 / 8.314462618 * (1 / (Ts + 273.15) - 1 / 333.15))
            return D, rho * D * (X[-1] - Xs) / (R - middle[-1])

        def rates(Xs, Ts):
            D, J = flux(Xs, Ts)
            inner = (
                D * 3 * faces[1:-1] ** 2 * np.diff(X) / np.diff(middle) / R**3
            )  # inwards through each face
            return J, (np.append(inner, -J * 3 / (rho * R)) - np.insert(inner, 0, 0.0)) / volume

        def balance(s):
            Xs, Ts = s
            J, dX = rates(Xs, Ts)
            p_s = activity(Xs, Ts) * saturation_pressure(Ts)
            film = k_m * p / (461.523 * (0.5 * (Ta + Ts) + 273.15)) * np.log((p - p_a) / (p - p_s))
            h_v = 2501e3 + 1860.0 * Ts
            bound = -rho * R / 3 * float(volume @ (heat_of_desorption(X) * dX))
            return [
                (J - film) * 1e4,
                (5 * k / R * (T - Ts) - h * (Ts - Ta) - J * (h_v - 4186.0 * T) - bound) / 1e3,
            ]

        found = root(balance, near, tol=1e-13)
        assert np.abs(found.fun).max() < 1e-7
        Xs, Ts = found.x
        J, dX = rates(Xs, Ts)
        return (Xs, Ts), J, dX

    near = [(0.9 * X_0, T_0 + 1)]

    def slopes(t, y):
        X, T = y[:-1], y[-1]
        (Xs, Ts), J, dX = surface(X, T, near[0])
        near[0] = (Xs, Ts)
        passed = h * (Ts - Ta) + J * (2501e3 + 1860.0 * Ts)
        dH = -3 / (rho * R) * passed  # H = (c_d + c_w X̄) T − ⟨Q⟩
        dT = (dH - 4186.0 * T * (volume @ dX) + volume @ (heat_of_desorption(X) * dX)) / (
            c_d + 4186.0 * (volume @ X)
        )
        return np.append(dX, dT)

    y = solve_ivp(
        slopes, (0, seconds), np.append(np.full(shells, X_0), T_0), method="BDF", rtol=1e-7, atol=1e-9
    ).y[:, -1]
    return float(volume @ y[:-1]), float(y[-1])


def test_a_thin_layer_is_one_pellet_in_unlimited_air():
    """Shells and steps leave 1e-4 here, and as much there. After a quarter of an hour it is near bone dry."""
    for seconds in (60.0, 900.0):
        X, T = single_pellet(0.3, 30.0, 70.0, HUMID, 0.5, seconds, 50)
        s = dry(phase(0.5, seconds, supply(70.0, HUMID)), cells=2, shells=32, depth=1e-6, **FEED)
        assert moisture(s) == pytest.approx(X, abs=3e-4)
        assert temperature(s) == pytest.approx(T, abs=0.05)


# ---- Mixing, reversal, zones ----------------------------------------------------------------------------


def test_air_from_above_mirrors_air_from_below():
    up, down = (dry(phase(0.5, 900.0, HEATED, down=d), cells=8, depth=0.2, **FEED) for d in (False, True))
    for a, b in zip(at_points(up), at_points(down)):
        np.testing.assert_allclose(a, b[::-1], rtol=1e-10)


def test_reversal_evens_out_the_bed():
    once, often = (
        dry(phase(0.5, 1200.0, HEATED, reverse_every=every), cells=12, depth=0.1, **FEED)
        for every in (np.inf, 150.0)
    )
    X_once, X_often = at_points(once)[0], at_points(often)[0]
    assert X_once[0] < X_once[-1] - 0.1  # the layer where the air enters is over-dried
    assert abs(X_often[0] - X_often[-1]) < 0.1 * (X_once[-1] - X_once[0])
    assert X_often.std() < 0.8 * X_once.std()
    starts = {bool(r.from_above[0]) for r in often.marches[0].records}
    assert starts == {False, True}


def test_a_zone_cut_in_two_is_the_same_zone():
    whole = dry(phase(0.5, 1200.0, HEATED), cells=12, depth=0.15, **FEED)
    halves = dry(phase(0.5, 600.0, HEATED), phase(0.5, 600.0, HEATED), cells=12, depth=0.15, **FEED)
    assert moisture(halves) == pytest.approx(moisture(whole), abs=2e-5)
    assert temperature(halves) == pytest.approx(temperature(whole), abs=0.02)
    assert sum(t.heat[0] for t in halves.totals) == pytest.approx(whole.totals[0].heat[0], rel=2e-4)


# ---- Heater and recirculation ---------------------------------------------------------------------------

SUPPLIES = {
    "fresh air, heated": HEATED,
    "recirculated": supply(25.0, HUMID, heated_to=90.0, r=0.8),
    "almost all recirculated": supply(25.0, HUMID, heated_to=110.0, r=0.95),
    "heater at its limit": supply(25.0, HUMID, heated_to=110.0, most=30e3, r=0.6),
    "heater without a thermostat": supply(25.0, HUMID, heated_to=np.inf, most=20e3, r=0.3),
    "no heater": supply(60.0, HUMID, r=0.3),
    "hotter than the thermostat": supply(95.0, HUMID, heated_to=70.0),
}


@pytest.mark.thorough
@pytest.mark.parametrize("name", SUPPLIES)
@pytest.mark.parametrize("mixed, shrinkage", [(False, 0.0), (True, 0.0), (False, 1.0)])
def test_water_and_heat_close(name, mixed, shrinkage):
    """What the pellets lost left with the exhaust, what the heater gave is somewhere: from the states at both
    ends and the exhaust alone. 1e-8 is what the product promises."""
    s = dry(
        phase(0.4, 1500.0, SUPPLIES[name], reverse_every=700.0), cells=6, shells=8, mixed=mixed,
        shrinkage=shrinkage, depth=0.2, **FEED,
    )  # fmt: skip
    water, energy = drying.imbalances(s)
    assert abs(water[0]) < 1e-8
    assert abs(energy[0]) < 1e-8
    # and once more by hand, with the air's enthalpy written again
    totals, air, back = s.totals[0], SUPPLIES[name], SUPPLIES[name].recirculation[0]
    carried = heat = 0.0
    for r in s.marches[0].records:
        for i, weight in enumerate((0.75, 0.25)):  # Radau's weights
            share = weight * r.duration[0] * 0.4
            Y, h = r.outlet[:, i, 0]
            carried += share * (1 - back) * (Y - HUMID)
            heat += share * (r.inlet[1, i, 0] - (1 - back) * air.fresh_enthalpy[0] - back * h)
            assert r.inlet[0, i, 0] == pytest.approx((1 - back) * HUMID + back * Y, abs=1e-12)
    assert carried == pytest.approx(totals.water[0], rel=1e-9)
    assert heat == pytest.approx(totals.heat[0], rel=1e-7, abs=1e-3)
    lost = 900.0 * 0.58 * 0.2 * (0.3 - moisture(s))
    assert carried == pytest.approx(lost, rel=1e-8)


def test_the_heater_aims_stops_and_never_cools():
    def entering(name):
        r = (
            dry(phase(0.4, 600.0, SUPPLIES[name]), cells=4, shells=6, depth=0.2, **FEED)
            .marches[0]
            .records[-1]
        )
        Y, h = r.inlet[:, 1, 0]
        return (h - 2501e3 * Y) / (1006.0 + 1860.0 * Y), Y, h, r

    for name, aim in (
        ("fresh air, heated", 90.0),
        ("recirculated", 90.0),
        ("hotter than the thermostat", 95.0),
    ):
        assert entering(name)[0] == pytest.approx(aim, abs=1e-6)
    for name, most, back in (("heater at its limit", 30e3, 0.6), ("heater without a thermostat", 20e3, 0.3)):
        _, _, h, r = entering(name)
        mixed = (1 - back) * air_enthalpy(25.0, HUMID) + back * r.outlet[1, 1, 0]
        assert h - mixed == pytest.approx(most, rel=1e-6)


def test_recirculation_saves_heat_and_takes_time():
    runs = [
        dry(phase(0.5, 1800.0, supply(25.0, HUMID, heated_to=90.0, r=r)), cells=8, depth=0.1, **FEED)
        for r in (0, 0.5, 0.8)
    ]
    specific = [s.totals[0].heat[0] / s.totals[0].water[0] for s in runs]
    assert specific[0] > specific[1] > specific[2] > 2.3e6  # never below the latent heat of water at 80 °C
    assert moisture(runs[0]) < moisture(runs[1]) < moisture(runs[2])


def test_a_heater_without_a_thermostat_heats_circling_air_until_its_heat_leaves_with_the_exhaust():
    """By hand, once all is dry: the heat per kg of dry air q leaves with the share 1 − r that leaves, so
    T = T_fresh + q/((1006 + 1860 Y)(1 − r)). 30 kJ/kg and r = .9 make that 292 K."""
    s = dry(
        phase(0.4, 12 * 3600.0, supply(25.0, HUMID, heated_to=np.inf, most=30e3, r=0.9)),
        cells=6, shells=6, step_tolerance=0.1, depth=0.05, **FEED,
    )  # fmt: skip
    expected = 25.0 + 30e3 / ((1006.0 + 1860.0 * HUMID) * 0.1)
    assert exhaust(s)[0] == pytest.approx(expected, abs=0.1)
    assert exhaust(s)[1] == pytest.approx(HUMID, abs=1e-6)


def test_fog_that_circles_in_a_cold_dryer_settles_where_the_air_enters():
    """Warm wet exhaust and frosty air mix beyond saturation: the first pellets take up water for hours.

    By hand: saturated air of 20 °C and dry air of −15 °C, half and half, hold more than saturated air of 3 °C."""
    assert 0.5 * humidity_ratio(20.0, 1.0) > humidity_ratio(3.0, 1.0)
    s = dry(
        phase(0.1, 8 * 3600.0, supply(-15.0, 3e-4, r=0.55)), cells=12, shells=6, step_tolerance=0.1, depth=0.3,
        **FEED | {"feed_moisture_db": 0.45, "feed_temperature": 60.0},
    )  # fmt: skip
    water, energy = drying.imbalances(s)
    assert abs(water[0]) < 1e-8 and abs(energy[0]) < 1e-8
    assert at_points(s)[0][0] > 0.5 > moisture(s)


# ---- Shrinkage ------------------------------------------------------------------------------------------


def test_shrinking_pellets_keep_their_dry_solid_and_lose_the_volume_of_their_water():
    """By hand: a pellet of 900 kg dry solid per m³ that loses 0.2 kg/kg of water loses 900 · 0.2/1000 = 18 % of its
    volume; dry solid per volume rises by as much."""
    dryer = dataclasses.replace(meshed(HEATED, 2, 4, **FEED), shrinkage=ONE)
    s = dr.radius_share(dryer, np.array([0.1]))
    assert s**3 == pytest.approx(1 - 0.18)
    bed, _ = db._as_now(dryer, np.full((4, 2, 1), 0.1))
    np.testing.assert_allclose(bed.solid_density * bed.radius**3, 900.0 * NUMBERS["radius"] ** 3)
    np.testing.assert_allclose(bed.solid_density * (1 - 0.18), 900.0)


def test_shrinking_pellets_dry_sooner():
    """Shorter ways inside them: late, rates go with D/R²."""
    stiff, shrinking = (
        dry(phase(0.5, 1200.0, supply(70.0, HUMID)), cells=2, depth=1e-5, shrinkage=x, **FEED)
        for x in (0.0, 1.0)
    )
    assert moisture(shrinking) < moisture(stiff) - 1e-3


# ---- The scheme -----------------------------------------------------------------------------------------


def after(steps: int, cells: int, shells: int = 6, depth: float = 0.1) -> np.ndarray:
    """Mean moisture and temperature after 300 s in steps that grow as the square of time."""
    dryer = meshed(
        supply(25.0, HUMID, heated_to=80.0, r=0.3), cells, shells, depth=depth, air_flux=0.5, **FEED
    )
    pellets, state = dr.fed_pellets(dryer), None
    for duration in np.diff(300.0 * (np.arange(steps + 1) / steps) ** 2):
        step = db.begin(dryer, pellets, duration * ONE)
        guess = guessing.first_guess(step) if state is None else state
        state, converged, _ = newton(METHOD, step, guess, 1, 30, 1e-9)
        assert converged.all()
        pellets = db.pellets_after(step, state)
    w = dr.point_weights(dryer.z)
    X, _ = dr.means(dryer, pellets.moisture)
    return np.array([(w * X).sum(), (w * dr.temperature(dryer, pellets)).sum()])


@pytest.mark.parametrize("b", [0.0, 8.0])
def test_a_coarse_mesh_on_the_arrays_of_a_finer_one_is_that_mesh(b):
    """Cells without thickness and shells without volume change nothing, whichever way the air goes."""
    coarse = meshed(supply(25.0, HUMID, heated_to=80.0, r=0.3), 4, 5, exponent=2.6, b=b, depth=0.1, **FEED)
    coarse = dataclasses.replace(coarse, bed=dataclasses.replace(coarse.bed, air_flux=0.5 * ONE))
    laid_out = dataclasses.replace(coarse, z=mesh.doubled(coarse.z), shells=with_empty_shells(coarse.shells))
    programme = Programme(900.0 * ONE, 400.0 * ONE, np.zeros(1, bool))
    ends = []
    for dryer in (coarse, laid_out):
        m = march(dryer, dr.fed_pellets(dryer), programme, 0.05 * ONE)
        w, X = dr.point_weights(dryer.z), dr.means(dryer, m.pellets.moisture)[0]
        out = m.records[-1].outlet[:, 1, 0]
        ends.append([(w * X).sum(), (w * dr.temperature(dryer, m.pellets)).sum(), *out, len(m.records)])
    np.testing.assert_allclose(
        ends[1], ends[0], rtol=1e-7
    )  # Newton's last step is 1e-4 of what changes, or less, and the next would be 1e-7


def test_a_coarse_mesh_on_the_arrays_of_a_finer_one_looks_the_same_from_both_sides():
    """By hand: widths 1, 2, 2, 1 (sixths of a bed) and four of nothing between them, in mirror image."""
    nodes = np.array([0.0, 1.0, 3.0, 5.0, 6.0])[:, None] / 6
    widths = 6 * np.diff(mesh.doubled(nodes)[:, 0])
    np.testing.assert_allclose(widths, [1, 0, 2, 0, 0, 2, 0, 1], atol=1e-12)


def test_third_order_in_time():
    ends = np.array([after(n, 4) for n in (24, 48, 96, 192)])
    observed = np.log2(np.abs(np.diff(ends, axis=0)[:-1] / np.diff(ends, axis=0)[1:]))
    assert (observed[-1] > 2.5).all(), observed


def test_third_order_along_the_air():
    ends = np.array([after(24, K, depth=0.05) for K in (4, 8, 16, 32)])
    observed = np.log2(np.abs(np.diff(ends, axis=0)[:-1] / np.diff(ends, axis=0)[1:]))
    assert (observed[-1] > 2.5).all(), observed


SWITCHES = [(90.0, np.inf, 0.6), (np.inf, 5e3, 0.6), (-np.inf, np.inf, 0.3)]


@pytest.mark.parametrize("heated_to, most, r", SWITCHES)
@pytest.mark.parametrize("mixed", [False, True])
def test_newton_step_against_finite_differences(heated_to, most, r, mixed):
    """The step of the eliminations is that of the full matrix of central differences, to their 1e-7."""
    rng = np.random.default_rng(1)
    dryer = meshed(supply(25.0, 0.01, heated_to, most, r), 3, 5, mixed=mixed, exponent=2.6, b=3.0, **FEED)
    step = db.begin(dryer, dr.fed_pellets(dryer), 20 * ONE)
    x = guessing.first_guess(step)
    same = x.chain.shape[1:] if mixed else x.chain.shape
    x = db.State(
        x.chain * (1 - 0.2 * rng.random(same)),
        x.points * (1 + 0.1 * rng.random(x.points.shape)),
        x.inlet * 1.05,
    )
    if mixed:
        x.points[:, db.TP] = x.points[0, db.TP]
    local = [db.XS, db.TS, db.TA, db.HUMIDITY] if mixed else list(range(5))
    own = slice(0, 1) if mixed else slice(None)

    def residuals(s):
        e = db.evaluate(step, s)
        points = [e.point_residual[0, 2], e.point_residual[:, :2]] if mixed else [e.point_residual]
        return np.concatenate(
            [f.ravel() for f in (e.chain_residual[own], *points, e.air_residual, e.inlet_residual)]
        )

    def pack(s):
        third = [s.points[0, db.TP]] if mixed else []
        return np.concatenate([f.ravel() for f in (s.chain[own], *third, s.points[:, local], s.inlet)])

    def unpack(v):
        n, points = x.chain[own].size, x.points.copy()
        at = n + (2 if mixed else 0)
        if mixed:
            points[:, db.TP] = v[n:at].reshape(2, 1)
        points[:, local] = v[at : at + points[:, local].size].reshape(points[:, local].shape)
        chain = np.broadcast_to(v[:n].reshape(x.chain[own].shape), x.chain.shape).copy()
        return db.State(chain, points, v[-4:].reshape(x.inlet.shape))

    v = pack(x)
    J = np.empty((len(v), len(v)))
    for k, value in enumerate(v):
        h = 1e-6 * max(abs(value), 1e-2) * np.eye(len(v))[k]
        J[:, k] = (residuals(unpack(v + h)) - residuals(unpack(v - h))) / (2 * h[k])
    expected = unpack(pack(x) + np.linalg.solve(J, -residuals(x)))
    e = db.evaluate(step, x)
    rows = [
        np.moveaxis(f, -1, 0) for f in (e.chain_residual, e.point_residual, e.air_residual, e.inlet_residual)
    ]
    r_ = crossed.Residuals(rows[0], rows[1].reshape(1, 6, 6), rows[2].reshape(1, 6, 4), rows[3].reshape(1, 4))
    jacobian = db.linearise(step, x, e)
    s = (
        crossed.solve_mixed(jacobian, r_, dr.point_weights(dryer.z).T)
        if mixed
        else crossed.solve(jacobian, r_)
    )
    scale = np.abs(expected.points - x.points).max(axis=(0, 2, 3))[:, None]
    np.testing.assert_allclose(s.links[0], (expected.chain - x.chain)[..., 0], rtol=1e-6, atol=1e-8)
    points = np.concatenate([s.points[0], s.air[0]], axis=1)
    np.testing.assert_allclose(
        points / scale, (expected.points - x.points)[..., 0] / scale, rtol=1e-6, atol=1e-7
    )
    np.testing.assert_allclose(s.inlet[0], (expected.inlet - x.inlet)[..., 0], rtol=1e-6, atol=1e-7)


def test_the_outlet_of_a_result_is_the_last_cells():
    s = dry(phase(0.5, 600.0, HEATED), cells=4, shells=6, depth=0.1, **FEED)
    assert exhaust(s)[1] > HUMID
