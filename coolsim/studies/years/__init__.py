"""A year of weather over one cooler: what today's settings make of it, and settings that follow it.

A year
------
`studies/years/` runs every hour of a `Weather`. `response` fits a polynomial of the outcomes (Chebyshev terms
of temperature, humidity ratio, pressure and heating of the air; log airflow, log depth and moisture of the
settings) to some hundred predictions, chooses its degree by parts left out in turn, and measures its error on
states that neither saw, half of them near the corners of the weather: a random draw hardly ever meets a corner,
and there a polynomial fails first (0.13 K where 0.02 K was stated, until corners were held out). Above the bound
there is no map and all hours are solved (`hours.predicted`). Equal hours are solved once.

The chart (`chart`) is chosen on one such map over weather *and* settings (`options`), of degree 4 or so: right to
0.02 point and 0.2 K, which the margin covers. For each cell a grid of settings is weighed in up to 24 states
spread to the cell's corners (`look`), then a finer one around the best, in numbers that can be dialled in. Then
every hour is predicted with the chart: the map plus a bent plane per cell, through a dozen solved hours in it,
again held against hours left out (`response.corrected`). `reachable` looks at the whole grid in every hour, and
between neighbours on both sides of a band of moisture. `sites` hands many cases to joblib, `finished_sites`
keeps their answers as arrays and JSON under a hash of the question and of the code.

A year of a dryer or a line
---------------------------
`years/dryer_hours.py` predicts hours of any machine but a counter-flow cooler, and judges them by
`machines.base.weighed`: rows of outcomes are a cooler's (`plant.Outcome`), then power, heat and feed, then how
far each constraint is broken, so no limit is listed here. With settings fixed only the weather varies:
`response.respond` takes 80 to 320 predictions (`Predictor` says by what) on the full mesh without its error; 40
hours held out are solved as `predict` does. Water activity has a kink where the air outside is warmer than 25 °C
(its store): maps are made of the moisture that is as active there (`response.Store`). Hours with a chart are that
map plus a bent plane per cell.

`cells.py` chooses a cell's settings: `drying.find` in its hardest hour, put on the steps of the machine's dials;
where hours stay too wet, too warm or beyond a limit, in the worst of these with the room that the others take;
then the settings of the nearest cell that does better. `hours_given_up.given_up` ranks what was tried, of
coolers too. `dryer_strategies.py` makes strategies of it: `least_in` asks what must be broken at least, with
some feed, by the same search; an hour is out of reach where that is above nothing (searched in three hours of a
cell that misses some, between them the straightest surface), and the feed needed is where it crosses nothing.
`uncertainty_samples.py` says how a year's samples are solved, of coolers and of the others (64 samples in 16
hours on the rough mesh, what they move).

A search takes about half a second, so bands are 5 × 5: with 4 × 4 a belt gave away 33 t a year, with 6 × 6 25 t.
"""

from __future__ import annotations

from coolsim.studies.years.sites import seasons_of
from coolsim.studies.years.study import Seasons, Strategy, seasons

__all__ = ["Seasons", "Strategy", "seasons", "seasons_of"]
