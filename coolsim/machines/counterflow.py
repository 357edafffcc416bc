"""A counter-flow cooler as questions see it: its fan or airflow, its depth or the time in it, its inlet air."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.equipment import fan
from coolsim.machines import conditioner
from coolsim.machines.base import Choice, Setting, Spent, airflow_of, heated, of_conditioner, setting
from coolsim.machines.plant import Plant, Settings, outcome_of
from coolsim.machines.plant_ranges import knob_range, seconds_per_metre
from coolsim.simulate.inputs import gather
from coolsim.simulate.requirements import speeds


@dataclass(frozen=True)
class CounterFlow:
    """A cooler in its case."""

    case: Case

    @cached_property
    def settings(self) -> tuple[Setting, ...]:
        """Fan or airflow, depth or time, and inlet air where it can be heated."""
        case, limits, cooler = self.case, self.case.limits, self.case.cooler
        air = setting("fan_speed", case, by="airflow") if self._by_speed else airflow_of(case)
        bed = setting("bed_depth" if limits.residence_time is None else "residence_time", case)
        if bed.opened:
            metres = 1.0 if bed.key == "bed_depth" else 1 / seconds_per_metre(self.case)
            low, high = (end / metres for end in knob_range(self.case)["bed_depth"])
            bed = bed.within(low, high)
        found = (air, bed)
        before = of_conditioner(self.case)
        if limits.inlet_air_temperature is None and cooler.inlet_air_temperature is None:
            return (*found, *before)
        outside = float(np.min(self.case.air.temperature))
        return (*found, heated(setting("inlet_air_temperature", case), outside), *before)

    @property
    def unopened(self) -> tuple[Setting, ...]:
        """Nothing besides its settings."""
        return ()

    @property
    def choices(self) -> tuple[Choice, ...]:
        """None: what may be set of it is more or less of something."""
        return ()

    @cached_property
    def _plant(self) -> Plant:
        """Its fan at hand."""
        return Plant(self.case)

    @property
    def _by_speed(self) -> bool:
        """Whether it is the fan's speed that is set, and the airflow follows."""
        return fan.fan_of(self.case.fan) is not None and bool(speeds(self.case))

    def at(self, values: Mapping[str, float]) -> Case:
        """The cooler set so: by an airflow or the fan's speed, a depth or the time in the bed."""
        (case, values), cooler = conditioner.set_so(self.case, values), self.case.cooler
        of_feed = {n.removeprefix("feed_"): v for n, v in values.items() if n.startswith("feed_")}
        feed, machine = dataclasses.replace(case.feed, **of_feed), case.fan
        if "fan_speed" in values:
            machine = dataclasses.replace(machine, speed=values["fan_speed"])
            cooler = dataclasses.replace(cooler, airflow=None, air_ratio=None)
        if "airflow" in values:
            cooler = dataclasses.replace(cooler, airflow=values["airflow"], air_ratio=None)
        depth = values.get("bed_depth")
        if "residence_time" in values:
            depth = values["residence_time"] / seconds_per_metre(case)
        if depth is not None:
            cooler = dataclasses.replace(cooler, bed_depth=depth)
        if "inlet_air_temperature" in values:
            inlet = max(values["inlet_air_temperature"], float(case.air.temperature))
            cooler = dataclasses.replace(cooler, inlet_air_temperature=inlet)
        return dataclasses.replace(case, feed=feed, fan=machine, cooler=cooler)

    def read(self, case: Case, result: Result) -> dict[str, float]:
        """How a cooler is set; its fan's speed is nan where its curve does not give the airflow."""
        settings = self.named_settings(case, result)
        known = {f.name: float(getattr(settings, f.name)) for f in dataclasses.fields(settings)}
        known |= conditioner.read(case)
        return {s.key: known[s.key] for s in self.settings} | {"airflow": known["airflow"]}

    def named_settings(self, case: Case, result: Result) -> Settings:
        """The settings by their names."""
        rise = 0.0 if result.fan is None else float(result.fan.temperature_rise)
        heater, outside = case.cooler.inlet_air_temperature, float(case.air.temperature)
        return Settings(
            airflow=float(result.bed.face_velocity) * case.cooler.floor_area,
            fan_speed=np.nan if result.fan is None else float(result.fan.speed),
            bed_depth=case.cooler.bed_depth,
            residence_time=float(result.bed.residence_time),
            inlet_air_temperature=max(outside + rise, outside if heater is None else heater),
        )

    def spent(self, cases: Sequence[Case], result: Result) -> Spent:
        """What coolers take, by the fan's curve where there is one, and where they stand on it."""
        flows = [dataclasses.replace(c, cooler=_with_airflow(c)) for c in cases]
        inputs = gather(flows)
        inputs = dataclasses.replace(inputs, dry_air=np.asarray(result.bed.air_ratio) * inputs.throughput)
        state = self._plant.standing(inputs, outcome_of(result))
        power, speed = np.asarray(state.power), np.asarray(state.settings.fan_speed)
        if result.fan is not None:  # exact, where the state is read off a map of the curve
            power, speed = (
                np.where(np.isnan(exact), read, exact)
                for exact, read in ((result.fan.power, power), (result.fan.speed, speed))
            )
        of_fan = {"fan_speed": speed, "fan_curve": np.asarray(state.off_curve)}
        return Spent(power, np.asarray(state.heat), np.asarray(inputs.throughput), of_fan)

    def spent_on(self, k: int, cases: Sequence[Case], result: Result) -> Spent:
        """As `spent`: it is the only machine."""
        return self.spent(cases, result)


def _with_airflow(case: Case) -> Case:
    """The cooler with an airflow, whatever it is: one that its fan gives is read from the result."""
    cooler = case.cooler
    stated = cooler.airflow is not None or cooler.air_ratio is not None
    return cooler if stated else dataclasses.replace(cooler, airflow=1.0)
