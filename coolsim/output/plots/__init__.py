"""Pictures: each takes a result and an axis or None, draws what the result holds, and returns the axis.

Axes come from `style.panels`, their names from `style.name_axes`, units from `style.scale`, looks from
`style.FAMILY`. Nothing is solved here; a picture of many settings takes a result of many cases. `units="us"`
shows what the printed tables show with `--units us`. A legend may stand beside its axis: give a figure of your own
`layout="constrained"`, as those opened here have. Import this package late: it pulls in matplotlib.

Of a counter-flow cooler only: `bed`, `pellet`, `psychrometric`, `balance`, `dwell`, `moisture_map` and
`fan_curve`; of a line give them, or those of dryers, `result.stages[…].result` and its `case`. `ax` is one axis,
which is returned; of pictures with several panels a list, which is returned: `bed`, `along_the_line`, `balance`,
`between_pellets`, `dwell`, `levers`, `drying_curve`, `belt_zones`, `strategies` and `size_curve`.
"""

from __future__ import annotations

from coolsim.output.plots.argument_checks import drawn
from coolsim.output.plots.drying import belt_zones, drying_curve, drying_layers
from coolsim.output.plots.equipment import fan_curve
from coolsim.output.plots.fits import learned, measured, surer
from coolsim.output.plots.flows import balance
from coolsim.output.plots.lever_bars import lever_map, levers
from coolsim.output.plots.machine import to_buy
from coolsim.output.plots.materials import isotherms
from coolsim.output.plots.moist_air import psychrometric
from coolsim.output.plots.pellet_spread import between_pellets
from coolsim.output.plots.plans import along_the_line, shift
from coolsim.output.plots.profiles import bed, pellet
from coolsim.output.plots.settings import dwell, moisture_map
from coolsim.output.plots.sizes import size_curve
from coolsim.output.plots.sweeps import sweep
from coolsim.output.plots.years import calendar, strategies

__all__ = [
    "along_the_line",
    "balance",
    "bed",
    "belt_zones",
    "between_pellets",
    "calendar",
    "drying_curve",
    "drying_layers",
    "dwell",
    "fan_curve",
    "isotherms",
    "learned",
    "lever_map",
    "levers",
    "measured",
    "moisture_map",
    "pellet",
    "psychrometric",
    "shift",
    "size_curve",
    "strategies",
    "surer",
    "sweep",
    "to_buy",
]

_OF_MANY = ("dwell", "moisture_map")  # which show many cases, as one case with arrays stands for
globals().update({name: drawn(globals()[name], arrays=name in _OF_MANY) for name in __all__})
