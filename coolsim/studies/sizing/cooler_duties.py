"""Duties of a cooler: air ratio, time in the bed and inlet air, and the airflow that a floor then makes.

What leaves a counter-flow bed depends on its floor only through the fluxes of air and feed. Air ratio and time
decide the exit; at the same two, the flux hardly changes it, and three places along it are enough.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.case.tables import FanData
from coolsim.equipment import duct
from coolsim.equipment.duct import AirState
from coolsim.machines.plant_ranges import seconds_per_metre
from coolsim.model.bed import take
from coolsim.physics import air, packed_bed
from coolsim.simulate.inputs import Inputs, gather
from coolsim.simulate.least_bed import depths_to_choose, least_time
from coolsim.simulate.prediction import predict_inputs
from coolsim.simulate.requirements import constraints_of, predicted_state
from coolsim.studies.optimise.batching import Mesh
from coolsim.studies.optimise.machines import MESHES
from coolsim.studies.optimise.march_outcomes import OUTCOMES, outcome_rows
from coolsim.studies.optimise.survey import back, forth
from coolsim.studies.outcome_rows import combined
from coolsim.studies.sizing.duties import Duty, goal_of
from coolsim.studies.sizing.fans import efficiencies
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

# s, looked at where [limits] has none; common practice (no source) is 4 to 15 minutes. Beds of more than half an
# hour take the solver's longer roads, several times the time.
TIMES = (60.0, 1800.0)
FLUX_SPAN = 25.0  # lowest air flux looked at, as a part of the highest that the limit of lift-off allows
ROOM = 1.1  # highest flux looked at, above what lifts off in outside air: exhaust that is colder lifts later
# Values along air ratio, time and inlet air of a survey of the whole box, and of a small one: an odd number has the
# middle. Then the degrees of the polynomials, in each axis and in all.
WHOLE, WHOLE_DEGREES = (9, 7, 3), (6, 7)
SMALL, SMALL_DEGREES = (3, 3, 3), (2, 3)


@dataclass(frozen=True)
class CoolerDuty(Duty):
    """A product in a weather for a cooler to buy; the last axis is its airflow, on the floor as given."""

    exact: ClassVar[float] = 2.5e-3
    at_first: ClassVar[int] = 1
    time_is: ClassVar[str] = "residence_time"
    along: ClassVar[Mapping[bool, int]] = {True: 4, False: 3}

    dry_air: float  # kg/(m² s) of dry air per m³/s of the airflow, on the floor as given
    depths: tuple[float, float]  # m

    def _flux(self, u: Array) -> Any:
        """Wet feed per floor [kg/(m² s)]."""
        return self.dry_air * self.knob("airflow", u) / self.knob("air_ratio", u)

    def depth(self, u: Array) -> Any:
        return self._flux(u) * self.knob("time", u) / self.case.feed.bulk_density

    def floor_for(self, u: Array) -> Any:
        return self.case.feed.throughput / self._flux(u)

    def put_on(self, floor: Any, u: Array, low: Array, high: Array) -> Any:
        out = np.zeros(u.shape[:-1]) - 1e-9
        if floor is not None:
            dry = self.knob("air_ratio", u) * self.case.feed.throughput / floor
            u[..., -1] = np.log(dry / self.dry_air)
            out = np.maximum(low[-1] - u[..., -1], u[..., -1] - high[-1]) - 1e-9
        deep, (shallow, deepest) = np.log(self.depth(u)), np.log(self.depths)
        return np.maximum(out, np.maximum(shallow - deep, deep - deepest) - 1e-9)

    def ranges(self, u: Array) -> list[tuple[str, float, float, float]]:
        """Of the airflow nobody has typed one; the depth has one, though it follows."""
        own = [one for one in super().ranges(u) if one[0] != "airflow"]
        low, high = np.log(self.depths)
        return [*own, ("bed_depth", float(np.log(self.depth(u))), float(low), float(high))]

    def state(self, knobs: Mapping[str, float]) -> Case:
        """On the floor that makes it, at the throughput of the duty: what a duct takes hangs on the flow."""
        floor = self.case.feed.throughput * knobs["air_ratio"] / (self.dry_air * knobs["airflow"])
        depth = self.case.feed.throughput / floor * knobs["time"] / self.case.feed.bulk_density
        return self._set(float(floor), float(depth), knobs)

    def plant(self, u: Array, floor: float, machines: int) -> Case:
        return self._set(floor, float(self.depth(u)), {n: float(v) for n, v in self.knobs(u).items()})

    def _set(self, floor: float, depth: float, knobs: Mapping[str, float]) -> Case:
        case, hot = self.case, knobs.get("inlet_air_temperature")
        cooler = dataclasses.replace(
            case.cooler if hot is None else warmed(case, float(hot)),
            floor_area=floor,
            bed_depth=depth,
            airflow=float(knobs["airflow"]) * floor / case.cooler.floor_area,
            air_ratio=None,
        )
        return dataclasses.replace(case, cooler=cooler)

    def nodes(self, whole: bool) -> tuple[Array, tuple[int, int]]:
        counts, degrees = (WHOLE, WHOLE_DEGREES) if whole else (SMALL, SMALL_DEGREES)
        axes = [chebyshev.chebpts1(n) for n in counts[: len(self.names) - 1]]
        return combined(axes), degrees

    @staticmethod
    def solved(states: Sequence[Case], when: Sequence[Array], mesh: Mesh) -> list[Array]:
        found: list[Any] = [np.full((len(OUTCOMES), len(times)), np.nan) for times in when]
        for at in of_one_form(states):
            cases = [states[k] for k in at]
            inputs, good = gather(cases), np.arange(len(at))
            try:
                result = predict_inputs(inputs, MESHES[mesh][1])
            except NotConverged as error:
                good = np.setdiff1d(good, error.failed)
                if not len(good):
                    continue
                inputs = take(inputs, good)
                result = predict_inputs(inputs, MESHES[mesh][1])
            rows = outcomes_of_coolers([cases[k] for k in good], inputs, result)
            for n, row in zip(good, rows.T):
                found[at[int(n)]] = row[:, None]
        return found

    def opened(self, case: Case, load: float, most: float) -> list[Case]:
        low, high = self.depths
        least, longest = times(self.case)
        ratio = self.case.sizing.air_ratio[0]
        limits = dataclasses.replace(
            case.limits,
            airflow=(ratio * case.feed.throughput / self.dry_air / self.case.cooler.floor_area, most),
            bed_depth=(low, min(high, longest / seconds_per_metre(case))),
            residence_time=None,
            minimum_residence_time=least,
        )
        return [dataclasses.replace(case, limits=limits)]

    def dialled(self, case: Case, values: Mapping[str, Array]) -> Array:
        now, share = settings_known(case), self.case.cooler.floor_area / case.cooler.floor_area
        count = len(next(iter(values.values())))
        known: dict[str, Array] = {n: np.full(count, x) for n, x in now.items()} | dict(values)
        known["time"] = seconds_per_metre(case) * known["bed_depth"]
        known["airflow"] = known["airflow"] * share  # of the cooler as given
        known["air_ratio"] = known["airflow"] * self.dry_air * case.cooler.floor_area / case.feed.throughput
        if "inlet_air_temperature" in known:
            known["inlet_air_temperature"] = np.maximum(
                known["inlet_air_temperature"], self.case.air.temperature
            )
        return np.array([[forth(name, float(x)) for x in known[name]] for name in self.names]).T


def settings_known(case: Case) -> dict[str, float]:
    """How a cooler to buy is set."""
    hot, outside = case.cooler.inlet_air_temperature, float(case.air.temperature)
    return {
        "airflow": float(case.cooler.airflow),
        "bed_depth": float(case.cooler.bed_depth),
        "inlet_air_temperature": outside if hot is None else max(float(hot), outside),
    }


def is_heated(case: Case) -> bool:
    """Whether a cooler to buy has a heater, at a temperature that is typed or open."""
    known = (case.limits.inlet_air_temperature, case.cooler.inlet_air_temperature)
    return any(x is not None for x in known)


def warmed(case: Case, hot: float) -> Any:
    """The cooler with inlet air of so many °C; without a heater where that is the air outside."""
    none = hot <= float(case.air.temperature)
    return dataclasses.replace(case.cooler, inlet_air_temperature=None if none else hot)


def of_one_form(cases: Sequence[Case]) -> list[list[int]]:
    """Which cases have one form of isotherm, and so can be solved side by side."""
    forms: dict[str, list[int]] = {}
    for k, case in enumerate(cases):
        forms.setdefault(case.material.isotherm.equation, []).append(k)
    return list(forms.values())


# ---- What becomes of coolers ----------------------------------------------------------------------------


def demand(case: Case, inputs: Inputs, result: Result, margin: float = 0.0) -> duct.Demand:
    """What bed and duct ask of the fan to buy, the bed's drop raised by a margin."""
    exhaust = result.air_out
    return duct.demand(
        duct.duct_of(case.duct),
        case.fan.position or "draw-through",
        inputs.dry_air * inputs.outside_volume,
        np.asarray(result.bed.pressure_drop) * (1 + margin),
        AirState(inputs.outside_temperature, inputs.humidity_ratio),
        AirState(exhaust.temperature, exhaust.humidity_ratio),
        inputs.pressure,
    )


def heat_of(inputs: Inputs) -> Array:
    """Heat [W] that warms the inlet air."""
    T, Y = inputs.outside_temperature, inputs.humidity_ratio
    return np.asarray(inputs.dry_air * (air.enthalpy(inputs.inlet_air_temperature, Y) - air.enthalpy(T, Y)))


def outcomes_of_coolers(cases: Sequence[Case], inputs: Inputs, result: Result) -> Array:
    """Outcomes (outcomes, N) of coolers, with a duct and a fan as the first has them."""
    asked, own = demand(cases[0], inputs, result), efficiencies(cases[0])
    fan = asked.flow * asked.pressure / np.prod(own) / inputs.throughput
    state = predicted_state(result, inputs.outside_temperature, cases[0], cases)
    return outcome_rows(state, "coolers", heat=heat_of(inputs) / inputs.throughput, fan=fan)


# ---- Duties ---------------------------------------------------------------------------------------------


def cooler_duty(product: str, weather: str, case: Case) -> CoolerDuty:
    """What may be set on a cooler to buy; its fan and the limits of that are not those that are there."""
    limits = dataclasses.replace(case.limits, fan_speed=None)
    fan = FanData(
        efficiency=case.fan.efficiency,
        motor_efficiency=case.fan.motor_efficiency,
        position=case.fan.position,
    )
    bare = dataclasses.replace(case, limits=limits, fan=FanData())
    constraints = constraints_of(bare)
    inputs = gather([bare])
    lift = next(c.bound for c in constraints if c.name == "lift_off")
    low, high = air_flux(inputs, float(lift))
    dry_air = 1 / (float(inputs.outside_volume[0]) * case.cooler.floor_area)
    ranges: dict[str, tuple[float, float]] = {"air_ratio": case.sizing.air_ratio, "time": times(case)}
    if case.limits.inlet_air_temperature is not None:
        cool, hot = (max(float(T), float(case.air.temperature)) for T in case.limits.inlet_air_temperature)
        if hot > cool:
            ranges["inlet_air_temperature"] = cool, hot
        else:
            bare = dataclasses.replace(bare, cooler=warmed(bare, cool))
    ranges["airflow"] = low / dry_air, high / dry_air
    ends = np.array([[forth(n, float(x)) for x in ends] for n, ends in ranges.items()]).T
    case = dataclasses.replace(bare, fan=fan)
    return CoolerDuty(
        product,
        weather,
        case,
        tuple(ranges),
        ends[0],
        ends[1],
        goal_of(case, constraints),
        dry_air,
        depths(case),
    )


def air_flux(inputs: Inputs, highest_lift_off: float) -> tuple[float, float]:
    """Lowest and highest dry-air flux [kg/(m² s)] looked at."""
    T, Y, p = inputs.outside_temperature, inputs.humidity_ratio, inputs.pressure
    lifting = packed_bed.lift_off_velocity(
        2 * inputs.radius,
        inputs.bulk_density,
        inputs.void_fraction,
        air.moist_density(T, Y, p),
        air.viscosity(T),
    )
    highest = float((ROOM * highest_lift_off * lifting / inputs.outside_volume)[0])
    return highest / FLUX_SPAN, highest


def depths(case: Case) -> tuple[float, float]:
    """Shallowest and deepest bed [m]."""
    low, high = case.sizing.bed_depth
    return depths_to_choose(case, (low, high))


def times(case: Case) -> tuple[float, float]:
    """Shortest and longest time in the bed [s]."""
    low, high = case.limits.residence_time or TIMES
    return min(max(low, least_time(case)), high), high


def floors(duties: Sequence[Duty]) -> tuple[float, float]:
    """Smallest and largest floor [m²] on which every duty can be looked at; the first above the second: none."""
    smallest, largest = 0.0, np.inf
    for d in duties:
        assert isinstance(d, CoolerDuty)
        (ratio, longest), (few, short) = (
            [float(back(name, end[d.names.index(name)])) for name in ("air_ratio", "time")]
            for end in (d.high, d.low)
        )
        dense, fed = d.case.feed.bulk_density, d.case.feed.throughput
        most = min(d.dry_air * np.exp(d.high[-1]) / few, d.depths[1] * dense / short)
        least = max(d.dry_air * np.exp(d.low[-1]) / ratio, d.depths[0] * dense / longest)
        smallest, largest = max(smallest, fed / most), min(largest, fed / least)
    return float(smallest), float(largest)
