"""A map of a case: what comes of feed, air and settings anywhere between their ends, and how far off that may be.

Many states are predicted roughly, with even beds: they give the shape. Fewer are predicted as they are, on the full
mesh: what these add hardly bends. States held out, which neither fit has seen, a fifth of them in corners, say how
far off the map is. More states are taken while it is too far off, and in the end a map that is still is refused.

A fan's speed that is set follows from an airflow here: what comes of an airflow is predicted at once, a speed would
have to settle. So airflows are chosen that give about the speeds that are wanted, and the map is of the speeds.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.case.result import Result
from coolsim.machines import Machine, machine_of
from coolsim.physics.store import Store
from coolsim.simulate.finishing import store_of
from coolsim.simulate.inputs import with_even_bed
from coolsim.simulate.prediction import predict
from coolsim.studies.maps.axes import Axis, axes_of, case_at, coordinates
from coolsim.studies.maps.outcomes import HEAT, Row, plain, rows_of, solve
from coolsim.studies.maps.spread import Spread, drawn, has_unknowns, spread_of, unlike
from coolsim.studies.maps.surface import Bend, Surface, fitted, powers_of
from coolsim.studies.ranges import dries
from coolsim.support.errors import Fault, InputError, NotConverged
from coolsim.support.fields import Array
from coolsim.support.progress import in_steps

STEPS = 6  # that are told of, if the first round will do
SEED = 11
FAR_OUT = 2  # one in so many states is spread further out still: corners are where polynomials fail
BEYOND = 0.05  # of each range, to either side: states that are fitted lie a little outside of the map
CORNERS = 0.2  # share of the states held out
LEAST_SOLVED = 0.8
MOST_SET = 5  # beside feed moisture and the air: terms and states grow with their powers
GUESSED = 60  # states at which a fan's speed is settled, to know which airflows give which speeds


@dataclass(frozen=True)
class Effort:
    """How many states are predicted, and how far off a map of them may be."""

    rough: tuple[int, ...]  # states of even beds on a rough mesh, in rounds
    full: tuple[int, ...]  # as they are on the full mesh
    held_out: int
    unknown: int  # pairs of states, for the chance
    moisture: float  # kg/kg wet, that 95 of 100 keep
    temperature: float  # K
    refused: float  # kg/kg wet, largest: beyond, there is no map


COOLER = Effort((3000, 6000), (300, 600), 120, 400, 2e-4, 0.2, 4e-3)
DRYER = Effort((1200, 3000), (50, 60), 30, 160, 1e-3, 0.35, 4e-3)


@dataclass(frozen=True)
class Missed:
    """How far off a map is on states held out."""

    states: int
    largest: Mapping[str, float]  # by names of rows
    of_95: Mapping[str, float]  # 95 of 100 are no further off


@dataclass(frozen=True)
class Chart:
    """A map of a case."""

    case: Case
    result: Result  # as the scenario stands
    axes: tuple[Axis, ...]
    rows: tuple[Row, ...]
    surface: Surface
    missed: Missed
    store: Store
    spread: Spread | None  # None where everything is known exactly

    def __call__(self, values: Array) -> dict[str, Array]:
        """Outcomes by their keys at values (axes, N)."""
        x, outside = (
            coordinates(self.axes, values),
            values[[a.key for a in self.axes].index("outside_temperature")],
        )
        table = self.surface(x)
        return {row.key: plain(row, smooth, self.store, outside) for row, smooth in zip(self.rows, table)}


def effort_of(case: Case) -> Effort:
    """What a map of a case takes."""
    return DRYER if dries(case) else COOLER


def charted(case: Case, effort: Effort | None = None) -> Chart:
    """The map of a case; raises NotConverged where none is good enough, InputError where none can be asked for."""
    check(case)
    with in_steps(STEPS) as step:
        step("predicting today")
        return _Charting(case, predict(case), effort or effort_of(case), step).chart()


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a case can have no map."""
    faults, machine = [], machine_of(case)
    varied = [s for s in machine.settings if s.varies]
    if len(varied) > MOST_SET:
        found = f"{len(varied)} things that may be set"
        allowed = f"a page has at most {MOST_SET}: leave some ranges out, or give them equal ends"
        faults.append(Fault("", "limits", found, allowed))
    if isinstance(case.cooler, Line):
        faults += [
            Fault(
                "",
                f"stage.{s.place}.limits",
                f"the speed of the fan of {s.stage}",
                "of a line give its airflow",
            )
            for s in machine.settings
            if s.by
        ]
    if faults:
        raise InputError(faults)


class _Charting:
    """One map in the making."""

    def __init__(self, case: Case, result: Result, effort: Effort, step: Callable[[str], None]) -> None:
        self.case, self.result, self.effort, self.step = case, result, effort, step
        self.machine, self.even = machine_of(case), machine_of(with_even_bed(case))
        self.axes, self.rows, self.store = axes_of(case, result), rows_of(case), store_of(case)
        self.by = {
            s.key: s.sought for s in self.machine.settings if s.by and s.key in {a.key for a in self.axes}
        }
        self.airflow: Surface | None = None
        self.ends = self._ends()
        self.weights = np.array([_WEIGHT.get(row.key, 0.0) for row in self.rows])

    def chart(self) -> Chart:
        if self.by:
            self.step("looking at the fan")
            self.airflow = self._airflows()
        effort, missed = self.effort, None
        self.step("predicting what the map is held against")
        checks = self._at(_corners(len(self.axes), effort.held_out), rough=False)
        bends = bends_of(self)
        rough = full = like = np.zeros((len(self.axes), 0)), np.zeros((len(self.rows), 0))
        for count, few in zip(effort.rough, effort.full):
            self.step("predicting the shape")
            rough = _more(
                rough, self._at(_spread(len(self.axes), count, 1)[:, rough[0].shape[1] :], rough=True)
            )
            self.step("predicting in full")
            share = _spread(len(self.axes), few, 2)[:, full[0].shape[1] :]
            full, like = _more(full, self._at(share, rough=False)), _more(like, self._at(share, rough=True))
            self.step("laying the map")
            shape = fitted(*rough, self.ends, self.weights, bends)
            # a fan's speed follows from its airflow: the two may stand at places that are not quite the same
            added = full[1] - like[1] + shape(like[0]) - shape(full[0])
            most = int(shape.powers.sum(axis=1).max(initial=0))
            surface = shape.plus(fitted(full[0], added, self.ends, self.weights, most=most))
            missed = self._missed(surface, *checks)
            if (
                missed.of_95["moisture"] <= effort.moisture
                and missed.of_95["temperature"] <= effort.temperature
            ):
                break
        assert missed is not None
        if missed.largest["moisture"] > effort.refused:
            raise NotConverged(
                f"no map is good enough: the best is {100 * missed.largest['moisture']:.2f} points off where it "
                f"was held against predictions, and {100 * effort.refused:.2g} are the most; narrow the ranges of "
                "[limits]"
            )
        spread = self._spread(surface) if has_unknowns(self.case) else None
        return Chart(self.case, self.result, self.axes, self.rows, surface, missed, self.store, spread)

    def _ends(self) -> tuple[Array, Array]:
        """Ends of the coordinates."""
        corners = np.array(list(product(*((a.low, a.high) for a in self.axes)))).T
        x = coordinates(self.axes, corners)
        return x.min(axis=1), x.max(axis=1)

    def _values(self, share: Array) -> Array:
        return np.array([axis.back(s) for axis, s in zip(self.axes, share)])

    def _at(self, share: Array, *, rough: bool) -> tuple[Array, Array]:
        """Coordinates and rows of states at shares (axes, N) of the way along each axis."""
        values = self._values(share)
        machine = self.even if rough else self.machine
        keys = [axis.key for axis in self.axes]
        cases = self._cases(machine, values)
        found = solve(machine, self.rows, cases, rough=rough, follows=tuple(self.by))
        for key, there in found.set_by.items():
            values[keys.index(key)] = there
        x = coordinates(self.axes, values)
        rows = np.where(np.isfinite(x).all(axis=0), found.rows, np.nan)
        if np.isfinite(rows).all(axis=0).mean() < LEAST_SOLVED:
            count = int((~np.isfinite(rows).all(axis=0)).sum())
            raise NotConverged(
                f"{count} of {rows.shape[1]} states of the map did not converge: narrow [limits]"
            )
        return x, rows

    def _cases(self, machine: Machine, values: Array) -> list[Case]:
        """Cases at values (axes, N); an airflow that gives about a fan's speed in place of that."""
        asked, keys = values.copy(), [axis.key for axis in self.axes]
        if self.airflow is not None:
            x = coordinates(self.axes, values)
            for k, flow in zip((keys.index(key) for key in self.by), self.airflow(x)):
                asked[k] = np.exp(flow)
        return [case_at(machine, self.axes, column, self.by) for column in asked.T]

    def _airflows(self) -> Surface:
        """Logarithms of the airflows that fans give at their speeds."""
        values = self._values(_spread(len(self.axes), GUESSED, 3))
        cases = [case_at(self.even, self.axes, column) for column in values.T]
        flows = _airflow_of(self.even, cases)
        x = coordinates(self.axes, values)
        return fitted(x, np.log(flows)[None], self.ends, np.ones(1), most=2)

    def _spread(self, surface: Surface) -> Spread:
        """What is not known, anywhere on the map: what a varied state adds to the same one as it is known."""
        self.step("asking how sure")
        unknowns, z, R = drawn(self.case, self.effort.unknown)
        values = self._values(_spread(len(self.axes), self.effort.unknown, 4))
        x = coordinates(self.axes, values)
        cases = self._cases(self.even, values)
        both = solve(self.even, self.rows, [*cases, *unlike(cases, unknowns, z, R)], rough=True).rows
        known, other = np.split(both, 2, axis=1)
        outside = x[[a.key for a in self.axes].index("outside_temperature")]

        def plainly(rows: Array) -> Array:
            return np.array([plain(row, one, self.store, outside) for row, one in zip(self.rows, rows)])

        return spread_of(unknowns, z, surface.scaled(x), known, other, plainly)

    def _missed(self, surface: Surface, x: Array, rows: Array) -> Missed:
        good = np.isfinite(rows).all(axis=0)
        outside = x[[a.key for a in self.axes].index("outside_temperature"), good]
        off = {
            row.key: np.abs(plain(row, a, self.store, outside) - plain(row, b, self.store, outside))
            for row, a, b in zip(self.rows, surface(x[:, good]), rows[:, good])
        }
        return Missed(
            int(good.sum()),
            {key: float(v.max()) for key, v in off.items()},
            {key: float(np.quantile(v, 0.95)) for key, v in off.items()},
        )


# One over what is small enough where a polynomial is held against states it has not seen.
_WEIGHT = {
    "moisture": 1 / 8e-5,
    "temperature": 1 / 0.1,
    "wettest_tenth": 1 / 1.5e-4,
    "warmest_tenth": 1 / 0.3,
}


def _more(before: tuple[Array, Array], new: tuple[Array, Array]) -> tuple[Array, Array]:
    x, rows = (np.concatenate(pair, axis=1) for pair in zip(before, new))
    return x, rows


# ---- Where outcomes bend sharply ------------------------------------------------------------------------

POWERS = (0.45, 0.6, 0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.7, 2.2)  # of the heater's: knots of what it would give
UNLIMITED = 300  # states without the limit of the heater, to know what it would give
MOST_KNOTS = 16


def bends_of(charting: _Charting) -> tuple[Bend, ...]:
    """Of a batch alone: where its air changes sides, and where its heater is at its power."""
    case = charting.case
    if case.cooler.arrangement != "batch":
        return ()
    return (*_reversals(charting), *_heater(charting))


def _reversals(charting: _Charting) -> Iterator[Bend]:
    """Along the time of drying: the exit changes its way each time the air changes sides."""
    cooler, keys = charting.case.cooler, [axis.key for axis in charting.axes]
    every = cooler.reverse_every
    if "duration" not in keys or every is None or "reverse_every" in keys or cooler.mixing != "none":
        return
    k = keys.index("duration")
    low, high = (float(end[k]) for end in charting.ends)
    for spacing in (every / 2, every):
        times = np.arange(np.ceil(np.exp(low) / spacing), np.exp(high) / spacing + 1e-9) * spacing
        knots = np.unique(np.concatenate([[low], np.log(times), [high]]))
        if 2 < len(knots) <= MOST_KNOTS:
            linear = powers_of(len(keys), 1)
            along = np.where(linear[:, k] == 1, (high - low) / 2, 0.0)
            along[linear.sum(axis=1) == 0] = (high + low) / 2
            yield Bend(Surface(*charting.ends, linear, along[None]), knots, 1)
            return


def _heater(charting: _Charting) -> Iterator[Bend]:
    """Along the mean heat that the heater would give, were there no limit to it."""
    case = charting.case
    most = case.cooler.heater_power
    if most is None:
        return
    free = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, heater_power=None))
    unlimited = _Charting(free, charting.result, charting.effort, charting.step)
    x, rows = unlimited._at(_spread(len(charting.axes), UNLIMITED, 5), rough=True)
    heat = rows[[row.key for row in charting.rows].index(HEAT)]
    values = dict(zip((axis.key for axis in charting.axes), x))
    time = np.exp(values["duration"]) if "duration" in values else case.cooler.duration
    mass = case.feed.bulk_density * case.cooler.floor_area * case.cooler.bed_depth
    along = fitted(x, (heat * mass / time / most)[None], charting.ends, np.array([100.0]), most=4)
    seen = along(x)[0]
    inside = [p for p in POWERS if seen.min() < p < seen.max()]
    if seen.min() < 1.0 < seen.max():
        yield Bend(along, np.array([seen.min(), *inside, seen.max()]), 2)


def _airflow_of(machine: Machine, cases: list[Case]) -> Array:
    from coolsim.machines.base import QUICK, predicted

    result, computed = predicted(cases, QUICK)
    flows = np.full(len(cases), np.nan)
    flows[computed] = np.asarray(result.bed.face_velocity) * machine.case.cooler.floor_area
    return flows


def _spread(axes: int, count: int, seed: int) -> Array:
    """Shares (axes, N) that lie denser towards the ends, as a polynomial needs it."""
    from scipy.stats import qmc

    u = qmc.Sobol(axes, seed=SEED + seed).random(1 << (count - 1).bit_length())[:count].T
    found = np.asarray(0.5 - 0.5 * np.cos(np.pi * u))
    found = np.where(np.arange(count) % FAR_OUT, found, 0.5 - 0.5 * np.cos(np.pi * found))
    return np.asarray(0.5 + (1 + 2 * BEYOND) * (found - 0.5))


def _corners(axes: int, count: int) -> Array:
    """Shares (axes, N) as they come, a fifth of them in corners."""
    rng = np.random.default_rng(SEED)
    found = rng.random((axes, count))
    some = int(CORNERS * count)
    found[:, :some] = rng.integers(0, 2, (axes, some))
    return found
