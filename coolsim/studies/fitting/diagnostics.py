"""What must be refused, what looks wrong, and what trials cannot tell, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import stats

from coolsim.case.case import Case, Line
from coolsim.scenario.readings import HOTTEST_FEED, measured_key
from coolsim.scenario.trial_columns import NO_EXHAUST
from coolsim.scenario.trials import Trials
from coolsim.simulate import line
from coolsim.studies.fitting.answer import Suspect
from coolsim.studies.fitting.estimate import Estimate, Problem, degrees_of_freedom, misfit, whitened_slopes
from coolsim.studies.fitting.model import ModelReadings, blown
from coolsim.studies.fitting.parameters import Parameter, placed
from coolsim.support import dual_units
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array

LEAST_SETTLED = 0.2  # singular value in published deviations: below, trials leave a number five times as open
SAME = 0.9  # correlation from which two numbers cannot be told apart
UNLEARNT = 0.3  # least share by which an interval is narrower than the published range, or nothing was learnt
MOST_SCATTER = 10.0  # times the ± of readings: beyond, no numbers explain them, and a fit would be nonsense
ODD, ODD_AMONG_FEW = 0.01, 0.05  # share of good sets of trials in which one would be called wrong
# K: a reading in another unit is that far off as it stands, and that near once converted
FAR, NEAR = 12.0, 6.0
DRIEST = 0.01  # kg/kg wet: no feed is drier, before or after a cooler (common practice, no source)
FAR_WETTER = 0.02  # kg/kg wet by which feed hotter than it leaves a press is too moist for having been as hot
LABEL = {
    "moisture": "exit moisture",
    "temperature": "exit temperature",
    "exhaust_temperature": "exhaust temperature",
    "exhaust_relative_humidity": "exhaust humidity",
}


# -- what is refused


def refuse_impossible(case: Case, trials: Trials, free: Sequence[Parameter]) -> None:
    """Raise InputError where nothing was measured, or not what a free number shows itself in."""
    faults = []
    if not len(trials) or not np.isfinite(trials.measured).any():
        faults.append(Fault(trials.name, "trials", "none", "needs one trial at least, with a reading"))
    elif fractions := _fractions(trials):
        faults += fractions
    else:
        faults += [fault for fault in _of_exhaust(case, trials) if fault]
        for p in free:
            stage, own = placed(p.name)
            if own == "leakage" and not faults:
                faults += _of_leakage(case if stage is None else line.by_itself(case, case, stage), p, trials)
    if faults:
        raise InputError(faults)


def _of_exhaust(case: Case, trials: Trials) -> list[Fault]:
    """Readings of the exhaust of dryers."""
    faults = []
    for reading, values in zip(trials.quantities, trials.measured):
        stage, name = placed(reading)
        machine = case.cooler
        if isinstance(machine, Line):
            machine = machine.stages[len(machine.stages) - 1 if stage is None else stage].cooler
        if name.startswith("exhaust") and np.isfinite(values).any() and machine.arrangement != "counter-flow":
            key = measured_key(reading)
            faults.append(Fault(trials.name, key, "readings of a dryer's exhaust", NO_EXHAUST))
    return faults


def _of_leakage(machine: Case, p: Parameter, trials: Trials) -> list[Fault]:
    """False air that does not show itself."""
    factor = p.name.replace("leakage", "airflow_factor")
    place = p.name.rpartition(".")[0]
    last = f"stage.{len(getattr(trials.cases[0].cooler, 'stages', ()))}"
    rows = [
        values
        for reading, values in zip(trials.quantities, trials.measured)
        if reading.rpartition(".")[0] == ("" if place == last else place) and "exhaust" in reading
    ]
    if machine.cooler.arrangement != "counter-flow":
        allowed = f"false air is fitted for counter-flow coolers only: free {factor} in its place"
    elif blown(machine):
        allowed = f"false air of a blow-through fan leaves before the bed: free {factor} in its place"
    elif not np.isfinite(rows).any():
        allowed = "it shows in the exhaust only: measure exhaust_temperature or exhaust_relative_humidity"
    else:
        return []
    return [Fault("", "--free", p.name, allowed)]


def _fractions(trials: Trials) -> list[Fault]:
    """Moistures that no feed has, but that it would have were they meant as fractions."""
    columns = {
        "feed.moisture": np.array([float(case.feed.moisture) for case in trials.cases]),
    }
    for reading, values in zip(trials.quantities, trials.measured):
        if reading.endswith("moisture"):
            columns[measured_key(reading)] = values
    faults = []
    for key, moisture in columns.items():
        dry = moisture[moisture < DRIEST]
        if len(dry):
            meant = f"{100 * dry[0]:.3g} would be {1e4 * dry[0]:.3g} %"
            allowed = f"was a fraction typed below [%]? {meant}: write that"
            faults.append(Fault(trials.name, key, f"{100 * dry[0]:.3g} %, drier than feeds are", allowed))
    return faults


def once_each(trials: Trials) -> Trials:
    """The trials without those that repeat another to the last digit: a row that was copied is no second trial."""
    kept: list[int] = []
    for k in range(len(trials)):
        if not any(_same(trials, j, k) for j in kept):
            kept.append(k)
    return trials if len(kept) == len(trials) else trials.some(kept)


def _same(trials: Trials, j: int, k: int) -> bool:
    parts = [
        tuple(getattr(trials.cases[i], name) for name in ("feed", "air", "cooler", "material"))
        for i in (j, k)
    ]
    return parts[0] == parts[1] and np.array_equal(
        trials.measured[:, j], trials.measured[:, k], equal_nan=True
    )


def refuse_units(trials: Trials, before: ModelReadings) -> None:
    """Raise InputError where temperatures are far off as they stand and right once they are read as °F."""
    for q, name in enumerate(trials.quantities):
        if not name.endswith("temperature"):
            continue
        reading, expected = trials.measured[q], before.readings[q, 0]
        there = np.isfinite(reading)
        fahrenheit = (np.abs(reading - expected) > FAR) & (np.abs((reading - 32) / 1.8 - expected) < NEAR)
        if there.any() and fahrenheit[there].all():
            first = reading[there][0]
            found = f"{first:.1f} °C where about {expected[there][0]:.0f} °C is to be expected"
            celsius = f"{(first - 32) / 1.8:.1f} °C"
            allowed = f"was it meant as degF? That would be {celsius}: write [degF] in the heading"
            raise InputError([Fault(trials.name, measured_key(name), found, allowed)])
    _refuse_feed_in_fahrenheit(trials, before)


def _refuse_feed_in_fahrenheit(trials: Trials, before: ModelReadings) -> None:
    """Raise InputError where all feed is hotter than it leaves a press, and too moist for that at the exit."""
    hot = [float(c.feed.temperature) for c in trials.cases]
    M, expected = trials.measured[0], before.readings[0, 0]
    wetter = M[np.isfinite(M)] - expected[np.isfinite(M)] > FAR_WETTER
    if min(hot) > HOTTEST_FEED and len(wetter) and wetter.all():
        k = int(np.flatnonzero(np.isfinite(M))[0])
        found = (
            f"{hot[k]:.0f} °C, from which feed would leave at {100 * expected[k]:.1f} %, not at "
            f"{100 * M[k]:.1f} %"
        )
        allowed = (
            f"was it meant as degF? That would be {(hot[k] - 32) / 1.8:.1f} °C: write [degF] in the heading"
        )
        raise InputError([Fault(trials.name, "feed.temperature", found, allowed)])


def refuse_unsettled(problem: Problem, before: ModelReadings) -> None:
    """Without priors, raise InputError where the trials leave a number as good as open."""
    if problem.priors:
        return
    J = whitened_slopes(problem, before)
    _, s, ways = np.linalg.svd(J, full_matrices=True)
    s = np.append(s, np.zeros(len(ways) - len(s)))
    faults = []
    for value, way in zip(s, ways):
        if value < LEAST_SETTLED:
            names = _names(problem, way)
            readings, distinct = (
                int(np.isfinite(problem.trials.measured).sum()),
                distinct_settings(problem.trials),
            )
            at = f"{distinct} different settings" if distinct > 1 else "one setting"
            found = f"{readings} readings at {at}, which leave {names} open"
            allowed = (
                "leave --no-priors out, free fewer numbers, or measure at other airflows, times in the bed "
                "or feeds"
            )
            faults.append(Fault(problem.trials.name, "trials", found, allowed))
    if faults:
        raise InputError(faults)


def refuse_misfit(problem: Problem, found: Estimate) -> None:
    """Raise InputError where readings are so far off that no numbers explain them, naming the trials that are."""
    if found.scatter <= MOST_SCATTER:
        return
    trials, distance = problem.trials, misfit(found)
    worst = np.argsort(-distance)[: max(1, int((distance > distance.mean()).sum()))]
    faults = []
    for t in sorted(worst.tolist()):
        allowed = (
            "no value of the free numbers explains it: look at units, at the sample, and at what was set"
        )
        faults.append(
            Fault(f"{trials.name}, {trials.labels[t]}", "measured", _why(problem, found, t), allowed)
        )
    raise InputError(faults)


def distinct_settings(trials: Trials) -> int:
    return len({(c.feed, c.air, c.cooler) for c in trials.cases})


def _names(problem: Problem, way: Array) -> str:
    """The numbers that a direction is made of, the largest part first."""
    names = [p.name for p in problem.line.free]
    order = np.argsort(-np.abs(way))
    return " and ".join(names[k] for k in order if abs(way[k]) > 0.3)


# -- what looks wrong


def suspects(problem: Problem, found: Estimate) -> tuple[Suspect, ...]:
    """Trials that are further from what the others say of them than good trials are."""
    trials, distance = problem.trials, misfit(found) * found.scatter**2  # by the ± that was stated
    readings = np.isfinite(trials.measured).sum(axis=0)
    total, freedom = distance.sum(), degrees_of_freedom(problem, found)
    odd = []
    for t in range(len(trials)):
        alone = stats.chi2.sf(distance[t], readings[t])
        rest = freedom - readings[t]
        among = 0.0
        if rest > 0.5:  # against the scatter of the others: all may scatter more than their ± says
            others = max((total - distance[t]) / rest, 1.0)
            among = stats.f.sf(distance[t] / readings[t] / others, readings[t], rest)
        if alone < ODD / len(trials) and among < ODD_AMONG_FEW / len(trials):
            odd.append(Suspect(trials.labels[t], float(max(alone, among)), _why(problem, found, t)))
    return tuple(odd)


def _why(problem: Problem, found: Estimate, t: int) -> str:
    """Which reading of a trial is furthest off, and what would put it right."""
    reading, deviation = problem.trials.measured[:, t], problem.trials.deviation[:, t]
    expected = found.modelled.readings[:, 0, t]
    off = np.nan_to_num((reading - expected) / deviation)
    q = int(np.argmax(np.abs(off)))
    reading_of = problem.trials.quantities[q]
    name = reading_of.rpartition(".")[2]
    moist = name in ("moisture", "exhaust_relative_humidity")
    size = (
        f"{100 * abs(reading[q] - expected[q]):.2f} points"
        if moist
        else dual_units.difference(abs(reading[q] - expected[q]), 1)
    )
    way = ("wetter" if moist else "warmer") if off[q] > 0 else ("drier" if moist else "cooler")
    text = f"{_labelled(reading_of)} {size} {way} than the other trials make it"
    celsius = (reading[q] - 32) / 1.8
    if not moist and abs(celsius - expected[q]) < 3 * deviation[q]:
        return f"{text}; read as degF it would fit ({celsius:.1f} °C)"
    if name == "moisture" and abs(reading[q] / (1 + reading[q]) - expected[q]) < 2 * deviation[q]:
        return (
            f"{text}; read as dry basis it would fit ({100 * reading[q] / (1 + reading[q]):.2f} % wet basis)"
        )
    if name == "moisture":
        feed = 100 * (problem.trials.cases[t].feed.moisture + reading[q] - expected[q])
        return f"{text}; feed of about {feed:.1f} % would explain it, or a mixed-up sample"
    return f"{text}; was it read where and when the pellets leave?"


def _labelled(reading: str) -> str:
    place, _, name = reading.rpartition(".")
    return f"{place.replace('.', ' ')}: {LABEL[name]}" if place else LABEL[name]


# -- what cannot be told


def alike(problem: Problem, found: Estimate) -> tuple[str, ...]:
    """Numbers that the trials say next to nothing about, and pairs that they cannot tell apart."""
    names, deviation = [p.name for p in problem.line.free], np.sqrt(np.diag(found.covariance))
    said_of, open_ = [], set()
    for k, name in enumerate(names):
        if problem.priors and 1 - deviation[k] < UNLEARNT:
            open_.add(name)
            said_of.append(
                f"{name}: the trials say little of it: its interval is nearly as wide as the published range"
            )
    _, s, ways = np.linalg.svd(found.J, full_matrices=False)
    for value, way in zip(s, ways):
        large = [k for k in np.argsort(-np.abs(way)) if abs(way[k]) > 0.35]
        if value < 1.0 and len(large) > 1 and problem.priors:
            said_of.append(f"{_in_words(problem, way, large)}: the trials see these only together")
    correlated = found.covariance / np.outer(deviation, deviation)
    for i in range(len(names)):
        for j in range(i):
            if abs(correlated[i, j]) > SAME:
                way = "rises" if correlated[i, j] > 0 else "falls"
                said_of.append(
                    f"{names[j]} and {names[i]} cannot be told apart: if one is higher, the other {way} with it "
                    f"(correlation {correlated[i, j]:.2f})"
                )
    return tuple(said_of)


def _in_words(problem: Problem, way: Array, large: Sequence[int]) -> str:
    names = [p.name for p in problem.line.free]
    first = way[large[0]]
    return " and ".join(names[k] + (" up" if way[k] * first > 0 else " down") for k in large)
