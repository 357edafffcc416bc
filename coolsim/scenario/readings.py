"""What may be measured on a machine or a line, within what usual instruments err, and what no reading can be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coolsim.case.case import Case, Line
from coolsim.scenario import schema, units
from coolsim.scenario.keys.base import Key
from coolsim.support.errors import Fault

WITHIN = 1.96  # standard deviations: nineteen of twenty
LEAST_HOTTER = (
    5.0  # K of feed above the air outside, from which it cannot leave wetter or warmer than it came
)
HOTTEST_FEED = (
    110.0  # °C that feed leaves a press or extruder at, once it has flashed (common practice, no source)
)


@dataclass(frozen=True)
class Quantity:
    """Something measured at the exit: its key, and the ± of a usual instrument."""

    key: Key
    within: float  # in the stored unit


_T: dict[str, Any] = {"low": "-50 degC", "high": "180 degC", "hint": "was it meant as degF?"}
MEASURED: Mapping[str, Quantity] = {
    # the first two stated by the trade's usual instruments, the others by judgement (common practice, no source)
    "moisture": Quantity(
        Key(
            "quantity", "exit moisture, wet basis", "12 %", units.FRACTION, "0.1 %", "65 %",
            hint="moisture is a share of the wet weight; was it typed as a fraction, or is a point missing?",
        ),
        0.002,
    ),
    "temperature": Quantity(Key("quantity", "exit temperature", "34 degC", units.TEMPERATURE, **_T), 0.5),
    "exhaust_temperature": Quantity(
        Key("quantity", "air behind the bed", "52 degC", units.TEMPERATURE, **_T), 1.0
    ),
    "exhaust_relative_humidity": Quantity(
        Key("quantity", "of that air", "60 %", units.FRACTION, "0 %", "100 %"), 0.03
    ),
}  # fmt: skip
# Inputs that may carry a ± of their own.
DOUBTED = (
    "feed.moisture", "feed.temperature", "feed.throughput", "air.temperature", "air.relative_humidity",
    "cooler.airflow", "cooler.bed_depth", "cooler.inlet_air_temperature",
)  # fmt: skip
_OF_MACHINES = "cooler."  # where inputs begin that each stage of a line has its own of


def readings_of(case: Case) -> tuple[str, ...]:
    """What may be measured on a machine, by names of MEASURED: of a line first behind it, then stage by stage."""
    last = tuple(MEASURED)
    if not isinstance(case.cooler, Line):
        return last
    return last + tuple(f"stage.{k}.{name}" for k in range(1, len(case.cooler.stages)) for name in MEASURED)


def doubted_of(case: Case) -> tuple[str, ...]:
    """The inputs of a machine that may carry a ±: of a line those of DOUBTED, of each stage its own."""
    if not isinstance(case.cooler, Line):
        return DOUBTED
    shared = [key for key in DOUBTED if not key.startswith(_OF_MACHINES)]
    own = [key for key in DOUBTED if key.startswith(_OF_MACHINES)]
    stages = range(1, len(case.cooler.stages) + 1)
    return (*shared, *(schema.in_stage(f"stage.{k}", key) for k in stages for key in own))


def usual(reading: str) -> Quantity:
    """What a reading is of, and the ± of a usual instrument."""
    return MEASURED[reading.rpartition(".")[2]]


def measured_key(reading: str) -> str:
    """The column of a reading: measured.moisture, stage.1.measured.moisture."""
    place, _, name = reading.rpartition(".")
    return f"{place}.measured.{name}" if place else f"measured.{name}"


def hottest_inlet(cooler: Any) -> float | None:
    """Temperature of the hottest air that a heater of a machine, or of any in a line, aims at; None without one."""
    machines: list[Any] = [stage.cooler for stage in cooler.stages] if isinstance(cooler, Line) else [cooler]
    ends = [
        one.inlet_air_temperature for machine in machines for one in getattr(machine, "zones", (machine,))
    ]
    return max((T for T in ends if T is not None), default=None)


def _hotter(case: Case) -> bool:
    return bool(case.feed.temperature > float(case.air.temperature) + LEAST_HOTTER)


def impossible(place: str, reading: str, case: Case, value: float, deviation: float) -> list[Fault]:
    """The fault of a reading that hot feed cannot give: wetter or warmer than it came, hotter than its exhaust."""
    if reading.endswith("humidity"):
        return []
    wrong = _wetter if reading.endswith("moisture") else _warmer
    return wrong(place, measured_key(reading), case, value, deviation)


def _wetter(place: str, key: str, case: Case, M: float, deviation: float) -> list[Fault]:
    feed = case.feed
    if not (_hotter(case) and feed.moisture + 3 * deviation < M):
        return []
    found = f"{100 * M:.2f} %, wetter than the feed that came ({100 * feed.moisture:.2f} %)"
    dry = M / (1 + M)
    allowed = "hot feed dries: were in and out swapped?"
    if dry < feed.moisture:
        allowed += (
            f" Or is it dry basis? {100 * M:.2f} % of the dry weight is {100 * dry:.2f} % wet "
            "basis, which is meant"
        )
    return [Fault(place, key, found, allowed)]


def _warmer(place: str, key: str, case: Case, reading: float, deviation: float) -> list[Fault]:
    feed, outside, inlet = case.feed, float(case.air.temperature), hottest_inlet(case.cooler)
    own = [stage.air.temperature for stage in getattr(case.cooler, "stages", ()) if stage.air is not None]
    hottest = max(feed.temperature, outside, *own, outside if inlet is None else inlet)
    if not hottest + 3 * deviation < reading:
        return []
    found = f"{reading:.1f} °C, warmer than both the feed ({feed.temperature:.1f} °C) and the air"
    celsius = (reading - 32) / 1.8
    allowed = "were in and out swapped?"
    if outside - 10 < celsius < hottest:
        swapped = not key.endswith("exhaust_temperature") and not _hotter(case) and reading < HOTTEST_FEED
        allowed = "were in and out swapped? Or " if swapped else ""
        allowed += f"was it meant as degF? That would be {celsius:.1f} °C"
    return [Fault(place, key, found, allowed)]
