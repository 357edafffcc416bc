"""The march of a dryer against general integrators, on the same discrete bed at the same measured error.

How to run, from the top of the repository (two minutes or three; nothing else should be busy):

    python tests/performance/dryer_peers.py          # or some of: ida cvode bdf

It needs the product and scipy; scikit-sundae (`pip install scikit-sundae`, SUNDIALS' CVODE and IDA) or its rows
say that they were skipped. Cells, shells and laws at the surface are the same for all: what differs is how the
equations are taken through time.

- IDA is the fair peer. It sees what we see: a differential-algebraic system in the shells' moisture, the pellets'
  temperature, surfaces, air and inlet (`Whole`), the residuals written with the product's own laws. Its Jacobian is
  sparse, by differences: columns that share no row are moved together, and all such groups are evaluated side by
  side in one call, as one of our Newton steps evaluates two meshes.
- BDF and CVODE see an ordinary differential equation in the shells' moisture and pellets' enthalpy, and are told
  its sparsity; surfaces, air and inlet, which have no memory, are solved for at every call, from where they were at
  the last one, by the product's own elimination (`Slopes`). That is most of their time, and says more of the form
  than of them: so calls are printed too, beside our own Newton steps, each of which is about a third of a call.

They climb a ladder of tolerances, and their ratio is taken on the first rung whose error in the exit, in
moisture and in temperature, is ours or less (within 10 %): the median of some pairs, one run of ours after each of
theirs. The reference is our march with steps thirty times shorter. Our row takes one mesh through time, as peers
do; `predict` carries a second mesh for its error and derives a Result.

BDF is taken through the first eighth of the batch only, and so are we beside it. Later it stalls: at 1e-3 from the
tenth minute, at 1e-5 from the 25th, it takes thousands of calls for seconds of the batch. Steps are short at the
beginning for all, so this stretch is the one where it is at its best.
"""

from __future__ import annotations

import dataclasses
import sys
import time
import warnings
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import csc_matrix, lil_matrix

import coolsim
from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model import drying
from coolsim.model import guess as guessing
from coolsim.model.march import STEP_TOLERANCE, march
from coolsim.physics import pellet as pellet_physics
from coolsim.simulate import dryer_phases
from coolsim.simulate.dryer_phases import as_cooler, phases_of
from coolsim.simulate.inputs import bed_of, gather

try:
    from sksundae.cvode import CVODE
    from sksundae.ida import IDA
except ImportError:
    CVODE = IDA = None

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ROUNDS = 3
STRETCH = 1 / 8  # of the batch that BDF is taken through
INSTANT = 1e-5  # s, a step in which pellets stay as they are: what is left are the equations without memory
MOST_ITERATIONS, ALIKE = 40, 1e-7
LADDER = (1e-3, 3e-4, 1e-4, 3e-5, 1e-5, 1e-6)  # relative tolerances
SCALES = 0.1, 5e4  # kg/kg and J/kg that absolute tolerances are relative to
TEMPERATURE = 50.0  # K, likewise
SLACK = 1.1
DIFFERENCE = 1e-7  # of a variable or its scale, by which a column of the Jacobian is moved


def posed():
    """The scenario's batch without reversals and cooling: case, dryer on one mesh, phase."""
    case = coolsim.replace(coolsim.load(SCENARIOS / "evening-batch.toml"), {"cooler.depth_deviation": "0 %"})
    case = coolsim.replace(case, {"cooler.reverse_every": "10 h", "cooler.cooling_time": "0 s"})
    inputs = gather([dataclasses.replace(case, cooler=as_cooler(case))])
    (phase,) = phases_of([case], inputs)
    column = lambda get: dryer_phases.column([case], inputs, get)  # noqa: E731
    shape = pellet_physics.shape_exponent(column(lambda c: c.feed.diameter), column(lambda c: c.feed.length))
    pellet = drying.Pellet(shape, column(lambda c: c.cooler.shrinkage))
    both = drying.take((bed_of(inputs), pellet), np.zeros(2, int))
    phases = drying.take((phase,), np.zeros(2, int))
    dryer = drying._dryer(both[0], phases, both[1], drying.REAL, drying.Resolution())
    dryer = dataclasses.replace(dryer, bed=dataclasses.replace(dryer.bed, air_flux=phases[0].air_flux))
    return case, drying.take(dryer, np.zeros(1, int)), phase


class Slopes:
    """dy/dt of the bed, y = shells' moisture and enthalpy, point by point; counts its calls."""

    def __init__(self, dryer):
        self.dryer, self.start = dryer, dr.fed_pellets(dryer)
        P, n, _ = self.start.moisture.shape
        self.shape, self.calls, self.near = (P, n + 1), 0, None

    def packed(self, pellets):
        return np.concatenate([pellets.moisture[..., 0], pellets.enthalpy], axis=1).ravel()

    def unpacked(self, y):
        y = y.reshape(self.shape)
        return dr.Pellets(y[:, :-1, None].copy(), y[:, -1:].copy())

    def __call__(self, t, y):
        self.calls += 1
        step = db.begin(self.dryer, self.unpacked(y), np.full(1, INSTANT))
        state = self.near or guessing.first_guess(step)
        held = np.repeat(step.start.moisture[:, :, None], 2, axis=2)
        state = db.State(held, state.points, state.inlet)
        for _ in range(MOST_ITERATIONS):
            state, size = db.newton_step(step, state)
            if size[0] < ALIKE:
                break
        else:
            raise RuntimeError("surfaces and air not found")
        self.near = state
        e = db.evaluate(step, state)
        rate, V = e.diffusion.rate[:, None, 1], self.dryer.shells.volume
        dX = rate * e.diffusion.inflow[:, :, 1] / V
        J, Ts, Ta = e.diffusion.flux[:, 1], state.points[:, db.TS, 1], state.points[:, db.TA, 1]
        passed = e.heat_coefficient[:, 1] * (Ts - Ta) + J * self.dryer.laws.vapour_enthalpy(Ts)
        per_solid = np.broadcast_to(e.per_solid, (self.shape[0], 2, 1))[:, 1] / INSTANT
        return np.concatenate([dX[..., 0], -per_solid * passed], axis=1).ravel()

    def sparsity(self):
        """Own chain by its neighbours; everything by the last shell and the enthalpy of all points: the air, which
        passes them all and comes back."""
        P, m = self.shape
        pattern = lil_matrix((P * m, P * m), dtype=int)
        for p in range(P):
            block = slice(p * m, (p + 1) * m)
            for q in range(P):
                pattern[block, q * m + m - 2 : (q + 1) * m] = 1
            for j in range(m - 1):
                pattern[p * m + j, p * m + max(j - 1, 0) : p * m + min(j + 2, m)] = 1
                pattern[p * m + m - 1, p * m + j] = 1  # heat of bound water moves the surface
        return csc_matrix(pattern)


class Whole:
    """0 = F(t, y, dy/dt) of the bed: y = shells' moisture, Xs, Ts, Tp, Ta, Y point by point, and the inlet's Y, h.

    Arrays carry cases last, so that the columns of a Jacobian are cases. A step of one second that begins where it
    ends leaves of the product's residuals what has no d/dt in it; what has is added from dy/dt.
    """

    def __init__(self, dryer):
        P, n = 2 * (len(dryer.z) - 1), len(dryer.shells.volume)
        self.dryer, self.P, self.n, self.m = dryer, P, n, n + 5
        self.N, self.calls, self.steps = P * self.m + 2, 0, {}
        own = np.append(np.full(n, SCALES[0]), [SCALES[0], *3 * (TEMPERATURE,), SCALES[0]])
        self.scale = np.append(np.tile(own, P), [SCALES[0], SCALES[1]])
        at = np.arange(P * self.m).reshape(P, self.m)
        self.algebraic = np.sort(np.r_[np.delete(at[:, n:], db.TP, axis=1).ravel(), self.N - 2, self.N - 1])
        self.pattern = self._sparsity(at)
        self.groups = _apart(self.pattern)

    def start(self):
        """State and slopes to begin with; IDA corrects both."""
        f = Slopes(self.dryer)
        slopes = f(0.0, f.packed(f.start)).reshape(f.shape)
        y, dy = np.zeros((self.P, self.m)), np.zeros((self.P, self.m))
        y[:, : self.n], y[:, self.n :] = f.start.moisture[..., 0], f.near.points[:, :, 1, 0]
        dy[:, : self.n] = slopes[:, : self.n]
        return np.append(y, f.near.inlet[:, 1, 0]), np.append(dy, np.zeros(2))

    def _step(self, cases):
        if cases not in self.steps:
            dryer = drying.take(self.dryer, np.zeros(cases, int))
            self.steps[cases] = db.begin(dryer, dr.fed_pellets(dryer), np.ones(cases))
        return self.steps[cases]

    def residuals(self, y, dy):
        self.calls += 1
        n, laws, step = self.n, self.dryer.laws, self._step(y.shape[1])
        bed, V = step.dryer.bed, step.dryer.shells.volume
        x, dx = (f[:-2].reshape(self.P, self.m, -1) for f in (y, dy))
        X, Tp = np.ascontiguousarray(x[:, :n]), x[:, n + db.TP]
        mean, Q = dr.means(step.dryer, X)
        H = laws.pellet_enthalpy(bed, mean, Tp, Q)
        step = dataclasses.replace(step, start=dr.Pellets(X, H), start_moisture=mean, start_bound=Q)
        both = (np.repeat(f[..., None, :], 2, axis=-2) for f in (X, x[:, n:], y[-2:]))
        e = db.evaluate(step, db.State(*both))
        mean_slope = (V * dx[:, :n]).sum(axis=1)
        Q_slope = (V * e.bound_heat_slope[:, :, 1] * dx[:, :n]).sum(axis=1)
        H_slope = (bed.specific_heat + laws.water_capacity * mean) * dx[:, n + db.TP] - Q_slope
        out = np.empty_like(x)
        out[:, :n] = V * dx[:, :n] + e.chain_residual[:, :, 1]
        out[:, n : n + 3] = e.point_residual[:, :, 1]
        out[:, n + 1] += np.broadcast_to(e.bound_rate, (self.P, 2, y.shape[1]))[:, 1] * Q_slope
        out[:, n + 2] += H_slope + laws.water_capacity * Tp * mean_slope
        out[:, n + 3 :] = e.air_residual[:, :, 1]
        return np.concatenate([out.reshape(-1, y.shape[1]), e.inlet_residual[:, 1]])

    def jacobian(self, y, dy, cj):
        """∂F/∂y + cj ∂F/∂(dy/dt), its entries column by column: all groups of columns in one call."""
        h = DIFFERENCE * np.maximum(np.abs(y), self.scale)
        moved = np.zeros((self.N, 1 + self.groups.max() + 1))
        moved[np.arange(self.N), 1 + self.groups] = h
        F = self.residuals(y[:, None] + moved, dy[:, None] + cj * moved)
        rows = self.pattern.indices
        columns = np.repeat(np.arange(self.N), np.diff(self.pattern.indptr))
        return (F[rows, 1 + self.groups[columns]] - F[rows, 0]) / h[columns]

    def _sparsity(self, at):
        """Each point by itself; the air's rows by the air of the own and the last cell, or by the inlet; the inlet
        by itself and the air of the last cell."""
        pattern, n, inlet = lil_matrix((self.N, self.N), dtype=int), self.n, [self.N - 2, self.N - 1]
        for p in range(self.P):
            pattern[np.ix_(at[p], at[p])] = 1
            cell = p // 2 * 2
            before = at[max(cell - 2, 0) : cell + 2, n + db.TA :].ravel()
            pattern[np.ix_(at[p, n + 3 :], before)] = 1
            if cell == 0:
                pattern[np.ix_(at[p, n + 3 :], inlet)] = 1
        pattern[np.ix_(inlet, np.append(at[-2:, n + db.TA :].ravel(), inlet))] = 1
        found = csc_matrix(pattern)
        found.sort_indices()
        return found


def _apart(pattern):
    """A group for each column, no two of which meet in a row."""
    meet = (pattern.T.astype(int) @ pattern).tocsr()
    groups = np.full(pattern.shape[1], -1)
    for column in range(len(groups)):
        taken = groups[meet.indices[meet.indptr[column] : meet.indptr[column + 1]]]
        groups[column] = next(k for k in range(len(groups)) if k not in taken)
    return groups


def exit_of(dryer, pellets):
    w = dr.point_weights(dryer.z)
    X, Q = dr.means(dryer, pellets.moisture)
    mean, heat = (w * X).sum(axis=0), (w * pellets.enthalpy).sum(axis=0)
    T = dryer.laws.pellet_temperature(dryer.bed, mean, heat, (w * Q).sum(axis=0))
    return np.array([mean[0] / (1 + mean[0]), T[0]])


def ours(dryer, phase, tolerance=STEP_TOLERANCE):
    m = march(dryer, dr.fed_pellets(dryer), phase.programme, np.full(1, tolerance))
    assert m.reached.all()
    return exit_of(dryer, m.pellets), int(m.newton_steps[0])


def bdf(dryer, phase, rtol):
    f = Slopes(dryer)
    atol = rtol * np.broadcast_to(np.append(np.full(f.shape[1] - 1, SCALES[0]), SCALES[1]), f.shape).ravel()
    done = solve_ivp(
        f, (0, phase.programme.duration[0]), f.packed(f.start), method="BDF", rtol=rtol, atol=atol,
        jac_sparsity=f.sparsity(), first_step=1e-3,
    )  # fmt: skip
    if not done.success:
        raise RuntimeError(done.message)
    return exit_of(dryer, f.unpacked(done.y[:, -1])), f.calls


def cvode(dryer, phase, rtol):
    f = Slopes(dryer)
    atol = rtol * np.broadcast_to(np.append(np.full(f.shape[1] - 1, SCALES[0]), SCALES[1]), f.shape).ravel()

    def slopes(t, y, dy):
        dy[:] = f(t, y)

    solver = CVODE(
        slopes, rtol=rtol, atol=atol, linsolver="sparse", sparsity=f.sparsity(), max_num_steps=100_000
    )
    done = solver.solve(np.array([0.0, phase.programme.duration[0]]), f.packed(f.start))
    if not done.success:
        raise RuntimeError(done.message)
    return exit_of(dryer, f.unpacked(np.asarray(done.y[-1]))), f.calls


def ida(dryer, phase, rtol):
    f = Whole(dryer)

    def residuals(t, y, dy, F):
        F[:] = f.residuals(y[:, None], dy[:, None])[:, 0]

    def jacobian(t, y, dy, F, cj, J):
        J[:] = f.jacobian(np.array(y), np.array(dy), cj)

    with warnings.catch_warnings(action="ignore"):  # "the sparsity is not used to find a Jacobian": as wanted
        solver = IDA(
            residuals, jacfn=jacobian, algebraic_idx=f.algebraic, rtol=rtol, atol=rtol * f.scale,
            linsolver="sparse", sparsity=f.pattern, calc_initcond="yp0", calc_init_dt=1e-3,
            max_num_steps=100_000,
        )  # fmt: skip
    done = solver.solve(np.array([0.0, phase.programme.duration[0]]), *f.start())
    if not done.success:
        raise RuntimeError(done.message)
    x = np.asarray(done.y[-1])[:-2].reshape(f.P, f.m, 1)
    X, Tp = x[:, : f.n].copy(), x[:, f.n + db.TP]
    mean, Q = dr.means(dryer, X)
    return exit_of(dryer, dr.Pellets(X, dryer.laws.pellet_enthalpy(dryer.bed, mean, Tp, Q))), f.calls


def once(run, *arguments):
    """Wall time."""
    start = time.perf_counter()
    run(*arguments)
    return time.perf_counter() - start


def seconds(run, rounds=ROUNDS):
    """Median wall time."""
    return float(np.median([once(run) for _ in range(rounds)]))


def shortened(phase, share):
    """The same phase, over after a share of its time."""
    programme = dataclasses.replace(phase.programme, duration=share * phase.programme.duration)
    return dataclasses.replace(phase, programme=programme)


def climb(name, peer, dryer, phase, reference, bar):
    """The ladder of a peer, and its ratio on the first rung within the bar."""
    for rtol in LADDER:
        start = time.perf_counter()
        try:
            found, calls = peer(dryer, phase, rtol)
        except (RuntimeError, ValueError, FloatingPointError) as error:
            print(f"  {name:28s} rtol {rtol:7.0e}  failed: {error}")
            continue
        error, wall = np.abs(found - reference), time.perf_counter() - start
        print(
            f"  {name:28s} rtol {rtol:7.0e}  {wall:8.2f} s  {calls:6d} calls  "
            f"error {1e2 * error[0]:.5f} points, {error[1]:.4f} K",
            flush=True,
        )
        if (error <= SLACK * bar).all():
            pairs = [once(peer, dryer, phase, rtol) / once(ours, dryer, phase) for _ in range(ROUNDS)]
            print(f"  {name:28s} ratio {np.median(pairs):.1f} ({min(pairs):.1f}–{max(pairs):.1f})")
            return
    print(f"  {name:28s} never within our error")


PEERS = {  # and the share of the batch that they are taken through
    "ida": ("IDA (scikit-sundae)", ida, 1.0),
    "cvode": ("CVODE (scikit-sundae)", cvode, 1.0),
    "bdf": ("scipy solve_ivp, BDF", bdf, STRETCH),
}


def stretch(dryer, phase, peers):
    """Our march and some peers through the same minutes."""
    reference, _ = ours(dryer, phase, STEP_TOLERANCE / 900)
    found, steps = ours(dryer, phase)
    bar = np.abs(found - reference)
    row = f"our march, one mesh, {phase.programme.duration[0] / 60:.0f} min"
    print(
        f"  {row:28s} {seconds(lambda: ours(dryer, phase), 2 * ROUNDS + 1):.3f} s  {steps} Newton steps  "
        f"error {1e2 * bar[0]:.5f} points, {bar[1]:.4f} K"
    )
    for words, peer in peers:
        climb(words, peer, dryer, phase, reference, bar)


def main():
    case, dryer, phase = posed()
    P, n = 2 * (len(dryer.z) - 1), len(dryer.shells.volume)
    print(f"{case.title}: {P} points × {n} shells, {phase.programme.duration[0] / 60:.0f} min, no reversal")
    print(f"  {'predict, with its estimate':28s} {seconds(lambda: coolsim.predict(case)):.3f} s")
    asked = [peer for name, peer in PEERS.items() if name in sys.argv[1:] or not sys.argv[1:]]
    for share in sorted({share for *_, share in asked}, reverse=True):
        found = []
        for words, peer, its_share in asked:
            if its_share != share:
                continue
            if CVODE is None and peer is not bdf:
                print(f"  {words} skipped: pip install scikit-sundae")
            else:
                found.append((words, peer))
        if found:
            stretch(dryer, shortened(phase, share), found)


if __name__ == "__main__":
    main()
