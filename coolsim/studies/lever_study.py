"""How far each thing alone moves the exit, from one end of its range to the other, on any machine.

What may be set goes from end to end of its range in [limits]; what may change by itself (the feed, the weather)
as far as is usual (`studies.ranges`). All ends are predicted side by side on a rough mesh, and shifted by what that
mesh misses at the case itself.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES, Quantity
from coolsim.case.result import InputBand, Result
from coolsim.machines import Machine, appraised, machine_of
from coolsim.simulate.inputs import with_even_bed
from coolsim.simulate.prediction import predict
from coolsim.simulate.requirements import Constraint, constraints_of
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.ranges import FEED, HUMIDITY, WARMTH, in_air_of, usual
from coolsim.support.display import Displayed
from coolsim.support.fields import Array, documented

MISSED = 0.01  # of a bound's scale: what a rough mesh may miss; at its own end a setting breaks nothing
ACROSS, UP = 9, 7  # of a map: smooth contours


@dataclass(frozen=True)
class Span:
    """One thing alone, from the low end of its range to the high one, the rest as it is."""

    key: str = documented("-", "what is varied, as machines and air call it")
    label: str = documented("-", "the same, as a person reads it")
    quantity: Quantity = documented("-", "what it is")
    now: float = documented("as the quantity", "as it is")
    ends: tuple[float, float] = documented("as the quantity", "low and high end of its range")
    may_be_set: bool = documented("-", "whether [limits] opens it; else the range is assumed")
    moisture_wb: tuple[float, float] = documented(
        "kg/kg wet", "exit moisture at these ends; nan where it cannot be computed"
    )
    temperature: tuple[float, float] = documented("°C", "exit temperature at these ends")
    kept: tuple[bool, bool] = documented("-", "whether all limits of the machine are kept there")

    @property
    def length(self) -> float:
        """How far the exit moisture goes from end to end [kg/kg wet]."""
        low, high = self.moisture_wb
        return abs(high - low) if np.isfinite(high - low) else 0.0


@dataclass(frozen=True, repr=False)
class Levers(Displayed):
    """What moves the exit of a case, and how far: the longest first."""

    case: Case = documented("-", "the case, as it stands")
    moisture_wb: float = documented("kg/kg wet", "its exit moisture")
    temperature: float = documented("°C", "its exit temperature")
    spans: tuple[Span, ...] = documented("-", "each thing alone, sorted by how far it moves the moisture")
    band: InputBand | None = documented("-", "what its inputs leave open, where known", default=None)


@takes_a_case
def levers(case: Case, result: Result | None = None) -> Levers:
    """What moves the exit of a case, and how far: each thing alone, from end to end of its range.

    result: the prediction of the case, where it is known; its band is told too. Raises NotConverged.
    """
    if result is None:
        result = predict(case, band=True)
    machine = machine_of(case)
    varied = list(_varied(machine, case, result))
    cases = [one for _, pair in varied for one in pair]
    machine_limits = [c for c in constraints_of(case) if not c.of_target]
    found = appraised(machine, [*cases, case], quick=True, constraints=machine_limits)
    M, T = float(result.pellets_out.moisture_wb), float(result.pellets_out.temperature)
    moisture = found.moisture + (M - found.moisture[-1])
    temperature = found.temperature + (T - found.temperature[-1])
    broken_now = {v.constraint.full_name for v in verdicts_of(case, result) if not v.met}
    counted = [k for k, c in enumerate(machine_limits) if c.full_name not in broken_now]
    kept = np.all(found.violations[counted] <= MISSED, axis=0)
    spans = [
        dataclasses.replace(
            span,
            moisture_wb=_pair(moisture, k),
            temperature=_pair(temperature, k),
            kept=(bool(kept[2 * k]), bool(kept[2 * k + 1])),
        )
        for k, (span, _) in enumerate(varied)
    ]
    return Levers(case, M, T, tuple(sorted(spans, key=lambda s: -s.length)), result.input_band)


def _pair(values: Array, k: int) -> tuple[float, float]:
    return float(values[2 * k]), float(values[2 * k + 1])


def _varied(machine: Machine, case: Case, result: Result) -> Iterator[tuple[Span, Sequence[Case]]]:
    """Everything that may be set or may change, and the case at both of its ends."""
    far, air = usual(case), case.air
    ends = far[FEED]
    yield _span(FEED, case.feed.moisture, ends), [machine.at({FEED: x}) for x in ends]
    ends = far[WARMTH]
    yield _span(WARMTH, float(air.temperature), ends), [in_air_of(case, temperature=x) for x in ends]
    ends = far[HUMIDITY]
    damp = [in_air_of(case, relative_humidity=x) for x in ends]
    yield _span(HUMIDITY, float(air.relative_humidity), ends), damp
    at = machine.read(case, result)
    for s in machine.settings:
        if s.varies:
            span = _span(s.quantity.name, at[s.key], (s.low, s.high), s.label)
            span = dataclasses.replace(span, key=s.key, may_be_set=True)
            yield span, [machine.at({s.key: x}) for x in (s.low, s.high)]


def _span(name: str, now: float, ends: tuple[float, float], label: str = "") -> Span:
    q, nothing = QUANTITIES[name], (np.nan, np.nan)
    return Span(name, label or q.label, q, now, ends, False, nothing, nothing, (True, True))


# ---- The map of two -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MapPoint:
    """Where a state stands on a map."""

    across: float = documented("as the quantity", "of what lies across")
    up: float = documented("as the quantity", "of what lies up")
    moisture_wb: float = documented("kg/kg wet", "its exit moisture, as predicted by itself")


@dataclass(frozen=True, repr=False)
class LeverMap(Displayed):
    """Exit moisture and limits over two things, the rest as it is to be set, or as it is."""

    case: Case = documented("-", "the case with the rest of its settings")
    across: Span = documented("-", "what lies across")
    up: Span = documented("-", "what lies up")
    values_across: Array = documented("as the quantity", "its values, ascending")
    values_up: Array = documented("as the quantity", "likewise")
    moisture_wb: Array = documented("kg/kg wet", "exit moisture (up, across); nan where none is computed")
    constraints: tuple[Constraint, ...] = documented("-", "what must be kept besides the moisture")
    violations: Array = documented("-", "by how much not: (constraints, up, across)")
    today: MapPoint | None = documented("-", "where the case stands", default=None)
    advice: MapPoint | None = documented("-", "where it is to be set", default=None)


def lever_map(levers: Levers, result: Result, to: tuple[Case, Result] | None = None) -> LeverMap | None:
    """The map over the two longest levers that a person can move: settings, and the feed's moisture.

    result: the prediction of the case of the levers. to: the case as it is to be set, with its prediction. Where
    there are no two such levers there is no map.
    """
    moved = [s for s in levers.spans if (s.may_be_set or s.key == "feed_moisture") and s.length > 0]
    if len(moved) < 2:
        return None
    base, predicted = to or (levers.case, result)
    machine = machine_of(base)
    across, up = (_as_sought(machine, base, s) for s in moved[:2])
    x, y = _values(across, ACROSS), _values(up, UP)
    cases = [machine.at({across.key: float(a), up.key: float(b)}) for b in y for a in x]
    asked = [c for c in constraints_of(levers.case) if c.quantity.name != "moisture"]
    found = appraised(machine, [base], quick=True, constraints=asked)
    shift = float(predicted.pellets_out.moisture_wb) - found.moisture[0]
    moisture, violations = _over(machine, cases, asked)
    return LeverMap(
        case=base,
        across=across,
        up=up,
        values_across=x,
        values_up=y,
        moisture_wb=moisture + shift,
        constraints=tuple(asked),
        violations=violations,
        today=_point_of(levers.case, result, across, up),
        advice=None if to is None else _point_of(*to, across, up),
    )


def _over(machine: Machine, cases: Sequence[Case], asked: Sequence[Constraint]) -> tuple[Array, Array]:
    """Moisture (up, across) and violations (constraints, up, across) of a map's cases, row by row.

    Beds are even, a third to a ninth of the columns; what unevenness adds is a parabola each way through three.
    """

    def rows(some: Sequence[Case]) -> Array:
        a = appraised(machine, some, quick=True, constraints=asked)
        return np.concatenate([a.moisture[None], a.violations])

    even = [with_even_bed(case) for case in cases]
    found = rows(even).reshape(-1, UP, ACROSS)
    if even[0] is not cases[0]:
        up, across = (np.array([0, n // 2, n - 1]) for n in (UP, ACROSS))
        some = rows([cases[j * ACROSS + k] for j in up for k in across]).reshape(-1, 3, 3)
        added = some - found[:, up[:, None], across]
        middle = np.nanmedian(added, axis=(1, 2), keepdims=True)
        added = np.where(np.isfinite(added), added, middle)
        found = found + np.einsum("uj,ak,rjk->rua", _parabola(UP), _parabola(ACROSS), added)
    return found[0], found[1:]


def _parabola(count: int) -> Array:
    """Weights (count, 3) of the first, middle and last of equally spaced places in a parabola through them."""
    t = np.linspace(-1.0, 1.0, count)
    return np.stack([t * (t - 1) / 2, 1 - t**2, t * (t + 1) / 2], axis=1)


def _values(span: Span, count: int) -> Array:
    """Values from end to end, and on to where it is."""
    known = [*span.ends, span.now]
    return np.linspace(np.nanmin(known), np.nanmax(known), count)


def _as_sought(machine: Machine, base: Case, span: Span) -> Span:
    """A fan's speed by the airflow that it gives: of a hundred states it takes a hundredth of the time."""
    by = {s.key: s.sought for s in machine.settings}.get(span.key, span.key)
    if by == span.key:
        return span
    ends = [machine.at({span.key: x}) for x in span.ends]
    found = appraised(machine, ends, quick=True, constraints=())
    if not found.computed.all():
        return span
    flows = [machine.read(case, found.result_of(k))[by] for k, case in enumerate(ends)]
    q = QUANTITIES[by.rpartition(".")[2]]
    label = f"{span.label.rpartition(': ')[0]}: {q.label}".removeprefix(": ")
    now = float(np.nan)
    return dataclasses.replace(span, key=by, label=label, quantity=q, now=now, ends=(min(flows), max(flows)))


def _point_of(case: Case, result: Result, across: Span, up: Span) -> MapPoint | None:
    at = {"feed_moisture": case.feed.moisture, **machine_of(case).read(case, result)}
    x, y = float(at[across.key]), float(at[up.key])
    return MapPoint(x, y, float(result.pellets_out.moisture_wb)) if np.isfinite(x + y) else None
