"""What a year's uncertainty asks of a machine: samples solved in some hours, and summed up.

Where a chart is followed it is kept: what the operator sets is off by as much as the scenario's own settings are.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.studies.propagation.unknowns import Unknown, varied
from coolsim.studies.years.hours import Tally, judged_hours, tally
from coolsim.studies.years.site import Found, HourlySettings, Index, Site, points_of, predicted
from coolsim.support.fields import Array

IN_PROPORTION = ("airflow", "bed_depth")  # of what is set: off by a share of it
# Samples that are solved: what they move is smooth, and polynomials through them serve for many more. Hours that
# stand for all, and hours that check what is taken between them. A march takes a hundred times as long as a cooler.
COOLERS, MARCHES = (128, 40, 8), (64, 12, 4)


@dataclass(frozen=True)
class SampledYear:
    """A year that was predicted, with how the machine is set in every hour, and how samples of it are."""

    site: Site
    hourly: HourlySettings
    rows: Array  # of all hours

    @property
    def case(self) -> Case:
        """The case that is asked."""
        return self.site.case

    @property
    def sizes(self) -> tuple[int, int, int]:
        """How many samples, hours and hours held out are solved."""
        return MARCHES if self.site.marched else COOLERS

    def points(self) -> Array:
        """The hours, with their settings, as points (coordinates, hours)."""
        return points_of(self.site, self.hourly)

    def solved(self, unknowns: list[Unknown], z: Array, hours: Index) -> tuple[Array, Array]:
        """Rows of some hours (rows, hours), and of samples in them (rows, samples, hours).

        On a rough mesh: what a sample moves is little, and the same on any.
        """
        which = self.hourly.which[hours]
        set_so = {k: self.samples_of(self.hourly.cases[k], unknowns, z) for k in np.unique(which)}
        middle = [self.site.during(int(h), self.hourly.cases[k]) for h, k in zip(hours, which)]
        cases = [
            self.site.during(int(h), set_so[k][n]) for n in range(z.shape[1]) for h, k in zip(hours, which)
        ]
        found = predicted(self.site, [*middle, *cases], "rough")
        count = len(hours)
        return found[:, :count], found[:, count:].reshape(len(found), z.shape[1], count)

    def samples_of(self, case: Case, unknowns: list[Unknown], z: Array) -> list[Case]:
        """Samples of the case, set as in some hours."""
        cases, typed, own = varied(case, unknowns, z), self.case.cooler, case.cooler
        shares = {
            name: getattr(own, name) / getattr(typed, name)
            for name in IN_PROPORTION
            if own is not typed and getattr(own, name, None) and getattr(typed, name, None)
        }

        def in_proportion(one: Case) -> Case:
            off = {n: getattr(one.cooler, n) - getattr(own, n) for n in shares}
            more = {n: getattr(own, n) + shares[n] * x for n, x in off.items()}
            return dataclasses.replace(one, cooler=dataclasses.replace(one.cooler, **more))

        return [in_proportion(one) for one in cases] if shares else cases

    def sums(self, move: Array) -> Tally:
        """The sums of a sample, whose rows are moved so (rows, hours)."""
        return tally(self.case, judged_hours(self.site, self.hourly, Found(self.rows + move, None)))
