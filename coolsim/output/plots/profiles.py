"""Through the bed, and through one pellet on its way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, ORANGE, PALE, TEAL, scale, wet_basis
from coolsim.physics.pellet import equivalent_sphere_radius
from coolsim.scenario import units as u

SURFACE: dict[str, Any] = {"color": ORANGE, "linestyle": ":"}
AIR: dict[str, Any] = {"color": TEAL, "linestyle": "--"}
DEPTHS = (0.01, 0.03, 0.1, 0.3, 1.0)  # of the bed: most happens in its first tenth


def bed(
    result: Result,
    ax: Sequence[Axes] | None = None,
    *,
    case: Case | None = None,
    over: str = "depth",
    units: str = "si",
) -> list[Axes]:
    """Draw temperatures, moistures and the air's humidity through the bed, upright as it stands: its top on top.

    ax: three axes, side by side, or None for a new figure; they are returned. case: its target is drawn too.
    over: "depth" below the top of the bed, or "time" since the pellets entered.
    """
    style.one_case(result, "the picture of the bed")
    p = result.kept_profile
    along = {
        "depth": (p.z, scale(u.LENGTH, units, us="in"), "depth below the top of the bed"),
        "time": (p.time, scale(u.TIME, units), "time in the bed"),
    }
    if over not in along:
        raise ValueError(f'over is {over!r}; allowed: "depth" or "time"')
    stored, upright, name = along[over]
    temperature, percent = scale(u.TEMPERATURE, units), scale(u.FRACTION, units)
    humidity = scale(u.HUMIDITY_RATIO, units, "g/kg", "grain/lb")
    axes = style.side_by_side(ax, 3, (8.6, 4.6), (1, 1, 1))
    moist, surface = (percent(wet_basis(X)) for X in (p.mean_moisture, p.surface_moisture))
    drawn: tuple[tuple[Axes, Any, str, dict[str, Any]], ...] = (
        (axes[0], temperature(p.pellet_temperature), "pellets ↓", {"color": BROWN}),
        (axes[0], temperature(p.surface_temperature), "their surface ↓", SURFACE),
        (axes[0], temperature(p.air_temperature), "air ↑", AIR),
        (axes[1], moist, "mean ↓", {"color": BROWN}),
        (axes[1], surface, "at the surface ↓", SURFACE),
        (axes[2], humidity(p.humidity_ratio), "air ↑", AIR),
    )
    for axis, values, label, look in drawn:
        y, x = style.smooth(upright(stored), values)
        axis.plot(x, y, label=label, **look)
    style.target(axes[1], case, units, upright=True)
    axes[0].set_ylabel(upright.named(name))
    for axis, label in zip(
        axes,
        (
            temperature.named("temperature"),
            percent.named("moisture", " wet basis"),
            humidity.named("humidity ratio", " dry air"),
        ),
    ):
        axis.set_xlabel(label.replace(" [", "\n["))  # there are three side by side
        axis.set_ylim(float(upright(stored[-1])), 0.0)  # the top of the bed on top
        axis.margins(x=0.06)
        axis.grid(True, color=PALE, linewidth=0.7)
        axis.spines[["top", "right"]].set_visible(False)
        style.legend(axis, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=1, columnspacing=1.0)
    return axes


def pellet(
    result: Result, case: Case, ax: Any = None, *, depths: Sequence[float] | None = None, units: str = "si"
) -> Axes:
    """Draw the moisture inside a pellet, from its centre to its surface, at several depths of the bed.

    depths: metres below the top of the bed; the nearest depth that was solved for is drawn and named.
    """
    style.one_case(result, "the picture of a pellet")
    p, length = result.kept_profile, scale(u.LENGTH, units, "mm", "in")
    percent = scale(u.FRACTION, units)
    bottom = float(p.z[-1])
    wanted = [share * bottom for share in DEPTHS] if depths is None else list(depths)
    outside = [d for d in wanted if not 0.0 <= d <= bottom]
    if outside or not wanted:
        raise ValueError(
            f"depths are {wanted} m; allowed: one or more from 0 to {bottom:.4g} m, the bed's depth"
        )
    nodes = list(dict.fromkeys(int(np.abs(p.z - d).argmin()) for d in wanted))
    radius = float(equivalent_sphere_radius(case.feed.diameter, case.feed.length))
    r = length(np.append(p.radius, radius))
    (axis,) = style.panels(ax, 1, (7.0, 4.4))
    for node, look in zip(nodes, style.family(len(nodes), "depths")):
        X = np.append(p.moisture[node], p.surface_moisture[node])
        label = f"{length(p.z[node]):.3g} {length.unit}, {_duration(float(p.time[node]))}"
        x, y = style.smooth(r, percent(wet_basis(X)))
        axis.plot(x, y, **look, markersize=3.5, markevery=np.searchsorted(x, r), label=label)
    style.target(axis, case, units)
    style.name_axes(
        axis,
        length.named("distance from the pellet's centre"),
        percent.named("moisture", " wet basis"),
    )
    axis.set_xlim(0.0, r[-1])
    style.legend(axis, at_the_side=True, title="depth, time in the bed")
    return axis


def _duration(seconds: float) -> str:
    """Return a time in the unit in which a person would say it.

    >>> _duration(4.7), _duration(168.0)
    ('4.7 s', '2.8 min')
    """
    return f"{seconds:.2g} s" if seconds < 99.5 else f"{seconds / 60:.2g} min"
