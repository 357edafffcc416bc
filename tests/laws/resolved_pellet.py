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

Measured (`cd tests && python -m laws.resolved_pellet fine`): exit moisture in % wet basis and temperature in °C on
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
from laws.resolved_pellet_bed import C_WATER, Bed, air_enthalpy
from scipy.sparse.linalg import splu

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
