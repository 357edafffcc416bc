"""What a year's uncertainty asks of a cooler, a dryer or a line: samples solved in some hours, and summed up.

Where a chart is followed it is kept: what the operator sets is off by as much as the scenario's own settings are.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.machines.plant import with_settings
from coolsim.model.bed import take
from coolsim.simulate.inputs import Inputs, gather
from coolsim.studies.outcome_rows import pack
from coolsim.studies.propagation.samples import MESH
from coolsim.studies.propagation.unknowns import Unknown, varied
from coolsim.studies.years import hours as of_coolers
from coolsim.studies.years.dryer_hours import Found, HourlySettings, MachineSite, judged, predicted, rows_of
from coolsim.studies.years.hours import Hours, Site, Tally, tally
from coolsim.studies.years.response import coordinates, solve
from coolsim.support.fields import Array

Index = NDArray[np.intp]


class SampledYear(Protocol):
    """A year that was predicted, and how samples of it are."""

    samples: ClassVar[
        int
    ]  # solved: what they move is smooth, and polynomials through them serve for many more
    states: ClassVar[int]  # hours that stand for all
    held_out: ClassVar[int]  # hours that check what is taken between them

    @property
    def case(self) -> Case:
        """The case that is asked."""

    def points(self) -> Array:
        """The hours, with their settings, as points (coordinates, hours)."""

    def solved(self, unknowns: list[Unknown], z: Array, rows: Index) -> tuple[Array, Array]:
        """Rows of outcomes of some hours (outcomes, hours), and of samples in them (outcomes, samples, hours)."""

    def sums(self, year: Case, move: Array) -> Tally:
        """The sums of a sample, whose outcomes are moved so (outcomes, hours)."""


@dataclass(frozen=True)
class SampledCoolerYear:
    """A cooler's year, with the inputs of every hour."""

    site: Site
    hours: Hours
    settings: Inputs
    samples: ClassVar[int] = 128  # polynomials through them are right to 1 % of a spread
    states: ClassVar[int] = 40
    held_out: ClassVar[int] = 8

    @property
    def case(self) -> Case:
        """The case that is asked."""
        return self.site.case

    def points(self) -> Array:
        """Weather and settings of the hours."""
        return coordinates(self.settings)

    def solved(self, unknowns: list[Unknown], z: Array, rows: Index) -> tuple[Array, Array]:
        """On the mesh of `uncertainty`."""
        cases = varied(self.case, unknowns, z)
        there = take(self.settings, rows)
        middle = solve(there, MESH).rows
        found = solve(self._at(cases, there, rows), MESH).rows
        return middle, found.reshape(len(middle), len(cases), len(rows))

    def sums(self, year: Case, move: Array) -> Tally:
        """The year of a sample, from its outcomes."""
        inputs = _off(gather([year], self.site.weather.air), self.settings, self.site.inputs)
        there = self.site.at(year)
        rows = pack(self.hours.outcome) + move
        return tally(there.case, of_coolers.judged(there, inputs, rows, "samples", None))

    def _at(self, cases: list[Case], settings: Inputs, rows: Index) -> Inputs:
        """Inputs of every sample in some hours, (samples · rows,)."""
        w = self.site.weather
        airs = [Air(*(float(a[r]) for a in (w.temperature, w.relative_humidity, w.pressure))) for r in rows]
        inputs = gather([dataclasses.replace(case, air=air) for case in cases for air in airs])
        again = np.tile(np.arange(len(rows)), len(cases))
        return _off(inputs, take(settings, again), take(self.site.inputs, rows[again]))


def _off(inputs: Inputs, settings: Inputs, typed: Inputs) -> Inputs:
    """A sample's inputs with the settings of each hour, off by as much as the sample is off from what was typed."""
    heated = settings.inlet_air_temperature - typed.inlet_air_temperature
    airflow = settings.dry_air * settings.outside_volume
    return with_settings(
        inputs,
        {
            "airflow": airflow * inputs.dry_air / typed.dry_air,
            "bed_depth": settings.bed_depth * inputs.bed_depth / typed.bed_depth,
            "feed_moisture": settings.moisture_wb + inputs.moisture_wb - typed.moisture_wb,
            "inlet_air_temperature": inputs.inlet_air_temperature + heated,
        },
    )


@dataclass(frozen=True)
class SampledMachineYear:
    """The year of a dryer or a line, with how it is set in every hour."""

    place: MachineSite
    hours: Hours
    violations: Array
    hourly: HourlySettings
    samples: ClassVar[int] = 64  # each takes a hundred times as long as a cooler's
    states: ClassVar[int] = 12
    held_out: ClassVar[int] = 4

    @property
    def case(self) -> Case:
        """The case that is asked."""
        return self.place.case

    def points(self) -> Array:
        """Weather of the hours; what is set follows from it."""
        return self.place.points

    def solved(self, unknowns: list[Unknown], z: Array, rows: Index) -> tuple[Array, Array]:
        """On a rough mesh: what a sample moves is little, and the same on any."""
        each = {k: varied(self.hourly.cases[k], unknowns, z) for k in np.unique(self.hourly.which[rows])}
        middle = [self.place.during(int(r), self.hourly.cases[self.hourly.which[r]]) for r in rows]
        cases = [
            self.place.during(int(r), each[self.hourly.which[r]][n]) for n in range(z.shape[1]) for r in rows
        ]
        found = predicted(self.place, [*middle, *cases], "rough")
        count = len(rows)
        return found[:, :count], found[:, count:].reshape(len(found), z.shape[1], count)

    def sums(self, year: Case, move: Array) -> Tally:
        """The year of a sample, from its rows."""
        feed = dataclasses.replace
        wetter = year.feed.moisture - self.case.feed.moisture
        cases = tuple(
            feed(c, feed=feed(c.feed, moisture=c.feed.moisture + wetter)) for c in self.hourly.cases
        )
        hourly = HourlySettings(cases, self.hourly.which)
        hours = judged(self.place, hourly, Found(rows_of(self.hours, self.violations) + move, None))
        return tally(self.case, hours)
