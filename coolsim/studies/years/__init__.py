"""A year of weather over any machine: what today's settings make of it, and settings that follow it.

A year
------
`site.py` predicts every hour of a `Weather` for a `Site`, which is a case in its weather, set as
`HourlySettings` say; `hours.judged_hours` weighs and judges them. `response` fits a polynomial of the outcomes
(Chebyshev terms of temperature, humidity ratio, pressure and heating of the air; log airflow, log depth and
moisture of the settings) to some hundred predictions, chooses its degree by parts left out in turn, and
measures its error on states that neither saw, half of them near the corners of the weather: a random draw
hardly ever meets a corner, and there a polynomial fails first (0.13 K where 0.02 K was stated, until corners
were held out). Above the bound there is no map and all hours are solved (`site.directly`). Equal hours are
solved once. Water activity has a kink where the air outside is warmer than 25 °C (its store): maps are made of
the moisture that is as active there (`response.Store`).

Most of what a map takes is predicted the cheap way (`response.Cheap`): of coolers with even beds, of dryers and
lines on the rough mesh. What that lacks hardly varies, so it is found in a few states. A rough march takes a
third of the time of one on the full mesh; with even beds it would take an eighth, but what the wettest layers
of an uneven bed add to the water activity is not smooth (0.004 where 0.003 is asked for).

With a chart every hour is that map plus a bent plane per cell, through eight hours in it, held against hours
that no plane was laid through. What is tried on the way to a chart is told so, too, and not checked: the chart
is, once.

Charts
------
`chart.py` has what charts have in common: cells, how badly settings do in one (`score`: what they give up, as
`hours_given_up` ranks it, then cost), today's settings where they do better, and the chart itself. How a cell's
settings are chosen is the machine's own:

- `cooler_cells`: on one map over weather *and* settings (`options`), of degree 4 or so: right to 0.02 point and
  0.2 K, which the margin covers. For each cell a grid of settings is weighed in up to 24 states spread to the
  cell's corners (`weigh_options`), then finer ones around the best, in numbers that can be dialled in.
  `reachable` looks at the whole grid in every hour, and between neighbours on both sides of a band of moisture.
  Chosen for its hardest hour alone, as marches are, the chart of `monsoon-year.toml` that adjusts the feed
  misses 77 hours of 5840 and costs 63 % more.
- `marched_cells`, `marched_charts`, of dryers and lines: a map of `batch-year.toml` over weather, inlet
  temperature and time is off by 0.11 points with 300 states and by 0.16 with 700, beyond any margin: heaters'
  limits and reversals are kinks. So `drying.find` searches the hardest hour, put on the steps of the machine's
  dials; where hours stay too wet, too warm or beyond a limit, the worst of these with the room that the others
  take; then the settings of the nearest cell that does better. `fewest_boxes` holds settings against
  neighbours' in two hours. `least_in` asks what must be broken at least, with some feed; an hour is out of
  reach where that is above nothing (searched in three hours of a cell that misses some, between them the
  straightest surface), and the feed needed is where it crosses nothing. A search takes about half a second, so
  bands are 5 × 5: with 4 × 4 a belt gave away 33 t a year, with 6 × 6 25 t.

`uncertainty_samples.py` says how a year's samples are solved (on the rough mesh, what they move). `sites` hands
many cases to joblib, `finished_sites` keeps their answers as arrays and JSON under a hash of the question and
of the code.
"""

from __future__ import annotations

from coolsim.studies.years.sites import seasons_of
from coolsim.studies.years.study import Seasons, Strategy, seasons

__all__ = ["Seasons", "Strategy", "seasons", "seasons_of"]
