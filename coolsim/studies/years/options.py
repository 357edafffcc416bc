"""What may be set at a site, the exit over all of it on one map, and many settings weighed in many hours."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.machines import Setting, machine_of
from coolsim.machines.base import DIALS, QUICK, airflow_step
from coolsim.machines.plant import with_knobs
from coolsim.machines.plant_ranges import knob_range
from coolsim.model.bed import take
from coolsim.model.family import representatives
from coolsim.simulate.finishing import store_of
from coolsim.simulate.inputs import Inputs, even
from coolsim.studies.outcome_rows import combined, unpack
from coolsim.studies.years.hours_given_up import FEED_ABOVE, FEED_BELOW
from coolsim.studies.years.response import AIR, Response, cooler, coordinates, respond, solve
from coolsim.studies.years.site import Site
from coolsim.support.fields import Array

SAMPLES = (1000,)  # predictions that the map over weather and settings is made of
POOL = 5000
CORNERS = 150
UNHEATED = 1 / 3  # share of the states for the map that are not heated, where heating is possible
# In the scale of limits: airflow that breaks a limit of the machine (or a wish) by more, everywhere, is left out
SLACK = {False: 0.2, True: 1.0}
CHUNK = 100_000  # states weighed at once: bounds the memory
SEED = 5
GEOMETRIC = ("airflow", "bed_depth")

Ranges = dict[str, tuple[float, float]]
SETTINGS = ("airflow", "bed_depth", "inlet_air_temperature", "feed_moisture")


@dataclass(frozen=True)
class Options:
    """What may be set, and the exit over all of it."""

    ranges: Ranges  # airflow, bed depth, inlet-air temperature, feed moisture; equal ends pin
    response: Response
    steps: dict[str, float]  # of the dials, by the same names
    fan: Setting | None  # its speed, where it is that which is set


def options_of(site: Site) -> Options:
    """Fit the exit over the site's weather and all that [limits] opens, and over the feed's moisture."""
    case = site.case
    now = case.feed.moisture
    ranges = {
        "airflow": _as_it_is(site.inputs.dry_air * site.inputs.outside_volume),
        "bed_depth": (case.cooler.bed_depth,) * 2,
        "feed_moisture": (max(now - FEED_BELOW, 0.001), now + FEED_ABOVE),
    } | {name: ends for name, ends in knob_range(case).items() if name != "inlet_air_temperature"}
    heating = case.limits.inlet_air_temperature
    if heating:  # as typed: `knob_range` would cut it off at the one state of [air]
        ranges["inlet_air_temperature"] = tuple(heating)
    ranges["airflow"] = _possible_airflow(site, ranges)
    rng = np.random.default_rng(SEED)
    # the corners of the weather as often as its middle, or the map would guess at them
    hours = rng.integers(len(site.inputs.radius), size=POOL)
    hours[: POOL // 2] = rng.choice(_spread(site, CORNERS), POOL // 2)
    inputs = take(site.inputs, hours)
    knobs = {name: _drawn(rng, name, ends) for name, ends in ranges.items()}
    if heating:
        cold = rng.random(POOL) < UNHEATED
        knobs["inlet_air_temperature"] = np.where(
            cold, inputs.outside_temperature, knobs["inlet_air_temperature"]
        )
    states = with_knobs(inputs, knobs | {"feed_moisture": knobs["feed_moisture"] + site.moister[hours]})
    x, by = site.coordinates(states, hours), cooler(states, store_of(case))
    if by.cheap is not None:  # the map is no more exact than that
        by = dataclasses.replace(by, rows=by.over(x), cheap=None)
    response = respond(x, by, SAMPLES, at_any_error=True)
    assert response is not None
    return Options(ranges, response, *_dials(case))


def opened_of(case: Case) -> frozenset[str]:
    """What an operator may turn, by the names of SETTINGS."""
    ranges = knob_range(case)
    return frozenset(n for n in ("airflow", "bed_depth") if n in ranges and ranges[n][0] < ranges[n][1])


def _dials(case: Case) -> tuple[dict[str, float], Setting | None]:
    """Steps of what may be set on a cooler, and its fan's speed, where that is set."""
    found, fan = {name: DIALS[case.units][name] for name in ("bed_depth", "inlet_air_temperature")}, None
    for s in machine_of(case).settings:
        if s.key == "residence_time":
            feed = case.feed
            found["bed_depth"] = s.step * feed.throughput / (feed.bulk_density * case.cooler.floor_area)
        elif s.key == "fan_speed":
            fan = s if s.opened else None
        else:
            found[s.key] = s.step
    if not np.isfinite(found.get("airflow", np.nan)):
        found["airflow"] = (
            1e-6 if case.cooler.airflow is None else airflow_step(case.cooler.airflow, case.units)
        )
    return found, fan


def _spread(site: Site, count: int) -> NDArray[np.intp]:
    """Hours spread to the corners of the weather."""
    x = np.stack([site.inputs.outside_temperature, site.inputs.humidity_ratio])
    return representatives(x / np.maximum(np.ptp(x, axis=1, keepdims=True), 1e-9), count)


def _as_it_is(airflow: Array) -> tuple[float, float]:
    middle = float(np.median(airflow))
    return middle, middle


def _drawn(rng: np.random.Generator, name: str, ends: tuple[float, float]) -> Array:
    """Values between two ends and often at them, where a polynomial is weakest."""
    t = np.clip(rng.uniform(-0.05, 1.05, POOL), 0, 1)
    low, high = ends
    return low * (high / low) ** t if name in GEOMETRIC else low + (high - low) * t


def _possible_airflow(site: Site, ranges: Ranges) -> tuple[float, float]:
    """The part of the airflow's range that is of use in any weather, a step wider.

    A range of fan speeds reaches down to hardly any air, where nothing is gained by a good map.
    """
    low, high = ranges["airflow"]
    if low >= high:
        return low, high
    hours = _spread(site, 8)
    flows, depths = np.geomspace(low, high, 24), np.geomspace(*ranges["bed_depth"], 4)
    states = combined([hours.astype(float), flows, depths])
    inputs = with_knobs(
        take(site.inputs, states[:, 0].astype(int)), {"airflow": states[:, 1], "bed_depth": states[:, 2]}
    )
    inputs = even(inputs)  # which is of use where the uneven one is, and solved in a ninth of the time
    state = site.plant.standing(inputs, unpack(solve(inputs, QUICK)))
    looked_at = [limit for limit in site.constraints if limit.quantity.name != "moisture"]
    allowed = np.array([SLACK[limit.of_target] for limit in looked_at])
    excess = site.excess(inputs, state, looked_at) - allowed[:, None]
    kept = flows[
        (excess.max(axis=0, initial=-1.0) <= 0.0).reshape(len(hours), len(flows), -1).any(axis=(0, 2))
    ]
    if not len(kept):
        return low, high
    step = flows[1] / flows[0]
    return max(low, kept.min() / step), min(high, kept.max() * step)


# -- many settings in many hours


@dataclass(frozen=True)
class WeighedOptions:
    """Settings tried in hours: K settings (each a column of `settings`), H hours."""

    settings: dict[str, Array]  # by name, (K,)
    excess: Array  # (limits, H, K)
    cost: Array  # (H, K), per hour
    fan_speed: Array  # (H, K), as a share; nan without a fan

    @property
    def worst(self) -> Array:
        return np.asarray(self.excess.max(axis=0))


def weigh_options(
    site: Site, options: Options, hours: NDArray[np.intp], settings: dict[str, Array]
) -> WeighedOptions:
    """Weigh settings in hours, all with all, on the map."""
    count = len(settings["airflow"])
    inputs, inlets = take(site.inputs, hours), settings["inlet_air_temperature"]
    excess = np.empty((len(site.constraints), len(hours), count))
    cost, speed = np.empty((2, len(hours), count))
    for inlet in np.unique(inlets):  # nan counts as one value
        some = np.flatnonzero(np.isnan(inlets) if np.isnan(inlet) else inlets == inlet)
        warmed = _heated(inputs, float(inlet))
        air = coordinates(warmed, True)[: len(AIR)]
        chosen = {name: settings[name][some] for name in settings}
        knobs = np.array([np.log(chosen["airflow"]), np.log(chosen["bed_depth"]), chosen["feed_moisture"]])
        for part in np.array_split(np.arange(len(hours)), max(1, len(hours) * len(some) // CHUNK)):
            rows = options.response.across(air[:, part], knobs)
            crossed = _crossed(take(warmed, part), chosen, site.moister[hours][part])
            state = site.plant.standing(crossed, unpack(rows.reshape(len(rows), -1)))
            shape = (len(part), len(some))
            excess[:, part[:, None], some] = site.excess(crossed, state).reshape(-1, *shape)
            speed[part[:, None], some] = np.reshape(state.settings.fan_speed, shape)
            cost[part[:, None], some] = np.broadcast_to(state.cost.total, len(part) * len(some)).reshape(
                shape
            )
    return WeighedOptions(settings, excess, cost, speed)


def _heated(inputs: Inputs, inlet: float) -> Inputs:
    """Inputs with inlet air heated to a temperature where that is warmer than outside; nan leaves it."""
    return inputs if np.isnan(inlet) else with_knobs(inputs, {"inlet_air_temperature": np.array(inlet)})


_OF_HOUR = (
    *("outside_temperature", "humidity_ratio", "pressure", "outside_volume", "inlet_air_temperature"),
    *("throughput", "bulk_density"),
)


def _crossed(inputs: Inputs, settings: dict[str, Array], moister: Array) -> Inputs:
    """What weighing needs of every hour with every setting, the settings running fastest; moister: as of a Site."""
    count, hours = len(settings["airflow"]), len(inputs.outside_temperature)
    repeated: dict[str, Any] = {name: np.repeat(getattr(inputs, name), count) for name in _OF_HOUR}
    airflow, depth, moisture = (
        np.tile(settings[n], hours) for n in ("airflow", "bed_depth", "feed_moisture")
    )
    return dataclasses.replace(
        inputs,
        **repeated,
        dry_air=airflow / repeated["outside_volume"],
        bed_depth=depth,
        moisture_wb=moisture + np.repeat(moister, count),
    )
