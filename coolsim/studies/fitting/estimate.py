"""The free numbers that explain the trials best, and how sure they are.

Minimised over u = (θ − θ₀)/s, s the standard deviation of the published range:

    χ²(u) = Σ_trials (y − f(u))ᵀ Σ⁻¹ (y − f(u))  +  |u|² with priors,      Σ = Σ_readings + S Σ_set Sᵀ

S being what the exits do when that which was set is off. `scipy.optimize.least_squares` minimises it with the
solver's own slopes. Around the minimum u is normal with covariance (JᵀJ + 1)⁻¹, J the whitened slopes; where trials
scatter more than their ± says (χ² beyond its 95 % quantile), the readings' ± is raised until χ² equals its degrees
of freedom (Birge's ratio; R. T. Birge, Phys. Rev. 40 (1932) 207, memory), and for intervals once more by Student's
quantile over the normal one, since that scatter is only estimated. What was known before the trials scatters with
none of them: it counts as it is, so that no trial makes a number less known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from coolsim.scenario.readings import WITHIN
from coolsim.scenario.trials import Trials
from coolsim.studies.fitting.model import Coolers, Marched, Said, said
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

EVALUATIONS = 60  # of the model, each with its slopes; five are usual


@dataclass(frozen=True)
class Problem:
    """A line, its trials, and what is known of the free numbers without them."""

    line: Coolers | Marched
    trials: Trials
    before: Array  # θ₀, (free,)
    spread: Array  # s, (free,)
    priors: bool


@dataclass(frozen=True)
class Estimate:
    """The minimum and the neighbourhood of it; all in u unless said otherwise."""

    u: Array  # (free,)
    covariance: Array  # (free, free)
    within_scatter: Array  # the same, were the scatter of the readings known exactly
    J: Array  # whitened slopes, (quantities · trials, free)
    residual: Array  # whitened, (quantities · trials,)
    whitening: Array  # (trials, quantities, quantities)
    said: Said  # at the minimum
    scatter: float  # times the ± of the readings by which they scatter (1 where no more than they say)
    sure: float  # by which slopes of readings count less for intervals, as their scatter is estimated: 1 or less

    def theta(self, problem: Problem) -> Array:
        return problem.before + problem.spread * self.u


def estimated(problem: Problem, before: Said) -> Estimate:
    """Minimise χ² from what the model says before the fit; raises NotConverged where it or the search fails."""
    start = np.zeros(len(problem.before))
    known = {start.tobytes(): before}  # what the model said where it was asked already
    doubts = bool(problem.trials.doubt.any())
    whitening = _whitening(problem, said(problem.line, problem.before, False, True) if doubts else None)
    u = _minimised(problem, whitening, start, known)
    if doubts:  # what the exits do when inputs are off is only known once the numbers are
        whitening = _whitening(problem, said(problem.line, problem.before + problem.spread * u, False, True))
        u = _minimised(problem, whitening, u, known)
    found = _around(problem, whitening, u, known)
    freedom = degrees_of_freedom(problem, found)
    scatter = float(found.residual @ found.residual)
    if freedom < 1 or scatter <= stats.chi2.ppf(0.95, freedom):
        return found
    times = np.sqrt(scatter / freedom)
    u = _minimised(problem, whitening / times, u, known)
    return _around(problem, whitening / times, u, known, times, WITHIN / stats.t.ppf(0.975, freedom))


def degrees_of_freedom(problem: Problem, found: Estimate) -> float:
    """Readings less the numbers that they settle: with priors less than one for each."""
    readings = np.isfinite(problem.trials.measured).sum()
    return float(readings - np.trace(found.J.T @ found.J @ found.within_scatter))


def _whitening(problem: Problem, at: Said | None) -> Array:
    """L⁻¹ of each trial's covariance L Lᵀ, nought where not measured: (trials, quantities, quantities)."""
    trials, (Q, n) = problem.trials, problem.trials.measured.shape
    there = np.isfinite(trials.measured).T  # (trials, quantities)
    covariance = np.zeros((n, Q, Q))
    covariance[:, range(Q), range(Q)] = np.where(there, trials.deviation.T**2, 1.0)
    if at is not None and at.by_doubt.shape[1]:
        S = np.moveaxis(at.by_doubt[:, :, 0], -1, 0) * there[:, :, None]  # (trials, quantities, doubts)
        covariance += np.einsum("tqd,dt,trd->tqr", S, trials.doubt**2, S)
    return np.linalg.inv(np.linalg.cholesky(covariance)) * there[:, :, None] * there[:, None, :]


def _whitened(problem: Problem, whitening: Array, at: Said, k: int = 0) -> tuple[Array, Array]:
    """Residuals (trials · quantities,) and their slopes by u of one set of θ."""
    miss = np.nan_to_num(problem.trials.measured - at.readings[:, k], nan=0.0)
    residual = np.einsum("tqr,rt->tq", whitening, miss).ravel()
    slopes = np.einsum("tqr,rft->tqf", whitening, at.by_theta[:, :, k]) * problem.spread
    return residual, slopes.reshape(len(residual), -1)


def whitened_slopes(problem: Problem, at: Said) -> Array:
    """Slopes of all readings by u over the ± of the readings, (readings, free)."""
    return _whitened(problem, _whitening(problem, at), at)[1]


def _at(problem: Problem, u: Array, known: dict[bytes, Said]) -> Said:
    """What the model says at u: least_squares asks for slopes where it asked for residuals."""
    key = u.tobytes()
    if key not in known:
        known[key] = said(problem.line, problem.before + problem.spread * u)
    return known[key]


def _minimised(problem: Problem, whitening: Array, start: Array, known: dict[bytes, Said]) -> Array:
    def at(u: Array) -> tuple[Array, Array]:
        r, J = _whitened(problem, whitening, _at(problem, u, known))
        return (np.append(r, -u), np.vstack([J, np.eye(len(u))])) if problem.priors else (r, J)

    low, high = _limits(problem)
    found = optimize.least_squares(
        lambda u: at(u)[0],
        np.clip(start, low, high),
        jac=lambda u: -at(u)[1],
        bounds=(low, high),
        x_scale=1.0,
        ftol=1e-7,  # what is left to gain is then far below what one reading scatters
        xtol=1e-4,  # of the published range
        gtol=1e-6,
        max_nfev=EVALUATIONS,
    )
    if found.status <= 0:
        raise NotConverged(
            f"no best fit was found in {EVALUATIONS} tries: set fewer numbers free, or keep the priors"
        )
    return found.x


def _limits(problem: Problem) -> tuple[Array, Array]:
    """Where numbers stop to have a meaning, in u."""
    ends = np.array([[p.theta(end) for end in p.limits] for p in problem.line.free])
    low, high = ((ends - problem.before[:, None]) / problem.spread[:, None]).T
    return np.minimum(low, -1e-6), np.maximum(high, 1e-6)


def _around(
    problem: Problem,
    whitening: Array,
    u: Array,
    known: dict[bytes, Said],
    scatter: float = 1.0,
    sure: float = 1.0,
) -> Estimate:
    """What is known at a minimum."""
    where = _at(problem, u, known)
    residual, J = _whitened(problem, whitening, where)
    prior = problem.priors * np.eye(len(u))
    tight, covariance = (
        np.asarray(np.linalg.pinv(w**2 * J.T @ J + prior, hermitian=True), float) for w in (1.0, sure)
    )
    return Estimate(u, covariance, tight, J, residual, whitening, where, float(scatter), float(sure))


def chi_squared(problem: Problem, found: Estimate, u: Array) -> Array:
    """χ² at sets of u (sets, free), all in one solve, with the whitening of the minimum, as sure as that is."""
    where = said(problem.line, problem.before + problem.spread * u, slopes=False)
    miss = np.nan_to_num(problem.trials.measured[:, None] - where.readings, nan=0.0)
    residual = np.einsum("tqr,rst->stq", found.whitening, miss)
    return found.sure**2 * (residual**2).sum(axis=(1, 2)) + problem.priors * (u**2).sum(axis=1)


def intervals(problem: Problem, found: Estimate) -> Array:
    """Lowest and highest u of 95 % of each number, (free, 2).

    The linear interval, each end then moved to where χ² really rises by the square of its quantile: along the path
    on which the other numbers give way, as linear theory says (a profile of one step; one solve for all ends).
    """
    deviation = np.sqrt(np.diag(found.covariance))
    paths = found.covariance / deviation  # column k: where all numbers go when number k goes one deviation up
    low, high = _limits(problem)
    ways = np.concatenate([-paths.T, paths.T]) * WITHIN
    ends = np.clip(found.u + ways, low, high)
    least = chi_squared(problem, found, found.u[None])[0]
    rise = np.maximum(chi_squared(problem, found, ends) - least, 1e-12)
    reach = np.clip(WITHIN / np.sqrt(rise), 0.5, 2.0)
    k = np.arange(len(deviation))
    step = WITHIN * deviation * reach.reshape(2, -1)
    return np.clip(
        np.stack([found.u[k] - step[0], found.u[k] + step[1]], axis=1), low[:, None], high[:, None]
    )


def misfit(found: Estimate) -> Array:
    """How far each trial is from what all others say of it: squared, of χ² with its readings as freedom; (trials,).

    rᵀ (1 − H)⁻¹ r with H the trial's block of J C Jᵀ: what leaving the trial out would give, to first order.
    """
    Q = found.whitening.shape[1]
    r, J = found.residual.reshape(-1, Q), found.J.reshape(-1, Q, found.J.shape[1])
    H = np.einsum("tqf,fg,trg->tqr", J, found.within_scatter, J)
    return np.einsum("tq,tq->t", r, np.linalg.solve(np.eye(Q) - H + 1e-12 * np.eye(Q), r[..., None])[..., 0])
