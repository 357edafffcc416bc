"""From states of a cooler on a floor to what is answered about it: body, what each product does, what is missed."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from coolsim.case.quantities import QUANTITIES
from coolsim.equipment.duct import Demand
from coolsim.machines.base import FULL
from coolsim.machines.plant import Settings, Weighed, planned_state
from coolsim.model.bed import take
from coolsim.simulate.requirements import AT_LIMIT, FEASIBLE, AtLimit
from coolsim.studies.sizing.answer import Body, Floor, Missed, Served
from coolsim.studies.sizing.duties import Duties, Points
from coolsim.studies.sizing.fans import fan_for
from coolsim.studies.sizing.floors import Best
from coolsim.studies.sizing.summary import PER_TONNE, Stand, point
from coolsim.support.fields import Array


class Parts:
    """Answers about the best states of every duty on a floor."""

    def __init__(self, duties: Duties, load: float) -> None:
        self.case, self.duties, self.limits, self.load = duties.case, duties, duties.limits, load
        self.sizing, self.priced = self.case.sizing, bool(self.case.costs)
        cool, hot = duties.inlet()
        self.heated = bool((hot > cool).any())

    # ---- Body and fan ---------------------------------------------------------------------------------

    def body(self, area: float, depth: float) -> Body:
        free = self.sizing.freeboard
        return Body(math.sqrt(4 * area / math.pi), math.sqrt(area), depth, free, depth + free)

    def demand(self, best: Best) -> Demand:
        """What bed and duct ask of the fan, with the margin, of each duty."""
        return self.duties.demand(best.points, best.outcome, self.sizing.margin)

    def shaft_power(self, best: Best) -> float:
        """Power [W] at the fan's shaft at the largest flow and the largest pressure."""
        asked = self.demand(best)
        return float(asked.flow.max() * asked.pressure.max() / self.duties.efficiency)

    def floor(self, area: float, best: Best) -> Floor:
        """A row of the trade-off."""
        asked, state = self.demand(best), self.duties.weighed(best.points, best.outcome)
        cost = float(state.cost.per_tonne.mean()) if self.priced else None
        fan = fan_for(self.case, [asked])
        return point(
            area,
            best.points.depth,
            self._energy(best, state),
            cost,
            fan_flow=fan.flow,
            fan_pressure=fan.pressure,
            motor=fan.motor,
            served=self.served(best),
        )

    def _energy(self, best: Best, state: Weighed) -> Array:
        """Electricity and heat per wet feed [J/kg] of each duty."""
        fed = self.duties.of("throughput", best.points)
        return (state.power + self.duties.heat(best.points)) / fed

    # ---- Each product in each weather -----------------------------------------------------------------

    def states(self, settings: Sequence[Settings], area: float) -> Best:
        """States of all duties that are set so on a floor, predicted."""
        count = len(settings)
        duty = np.arange(count)
        fed = self.duties.known["throughput"]
        airflow, depth, inlet = (
            np.array([getattr(s, name) for s in settings])
            for name in ("airflow", "bed_depth", "inlet_air_temperature")
        )
        ratio = airflow / self.duties.known["outside_volume"] / fed
        points = Points(duty, fed / area, ratio, depth, inlet)
        outcome = self.duties.predicted(points, FULL)
        state = self.duties.weighed(points, outcome)
        return Best(points, outcome, self.duties.excesses(points, state, self.limits), state.cost.total)

    def stands(self, best: Best) -> list[Stand]:
        """How each stands, and what it asks of the fan and the heater."""
        asked = self.demand(best)
        return [Stand(s, (take(asked, k),), s.heat) for k, s in enumerate(self.served(best))]

    def served(self, best: Best) -> tuple[Served, ...]:
        state, asked = self.duties.weighed(best.points, best.outcome), self.demand(best)
        columns = {
            "moisture_wb": best.outcome.moisture,
            "temperature": best.outcome.temperature,
            "water_activity": best.outcome.water_activity,
            "exhaust_humidity": state.exhaust_humidity,
            "air_ratio": best.points.air_ratio,
            "face_velocity": state.settings.airflow
            * best.points.flux
            / self.duties.of("throughput", best.points),
            "lift_off": best.outcome.lift_off,
            "pressure_drop": best.outcome.pressure_drop,
            "fan_flow": asked.flow,
            "fan_pressure": asked.pressure,
            "fan_density": asked.density,
            "heat": self.duties.heat(best.points),
            "specific_energy": self._energy(best, state) / PER_TONNE,
        }
        each: list[dict[str, Any]] = [
            {name: float(column[k]) for name, column in columns.items()} for k in range(len(self.duties))
        ]
        return tuple(
            Served(
                product=product,
                weather=weather,
                settings=_settings(state.settings, k),
                **each[k],
                cost_per_tonne=float(state.cost.per_tonne[k]) if self.priced else None,
                exact_cost_per_tonne=None,
                load=self.load,
                binding=self._standing(best, k, np.abs(best.excess[:, k]) <= AT_LIMIT)
                + self._ends(best.points, k),
            )
            for k, (product, weather) in enumerate(self.duties.names)
        )

    def _standing(self, best: Best, k: int, at: Any) -> tuple[AtLimit, ...]:
        """Limits of one duty, where `at`, with where they stand."""
        one = take(best, np.array([k]))
        case = self.duties.cases[int(one.points.duty[0])]
        known = planned_state(case, self.duties.weighed(one.points, one.outcome))
        return tuple(
            AtLimit(limit.called, float(limit.quantity.of(known)[0]))
            for limit, stands in zip(self.limits, at)
            if stands
        )

    def _ends(self, points: Points, k: int) -> tuple[AtLimit, ...]:
        """Ends of ranges at which one duty stands."""
        dwell = points.depth * self.duties.of("bulk_density", points) / points.flux
        cool, hot = self.duties.inlet()
        found = []
        for name, value, (low, high) in (
            ("air_ratio", points.air_ratio[k], self.sizing.air_ratio),
            ("bed_depth", points.depth[k], self.sizing.bed_depth),
            ("residence_time", dwell[k], self.duties.dwell()),
            ("inlet_air_temperature", points.inlet[k], (cool[k], hot[k])),
        ):
            for end, bound in (("lowest", low), ("highest", high)):
                if low < high and abs(value - bound) <= AT_LIMIT * (high - low):
                    found.append(AtLimit(f"{QUANTITIES[name].called}, {end}", float(value)))
        return tuple(found)

    # ---- What no size serves --------------------------------------------------------------------------

    def missed(self, best: Best, k: int, area: float) -> Missed:
        """One state of `best`, found without the wishes, and all that it breaks."""
        one = take(best, np.array([k]))
        state = self.duties.weighed(one.points, one.outcome)
        excess = self.duties.excesses(one.points, state, self.limits)[:, 0]
        product, weather = self.duties.names[int(one.points.duty[0])]
        return Missed(
            product=product,
            weather=weather,
            driest=float(one.outcome.moisture[0]),
            temperature=float(one.outcome.temperature[0]),
            floor_area=area,
            settings=_settings(state.settings, 0),
            broken=self._standing(one, 0, excess > FEASIBLE),
        )


def settings_at(served: Served) -> Settings:
    """The settings of a cooler."""
    assert isinstance(served.settings, Settings), "a cooler's"
    return served.settings


def _settings(settings: Settings, k: int) -> Settings:
    parts = {f.name: getattr(settings, f.name) for f in dataclasses.fields(settings)}
    return Settings(**{name: float(v[k]) if np.ndim(v) else float(v) for name, v in parts.items()})
