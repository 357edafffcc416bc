"""The bed of `resolved_pellet.py`: closures, and the equations of all nodes with their slopes.

Nothing comes from `coolsim`.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

R_GAS, M_WATER = 8.314462618, 0.01801528


R_V = R_GAS / M_WATER


KELVIN = 273.15


C_WATER = 4186.0


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
