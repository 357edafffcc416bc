"""CasADi's Newton method on our discrete equations, written out in its symbols (needs casadi).

One function is built per mesh size and form of isotherm and serves every case: bed, mesh and shells are
parameters. Jacobian and sparsity are CasADi's own. Its Newton method takes full steps without limits.

Q(X), a table in the product, is a polynomial here: CasADi's tables do not mix with scalar symbols. Above
M = 3 % it is fitted to the product's Q over the moistures of the case, below it is a straight line as there.
"""

from __future__ import annotations

import functools
import time

import casadi as ca
import numpy as np
from lines import Unsolved
from residual import flat, unflat

from coolsim.numerics.stages import DOWN, UP
from coolsim.physics import air

DEGREE = 8  # of the polynomial for Q: moves an exit by less than 5e-5 points
SCALARS = (
    "radius", "conductivity", "specific_heat", "solid_density", "solid_flux", "air_flux", "residence_time",
    "surface", "pressure", "feed_moisture_db", "feed_temperature", "inlet_air_temperature", "inlet_humidity_ratio",
)  # fmt: skip
LAW = ("value", "at", "activation_energy")  # D without a slope in moisture, as in all the cases
EQUATIONS = {"modified-chung-pfost": 3, "oswin-variable": 4}  # those of the cases, and their constants
SCALE = np.array([1.0, 1e3, 1e5, 1e-2, 1e5])  # of the point equations
RESIDUAL = 1e-9  # scaled, at which CasADi's Newton method stops
_built = {}
build_seconds = {}  # compiling by gcc -O1 took 13–16 s per size here and solved no faster


def can(bed) -> bool:
    """Whether these symbols cover a bed."""
    return bed.isotherm.equation in EQUATIONS and not np.any(bed.diffusivity.moisture_slope)


# ---- closures in symbols --------------------------------------------------------------------------------


def activity(equation, c, per_moisture, X, T):
    """a_w(X, T) with the product's two continuations."""
    M = ca.fmax(X * per_moisture, 1e-10)
    if equation == "modified-chung-pfost":
        A, B, C = c
        T = ca.fmin(T, 100.0)
        wet = ca.fmax(M, 3.0)
        E = ca.exp(-B * wet) * ca.if_else(M >= 3.0, 1.0, 1 - 3 * B * ca.log(M / 3.0))
        return ca.exp(-A / (T + C) * E)
    A, B, C, D = c
    T = ca.fmin(T, 90.0)
    r = ca.exp(ca.log(M / (A + B * T)) / (C + D * T))
    return r / (1 + r)


def saturation(T):
    K = T + 273.15
    return ca.exp(-5.8002206e3 / K + 1.3914993 + K * (-4.8640239e-2 + K * (4.1764768e-5 - K * 1.4452093e-8))
                  + 6.5459673 * ca.log(K))  # fmt: skip


def transfer(Ga, d_p, p, T):
    """h and k_m of Wakao and Kaguei."""
    K = T + 273.15
    r = K / 273.15
    mu = 1.716e-5 * (273.15 + 110.4) * r**1.5 / (K + 110.4)
    k = 0.0241 * (273.15 + 194.4) * r**1.5 / (K + 194.4)
    D = 2.26e-5 * r**1.81 * (101325.0 / p)
    Re = 1.1 * (Ga * d_p / mu) ** 0.6
    Nu = 2 + Re * (1006.0 * mu / k) ** (1 / 3)
    Sh = 2 + Re * (mu * 287.042 * K / (p * D)) ** (1 / 3)
    return Nu * k / d_p, Sh * D / d_p


# ---- the residual ---------------------------------------------------------------------------------------


def build(equation: str, K: int, n: int, options: dict):
    """The rootfinder for K cells and n shells."""
    x = ca.SX.sym("x", K * (2 * n + 10))
    bed = {name: ca.SX.sym(name) for name in SCALARS}
    law = {name: ca.SX.sym(name) for name in LAW}
    constants = [ca.SX.sym(f"c{i}") for i in range(EQUATIONS[equation])]
    per_moisture, dry = ca.SX.sym("per_moisture"), ca.SX.sym("dry", 2)  # joint and slope below it
    poly = ca.SX.sym("poly", DEGREE + 1)
    z, V, g = ca.SX.sym("z", K + 1), ca.SX.sym("V", n), ca.SX.sym("g", n)
    parameters = ca.vertcat(*bed.values(), *law.values(), *constants, per_moisture, dry, poly, z, V, g)
    c_w, latent_0, c_v, c_a = 4186.0, 2501e3, 1860.0, 1006.0

    def Q_of(X):
        t = X - dry[0]
        value = poly[DEGREE]
        for i in range(DEGREE - 1, -1, -1):
            value = poly[i] + t * value
        return ca.if_else(dry[0] <= X, value, dry[1] * X)

    def enthalpy(X, T, Q):
        return (bed["specific_heat"] + c_w * X) * T - Q

    def air_enthalpy(T, Y):
        return c_a * T + Y * (latent_0 + c_v * T)

    width = 2 * n + 10
    cells = [x[k * width : (k + 1) * width] for k in range(K)]
    X = [[c[i : 2 * n : 2] for i in (0, 1)] for c in cells]
    Xs, Ts, Tp, Ta, Y = ([[c[2 * n + 2 * v + i] for i in (0, 1)] for c in cells] for v in range(5))
    Q = [[ca.dot(V, Q_of(X[k][i])) for i in (0, 1)] for k in range(K)]
    mean = [[ca.dot(V, X[k][i]) for i in (0, 1)] for k in range(K)]
    H = [[enthalpy(mean[k][i], Tp[k][i], Q[k][i]) for i in (0, 1)] for k in range(K)]
    h_air = [[air_enthalpy(Ta[k][i], Y[k][i]) for i in (0, 1)] for k in range(K)]
    Q_feed = Q_of(bed["feed_moisture_db"])
    H_feed = enthalpy(bed["feed_moisture_db"], bed["feed_temperature"], Q_feed)
    h_inlet = air_enthalpy(bed["inlet_air_temperature"], bed["inlet_humidity_ratio"])

    def difference(stream, f, k, i, boundary):
        beside = k - 1 if stream.down else k + 1
        if 0 <= beside < K:
            boundary = stream.exit[0] * f[beside][0] + stream.exit[1] * f[beside][1]
        return stream.stage[i, 0] * f[k][0] + stream.stage[i, 1] * f[k][1] + stream.entry[i] * boundary

    rows = []
    R, p, c_0 = bed["radius"], bed["pressure"], bed["solid_density"] * bed["radius"] / 3
    feed = ca.SX.ones(n) * bed["feed_moisture_db"]
    for k in range(K):
        dz = z[k + 1] - z[k]
        per_solid, per_air = dz * bed["surface"] / bed["solid_flux"], dz * bed["surface"] / bed["air_flux"]
        chain, points = [], [[None] * 2 for _ in range(5)]
        for i in (0, 1):
            T = Ts[k][i]
            inverse = 1 / (T + 273.15) - 1 / (law["at"] + 273.15)
            rate = law["value"] * ca.exp(-law["activation_energy"] / air.GAS_CONSTANT * inverse) / R**2
            outside = ca.vertcat(X[k][i][1:], Xs[k][i])
            through = g * (outside - X[k][i])
            inflow = through - ca.vertcat(0, through[:-1])
            J = -c_0 * rate * through[-1]
            h, k_m = transfer(bed["air_flux"], 2 * R, p, Ta[k][i])
            T_f = 0.5 * (T + Ta[k][i]) + 273.15
            film = k_m * p / (air.GAS_CONSTANT_WATER * T_f)
            rest = air.MOLAR_MASS_RATIO / (Y[k][i] + air.MOLAR_MASS_RATIO) * ca.exp(ca.fmin(-J / film, 50.0))
            p_s = activity(equation, constants, per_moisture, Xs[k][i], T) * saturation(T) / p
            h_v = latent_0 + c_v * T
            q = h * (T - Ta[k][i])
            bound = c_0 / (dz * bed["residence_time"]) * difference(DOWN, Q, k, i, Q_feed)
            chain.append(V * difference(DOWN, X, k, i, feed) - dz * bed["residence_time"] * rate * inflow)
            points[0][i] = 1 - rest - p_s
            points[1][i] = (
                5 * bed["conductivity"] / R * (Tp[k][i] - T) - q - J * (h_v - c_w * Tp[k][i]) + bound
            )
            points[2][i] = difference(DOWN, H, k, i, H_feed) + per_solid * (q + J * h_v)
            points[3][i] = difference(UP, Y, k, i, bed["inlet_humidity_ratio"]) - per_air * J
            points[4][i] = difference(UP, h_air, k, i, h_inlet) - per_air * (q + J * h_v)
        rows.append(ca.reshape(ca.horzcat(*chain).T, 2 * n, 1))
        rows += [points[v][i] / SCALE[v] for v in range(5) for i in (0, 1)]
    residual = ca.vertcat(*rows)
    return ca.rootfinder("root", "newton", {"x": x, "p": parameters, "g": residual}, options), ca.Function(
        "residual", [x, parameters], [residual]
    )


def built(equation, K, n, compiled=False):
    """As `build`, once per size; notes the seconds it took."""
    key = equation, K, n, compiled
    if key not in _built:
        options = {
            "abstol": RESIDUAL, "abstolStep": 0.0, "max_iter": 40, "error_on_fail": False,
            "linear_solver": "csparse",
        }  # fmt: skip
        if compiled:
            options |= {"jit": True, "compiler": "shell", "jit_options": {"flags": ["-O1"], "verbose": False}}
        start = time.perf_counter()
        _built[key] = build(equation, K, n, options)
        build_seconds[key] = time.perf_counter() - start
    return _built[key]


def parameters(problem):
    """Numbers of one case for `build`'s parameters."""
    bed = problem.bed
    isotherm = bed.isotherm
    per_moisture = 100 / ((1 - isotherm.fat[0]) * isotherm.scale[0])
    joint = 3.0 / per_moisture
    X = joint + (1.15 * bed.feed_moisture_db[0] - joint) * 0.5 * (1 - np.cos(np.linspace(0, np.pi, 60)))
    Q = bed.bound_water(X[:, None])[0][:, 0]
    top = X[-1] - joint
    fit = np.polynomial.polynomial.polyfit((X - joint) / top, Q, DEGREE) / top ** np.arange(DEGREE + 1)
    law = {name: getattr(bed.diffusivity, name)[0] for name in LAW}
    return np.concatenate([
        [getattr(bed, name)[0] for name in SCALARS], list(law.values()),
        [c[0] for c in isotherm.constants], [per_moisture, joint, Q[0] / joint], fit,
        problem.z[:, 0], problem.shells.volume[:, 0], problem.shells.conductance[:, 0],
    ])  # fmt: skip


def newton(problem, state, compiled=False):
    """CasADi's Newton method from a state."""
    n, K = len(problem.shells.volume), len(problem.z) - 1
    root, _ = built(problem.bed.isotherm.equation, K, n, compiled)
    x = flat(state)
    try:
        answer = np.array(root(x.ravel(), parameters(problem))).reshape(x.shape)
    except RuntimeError as error:  # NaN in an iterate
        raise Unsolved("CasADi's Newton") from error
    if not root.stats()["success"] or not np.isfinite(answer).all():
        raise Unsolved("CasADi's Newton")
    return unflat(answer, n)


compiled_newton = functools.partial(newton, compiled=True)
