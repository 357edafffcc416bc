"""A year of weather: each hour on a calendar, and strategies side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator, MultipleLocator
from numpy.typing import NDArray

from coolsim.output.page import pretty
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, MOISTURES, ORANGE, PLUM, TEAL, VIOLET, scale
from coolsim.scenario import units as u
from coolsim.simulate.finishing import uncoated
from coolsim.support.fields import Array

if TYPE_CHECKING:
    from coolsim.studies.years import Seasons, Strategy

DRIER, WETTER = (0.0, 0.36), (0.68, 1.0)  # of the colours, on both sides of the target
STEPS = 6  # of a calendar's colours: more cannot be told apart in grey
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# What a calendar can show: its name, dimension, digits, and where it stands in the hours.
SHOWN: dict[str, tuple[str, u.Dimension, Callable[[Any], Array]]] = {
    "moisture": ("exit moisture", u.FRACTION, lambda hours: hours.outcome.moisture),
    "temperature": ("exit temperature", u.TEMPERATURE, lambda hours: hours.outcome.temperature),
    "fan_speed": ("fan speed", u.FRACTION, lambda hours: hours.settings.fan_speed),
    "airflow": ("airflow", u.VOLUME_FLOW, lambda hours: hours.settings.airflow),
    "dwell": ("time in the bed", u.TIME, lambda hours: hours.settings.residence_time),
}
VERDICTS: tuple[tuple[str, str, dict[str, Any]], ...] = (  # of hours: attribute, name, look
    ("within", "within target", {"color": BROWN}),
    ("too_wet", "too wet", {"color": TEAL, "hatch": "///"}),
    ("too_dry", "too dry", {"color": ORANGE, "hatch": "..."}),
    ("too_warm", "too warm", {"color": VIOLET, "hatch": "xx"}),
    ("over_limit", "over a limit", {"color": PLUM, "hatch": "--"}),
)
COSTS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("cost_electricity", "electricity", {"color": TEAL}),
    ("cost_heat", "heat", {"color": ORANGE, "hatch": "///"}),
    ("cost_given_away", "weight given away", {"color": BROWN, "hatch": "..."}),
)


def calendar(
    seasons: Seasons,
    show: str = "moisture",
    ax: Any = None,
    *,
    strategy: int = 0,
    units: str = "si",
) -> Axes:
    """Draw one number of every hour: days across, hours of the day up.

    show: moisture, temperature, fan_speed, airflow or dwell. strategy: which of the answer's, from 0 for the
    settings as they are. Of moistures the target parts the colours: what is drier is sand, what is wetter blue, and
    what lies in its band between. Hours of the day in which it never runs are left out; hours without an answer
    stay white.
    """
    if show not in SHOWN:
        raise ValueError(f"a calendar shows {', '.join(SHOWN)}; found {show!r}")
    way = _strategy(seasons, strategy)
    name, dimension, of = SHOWN[show]
    measure = scale(dimension, units)
    values = np.broadcast_to(measure(of(way.hours)), len(way.hours.weather))
    if not np.isfinite(values).any():
        raise ValueError(f"no hour has a {name}: without [fan] there is no fan speed, ask for airflow")
    (axis,) = style.panels(ax, 1, (9.0, 3.8))
    days, clock, table = _table(way, np.asarray(values, float))
    wanted = measure(_wanted(seasons)) if show == "moisture" else np.zeros(0)
    edges, colours = _colours(float(np.nanmin(values)), float(np.nanmax(values)), wanted)
    look: dict[str, Any] = {"cmap": ListedColormap(colours), "norm": BoundaryNorm(edges, len(colours))}
    axis.pcolormesh(days, clock, table, **look, rasterized=True)
    style.name_axes(axis, "", "hour of the day [h]")
    axis.grid(False)
    axis.yaxis.set_major_locator(MultipleLocator(6 if np.ptp(clock) > 12 else 2))
    axis.yaxis.set_major_formatter(lambda hour, _: f"{hour % 24:g}" if hour != 24 else "24")
    axis.set_ylim(clock[0], clock[-1])
    year = way.hours.weather.time[0].astype("datetime64[Y]")
    first = (year.astype("datetime64[M]") + np.arange(13)).astype("datetime64[D]") - year.astype(
        "datetime64[D]"
    )
    axis.set_xticks(first.astype(int) + 1.0, [])
    axis.set_xticks((first[1:] + first[:-1]).astype(int) / 2 + 1.0, MONTHS, minor=True, fontsize=style.SMALL)
    axis.tick_params(axis="x", which="minor", length=0)
    axis.set_xlim(days[0], days[-1])
    steps = [
        Patch(facecolor=c, edgecolor=style.FAINT, linewidth=0.5, label=f"{a:g} – {b:g}{_sides(a, b, wanted)}")
        for c, a, b in zip(colours, edges, edges[1:])
    ]
    style.legend(
        axis,
        at_the_side=True,
        title=f"{name}\n[{pretty(measure.unit)}]\n{_wrapped(way.name)}{_words_of_target(wanted)}",
        handles=steps[::-1],
    )
    return axis


def _wanted(seasons: Seasons) -> Array:
    """The target, or both edges of its band [kg/kg wet]."""
    target = uncoated(seasons.case).target
    slack = target.tolerance or 0.0
    return np.unique([target.moisture - slack, target.moisture + slack])


def _colours(low: float, high: float, wanted: Array) -> tuple[Array, Any]:
    """Edges of the steps, what is wanted among them, and a colour for each; lightness falls all the way."""
    edges = np.asarray(MaxNLocator(STEPS).tick_values(low, high), float)
    inside = wanted[(wanted > edges[0]) & (wanted < edges[-1])]
    near = 0.3 * (edges[1] - edges[0])
    apart = [e for e in edges if not len(inside) or np.abs(inside - e).min() > near]
    edges = np.unique(np.round([edges[0], *apart, edges[-1], *inside], 9))
    if not len(wanted):
        return edges, MOISTURES(np.linspace(0.0, 1.0, len(edges) - 1))
    middle = (edges[1:] + edges[:-1]) / 2
    shades = np.full(len(middle), 0.5)
    for side, (first, last) in ((middle < wanted[0], DRIER), (middle > wanted[-1], WETTER)):
        shades[side] = np.linspace(first, last, int(side.sum())) if side.sum() > 1 else (first + last) / 2
    return edges, MOISTURES(shades)


def _words_of_target(wanted: Array) -> str:
    """The target in a line, which may lie beyond all colours."""
    return f"\ntarget {' – '.join(f'{x:.4g}' for x in wanted)}" if len(wanted) else ""


def _sides(low: float, high: float, wanted: Array) -> str:
    """Of a step beside the target, or in its band, a word."""
    if not len(wanted):
        return ""
    if np.isclose(low, wanted[-1]):
        return ", wetter than asked"
    if np.isclose(high, wanted[0]):
        return ", drier"
    return ", as asked" if wanted[0] < (low + high) / 2 < wanted[-1] else ""


def _strategy(seasons: Seasons, number: int) -> Strategy:
    if not 0 <= number < len(seasons.strategies):
        names = ", ".join(f"{k} {way.name}" for k, way in enumerate(seasons.strategies))
        raise ValueError(f"there is no strategy {number}; there are: {names}")
    return seasons.strategies[number]


def _table(way: Strategy, values: Array) -> tuple[Any, Any, Any]:
    """Edges of days and of hours, and the values between them (hours, days); nan where there is none.

    Hours of the day in which nothing runs are left out: a night shift begins at the bottom, and ends beyond 24.
    """
    time, step = way.hours.weather.time, way.hours.weather.step
    day = (time.astype("datetime64[D]") - time.astype("datetime64[Y]").astype("datetime64[D]")).astype(int)
    hour = (time - time.astype("datetime64[D]")).astype("timedelta64[s]").astype(float) / 3600
    row, rows = np.floor(hour / step + 1e-9).astype(int), round(24 / step)
    first, last = int(day.min()), int(day.max())
    table = np.full((rows, last - first + 1), np.nan)
    table[row, day - first] = values
    begin, count = _quietest_rows(np.isin(np.arange(rows), row))
    shown = np.arange(begin, begin + count)
    return np.arange(first, last + 2) + 1.0, np.arange(begin, begin + count + 1) * step, table[shown % rows]


def _quietest_rows(runs: NDArray[np.bool_]) -> tuple[int, int]:
    """First row and number of rows of a day around its longest time without any."""
    rows = len(runs)
    best = (0, rows)
    for begin in np.flatnonzero(runs & ~np.roll(runs, 1)):
        count = rows - int(np.argmax(np.roll(runs, -begin)[::-1]))
        best = min(best, (int(begin), count), key=lambda span: (span[1], span[0]))
    return best


def strategies(seasons: Seasons, ax: Any = None) -> list[Axes]:
    """Draw how the hours of each strategy end, and what it costs. Returns the two axes."""
    from coolsim.output.years import SHORT

    ways = seasons.strategies
    axes = style.panels(ax, 2, (8.6, 6.4))
    place, width = np.arange(len(ways), dtype=float), 0.8 / len(VERDICTS)
    for k, (name, label, look) in enumerate(VERDICTS):
        hours = [getattr(way.total, name) for way in ways]
        at = place + (k - (len(VERDICTS) - 1) / 2) * width
        axes[0].bar(at, hours, 0.9 * width, label=label, edgecolor="white", **look)
    below = np.zeros(len(ways))
    for name, label, look in COSTS:
        costs = np.array([getattr(way.total, name) for way in ways])
        axes[1].bar(place, costs, 0.5, bottom=below, label=label, edgecolor="white", **look)
        below += costs
    currency = seasons.case.costs.currency or "as priced"
    for axis, label, title in ((axes[0], "hours [h]", "hours"), (axes[1], f"cost [{currency}]", "cost")):
        style.name_axes(axis, "", label)
        axis.grid(axis="x", visible=False)
        style.legend(axis, at_the_side=True, title=title)
    axes[1].set_xticks(place, [_wrapped(SHORT.get(way.name, way.name)) for way in ways], fontsize=style.SMALL)
    return axes


def _wrapped(name: str) -> str:
    return textwrap.fill(name, 13)
