"""The product against general numeric libraries, on the same equations and at the same measured error.

How to run, from the top of the repository (about six minutes; nothing else should be busy):

    python tests/performance/peers.py                  # everything
    python tests/performance/peers.py --rounds 1 --states 500       # quick look
    python tests/performance/peers.py --compiled       # also CasADi through the C compiler (slow to build)

It needs the product, numpy and scipy; CasADi (`pip install casadi`) or its rows say that they were skipped.

What it prints, once for ordinary cases and once for hard ones, one row per method:

    cases/s, s/case    by the median over cases of the median over rounds
    ratio              median over cases of (its time / predict's time for the same case). Rounds go through
                       all methods in turn, so that a busy machine hits them alike
    error              root mean square and largest deviation of the exit from a reference: moisture in points
                       of wet basis, temperature in K. Reference: predict on 64 cells × 48 shells
    failed             cases without an answer; they count in no error and no time

`predict` does more than its peers in that time: it turns weather into air, estimates its error on two
further meshes, derives everything in a Result and writes cautions. The peers return two numbers.
Peers on our equations (residual.py, casadi_peer.py) take the meshes on which our answer stands, so
their error is ours. Peers with meshes of their own (lines.py) climb a ladder of settings and are timed on the
first rung whose root mean square errors are those of ours or less (within 10 %) in both numbers; the ladder
is printed too. solve_bvp gets our own solution on a finer mesh as its seed, not in its time: its row is the
price of confirming an answer, the row from straight lines that of finding one.
All property functions are vectorised NumPy, the product's own; CasADi has its own symbols for them.
"""

from __future__ import annotations

import argparse
import dataclasses
import functools
import time
import warnings
from dataclasses import dataclass
from pathlib import Path

import lines
import numpy as np
import residual
from lines import Unsolved

import coolsim
from coolsim.case.case import Air
from coolsim.model.solve import Resolution, solve
from coolsim.simulate.inputs import bed_of, gather
from coolsim.simulate.prediction import predict
from coolsim.support.errors import NotConverged

try:
    import casadi_peer
except ImportError:
    casadi_peer = None

SCENARIOS = Path(__file__).parents[2] / "scenarios"
LEVEL = {"cooler.depth_deviation": "0 %", "cooler.speed_deviation": "0 %"}  # as the peers solve it
COOLERS = "cold-dry-plateau", "humid-delta", "humid-delta-wet", "monsoon-night"
REFERENCE = Resolution(64, 48)
AMBIENT = {"temperate": (20.0, 0.60), "cold and dry": (-2.0, 0.50), "hot and humid": (34.0, 0.85)}
STATES = 2920  # of outside air in the batch: one every three hours of a year
SAMPLE = 24  # of them checked against the reference
SLACK = 1.1  # a peer's errors may exceed ours by this factor and still count as the same
# (tolerance, cells of the seed and shells as multiples of ours); (rest, cells and shells as multiples of ours)
BVP_LADDER = ((1e-1, 1, 1), (1, 2, 1), (1, 2, 4 / 3), (1e-1, 2, 4 / 3), (1e-1, 2, 5 / 3), (1e-2, 4, 2))
MARCH_LADDER = ((1e-4, 1, 1), (1e-4, 1.25, 1), (1e-4, 1.25, 4 / 3), (1e-4, 1.5, 5 / 3), (1e-5, 2, 2))


# ---- Cases ----------------------------------------------------------------------------------------------


def ordinary_cases():
    """The scenarios in their own air and in three others."""
    cases = {}
    for scenario in COOLERS:
        case = coolsim.replace(coolsim.load(SCENARIOS / f"{scenario}.toml"), LEVEL)
        cases[scenario] = case
        for name, (T, RH) in AMBIENT.items():
            air = dataclasses.replace(case.air, temperature=T, relative_humidity=RH)
            cases[f"{scenario}, {name}"] = dataclasses.replace(case, air=air)
    return cases


def hard_cases():
    """Where Newton's method is known to suffer: vigorous starts, dry layers, little air, heated air."""
    pig, fish = (
        coolsim.replace(coolsim.load(SCENARIOS / f"{n}.toml"), LEVEL)
        for n in ("cold-dry-plateau", "humid-delta")
    )

    def changed(case, feed=(), air=(), cooler=()):
        changes = {"feed": feed, "air": air, "cooler": cooler}
        parts = {k: dataclasses.replace(getattr(case, k), **dict(v)) for k, v in changes.items()}
        return dataclasses.replace(case, **parts)

    dry = {"temperature": 25.0, "relative_humidity": 0.02}
    return {
        "25 % pellets at 88 °C in dry air": changed(pig, {"moisture": 0.25, "temperature": 88.0}, dry),
        "fish feed, 22 % at 90 °C, dry air": changed(fish, {"moisture": 0.22, "temperature": 90.0}, dry),
        "inlet air heated to 110 °C": changed(pig, {"moisture": 0.2}, (), {"inlet_air_temperature": 110.0}),
        "2 % pellets in dry hot air": changed(fish, {"moisture": 0.02}, dry, {"inlet_air_temperature": 90.0}),
        "a fifth of the air": changed(fish, (), (), {"airflow": fish.cooler.airflow / 5}),
        "1.5 mm pellets, three times the bed": changed(
            fish, {"diameter": 1.5e-3, "length": 1.5e-3}, (), {"bed_depth": 1.35}
        ),
    }


# ---- Measuring ------------------------------------------------------------------------------------------


@dataclass
class Subject:
    """One case with its reference and our solution, from which the peers take bed, mesh and seed."""

    name: str
    case: object
    reference: tuple[float, float]
    solution: object


def exits(result):
    return result.pellets_out.moisture_wb, result.pellets_out.temperature


def subjects(cases):
    return [
        Subject(name, case, exits(predict(case, resolution=REFERENCE)), solve(bed_of(gather([case])))[-1])
        for name, case in cases.items()
    ]


@dataclass
class Method:
    """A way to answer: `run(subject)` → (moisture, temperature), or raises."""

    name: str
    run: object


class Table:
    """Times and errors of methods over subjects."""

    def __init__(self, methods, subjects, rounds):
        self.methods, self.subjects = methods, subjects
        shape = len(methods), len(subjects)
        self.seconds = np.full((*shape, rounds), np.nan)
        self.error = np.full((*shape, 2), np.nan)  # points, K
        for j, subject in enumerate(subjects):
            for i, method in enumerate(methods):  # once to warm up, and for the error
                self.error[i, j] = error_of(method, subject)
            for r in range(rounds):
                for i, method in enumerate(methods):
                    if not np.isnan(self.error[i, j, 0]):
                        start = time.perf_counter()
                        method.run(subject)
                        self.seconds[i, j, r] = time.perf_counter() - start

    def print(self, title, extra=()):
        print(f"\n{title} ({len(self.subjects)})")
        print(HEADER)
        each = np.full(self.seconds.shape[:2], np.nan)
        for i, j in np.ndindex(each.shape):
            if not np.isnan(self.error[i, j, 0]):
                each[i, j] = np.median(self.seconds[i, j])
        for i, method in enumerate(self.methods):
            failed = np.isnan(each[i])
            ratio = each[i] / each[0]
            row(method.name, median(each[i]), median(ratio), self.error[i], failed.sum(), len(failed))
            if i == 0:
                for line in extra:
                    line(median(each[0]))
        for i, method in enumerate(self.methods):
            lost = [s.name for s, t in zip(self.subjects, each[i]) if np.isnan(t)]
            if lost:
                print(f"  without an answer, {method.name}: {'; '.join(lost)}")


HEADER = (
    f"{'':46s}{'cases/s':>9s}{'s/case':>9s}{'ratio':>8s}   {'error, points':>17s}   {'error, K':>15s}  failed"
)
HEADER += f"\n{'':75s}{'rms':>9s}{'largest':>9s}{'rms':>9s}{'largest':>9s}"


def row(name, seconds, ratio, error, failed, count):
    M, T = rms(error)
    most = np.nanmax(np.abs(error), axis=0) if failed < count else (np.nan, np.nan)
    print(
        f"{name:46s}{1 / seconds:9.1f}{seconds:9.4f}{ratio:8.2f}   "
        f"{M:9.5f}{most[0]:9.5f}{T:9.4f}{most[1]:9.4f}{failed:4d}/{count}",
        flush=True,
    )


def median(values):
    values = values[~np.isnan(values)]
    return np.median(values) if len(values) else np.nan


def rms(error):
    """Root mean squares of the columns, failures left out."""
    answered = error[~np.isnan(error[:, 0])]
    return np.sqrt((answered**2).mean(axis=0)) if len(answered) else np.full(2, np.nan)


def error_of(method, subject):
    """Deviation from the reference in points and K; NaN where the method fails."""
    try:
        M, T = method.run(subject)
    except (Unsolved, NotConverged, RuntimeError, ValueError, np.linalg.LinAlgError):
        return np.nan, np.nan
    return 100 * (M - subject.reference[0]), T - subject.reference[1]


# ---- The methods ----------------------------------------------------------------------------------------


@functools.cache
def seed(bed_id, cells, shells):
    """Our solution of a bed on a finer mesh: seed and mesh of the peers, not in their time."""
    return solve(BEDS[bed_id], resolution=Resolution(cells, shells))[-1]


def finer(subject, cells, shells):
    """Our solution of a subject on multiples of our cells and shells (both made even)."""
    problem = subject.solution.problem
    counts = len(problem.z) - 1, len(problem.shells.volume)
    if cells == shells == 1:
        return subject.solution
    BEDS[subject.name] = problem.bed
    return seed(subject.name, *(2 * round(n * factor / 2) for n, factor in zip(counts, (cells, shells))))


BEDS = {}


def bvp(rung, seeded=True):
    tolerance, cells, shells = rung
    return Method(
        f"(a) solve_bvp from {'our solution' if seeded else 'straight lines'}",
        lambda s: lines.solve_bvp(finer(s, cells, shells), tolerance, seeded),
    )


def march(rung):
    rest, cells, shells = rung
    return Method("(b) BDF, marched to rest", lambda s: lines.march(finer(s, cells, shells), rest))


def climb(make, ladder, cases, bar, describe):
    """The first rung whose errors are those of ours or less, printed on the way; else the most exact one."""
    tried = []
    for rung in ladder:
        method = make(rung)
        for case in cases:
            finer(case, *rung[1:])
        start = time.perf_counter()
        error = np.array([error_of(method, s) for s in cases])
        seconds = (time.perf_counter() - start) / len(cases)
        failed = int(np.isnan(error[:, 0]).sum())
        worst = np.max(rms(error) / bar)
        reached = worst <= SLACK and failed < len(cases) / 2
        M, T = rms(error)
        print(f"  {method.name:34s} {describe.format(*rung):58s}{M:9.5f} points{T:9.4f} K{seconds:8.3f} s, "
              f"{failed} failed{'  taken' if reached else ''}", flush=True)  # fmt: skip
        if reached:
            return rung
        tried.append((failed, np.inf if np.isnan(worst) else worst, rung))
    print("  none is within ours: the most exact one is taken")
    return min(tried)[2]


def casadi_methods(compiled):
    if casadi_peer is None:
        print("(d) skipped: casadi is not installed (pip install casadi)")
        return []

    def run(subject, newton):
        if not casadi_peer.can(subject.solution.problem.bed):
            raise Unsolved("not in these symbols")
        return residual.walk(subject.solution, newton)

    methods = [Method("(d) CasADi's Newton, same equations", lambda s: run(s, casadi_peer.newton))]
    if compiled:
        methods.append(Method("(d) the same, compiled", lambda s: run(s, casadi_peer.compiled_newton)))
    return methods


def year(states):
    """Outside air of a year, made up and seeded."""
    rng = np.random.default_rng(8760)
    T = 17 + 11 * np.sin(np.linspace(0, 2 * np.pi, states)) + rng.normal(0, 4, states)
    return T, np.clip(0.95 - 0.02 * (T - 10) + rng.normal(0, 0.1, states), 0.15, 0.99)


def batch(case, states, rounds):
    """predict over an array of outside air: returns its row, given the time of one case alone."""
    T, RH = year(states)
    air = Air(T, RH, case.air.pressure)
    seconds = []
    for _ in range(rounds):
        start = time.perf_counter()
        result = predict(case, air=air)
        seconds.append(time.perf_counter() - start)
    at = np.linspace(0, states - 1, SAMPLE).astype(int)
    exact = predict(case, air=Air(T[at], RH[at], case.air.pressure), resolution=REFERENCE)
    (M, t), (M_0, t_0) = exits(result), exits(exact)
    error = np.stack([100 * (M[at] - M_0), t[at] - t_0], axis=1)
    each = float(np.median(seconds)) / states
    return lambda single: row(
        f"ours, predict over {states} outside airs", each, each / single, error, 0, states
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rounds", type=int, default=5, help="timed repetitions of every case")
    parser.add_argument("--states", type=int, default=STATES, help="outside airs in the batch")
    parser.add_argument("--compiled", action="store_true", help="also CasADi through the C compiler")
    options = parser.parse_args()
    warnings.simplefilter("ignore")  # overflows in iterates of the peers

    def walked(newton):
        return lambda s: residual.walk(s.solution, newton)

    ours = Method("ours, predict of one case", lambda s: exits(predict(s.case)))
    ordinary, hard = subjects(ordinary_cases()), subjects(hard_cases())
    bar = rms(np.array([error_of(ours, s) for s in ordinary]))
    print(f"Ladders, on the ordinary cases; ours: {bar[0]:.5f} points, {bar[1]:.4f} K (root mean square)")
    multiples = "{:.3g} × our cells, {:.3g} × our shells"
    bvp_rung = climb(bvp, BVP_LADDER, ordinary, bar, "tolerance {:g}, seed " + multiples)
    march_rung = climb(march, MARCH_LADDER, ordinary, bar, "at rest within {:g}, " + multiples)
    methods = [
        ours,
        Method("our Newton alone, on the same meshes", walked(residual.our_newton)),
        bvp(bvp_rung),
        bvp(bvp_rung, seeded=False),
        march(march_rung),
        Method("(c) SuperLU Newton, same equations", walked(residual.sparse_newton)),
        *casadi_methods(options.compiled),
    ]
    extra = [batch(ordinary[0].case, options.states, min(options.rounds, 3))]
    Table(methods, ordinary, options.rounds).print("Ordinary cases", extra)
    Table(methods, hard, options.rounds).print("Hard cases")
    if casadi_peer is not None:
        print("\nCasADi's build, once per size and form of isotherm, not in the times above:")
        for (equation, K, n, compiled), seconds in sorted(casadi_peer.build_seconds.items()):
            kind = equation + (", compiled" if compiled else "")
            print(f"  {kind:32s}{K:4d} cells × {n:2d} shells{seconds:8.2f} s")


if __name__ == "__main__":
    main()
