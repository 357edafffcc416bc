"""Readings that trials cannot give: wetter or warmer than what came."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from coolsim.errors import Fault

if TYPE_CHECKING:
    from coolsim.scenario.trials import Trials

LEAST_HOTTER = (
    5.0  # K of feed above the air outside, from which it cannot leave wetter or warmer than it came
)
HOTTEST_FEED = (
    110.0  # °C that feed leaves a press or extruder at, once it has flashed (common practice, no source)
)


def hottest_inlet(cooler: Any) -> float | None:
    """Temperature of the hottest air that a heater of a machine aims at; None without a heater."""
    ends = [one.inlet_air_temperature for one in getattr(cooler, "zones", (cooler,))]
    return max((T for T in ends if T is not None), default=None)


def impossible(trials: Trials, where: Sequence[str]) -> list[Fault]:
    """Readings that hot feed cannot give: wetter or warmer than it came, hotter than its exhaust can be."""
    faults = []
    for place, label, case, (M, T, T_air, _), sd in zip(
        where, trials.labels, trials.cases, trials.measured.T, trials.deviation.T
    ):
        feed, outside, place = case.feed, float(case.air.temperature), place or label
        hotter = feed.temperature > outside + LEAST_HOTTER
        if hotter and feed.moisture + 3 * sd[0] < M:
            found = f"{M:.2%}, wetter than the feed that came ({feed.moisture:.2%})"
            dry = M / (1 + M)
            allowed = "hot feed dries: were in and out swapped?"
            if dry < feed.moisture:
                allowed += (
                    f" Or is it dry basis? {M:.2%} of the dry weight is {dry:.2%} wet basis, which is meant"
                )
            faults.append(Fault(place, "measured.moisture", found, allowed))
        inlet = hottest_inlet(case.cooler)
        hottest = max(feed.temperature, outside if inlet is None else max(outside, inlet))
        for key, reading, deviation in (("temperature", T, sd[1]), ("exhaust_temperature", T_air, sd[2])):
            if hottest + 3 * deviation < reading:
                found = f"{reading:.1f} °C, warmer than both the feed ({feed.temperature:.1f} °C) and the air"
                celsius = (reading - 32) / 1.8
                allowed = "were in and out swapped?"
                if outside - 10 < celsius < hottest:
                    swapped = key == "temperature" and not hotter and reading < HOTTEST_FEED
                    allowed = "were in and out swapped? Or " if swapped else ""
                    allowed += f"was it meant as degF? That would be {celsius:.1f} °C"
                faults.append(Fault(place, f"measured.{key}", found, allowed))
    return faults
