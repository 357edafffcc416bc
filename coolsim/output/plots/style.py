"""What all pictures share: colours, lines, units on axes, and where words stand.

Five colours of our own, found by a search over hues at five steps of lightness (CIE L* 16, 29, 40, 50, 59), so
that they stay apart in grey, by at least 9 steps, and for people with protanopia, deuteranopia and tritanopia,
by a CIE colour difference of at least 25; the lightest still has a contrast of 3:1 with white paper. Brown is
the pellets' and teal is the air's. No line is told from another by colour alone: each has a dash or a marker too.

The name of the upright axis stands level above it, where it is read without turning the head and where it
cannot run into the next panel; the legend stands on the same line or beside the plot, never on the curves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.transforms import ScaledTranslation

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.numerics.monotone import monotone
from coolsim.output.page import pretty
from coolsim.scenario import units as u
from coolsim.scenario.units import Dimension
from coolsim.simulate.finishing import uncoated
from coolsim.simulate.result_building import of_coolers
from coolsim.support.fields import Array

PLUM, BROWN, VIOLET, TEAL, ORANGE = "#362037", "#6D3600", "#5A52AF", "#088487", "#CD7943"
FAINT = "#8A8A8A"  # what stands behind the curves: grids, curves of constant humidity
PALE = "#E4E4E4"

# A family of curves: colour, dash and marker change together, so that any one of them is enough.
FAMILY: tuple[dict[str, Any], ...] = (
    {"color": BROWN, "linestyle": "-", "marker": "o"},
    {"color": TEAL, "linestyle": "--", "marker": "s"},
    {"color": ORANGE, "linestyle": "-.", "marker": "^"},
    {"color": VIOLET, "linestyle": ":", "marker": "D"},
    {"color": PLUM, "linestyle": (0, (8, 2)), "marker": "v"},
    {"color": FAINT, "linestyle": (0, (5, 1, 1, 1, 1, 1)), "marker": "X"},
)

# From dry to wet; lightness falls all the way, so it reads in grey.
MOISTURES = LinearSegmentedColormap.from_list("moistures", ["#F7EFE2", "#E0BF97", "#8DB5AD", "#4F8399"])

SMOOTH = 160  # points along a curve
SMALL = 8.5  # pt, of words inside a plot
LIFT = 5.0  # pt, of an axis' name above it


@dataclass(frozen=True)
class Scale:
    """Turns stored numbers of a dimension into those of the unit on an axis."""

    dimension: Dimension
    unit: str  # as scenarios write it

    def __call__(self, stored: Any) -> Any:
        zero, one = (u.shown(x, self.dimension, self.unit) for x in (0.0, 1.0))  # every unit is straight
        return zero + (one - zero) * np.asarray(stored, float)

    def stored(self, shown: Any) -> Any:
        """Return the stored number of one that is shown."""
        zero, one = self(0.0), self(1.0)
        return (np.asarray(shown, float) - zero) / (one - zero)

    def named(self, name: str, after: str = "") -> str:
        """Return the label of an axis, `after` telling what the unit is of."""
        return f"{name} [{pretty(self.unit)}{after}]"


def scale(dimension: Dimension, units: str, si: str = "", us: str = "") -> Scale:
    """Return the scale of a dimension in "si" or "us" units, as the printed tables show it or as named."""
    if units not in u.SYSTEMS:
        raise ValueError(f'units are {units!r}; allowed: "si" (°C, m³/h, Pa) or "us" (°F, cfm, inH2O)')
    return Scale(dimension, (us or dimension.us) if units == "us" else (si or dimension.si))


def wet_basis(moisture_db: Any) -> Any:
    """Return moisture on wet basis from dry basis, both as fractions."""
    return moisture_db / (1 + moisture_db)


def smooth(along: Array, *curves: Array) -> tuple[Array, ...]:
    """Return ascending places, as many as the eye wants, and what curves are there: what was solved is among them.

    Between what was solved they run without overshoot.
    """
    along, first = np.unique(np.asarray(along, float), return_index=True)
    if len(along) < 2:
        return along, *(np.asarray(y, float)[first] for y in curves)
    fine = np.union1d(along, np.linspace(along[0], along[-1], SMOOTH))
    return fine, *(monotone(along, np.asarray(y, float)[first], fine) for y in curves)


def target(axis: Axes, case: Case | None, units: str, upright: bool = False) -> None:
    """Draw the target of an axis of moistures, or both edges of its band, and name it in the legend."""
    wanted = None if case is None else uncoated(case).target
    if wanted is None or wanted.moisture is None:
        return
    percent, slack = scale(u.FRACTION, units), wanted.tolerance or 0.0
    name = f"target {100 * wanted.moisture:.4g} %" + (f" ± {100 * slack:.2g}" if slack else "")
    edges = [float(percent(edge)) for edge in sorted({wanted.moisture - slack, wanted.moisture + slack})]
    draw = axis.axvline if upright else axis.axhline
    for k, edge in enumerate(edges):
        draw(edge, color=PLUM, linewidth=1.6, label=None if k else name, gid="target", zorder=1.9)


def side_by_side(ax: Any, count: int, size: tuple[float, float], widths: Sequence[float]) -> list[Axes]:
    """Return `count` axes: new ones, side by side over one upright scale, or those that were given."""
    if ax is not None:
        return panels(ax, count, size)
    figure, _ = plt.subplots(1, count, sharey=True, figsize=size, layout="constrained", width_ratios=widths)
    return figure.axes


def one_case(result: Result, what: str) -> None:
    """Refuse a result of many cases where a picture shows one, and that of a dryer."""
    of_coolers(result, what)
    if np.ndim(result.pellets_out.moisture_wb):
        count = np.size(result.pellets_out.moisture_wb)
        raise ValueError(
            f"{what} shows one case, the result holds {count}: predict the one to show by itself"
        )


def panels(ax: Any, count: int, size: tuple[float, float]) -> list[Axes]:
    """Return `count` axes: new ones, one below the other over one scale, or those that were given."""
    if ax is None:
        figure, _ = plt.subplots(count, 1, sharex=True, figsize=size, layout="constrained")
        return figure.axes
    given = list(np.ravel(np.asarray(ax, object)))
    if len(given) != count or not all(isinstance(a, Axes) for a in given):
        needed = "one matplotlib axis" if count == 1 else f"{count} matplotlib axes"
        raise ValueError(f"ax takes {needed}, or None for a new figure; found {ax!r}")
    return given


def name_axes(ax: Axes, x: str, y: str, right: bool = False) -> None:
    """Write what the axes measure; that of the upright one level above it. No name for a shared axis: ""."""
    if x:
        ax.set_xlabel(x)
    ax.set_ylabel(y, rotation=0, ha="right" if right else "left", va="bottom")
    above = ScaledTranslation(0.0, LIFT / 72, ax.figure.dpi_scale_trans)
    ax.yaxis.set_label_coords(1.0 if right else 0.0, 1.0, transform=ax.transAxes + above)
    if not ax.get_title(loc="left"):  # a layout takes no notice of a label's height, but of a title's
        ax.set_title(" ", loc="left")
    ax.spines[["top", "left" if right else "right"]].set_visible(False)
    ax.grid(True, color=PALE, linewidth=0.7)
    ax.set_axisbelow(True)


def legend(ax: Axes, at_the_side: bool = False, title: str = "", **more: Any) -> None:
    """Name the curves: level with the name of the upright axis, or beside the plot where they are many."""
    more = {"frameon": False, "handlelength": 3.2, "fontsize": SMALL, "borderaxespad": 0.1} | more
    if at_the_side:
        place: dict[str, Any] = {"loc": "upper left", "bbox_to_anchor": (1.02, 1.0), "title": title or None}
        ax.legend(**place, **more, alignment="left", title_fontsize=SMALL)
    else:
        more = {"ncols": len(ax.get_legend_handles_labels()[1]), "columnspacing": 1.4} | more
        ax.legend(**({"loc": "lower right", "bbox_to_anchor": (1.0, 1.0)} | more))


def family(count: int, what: str) -> Sequence[dict[str, Any]]:
    """Return the looks of `count` curves; more than can be told apart are refused."""
    if count > len(FAMILY):
        raise ValueError(f"{what}: {count} curves; at most {len(FAMILY)} can be told apart, draw fewer")
    return FAMILY[:count]
