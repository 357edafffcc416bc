"""Through the bed, and through one pellet on its way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from coolsim.case import Case
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, ORANGE, TEAL, scale, wet_basis
from coolsim.physics.pellet import equivalent_sphere_radius
from coolsim.result import Result
from coolsim.scenario import units as u

DEPTHS = (0.01, 0.03, 0.1, 0.3, 1.0)  # of the bed: most happens in its first tenth


def bed(
    result: Result, ax: Sequence[Axes] | None = None, *, over: str = "depth", units: str = "si"
) -> list[Axes]:
    """Draw temperatures, moistures and the air's humidity through the bed; returns the three axes.

    ax: three axes, from top to bottom, or None for a new figure.
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
    stored, horizontal, name = along[over]
    x = horizontal(stored)
    temperature, percent = scale(u.TEMPERATURE, units), scale(u.FRACTION, units)
    humidity = scale(u.HUMIDITY_RATIO, units, "g/kg", "grain/lb")
    axes = style.panels(ax, 3, (7.0, 7.2))
    top, middle, bottom = axes
    top.plot(x, temperature(p.pellet_temperature), color=BROWN, label="pellets →")
    top.plot(x, temperature(p.surface_temperature), color=ORANGE, linestyle=":", label="their surface →")
    top.plot(x, temperature(p.air_temperature), color=TEAL, linestyle="--", label="← air")
    middle.plot(x, percent(wet_basis(p.mean_moisture)), color=BROWN, label="mean →")
    middle.plot(
        x, percent(wet_basis(p.surface_moisture)), color=ORANGE, linestyle=":", label="at the surface →"
    )
    bottom.plot(x, humidity(p.humidity_ratio), color=TEAL, linestyle="--", label="← air")
    style.name_axes(top, "", temperature.named("temperature"))
    style.name_axes(middle, "", percent.named("pellet moisture", " wet basis"))
    style.name_axes(bottom, horizontal.named(name), humidity.named("humidity ratio", " dry air"))
    for a in axes:
        a.margins(x=0.01)
        style.legend(a)
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
        axis.plot(r, percent(wet_basis(X)), **look, markersize=3.5, label=label)
    style.name_axes(
        axis,
        length.named("distance from the centre of the pellet, taken as a sphere"),
        percent.named("moisture", " wet basis"),
    )
    axis.set_xlim(0.0, r[-1])
    style.legend(axis, beside=True, title="depth, time in the bed")
    return axis


def _duration(seconds: float) -> str:
    """Return a time in the unit in which a person would say it.

    >>> _duration(4.7), _duration(168.0)
    ('4.7 s', '2.8 min')
    """
    return f"{seconds:.2g} s" if seconds < 99.5 else f"{seconds / 60:.2g} min"
