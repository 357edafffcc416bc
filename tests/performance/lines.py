"""Peers that know nothing of our scheme: the balances as ordinary differential equations along the bed.

The pellets' shells, their enthalpy, and the air's humidity ratio and enthalpy are states; the two surface
equations are solved at every point by an inner Newton method. What is left goes to SciPy, with exact Jacobians:

* `solve_bvp`: collocation of order four with a mesh of its own (scipy.integrate.solve_bvp);
* `march`: a bed with hold-up, linear within upwind finite volumes on our cells, brought to rest by
  scipy.integrate.BDF with a sparse Jacobian.

Same equations, shells and property functions as the product's; nothing else of it is used to solve.
States are kept in units in which a cooler changes them by about one.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.integrate import BDF
from scipy.integrate import solve_bvp as scipy_solve_bvp

from coolsim.model.counterflow import stage_positions
from coolsim.model.solve import Solution
from coolsim.numerics.stages import DOWN, UP
from coolsim.physics import air, packed_bed, pellet, sorption

C_W, C_V, C_A = air.HEAT_CAPACITY_WATER, air.HEAT_CAPACITY_VAPOUR, air.HEAT_CAPACITY_DRY_AIR
SURFACE_STEPS, FULL_STEPS = 40, 12  # of the inner Newton method; the later ones are halved, against cycles
SURFACE_CONVERGED = 1e-9  # kg/kg, and a thousand times as many K
LEAST_MOISTURE, MOST_MOISTURE = 1e-3, 2.0  # kg/kg, beyond which iterates of shells are read as these
AIR_HOLD_UP = (
    1.0  # of the pellets': any positive number gives the same rest; 0.002–1 took about the same time
)
LONG = 1e4  # passes of the pellets after which a bed is at rest


class Unsolved(Exception):
    """A peer gave up."""


class Line:
    """The right-hand side du/dz and its Jacobian at points along one bed; u has shape (n + 3, points)."""

    def __init__(self, solution: Solution):
        """The bed and the shells of one of our solutions."""
        self.bed = solution.problem.bed
        shells = solution.problem.shells
        self.V, self.g = shells.volume, shells.conductance  # (n, 1)
        self.n = len(self.V)
        self.inner = 5 * self.bed.conductivity / self.bed.radius
        self.dry_per_surface = self.bed.solid_density * self.bed.radius / 3
        self.units = np.array([0.1] * self.n + [1e5, 0.02, 5e4])[:, None]
        X, T = self.bed.feed_moisture_db, self.bed.feed_temperature
        H = (self.bed.specific_heat + C_W * X) * T - self.bed.bound_water(X)[0]
        Y = self.bed.inlet_humidity_ratio
        h = air.enthalpy(self.bed.inlet_air_temperature, Y)
        self.feed = np.concatenate([np.broadcast_to(X, self.n), H]) / self.units[:-2, 0]
        self.inlet_air = np.concatenate([Y, h]) / self.units[-2:, 0]
        per_second, per_flux = self.bed.residence_time, -self.bed.surface / self.bed.air_flux
        self.to_z = np.concatenate([np.full((self.n + 1, 1), per_second), np.full((2, 1), per_flux)])
        self.z_known, self.surface_known = None, None

    # ---- states ---------------------------------------------------------------------------------------

    def streams(self, u):
        """X (n, P), Tp, Ta, Y, and what their slopes need: q_st, heat capacities of pellet and air."""
        X, (H, Y, h) = u[: self.n] * self.units[: self.n], u[self.n :] * self.units[self.n :]
        if not np.isfinite(u).all():
            raise Unsolved("not finite")
        X = np.minimum(np.maximum(X, LEAST_MOISTURE), MOST_MOISTURE)
        Q, q_st = self.bed.bound_water(X[..., None])
        Q, q_st = Q[..., 0], q_st[..., 0]
        capacity = self.bed.specific_heat + C_W * (self.V * X).sum(axis=0)
        Tp = (H + (self.V * Q).sum(axis=0)) / capacity
        return X, Tp, air.temperature_from_enthalpy(h, Y), Y, q_st, capacity, C_A + C_V * Y

    def _theta(self, X):
        """Kirchhoff's variable of D = D(Ts) e^{b(X−X_ref)} and its slope."""
        law = self.bed.diffusivity
        if not np.any(law.moisture_slope):
            return X - law.at_moisture, np.ones_like(X)
        slope = np.exp(law.moisture_slope * (X - law.at_moisture))
        return (slope - 1) / law.moisture_slope, slope

    # ---- the surface ----------------------------------------------------------------------------------

    def surface(self, X, Tp, Ta, Y, q_st, Xs, Ts):
        """Residuals of the two surface equations (2, P) with everything they are made of."""
        bed, p, s = self.bed, self.bed.pressure, {}
        s["rate"] = pellet.diffusivity(bed.diffusivity, Ts, bed.diffusivity.at_moisture) / bed.radius**2
        s["rate_slope"] = pellet.diffusivity_log_slope(bed.diffusivity, Ts)
        theta, s["slope"] = self._theta(X)
        theta_s, s["slope_s"] = self._theta(Xs)
        through = self.g * (np.concatenate([theta[1:], theta_s[None]]) - theta)
        E = through.copy()
        E[1:] -= through[:-1]
        s["inflow"] = E
        k = self.dry_per_surface * s["rate"]
        J = s["J"] = -k * through[-1]
        s["J_n"], s["J_s"] = k * self.g[-1] * s["slope"][-1], -k * self.g[-1] * s["slope_s"]
        s["J_T"] = J * s["rate_slope"]
        h, h_slope = packed_bed.heat_transfer_coefficient_and_slope(bed.air_flux, 2 * bed.radius, Ta)
        h_v = s["h_v"] = air.vapour_enthalpy(Ts)
        s["passed"] = h * (Ts - Ta) + J * h_v
        s["q_T"], s["q_Ta"] = h + C_V * J, h_slope * (Ts - Ta) - h
        s["latent"] = h_v - C_W * Tp
        s["bound"] = k * (q_st * E).sum(axis=0)  # = −q_b
        heat = self.inner * (Tp - Ts) - h * (Ts - Ta) - J * s["latent"] + s["bound"]

        k_m, k_slope = packed_bed.mass_transfer_coefficient_and_slope(bed.air_flux, 2 * bed.radius, Ta, p)
        half = 1 / (Ta + Ts + 2 * air.ZERO_CELSIUS)
        K = k_m * p * (2 / air.GAS_CONSTANT_WATER) * half
        a_w, a_X, a_T = sorption.water_activity_and_slopes(bed.isotherm, Xs, Ts)
        p_s = air.saturation_pressure(Ts) / p
        drive = np.minimum(-J / K, 50.0)
        rest = air.MOLAR_MASS_RATIO / (Y + air.MOLAR_MASS_RATIO) * np.exp(drive)
        s["w_J"], s["w_X"] = rest / K, -a_X * p_s
        s["w_T"] = -(a_T + a_w * air.saturation_pressure_log_slope(Ts)) * p_s - rest * drive * half
        s["w_Ta"] = rest * drive * (k_slope / k_m - half)
        s["w_Y"] = rest / (Y + air.MOLAR_MASS_RATIO)
        s["residual"] = np.stack([1 - rest - a_w * p_s, heat])
        s["by_surface"] = np.array(
            [
                [s["w_X"] + s["w_J"] * s["J_s"], s["w_T"] + s["w_J"] * s["J_T"]],
                [
                    -s["latent"] * s["J_s"] + k * q_st[-1] * self.g[-1] * s["slope_s"],
                    -self.inner - s["q_T"] - s["latent"] * s["J_T"] + s["bound"] * s["rate_slope"],
                ],
            ]
        )  # (2, 2, P)
        return s

    def solve_surface(self, z, streams):
        """Newton's method for Xs and Ts at all points at once, started from the last call's.

        Where it does not converge (iterates of the caller may have no surface state) its last iterate has to
        do: the caller's Newton method then sees a rough residual instead of none, which it survives more often.
        """
        X, Tp, Ta, Y, q_st, *_ = streams
        if self.z_known is None:
            Xs, Ts = 0.9 * X[-1], 0.5 * (Tp + Ta)
        elif len(z) == len(self.z_known) and np.array_equal(z, self.z_known):
            Xs, Ts = self.surface_known
        else:
            Xs, Ts = (np.interp(z, self.z_known, known) for known in self.surface_known)
        for step in range(SURFACE_STEPS):
            s = self.surface(X, Tp, Ta, Y, q_st, Xs, Ts)
            (a, b), (c, d) = s["by_surface"]
            r, t = s["residual"]
            determinant = a * d - b * c
            dX, dT = (b * t - d * r) / determinant, (c * r - a * t) / determinant
            share = 1.0 if step < FULL_STEPS else 0.5
            Xs = np.clip(Xs + share * dX, 0.2 * Xs, 2 * Xs + 0.01)
            Ts = np.clip(Ts + np.clip(share * dT, -20, 20), -80, 150)
            lost = ~((np.abs(dX) < SURFACE_CONVERGED) & (np.abs(dT) < 1e3 * SURFACE_CONVERGED))
            if not lost.any():
                break
        self.z_known, self.surface_known = z, (Xs, Ts)
        return self.surface(X, Tp, Ta, Y, q_st, Xs, Ts)

    # ---- right-hand side and Jacobian -----------------------------------------------------------------

    def rates(self, z, u):
        """du/dz (n + 3, P): pellets per pass, air against it."""
        return self._rates(self.solve_surface(z, self.streams(u)))

    def _rates(self, s):
        pellets = np.concatenate(
            [s["rate"] * s["inflow"] / self.V, -(s["passed"] / self.dry_per_surface)[None]]
        )
        return self.to_z * np.concatenate([pellets, s["J"][None], s["passed"][None]]) / self.units

    def rates_and_slopes(self, z, u):
        """du/dz and its Jacobian (n + 3, n + 3, P), the surface eliminated by the implicit function theorem."""
        n, P = self.n, u.shape[1]
        streams = self.streams(u)
        X, Tp, Ta, _, q_st, capacity, air_capacity = streams
        s = self.solve_surface(z, streams)
        rate, slope, k = s["rate"], s["slope"], self.dry_per_surface * s["rate"]
        j = np.arange(n)
        dE = np.zeros((n, n, P))
        both = self.g.copy()
        both[1:] += self.g[:-1]
        dE[j, j] = -both * slope
        dE[j[1:], j[:-1]], dE[j[:-1], j[1:]] = self.g[:-1] * slope[:-1], self.g[:-1] * slope[1:]
        q_slope = (self.bed.bound_water((X + 1e-6)[..., None])[1][..., 0] - q_st) / 1e-6

        # by (X, Tp, Ta, Y), then by (Xs, Ts)
        G, S, S_s = np.zeros((2, n + 3, P)), np.zeros((n + 3, n + 3, P)), np.zeros((n + 3, 2, P))
        G[0, n - 1], G[0, n + 1], G[0, n + 2] = s["w_J"] * s["J_n"], s["w_Ta"], s["w_Y"]
        G[1, :n] = k * (q_slope * s["inflow"] + np.einsum("ip,ijp->jp", q_st, dE))
        G[1, n - 1] -= s["latent"] * s["J_n"]
        G[1, n], G[1, n + 1] = self.inner + C_W * s["J"], -s["q_Ta"]
        S[:n, :n] = rate * dE / self.V[:, :, None]
        S_s[n - 1, 0] = rate * self.g[-1] * s["slope_s"] / self.V[-1]
        S_s[:n, 1] = rate * s["rate_slope"] * s["inflow"] / self.V
        S[n + 1, n - 1], S_s[n + 1, 0], S_s[n + 1, 1] = s["J_n"], s["J_s"], s["J_T"]
        S[n + 2, n - 1], S[n + 2, n + 1] = s["h_v"] * s["J_n"], s["q_Ta"]
        S_s[n + 2, 0], S_s[n + 2, 1] = s["h_v"] * s["J_s"], s["q_T"] + s["h_v"] * s["J_T"]
        S[n], S_s[n] = -S[n + 2] / self.dry_per_surface, -S_s[n + 2] / self.dry_per_surface
        (a, b), (c, d) = s["by_surface"]
        inverse = np.array([[d, -b], [-c, a]]) / (a * d - b * c)
        S -= np.einsum("isp,stp,tjp->ijp", S_s, inverse, G, optimize=True)

        # from (X, Tp, Ta, Y) to (X, H, Y, h)
        by_Tp, by_Ta, by_Y = S[:, n].copy(), S[:, n + 1].copy(), S[:, n + 2].copy()
        S[:, :n] += by_Tp[:, None] * (self.V * (q_st - C_W * Tp) / capacity)
        S[:, n] = by_Tp / capacity
        S[:, n + 1] = by_Y - by_Ta * air.vapour_enthalpy(Ta) / air_capacity
        S[:, n + 2] = by_Ta / air_capacity
        return self._rates(s), S * (self.to_z / self.units)[:, None] * self.units[:, 0][:, None]

    def exits(self, pellets, air_out):
        """(moisture wet basis, temperature) of pellets that leave with these states (n + 1,)."""
        X, Tp, *_ = self.streams(np.concatenate([pellets, air_out])[:, None])
        X = float((self.V * X).sum())
        return X / (1 + X), float(Tp[0])

    def our_states(self, solution: Solution):
        """z (2K,) and u (n + 3, 2K) at the stages of our solution, from the top down."""
        e, state = solution.contents, solution.state
        z = stage_positions(solution.problem.z)[..., 0].ravel()
        X = np.moveaxis(state.chain[..., 0], 1, 0).reshape(self.n, -1)
        rest = [f[..., 0].reshape(1, -1) for f in (e.enthalpy, state.points[:, 4], e.air_enthalpy)]
        return z, np.concatenate([X, *rest]) / self.units


# ---- (a) collocation ------------------------------------------------------------------------------------


def solve_bvp(solution: Solution, tolerance: float, seeded: bool = True):
    """scipy.integrate.solve_bvp on the stages of our solution, from it or from straight lines: exits.

    Dead ends: seeds on fewer points than twice our stages (it adds points between which thin shells
    overshoot below zero, and fails in most cases); the logarithm of the moisture as the state (less exact).
    """
    line = Line(solution)
    n = line.n
    z, u = line.our_states(solution)
    z, u = np.concatenate([[0.0], z, [1.0]]), np.concatenate([u[:, :1], u, u[:, -1:]], axis=1)
    u[: n + 1, 0], u[n + 1 :, -1] = line.feed, line.inlet_air
    if not seeded:
        u = straight_lines(line, z)

    def ends(top, bottom):
        return np.concatenate([top[: n + 1] - line.feed, bottom[n + 1 :] - line.inlet_air])

    by_top, by_bottom = np.diag([1.0] * (n + 1) + [0.0] * 2), np.diag([0.0] * (n + 1) + [1.0] * 2)
    answer = scipy_solve_bvp(
        line.rates, ends, z, u, fun_jac=lambda z, u: line.rates_and_slopes(z, u)[1],
        bc_jac=lambda *_: (by_top, by_bottom), tol=tolerance, max_nodes=4000,
    )  # fmt: skip
    if answer.status != 0:
        raise Unsolved(answer.message)
    return line.exits(answer.y[: n + 1, -1], answer.y[n + 1 :, 0])


def straight_lines(line: Line, z):
    """Pellets that keep their water, temperatures on a straight line between the streams."""
    bed, down = line.bed, z
    X = np.broadcast_to(bed.feed_moisture_db, (line.n, len(z)))
    Ta = bed.inlet_air_temperature + 0.6 * (bed.feed_temperature - bed.inlet_air_temperature) * (1 - down)
    Y = bed.inlet_humidity_ratio + 0.02 * (1 - down)
    H = (bed.specific_heat + C_W * bed.feed_moisture_db) * (Ta + 3) - bed.bound_water(bed.feed_moisture_db)[0]
    return np.concatenate([X, [H, Y, air.enthalpy(Ta, Y)]]) / line.units


# ---- (b) to rest in time --------------------------------------------------------------------------------


def march(solution: Solution, rest: float):
    """March a bed from straight lines until a step of half a pass or more moves the exit by less than `rest`."""
    line = Line(solution)
    nodes = solution.problem.z[:, 0]
    n, K = line.n, len(nodes) - 1
    m, P = n + 3, 2 * K
    z = stage_positions(nodes[:, None])[..., 0].ravel()
    hold_up = np.ones((m, 1))
    hold_up[n + 1 :] = AIR_HOLD_UP
    transport, inflow = _transport(line, np.diff(nodes))
    scale = np.tile((1 / hold_up)[:, 0], P)
    transport, inflow = (sparse.diags(scale) @ transport).tocsc(), scale * inflow
    sign = np.ones((m, 1))
    sign[n + 1 :] = -1.0  # the air runs against z
    weight = sign / hold_up
    # unknowns ordered (point, state): the sources' Jacobian is block-diagonal
    at = np.arange(P)[:, None, None] * m
    rows, columns = np.broadcast_arrays(at + np.arange(m)[:, None], at + np.arange(m))
    rows, columns = rows.ravel(), columns.ravel()

    def rates(_, y):
        u = y.reshape(P, m).T
        return (weight * line.rates(z, u)).T.ravel() - transport @ y + inflow

    def jacobian(_, y):
        S = line.rates_and_slopes(z, y.reshape(P, m).T)[1] * weight[:, None]
        return sparse.csc_matrix((np.moveaxis(S, 2, 0).ravel(), (rows, columns)), (P * m, P * m)) - transport

    y = straight_lines(line, z).T.ravel()
    relative = 100 * rest  # the way there may be rough
    solver = BDF(rates, 0.0, y, LONG, jac=jacobian, rtol=relative, atol=0.1 * relative)
    left = line.feed
    for _ in range(2000):
        solver.step()
        if solver.status == "failed" or not np.isfinite(solver.y).all():
            raise Unsolved("time step too small")
        u = solver.y.reshape(K, 2, m)
        left, before = DOWN.exit @ u[-1, :, : n + 1], left
        steady = solver.step_size > 0.5 and np.abs(left - before).max() < rest
        if steady or solver.status == "finished":
            break
    else:
        raise Unsolved("2000 steps")
    return line.exits(left, UP.exit @ u[0, :, n + 1 :])


def _transport(line: Line, dz):
    """Upwind transport of pellets down and air up (sparse, per unit of z) and what enters at the ends."""
    K, m, n = len(dz), line.n + 3, line.n
    pellets, gas = (np.diag(f) for f in ([1.0] * (n + 1) + [0.0] * 2, [0.0] * (n + 1) + [1.0] * 2))
    total, inflow = 0, np.zeros((K, 2, m))
    for stream, states, shift in ((DOWN, pellets, -1), (UP, gas, 1)):
        own = sparse.kron(sparse.diags(1 / dz), stream.stage)
        handed = np.outer(stream.entry, stream.exit)
        beside = sparse.kron(sparse.diags(1 / dz) @ sparse.eye(K, k=shift), handed)
        total = total + sparse.kron(own + beside, states)
    inflow[0, :, : n + 1] = -np.outer(DOWN.entry, line.feed) / dz[0]
    inflow[-1, :, n + 1 :] = -np.outer(UP.entry, line.inlet_air) / dz[-1]
    return total, inflow.ravel()
