"""Pictures of a material: how it holds water."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from coolsim.output.plots import style
from coolsim.physics import sorption
from coolsim.physics.isotherms import EQUATIONS
from coolsim.physics.materials import Material
from coolsim.scenario import units as u
from coolsim.validation.isotherms import FISH, pasta_points

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TEMPERATURES = (10.0, 25.0, 50.0)  # °C, of a feed in store and in a cooler
OF_PASTA = (40.0, 60.0, 80.0)  # °C, at which there are published points


def isotherms(material: Material, ax: Axes | None = None, *, units: str = "si") -> Axes:
    """Draw a material's isotherms at three temperatures, with the points that stand behind them; return the axis.

    Points: those that a scenario's isotherm was fitted to, or what is published of the pasta that stands for fish
    feeds, as a feed with their fat would have it.
    """
    ax = style.panels(ax, 1, (7.0, 4.6))[0]
    scale = style.scale(u.TEMPERATURE, units)
    points = _points(material)
    temperatures = _temperatures(material, points)
    a_w = np.linspace(0.02, 0.94, 120)
    for T, look in zip(temperatures, style.family(len(temperatures), "isotherms")):
        X = np.asarray(sorption.equilibrium_moisture(material.isotherm, a_w, T))
        measured = [(a, x) for t, a, x in points if abs(t - T) < 0.5]
        name = f"{scale(T):.0f} {style.pretty(scale.unit)}"
        curve = look | {"marker": "" if measured else look["marker"], "markevery": 15, "markersize": 5}
        ax.plot(a_w, 100 * style.wet_basis(X), label=name, **curve)
        if measured:
            at, moisture = np.array(measured).T
            dots = {"color": look["color"], "marker": look["marker"], "linestyle": "", "fillstyle": "none"}
            ax.plot(at, 100 * style.wet_basis(moisture), **dots)
    style.name_axes(ax, "water activity [-]", "moisture [% wet basis]")
    style.legend(ax, at_the_side=True, title=f"{material.name}{_behind(material)}")
    return ax


def _points(material: Material) -> list[tuple[float, float, float]]:
    """Temperature [°C], water activity and moisture [kg/kg dry of the whole solid] of the points there are."""
    if material.sorption_points:
        return [(p.temperature, p.water_activity, p.moisture) for p in material.sorption_points]
    if material.name not in FISH:
        return []
    X, a_w, T = pasta_points()
    return list(zip(T, a_w, X * (1 - material.isotherm.fat)))


def _temperatures(material: Material, points: list[Any]) -> tuple[float, ...]:
    if material.sorption_points:
        measured = sorted({t for t, _, _ in points})
        return tuple(dict.fromkeys((measured[0], measured[len(measured) // 2], measured[-1])))
    if points:
        return OF_PASTA
    low, high = EQUATIONS[material.isotherm.equation].fitted_temperature
    return TEMPERATURES if low < TEMPERATURES[-1] else (low, 0.5 * (low + high), high)


def _behind(material: Material) -> str:
    if material.sorption_points:
        return "\nand its points"
    return "\nand points of pasta" if material.name in FISH else ""
