"""How sure an exit is: everything that is known only to some ±, varied together.

Inputs that were typed with a ± are normal, the ± half of their 95 % interval. Material numbers with a published or
fitted range are two half log-normals that meet in their value, each with its end of the range at 2.5 %: half of the
feeds lie below the value, however lopsided the range. (Where a range reaches zero, halves of normals.)

All are taken as independent of each other but for numbers of one fit: the normal variables behind these have the
correlation that the fit found. No share of the variance is then any one's alone: they are told as one contributor.

Samples are a Latin hypercube, solved in one batch on a mesh that is right to some hundredths of a point;
its offset at the centre, where the exit is known, is taken off. Of an uneven bed, and of a case near to another,
only the first are solved: what they differ by from an even bed, or from the other case, is laid on all. Quantiles,
chances and shares are read from polynomials through them (studies.surrogate).
"""

from __future__ import annotations

import numpy as np

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case
from coolsim.studies.propagation.answer import Contributor, Interval, Known, Uncertainty
from coolsim.studies.propagation.chances import all_kept, met_of, wishes_kept
from coolsim.studies.propagation.samples import LEAST_SAMPLES, OF_DRYERS, SEED, Sampled, sampled
from coolsim.studies.propagation.unknowns import Unknown
from coolsim.studies.surrogate import shares_of
from coolsim.support.fields import Array

TAIL = 0.025


@takes_a_case
def uncertainty(case: Case, *, samples: int | None = None, seed: int = SEED) -> Uncertainty:
    """Spread of the exit over all that is known only to some ±.

    samples: 64 or more; 512 of a cooler, 256 of a dryer or a line, if left out. Raises InputError
    where nothing carries a ±, NotConverged where most samples fail.
    """
    if samples is not None and samples < LEAST_SAMPLES:
        raise ValueError(f"samples is {samples}: at least {LEAST_SAMPLES} are needed")
    return summed_up(sampled(case, samples, seed))


def summed_up(s: Sampled) -> Uncertainty:
    shares = [shares_of(s.z, s.solved[name], s.groups) for name in ("moisture", "temperature")]
    contributors = [_contributor(*one) for one in zip(parts_of(s.unknowns, s.groups), *shares)]
    wishes, limits = wishes_kept(s), met_of(s, of_target=False)
    return Uncertainty(
        moisture_wb=interval(s.exits["moisture"]),
        temperature=interval(s.exits["temperature"]),
        water_activity=interval(s.exits["water_activity"]),
        wishes=tuple((name, float(met.mean())) for name, met in wishes.items()),
        all_met=float(np.all(list(wishes.values()), axis=0).mean()) if wishes else None,
        all_kept=float(all_kept(s).mean()) if wishes else None,
        contributors=tuple(sorted(contributors, key=lambda c: -c.moisture_share)),
        samples=s.z.shape[1],
        unsolved=s.unsolved,
        limits=tuple((name, float(met.mean())) for name, met in limits.items()),
        **{name: interval(s.exits[name]) for name in OF_DRYERS if name in s.exits},
    )


def parts_of(unknowns: list[Unknown], groups: list[int]) -> list[tuple[Known, ...]]:
    """What each group is made of."""
    known = [Known(u.name, *u.ends, u.unit) for u in unknowns]
    return [tuple(k for k, g in zip(known, groups) if g == group) for group in range(max(groups) + 1)]


def _contributor(parts: tuple[Known, ...], moisture_share: float, temperature_share: float) -> Contributor:
    shares = float(moisture_share), float(temperature_share)
    if len(parts) == 1:
        (k,) = parts
        return Contributor(k.name, k.low, k.high, k.unit, *shares)
    return Contributor(" and ".join(k.name for k in parts), None, None, "", *shares, parts)


def interval(y: Array) -> Interval:
    return Interval(*(float(q) for q in np.quantile(y, (TAIL, 0.5, 1 - TAIL))))
