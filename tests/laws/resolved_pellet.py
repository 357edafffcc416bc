"""A second opinion on the counter-flow cooler, written from the equations alone.

Nothing here comes from `coolsim`: closures, meshes, stencils and solver are written again, so that an error
in either program shows as a difference. Two models share the one discretisation:

* `resolved_heat=False` — the equations the product solves: moisture resolved in the sphere with D at the
  surface temperature, one mean pellet temperature, resistance Rp/(5k) to the surface.
* `resolved_heat=True` — temperature resolved in the sphere as well, D at the local temperature.

**The resolved pellet.** Per kg of dry solid the local enthalpy is H(X, T) = c_d T + 4186 X T − Q(X), with
Q' = q_st. Water moves by j = −ρ_d D ∂X/∂r and takes its own partial enthalpy along,
h_w = ∂H/∂X|_T = 4186 T − q_st(X). Conservation of both, in any control volume:

    ρ_d ∂X/∂t = −∇·j
    ρ_d ∂H/∂t = −∇·(−k ∇T + j h_w)        ⇔   ρ_d (c_d + 4186 X) ∂T/∂t = ∇·(k ∇T) − j·∇h_w

At the surface nothing is stored, so what arrives inside leaves outside:

    j = J                                  −k ∂T/∂r + J h_w(Xs, Ts) = q + J h_v(Ts)

Integrated over the sphere the pellet loses exactly J and q + J h_v per surface: total energy is conserved,
and the shells conserve it identically, since what leaves one through a face enters the next.

**Numbers.** Finite volumes in r, shells thinner toward the surface, r = R (1 − (1−σ)²). Along the bed, nodes
at z = L (15 s⁴ − 24 s⁵ + 10 s⁶), s uniform: √z at the pellet inlet is smooth in s, and both ends are fine.
Pellet equations use the second-order backward difference along their way down, air equations along its way up
(both L-stable). All nodes are solved at once by Newton's method with a sparse LU: evaporation is switched on
gradually on a coarse mesh, finer meshes start from it. The stencil does not telescope, so the balances
between inlet and outlet close only as far as the mesh is fine: an error measure the scheme cannot hide. All
errors are of second order, so (4 fine − coarse)/3 of two meshes removes the leading term; conserved
quantities are extrapolated, never temperatures.

Measured (`python tests/laws/resolved_pellet.py fine`): exit moisture in % wet basis and temperature in °C on
meshes of cells × shells, then extrapolated from both, with how far the last mesh (after 96 × 20) moved that.

                                  heat             192 × 40         384 × 80  extrapolated
    pig pellets, humid            lumped    14.0021 33.064   14.0021 33.064   14.0021 33.064 ± 0.0001 0.000
    pig pellets, humid            resolved  14.0051 33.052   14.0051 33.052   14.0051 33.051 ± 0.0001 0.000
    pig pellets, cold and dry     lumped    12.9654  0.866   12.9654  0.864   12.9654  0.863 ± 0.0000 0.002
    pig pellets, cold and dry     resolved  12.9682  0.861   12.9682  0.859   12.9682  0.858 ± 0.0000 0.002
    floating fish feed            lumped    11.6275 33.708   11.6275 33.707   11.6275 33.707 ± 0.0001 0.001
    floating fish feed            resolved  11.6237 33.700   11.6237 33.699   11.6238 33.699 ± 0.0001 0.001
    marine pellets, 2 mm          lumped    11.7983 32.253   11.7984 32.251   11.7985 32.250 ± 0.0002 0.002
    marine pellets, 2 mm          resolved  11.7963 32.251   11.7964 32.249   11.7965 32.249 ± 0.0002 0.002
    hot inlet air, wet feed       lumped    16.5350 45.898   16.5348 45.908   16.5347 45.912 ± 0.0004 0.009
    hot inlet air, wet feed       resolved  16.5489 46.055   16.5487 46.066   16.5486 46.069 ± 0.0004 0.009
    thin bed, much air            lumped    15.4229 32.239   15.4229 32.239   15.4229 32.239 ± 0.0000 0.000
    thin bed, much air            resolved  15.4092 32.265   15.4092 32.265   15.4093 32.265 ± 0.0000 0.000
    little air                    lumped    13.5042 35.319   13.5042 35.318   13.5042 35.318 ± 0.0000 0.001
    little air                    resolved  13.5095 35.310   13.5095 35.309   13.5095 35.309 ± 0.0000 0.001
    diffusivity falls with drying lumped    14.0821 32.957   14.0821 32.957   14.0821 32.957 ± 0.0000 0.000
    diffusivity falls with drying resolved  14.0856 32.944   14.0855 32.944   14.0855 32.944 ± 0.0000 0.000

That was with D_v 2.26e-5 at 0 °C. With 2.178e-5, as now, the first nine lines were run again: exits move by up to
0.0014 point and 0.012 K, resolved less lumped by nothing.

Going from 24 to 80 shells on one mesh of cells moves no exit by more than 0.0003 point and 0.0009 K.
"""

from __future__ import annotations

import itertools
import sys

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

R_GAS, M_WATER = 8.314462618, 0.01801528
R_V = R_GAS / M_WATER
KELVIN = 273.15
C_WATER = 4186.0
MESHES = (48, 12), (96, 24), (192, 48)  # cells, shells: each twice the one before

PIG = {
    "isotherm": "modified-chung-pfost", "constants": (312.3, 0.16958, 30.205), "fat": 0.04,
    "D_ref": 7e-10, "D_at": 60.0, "Ea": 26.42e3, "b": 0.0, "X_ref": 0.0, "c_d": 1800.0, "k": 0.2,
    "bulk_density": 640.0, "void": 0.42, "diameter": 4e-3, "length": 10e-3,
    "feed_temperature": 82.0, "moisture_wb": 0.165, "air_temperature": 31.0, "relative_humidity": 0.85,
    "pressure": 101_325.0, "inlet_air_temperature": None, "air_ratio": 1.0, "feed_flux": 0.5, "depth": 0.8,
}  # fmt: skip
PASTA = {"isotherm": "oswin-variable", "constants": (17.6, -0.1748, 0.182, 6.946e-3)}
FISH = PIG | PASTA | {
    "fat": 0.06, "D_ref": 1e-9, "Ea": 26e3, "bulk_density": 420.0, "void": 0.45, "diameter": 6e-3,
    "length": 6e-3, "feed_temperature": 88.0, "moisture_wb": 0.14, "air_temperature": 30.0,
    "relative_humidity": 0.75, "air_ratio": 1.2, "feed_flux": 0.4, "depth": 0.6,
}  # fmt: skip
MARINE = FISH | {
    "fat": 0.09, "D_ref": 1.4e-10, "diameter": 2e-3, "length": 2e-3, "bulk_density": 650.0, "void": 0.42,
}  # fmt: skip
CASES = {
    "pig pellets, humid": PIG,
    "pig pellets, cold and dry": PIG | {"air_temperature": -5.0, "relative_humidity": 0.4},
    "floating fish feed": FISH,
    "marine pellets, 2 mm": MARINE,
    "hot inlet air, wet feed": PIG | {"inlet_air_temperature": 80.0, "moisture_wb": 0.20},
    "thin bed, much air": PIG | {"air_ratio": 4.0, "depth": 0.1},
    "little air": PIG | {"air_ratio": 0.3},
    "diffusivity falls with drying": PIG | {"b": 10.0, "X_ref": 0.16},
}  # all SI, °C


# --- closures -----------------------------------------------------------------------------------------


def p_sat(T):
    """Saturation pressure over liquid water, Pa: ASHRAE Fundamentals 2017 ch. 1 eq. 6."""
    K = T + KELVIN
    return np.exp(-5.8002206e3 / K + 1.3914993 - 4.8640239e-2 * K + 4.1764768e-5 * K**2
                  - 1.4452093e-8 * K**3 + 6.5459673 * np.log(K))  # fmt: skip


def p_sat_ice(T):
    """Saturation pressure over ice, Pa: eq. 5. For the weather's relative humidity only."""
    K = T + KELVIN
    return np.exp(-5.6745359e3 / K + 6.3925247 - 9.677843e-3 * K + 6.2215701e-7 * K**2
                  + 2.0747825e-9 * K**3 - 9.484024e-13 * K**4 + 4.1635019 * np.log(K))  # fmt: skip


def air_enthalpy(T, Y):
    return 1006.0 * T + Y * (2501e3 + 1860.0 * T)


class Sorption:
    """Water activity a_w(X, T), net heat of desorption q_st(X) and its integral Q(X), Q(0) = 0."""

    def __init__(self, equation, constants, fat):
        self.law = {"modified-chung-pfost": self._chung_pfost, "oswin-variable": self._oswin}[equation]
        self.tail = equation == "modified-chung-pfost"
        self.constants, self.scale = constants, 100.0 / (1.0 - fat)
        self.points, self.weights = np.polynomial.legendre.leggauss(12)

    def _chung_pfost(self, M, T):
        """ln a_w, ∂ln a_w/∂M%, ∂ln a_w/∂T."""
        A, B, C = self.constants
        T = np.where(T.real < 100.0, T, 100.0)
        y = -A / (T + C) * np.exp(-B * M)
        return y, -B * y, -y / (T + C)

    def _oswin(self, M, T):
        A, B, C, D = self.constants
        T = np.where(T.real < 90.0, T, 90.0)
        a, c = A + B * T, C + D * T
        y = np.log(a / M) / c
        share = 1.0 / (1.0 + np.exp(-y))
        return -np.log1p(np.exp(y)), share / (c * M), -share * (B / a / c - D * y / c)

    def a_w(self, X, T):
        M = X * self.scale
        if not self.tail:
            return np.exp(self.law(M, T)[0])
        y, slope, _ = self.law(np.where(M.real > 3.0, M, 3.0), T)
        return np.where(M.real > 3.0, np.exp(y), np.exp(y + 3.0 * slope * np.log(M / 3.0)))

    def q_st(self, X):
        M = X * self.scale
        return R_V * 313.15**2 * self.law(np.where(M.real > 3.0, M, 3.0), np.float64(40.0))[2]

    def Q(self, X):
        X3 = 3.0 / self.scale
        low = np.minimum(X, X3)
        half = 0.5 * np.maximum(X - X3, 0.0)
        nodes = X3 + half[..., None] * (1.0 + self.points)
        return self.q_st(low) * low + half * (self.q_st(nodes) @ self.weights)


class Film:
    """Water and heat flux from surface to air, kg/(m² s) and W/m²: Wakao & Kaguei, Stefan flow.

    `evaporation` scales both vapour pressures: pellets hotter than boiling are no obstacle to a first guess.
    """

    def __init__(self, case, Ga, d_p, sorption):
        self.p, self.Ga, self.d_p, self.sorption = case["pressure"], Ga, d_p, sorption

    def __call__(self, Xs, Ts, Ta, Y, evaporation=1.0):
        K, p = Ta + KELVIN, self.p
        mu = 1.716e-5 * (K / 273.15) ** 1.5 * (273.15 + 110.4) / (K + 110.4)
        k_air = 0.0241 * (K / 273.15) ** 1.5 * (273.15 + 194.4) / (K + 194.4)
        D_v = 2.178e-5 * (K / 273.15) ** 1.81 * (101_325.0 / p)
        Re = self.Ga * self.d_p / mu
        h = k_air / self.d_p * (2.0 + 1.1 * Re**0.6 * (mu * 1006.0 / k_air) ** (1 / 3))
        k_m = D_v / self.d_p * (2.0 + 1.1 * Re**0.6 * (mu * 287.042 * K / (p * D_v)) ** (1 / 3))
        p_a = evaporation * p * Y / (0.621945 + Y)
        p_s = evaporation * self.sorption.a_w(Xs, Ts) * p_sat(Ts)
        T_f = 0.5 * (Ta + Ts) + KELVIN
        J = k_m * M_WATER * p / (R_GAS * T_f) * (np.log(p - p_a) - np.log(p - p_s))
        return J, h * (Ts - Ta)


# --- the bed ------------------------------------------------------------------------------------------


class Bed:
    """Residual and Jacobian of all nodes at once.

    Unknowns of a node: X of N shells, T of N shells (or one Tp), Xs, Ts, Ta, Y.
    Its equations: water of N shells, enthalpy of N shells (or one), two surface laws, water and enthalpy of
    the air. Each reads transport · W(u) + weight · S(u) = known, with what the streams carry, W, and the
    rates S.
    """

    def __init__(self, case, resolved_heat, cells, shells, film=None):
        c = self.case = case
        self.resolved, self.N, self.cells = resolved_heat, shells, cells
        self.m = shells if resolved_heat else 1  # temperatures in the pellet
        self.n = shells + self.m + 4
        d, l = c["diameter"], c["length"]
        self.R = R = 3.0 * (d * l) / (4.0 * l + 2.0 * d)  # 3 V/S of the cylinder
        self.X_in = c["moisture_wb"] / (1.0 - c["moisture_wb"])
        self.Gs, self.Ga = c["feed_flux"] / (1.0 + self.X_in), c["air_ratio"] * c["feed_flux"]
        self.rho = c["bulk_density"] / (1.0 + self.X_in) / (1.0 - c["void"])
        self.a = 3.0 * (1.0 - c["void"]) / R
        weather = p_sat if c["air_temperature"] > 0.01 else p_sat_ice
        p_v = c["relative_humidity"] * weather(c["air_temperature"])
        self.Y_in = 0.621945 * p_v / (c["pressure"] - p_v)
        heated = c["inlet_air_temperature"]
        self.Ta_in = c["air_temperature"] if heated is None else heated
        self.sorption = Sorption(c["isotherm"], c["constants"], c["fat"])
        self.film = film or Film(c, self.Ga, 2.0 * R, self.sorption)

        def radius(sigma):
            return R * (1.0 - (1.0 - sigma) ** 2)

        edges, self.r = radius(np.arange(shells + 1) / shells), radius((np.arange(shells) + 0.5) / shells)
        self.volume = np.diff(edges**3) / R**3  # share of the sphere
        self.face = 3.0 * edges[1:] ** 2 / R**3  # face area per sphere volume, outer face of each shell
        self.gap = np.diff(np.append(self.r, R))  # distance across each outer face
        s = np.linspace(0.0, 1.0, cells + 1)
        self.z = c["depth"] * (15 * s**4 - 24 * s**5 + 10 * s**6)
        dz_ds = c["depth"] * 60.0 * s**3 * (1.0 - s) ** 2
        nodes, h = self.cells + 1, 1.0 / self.cells
        down = sparse.diags([0.5, -2.0, 1.5], [-2, -1, 0], shape=(nodes, nodes)).tolil() / h
        down[0, :] = 0.0
        down[0, 0] = 1.0
        down[1, 0], down[1, 1] = -1.0 / h, 1.0 / h
        up = down.tocsr()[::-1, ::-1]  # the same differences, looking the other way
        pellet = np.zeros(self.n)
        pellet[: self.N + self.m] = 1.0
        air = np.zeros(self.n)
        air[-2:] = 1.0
        self.transport = (
            sparse.kron(down, sparse.diags(pellet)) + sparse.kron(up, sparse.diags(air))
        ).tocsr()
        self.weight = np.ones(
            (nodes, self.n)
        )  # dz/ds = 0 at both ends leaves the boundary values alone there
        self.weight[:, :-4] = -dz_ds[:, None] * self.rho * (1.0 - c["void"]) / self.Gs  # −dt/ds
        self.weight[:, -2:] = -dz_ds[:, None] * self.a / self.Ga  # the air gains on its way up
        self.known = np.zeros((nodes, self.n))
        carried = self.storage(self.start())[0]
        self.known[0, :-4], self.known[-1, -2:] = carried[0, :-4], carried[-1, -2:]
        self.scale = np.concatenate([np.full(self.N, 0.05), np.full(self.m, 1e5), [1e-3, 3e3], [0.02, 5e4]])

    def start(self):
        """Pellets unchanged, temperatures on a straight line."""
        U = np.empty((self.cells + 1, self.n))
        line = self.case["feed_temperature"] + (self.Ta_in - self.case["feed_temperature"]) * (
            self.z[:, None] / self.z[-1]
        )
        U[:, : self.N] = U[:, -4, None] = self.X_in
        U[:, self.N : -4] = U[:, -3:-1] = line
        U[0, self.N : -4] = self.case["feed_temperature"]
        U[:, -1] = self.Y_in
        return U

    def split(self, U):
        N = self.N
        return U[:, :N], U[:, N:-4], U[:, -4], U[:, -3], U[:, -2], U[:, -1]

    def storage(self, U):
        """What each stream carries: X, H per dry solid; Y, h per dry air. With its derivatives."""
        X, T, _, _, Ta, Y = self.split(U)
        N, m, v = self.N, self.m, self.volume
        W, dW = np.zeros_like(U), np.zeros((*U.shape, self.n))
        j, c_d = np.arange(N), self.case["c_d"]
        W[:, :N], dW[:, j, j] = X, 1.0
        H = c_d * T + C_WATER * X * T - self.sorption.Q(X)
        H_X, H_T = C_WATER * T - self.sorption.q_st(X), c_d + C_WATER * X
        if m == 1:
            W[:, N], dW[:, N, :N], dW[:, N, N] = H @ v, H_X * v, H_T @ v
        else:
            W[:, N:-4], dW[:, N + j, j], dW[:, N + j, N + j] = H, H_X, H_T
        W[:, -2], dW[:, -2, -1] = Y, 1.0
        W[:, -1] = air_enthalpy(Ta, Y)
        dW[:, -1, -2], dW[:, -1, -1] = 1006.0 + 1860.0 * Y, 2501e3 + 1860.0 * Ta
        return W, dW

    def rates(self, U, evaporation):
        """dX/dt, dH/dt per dry solid; the two surface laws; J and q + J h_v for the air. Complex-safe."""
        X, T, Xs, Ts, Ta, Y = self.split(U)
        c, rho = self.case, self.rho
        J, q = self.film(Xs, Ts, Ta, Y, evaporation)
        loss = q + J * (2501e3 + 1860.0 * Ts)
        out = np.empty_like(U)
        X_out = np.concatenate([X[:, 1:], Xs[:, None]], axis=1)  # beyond each outer face
        X_face = np.concatenate([0.5 * (X[:, 1:] + X[:, :-1]), Xs[:, None]], axis=1)
        if self.resolved:
            T_out = np.concatenate([T[:, 1:], Ts[:, None]], axis=1)
            T_face = np.concatenate([0.5 * (T[:, 1:] + T[:, :-1]), Ts[:, None]], axis=1)
        else:
            T_face = Ts[:, None]
        warmer = 1.0 / (c["D_at"] + KELVIN) - 1.0 / (T_face + KELVIN)
        D = c["D_ref"] * np.exp(c["Ea"] / R_GAS * warmer + c["b"] * (X_face - c["X_ref"]))
        j = rho * D * (X - X_out) / self.gap  # outward, kg/(m² s); the last one is the surface's
        out[:, : self.N] = self._divergence(j)
        out[:, -4] = j[:, -1] - J
        if self.resolved:
            conducted = c["k"] * (T - T_out) / self.gap
            carried = j * (C_WATER * T_face - self.sorption.q_st(X_face))
            out[:, self.N : -4] = self._divergence(conducted + carried)
            out[:, -3] = conducted[:, -1] + carried[:, -1] - loss
        else:
            Tp = T[:, 0]
            out[:, self.N] = -loss * 3.0 / (rho * self.R)
            bound = -(rho * self.R / 3.0) * ((self.sorption.q_st(X) * out[:, : self.N]) @ self.volume)
            out[:, -3] = 5.0 * c["k"] / self.R * (Tp - Ts) - loss + J * C_WATER * Tp - bound
        out[:, -2], out[:, -1] = J, loss
        return out

    def _divergence(self, flux):
        through = flux * self.face
        through[:, 1:] -= through[:, :-1].copy()
        return -through / (self.rho * self.volume)

    def rate_slopes(self, U, evaporation):
        """Jacobian of `rates` by complex steps. Shells touch only their neighbours: three at a time."""
        N, n, m = self.N, self.n, self.m
        S = self.rates(U, evaporation)
        dS = np.zeros((*U.shape, n))

        def step(columns):
            V = U.astype(complex)
            V[:, columns] += 1e-30j
            return self.rates(V, evaporation).imag / 1e-30

        for k in range(N if m == 1 else n - 4, n):
            dS[:, :, k] = step([k])
        rows = np.arange(N)
        for first in range(0, N + (m if m > 1 else 0), N):
            for colour in range(3):
                columns = np.arange(colour, N, 3)
                slope = step(first + columns)
                for shift in (-1, 0, 1):
                    r = columns + shift
                    ok = (r >= 0) & (r < N)
                    for base in (0, N) if m > 1 else (0,):
                        dS[:, base + r[ok], first + columns[ok]] = slope[:, base + r[ok]]
                last = columns[-1]
                if last == N - 1:  # the surface laws see the outermost shell
                    dS[:, -4:, first + last] = slope[:, -4:]
        if m == 1:  # the desorption heat sees every shell
            X = U[:, :N]
            q_st = self.sorption.q_st(X)
            slope = self.sorption.q_st(X + 1e-30j).imag / 1e-30
            dS[:, -3, :N] = np.einsum("im,imj->ij", q_st * self.volume, dS[:, :N, :N])
            dS[:, -3, rows] += slope * S[:, :N] * self.volume
            dS[:, -3, :N] *= self.rho * self.R / 3.0
        return S, dS

    def residual(self, U, evaporation):
        carried = (self.transport @ self.storage(U)[0].ravel()).reshape(U.shape)
        return carried + self.weight * self.rates(U, evaporation) - self.known

    def linearise(self, U, evaporation):
        S, dS = self.rate_slopes(U, evaporation)
        W, dW = self.storage(U)
        F = (self.transport @ W.ravel()).reshape(U.shape) + self.weight * S - self.known
        return F, self.transport @ _blocks(dW) + _blocks(self.weight[..., None] * dS)


def _blocks(dense):
    """Block-diagonal sparse matrix of dense blocks."""
    n = dense.shape[-1]
    i, r, c = np.nonzero(dense)
    size = dense.shape[0] * n
    return sparse.csr_matrix((dense[i, r, c], (i * n + r, i * n + c)), shape=(size, size))


# --- solving ------------------------------------------------------------------------------------------


class Stuck(Exception):
    """Newton's method gave up."""


def newton(bed, U, evaporation, iterations=40):
    """Damped Newton. Steps are limited so that moistures stay positive and temperatures move 25 K at most.

    It ends on the size of the step: on fine meshes the residual of the thin outer shells is rounding early.
    """
    N = bed.N

    def size(F):
        return np.sqrt(np.mean((F / bed.scale) ** 2))

    for _ in range(iterations):
        F, jacobian = bed.linearise(U, evaporation)
        step = -splu(jacobian.tocsc()).solve(F.ravel()).reshape(U.shape)
        if not np.all(np.isfinite(step)):
            raise Stuck
        water = np.concatenate([step[:, :N], step[:, -4, None], step[:, -1, None]], axis=1)
        held = np.concatenate([U[:, :N], U[:, -4, None]], axis=1)
        heat = np.abs(np.concatenate([step[:, N:-4], step[:, -3:-1]], axis=1)).max()
        damping = min(1.0, 25.0 / max(heat, 1e-30), 0.7 / max((-water[:, :-1] / held).max(), 1e-30))
        if max(np.abs(water).max() / 1e-2, heat / 10.0) < 3e-5:
            return U + step  # convergence is quadratic: the next step would be of the order 1e-9
        before = size(F)
        while True:
            V = U + damping * step
            with np.errstate(all="ignore"):
                after = size(bed.residual(V, evaporation))
            if np.isfinite(after) and (after <= (1.0 - 0.1 * damping) * before or after < 1e-10):
                break
            damping *= 0.5
            if damping < 1e-3:
                raise Stuck
        U = V
    raise Stuck


def ramp(bed):
    """From no evaporation to all of it, in strides that shorten where Newton gives up."""
    U, done, stride = newton(bed, bed.start(), 0.0), 0.0, 0.25
    while done < 1.0:
        target = min(1.0, done + stride)
        try:
            U = newton(bed, U, target, iterations=15)
            done, stride = target, 2.0 * stride
        except Stuck:
            stride *= 0.4
            if stride < 1e-4:
                raise
    return U


def first_guess(case, resolved_heat, film=None):
    """A solution on a coarse mesh, where Newton is most forgiving; finer meshes start from it."""
    for cells in (24, 36, 54, 81):
        bed = Bed(case, resolved_heat, cells, 10, film)
        try:
            return bed, ramp(bed)
        except Stuck:
            continue
    raise Stuck


def refine(U, old, new):
    """Carry a solution to another mesh."""

    def shells(values):
        return np.stack([np.interp(new.r, old.r, row) for row in values])

    def along(values):
        s_old, s_new = np.linspace(0, 1, old.cells + 1), np.linspace(0, 1, new.cells + 1)
        return np.stack([np.interp(s_new, s_old, column) for column in values.T], axis=1)

    X, T = U[:, : old.N], U[:, old.N : -4]
    wide = np.concatenate([shells(X), shells(T) if old.m > 1 else T, U[:, -4:]], axis=1)
    return along(wide)


def outlets(bed, U):
    """Conserved quantities that leave: X̄, ⟨Q⟩, H̄ per dry solid; Y, h per dry air."""
    W = bed.storage(U)[0]
    v = bed.volume
    X = U[-1, : bed.N]
    H = W[-1, bed.N] if bed.m == 1 else W[-1, bed.N : -4] @ v
    return np.array([X @ v, bed.sorption.Q(X) @ v, H, W[0, -2], W[0, -1]])


def readings(case, out):
    X, Q, H, Y, h = out
    return {
        "X_out": X,
        "moisture_wb": X / (1.0 + X),
        "T_out": (H + Q) / (case["c_d"] + C_WATER * X),
        "Ta_out": (h - 2501e3 * Y) / (1006.0 + 1860.0 * Y),
        "Y_out": Y,
    }


def second_opinion(case, resolved_heat, meshes=MESHES, film=None):
    """Solve on each mesh (cells, shells), each double the last, and extrapolate from the last two.

    `error_moisture_wb` and `error_temperature` are how far the extrapolated answer moved with the last mesh;
    the imbalances are those of the extrapolated answer, as shares of water entering and heat given up.
    `film(Xs, Ts, Ta, Y, evaporation)` → J, q replaces the surface's laws where a case has an exact solution.
    """
    bed, U = first_guess(case, resolved_heat, film)
    raw = []
    for cells, shells in meshes:
        new = Bed(case, resolved_heat, cells, shells, film)
        U, bed = newton(new, refine(U, bed, new), 1.0), new
        raw.append(outlets(bed, U))
    best = [(4.0 * fine - coarse) / 3.0 for coarse, fine in itertools.pairwise(raw)]
    answer = readings(case, best[-1])
    earlier = readings(case, best[-2] if len(best) > 1 else raw[-1])
    X, _, H, Y, h = best[-1]
    W = bed.storage(U)[0]
    H_in = W[0, bed.N]
    dried, cooled = bed.Gs * (bed.X_in - X), bed.Gs * (H_in - H)
    split = bed.split(U)
    return answer | {
        "error_moisture_wb": abs(answer["moisture_wb"] - earlier["moisture_wb"]),
        "error_temperature": abs(answer["T_out"] - earlier["T_out"]),
        "water_imbalance": (dried - bed.Ga * (Y - bed.Y_in)) / (bed.Gs * bed.X_in),
        "energy_imbalance": (cooled - bed.Ga * (h - air_enthalpy(bed.Ta_in, bed.Y_in))) / abs(cooled),
        "per_mesh": [readings(case, one) for one in raw],
        "profile": {
            "z": bed.z, "r": bed.r, "X": split[0], "T": split[1], "Xs": split[2], "Ts": split[3],
            "Ta": split[4], "Y": split[5], "X_mean": split[0] @ bed.volume,
        },
    }  # fmt: skip


def main(meshes):
    """Print the table at the top of this file."""
    print("".join(f"{f'{cells} × {shells}':>16s}" for cells, shells in meshes).rjust(44 + 16 * len(meshes)))
    for name, case in CASES.items():
        for resolved in (False, True):
            a = second_opinion(case, resolved, meshes)
            print(
                f"{name:30s}{'resolved' if resolved else 'lumped':10s}    ",
                *(f"{100 * m['moisture_wb']:8.4f} {m['T_out']:7.3f}" for m in (*a["per_mesh"], a)),
                f" ± {100 * a['error_moisture_wb']:.4f} {a['error_temperature']:.3f}",
            )


if __name__ == "__main__":
    main(((96, 20), (192, 40), (384, 80)) if "fine" in sys.argv else MESHES)
