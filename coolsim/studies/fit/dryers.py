"""What the model says of trials on a batch or belt dryer, and how that moves with the free numbers.

A dryer has no exact slopes: they are central differences. All cases of all differences march side by side in one
call, so that a free number more costs two columns more per trial. Steps are a fifth of what is not known: in
shorter ones the steps in time, which each case takes as it needs, show: with a tenth, temperature's slope by the
diffusivity of evening-batch.toml was 2.0 per deviation, with a fifth 2.4, over three tenths 2.5. (One-sided
differences save a third of the time, and are 6 % off for diffusivity: intervals would be.)
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping

import numpy as np

from coolsim import both_units, dried
from coolsim.case import Batch, Case
from coolsim.errors import NotConverged
from coolsim.fields import Array, with_number
from coolsim.machines import dryers as dials
from coolsim.model import drying
from coolsim.predict import on_one_thread
from coolsim.scenario.trials import DOUBTED, MEASURED, hottest_inlet
from coolsim.studies.fit.model import Dryers, Said

# Right to 0.001 point and 0.001 K on seven of eight settings of a batch, to 0.02 point and 0.03 K on the driest;
# eight shells for twelve are off by up to 0.04 point and save a tenth. Never refined: see FITTING of fit.model.
FITTING = drying.Resolution(8, 12, refinements=0, estimate=False)
STEP = 0.2  # of the standard deviation that the published range means
EXITS = 2  # rows of MEASURED that a dryer has: of its exhaust, which changes all the time, none


# ---- Numbers of a fit in a case -------------------------------------------------------------------------


def _material(path: str) -> Callable[[Case, float], Case]:
    return lambda case, value: with_number(case, f"material.{path}", value)


def with_more_air(case: Case, times: float) -> Case:
    """The dryer with its airflow, of all zones alike, times a factor."""
    return dials.dialled(case, {"airflow": times * dials.now(case)["airflow"]})


def _shifted(case: Case, shift: float) -> Case:
    return with_number(case, "material.isotherm.scale", case.material.isotherm.scale * (1 + shift))


def _moister(case: Case, by: float) -> Case:
    return with_number(case, "feed.moisture", case.feed.moisture + by)


_PUT: Mapping[str, Callable[[Case, float], Case]] = {
    "diffusivity": _material("diffusivity.value"),
    "activation_energy": _material("diffusivity.activation_energy"),
    "moisture_slope": _material("diffusivity.moisture_slope"),
    "isotherm_shift": _shifted,
    "specific_heat": _material("specific_heat"),
    "airflow_factor": with_more_air,
    "feed_moisture_bias": _moister,
}


# ---- What was set, a little off -------------------------------------------------------------------------


def _of(path: str) -> Callable[[Case, float], Case]:
    def moved(case: Case, by: float) -> Case:
        table, name = path.split(".")
        return with_number(case, path, float(getattr(getattr(case, table), name)) + by)

    return moved


def _airflow(case: Case, by: float) -> Case:
    """More air in all, its shares of the zones as they were."""
    return dials.dialled(case, {"airflow": dials.now(case)["airflow"] + by})


def _inlet(case: Case, by: float) -> Case:
    """Warmer air from every heater."""
    T = dials.now(case).get("inlet_air_temperature")
    return case if T is None else dials.dialled(case, {"inlet_air_temperature": T + by})


# How each input is moved, and how far: about what instruments err by.
_MOVED: Mapping[str, tuple[Callable[[Case, float], Case], Callable[[Case], float]]] = {
    "feed.moisture": (_of("feed.moisture"), lambda _: 0.002),
    "feed.temperature": (_of("feed.temperature"), lambda _: 1.0),
    "feed.throughput": (_of("feed.throughput"), lambda c: 0.02 * c.feed.throughput),
    "air.temperature": (_of("air.temperature"), lambda _: 0.5),
    "air.relative_humidity": (
        _of("air.relative_humidity"),
        lambda c: min(0.02, 1 - float(c.air.relative_humidity), float(c.air.relative_humidity)) or 1e-4,
    ),
    "cooler.airflow": (_airflow, lambda c: 0.02 * dials.now(c)["airflow"]),
    "cooler.bed_depth": (_of("cooler.bed_depth"), lambda c: 0.02 * c.cooler.bed_depth),
    "cooler.inlet_air_temperature": (_inlet, lambda _: 1.0),
}


# ---- What the model says --------------------------------------------------------------------------------


def said(line: Dryers, theta: Array, slopes: bool = True, doubts: bool = False) -> Said:
    """As fit.model.said: readings at sets of θ (sets, free), slopes where asked; NotConverged names the trial."""
    theta = np.atleast_2d(theta)
    sets, count, free = len(theta), len(line.cases), line.free
    steps = STEP * np.array([p.spread(line.cases[0]) for p in free])
    there = [theta]
    if slopes:
        there += [theta + way * step for step in np.diag(steps) for way in (1, -1)]
    cases = [case for one in there for row in one for case in _with(line, row)]
    moved = [_MOVED[key] for key in DOUBTED] if doubts else []
    for move, size in moved:
        for way in (1.0, -1.0):
            cases += [move(c, way * size(c)) for row in theta for c in _with(line, row)]
    exits = _exits(line, cases).reshape(EXITS, -1, sets, count)
    readings = np.full((len(MEASURED), sets, count), np.nan)
    by_theta = np.zeros((len(MEASURED), len(free) if slopes else 0, sets, count))
    by_doubt = np.zeros((len(MEASURED), len(moved), sets, count))
    readings[:EXITS] = exits[:, 0]
    if slopes:
        by_theta[:EXITS] = _slopes(exits[:, 1 : len(there)], steps[:, None, None])
    if doubts:
        sizes = np.array([[size(c) for c in line.cases] for _, size in moved])
        by_doubt[:EXITS] = _slopes(exits[:, len(there) :], sizes[:, None])
    return Said(np.nan_to_num(readings), by_theta, by_doubt)


def _slopes(exits: Array, steps: Array) -> Array:
    """Central differences of exits (quantities, up and down of each input, sets, trials)."""
    return (exits[:, ::2] - exits[:, 1::2]) / (2 * steps)


def _with(line: Dryers, theta: Array) -> list[Case]:
    """The trials' cases with one set of the free numbers."""
    cases = list(line.cases)
    for p, one in zip(line.free, theta):
        cases = [_PUT[p.name](case, float(p.value(one))) for case in cases]
    return cases


def _exits(line: Dryers, cases: list[Case]) -> Array:
    exits = np.empty((EXITS, len(cases)))
    for at in dried.by_kind(cases):  # a batch that is cooled is of another kind
        try:
            with on_one_thread():
                some = [cases[k] for k in at]
                out = dried.dry(some, None, many=True, resolution=line.resolution or FITTING).pellets_out
        except NotConverged as error:
            count = len(line.labels)
            label = line.labels[int(at[error.failed[0]]) % count] if len(error.failed) else "a trial"
            raise NotConverged(f"{label}: {error.reason}", at[error.failed], error.best) from None
        exits[:, at] = out.moisture_wb, out.temperature
    return exits


# ---- What to measure next -------------------------------------------------------------------------------

AIR, TIME, HEAT = (0.7, 1.4), (0.6, 1.5), 15.0  # of the scenario's, and K around its hottest air
LEAST_ABOVE = 10.0  # K that heated air stays above the air outside


def changes(case: Case) -> list[tuple[str, Case]]:
    """Trials that may be run on a dryer, in words and as cases."""
    cooler, outside = case.cooler, float(case.air.temperature)
    found = [(f"a trial with {times:.0%} of the airflow", with_more_air(case, times)) for times in AIR]
    for times in TIME:
        if isinstance(cooler, Batch):
            longer = dataclasses.replace(cooler, duration=cooler.duration * times)
            words = f"a trial of {longer.duration / 60:.0f} min"
        else:
            longer = dataclasses.replace(cooler, bed_depth=cooler.bed_depth * times)
            words = f"a trial with a bed of {both_units.depth(longer.bed_depth)}"
        found.append((words, dataclasses.replace(case, cooler=longer)))
    for way in (-HEAT, HEAT):
        hottest = hottest_inlet(cooler)
        if hottest is not None and hottest + way > outside + LEAST_ABOVE:
            found.append((f"a trial with air of {both_units.temperature(hottest + way)}", _inlet(case, way)))
    return found
