"""The machine: a counter-flow cooler, a batch or a belt dryer, with the settings that others follow from."""

from __future__ import annotations

from typing import Any

from coolsim.case.machine import Batch, Belt, Cooler, Zone
from coolsim.case.streams import Feed
from coolsim.model.columns import MOST
from coolsim.scenario import reader, schema, units
from coolsim.scenario.keys.machine import ARRANGEMENTS
from coolsim.scenario.reader import Collector
from coolsim.scenario.values import AirRatio, Deviation, within

HEAT_NEEDED = "one or both of inlet_air_temperature and heater_power are needed"
HEATED_ONLY = "recirculation is for heated zones: give inlet_air_temperature or leave it out"


def colder(inlet: float, outside: float) -> bool:
    """Return whether inlet air [°C] would have to be cooled, which no heater does."""
    return inlet < outside - 1e-9


def machine_from_keys(c: Collector, feed: Feed | None) -> Cooler | Batch | Belt | None:
    """Return the machine that [cooler] describes; None, with the faults noted, where it is not all right."""
    _heated(c)
    if not reader.is_available(c.source):
        return None
    arrangement = reader.arrangement_of(c.source)
    if arrangement != "counter-flow" and c.has("fan.speed"):
        c.wrong("fan.speed", "a dryer's airflow is not found from its fan so far: give airflow, and no speed")
    if arrangement == "batch":
        return _batch(c, feed)
    return _belt(c) if arrangement == "belt" else _counter_flow(c, feed)


def _batch(c: Collector, feed: Feed | None) -> Batch | None:
    """Return the batch dryer, its depth from the mass of a batch where that was typed."""
    names = ("inlet_air_temperature", "heater_power")
    if all(c.source.value(f"cooler.{name}") is None for name in names):
        example = schema.TABLES["cooler"].keys[names[0]].example
        c.fault(
            f"cooler.{names[0]}",
            "none of " + " or ".join(names),
            f"{HEAT_NEEDED}, such as {example}",
        )
    depth = c.values.get("cooler.bed_depth")
    if c.has("cooler.batch_mass", "cooler.floor_area") and feed is not None:
        depth = c.values["cooler.batch_mass"] / (feed.bulk_density * c.values["cooler.floor_area"])
        depth = _derived(c, "cooler.batch_mass", depth, "cooler.bed_depth")
    derived = ("batch_mass", "bed_depth", "depth_deviation")
    wanted = [name for name in ARRANGEMENTS["batch"] if name not in derived]
    values: dict[str, Any] = {name: c.values.get(f"cooler.{name}") for name in wanted}
    optional = ("inlet_air_temperature", "heater_power", "reverse_every")
    if depth is None or any(values[name] is None for name in wanted if name not in optional):
        return None
    return Batch(bed_depth=depth, **values, **_deviations(c, depth))


def _belt(c: Collector) -> Belt | None:
    """Return the belt dryer with its zones."""
    zones = _zones(c)
    outside = c.values.get("air.temperature")
    for number, zone in enumerate(zones, 1):
        inlet = zone.get("inlet_air_temperature")
        if outside is not None and inlet is not None and colder(inlet, outside):
            text = reader.text_of("air.temperature", outside)
            found = reader.text_of("cooler.inlet_air_temperature", inlet)
            c.fault(
                f"cooler.zone.{number}.inlet_air_temperature",
                found,
                f"outside air ({text}) is heated to this",
            )
        typed = c.source.value(f"cooler.zone.{number}.inlet_air_temperature")
        if typed is None and zone.get("recirculation"):
            c.fault(
                f"cooler.zone.{number}.recirculation", f"{100 * zone['recirculation']:.0f} %", HEATED_ONLY
            )
    if not zones or not c.has("cooler.belt_width", "cooler.bed_depth", "cooler.shrinkage"):
        return None
    if any("length" not in zone or "airflow" not in zone for zone in zones):
        return None
    return Belt(
        c.values["cooler.belt_width"],
        c.values["cooler.bed_depth"],
        tuple(Zone(**zone) for zone in zones),
        c.values["cooler.shrinkage"],
        **_deviations(c, c.values["cooler.bed_depth"]),
    )


def _zones(c: Collector) -> list[dict[str, Any]]:
    """Return what was typed right in each [[cooler.zone]]."""
    name, typed = "cooler.zone", c.source.value("cooler.zone")
    if typed is None:
        c.fault(name, "nothing", "a belt needs one [[cooler.zone]] or more, double brackets around the name")
    keys = schema.TABLES[name].keys
    return [
        {key: c.values[f"{name}.{number}.{key}"] for key in keys if c.has(f"{name}.{number}.{key}")}
        for number in range(1, 1 + (len(typed) if isinstance(typed, tuple) else 0))
    ]


def _counter_flow(c: Collector, feed: Feed | None) -> Cooler | None:
    depth, airflow, ratio = _depth(c, feed), c.values.get("cooler.airflow"), None
    typed_ratio: AirRatio | None = c.values.get("cooler.air_ratio")
    if typed_ratio is not None:
        ratio = typed_ratio.mass
        if typed_ratio.volume is not None and c.has("feed.throughput"):
            airflow = typed_ratio.volume * c.values["feed.throughput"]
            airflow = _derived(c, "cooler.air_ratio", airflow, "cooler.airflow")
    by_speed = c.has("fan.speed")
    if by_speed and airflow is None and ratio is None and not {"curve", "rated_flow"} & {*c.table("fan")}:
        c.wrong("fan.speed", "it needs the fan's curve, or rated_flow and rated_pressure, beside it")
    if (
        depth is None
        or (airflow is None and ratio is None and not by_speed)
        or not c.has("cooler.floor_area")
    ):
        return None
    return Cooler(
        floor_area=c.values["cooler.floor_area"],
        bed_depth=depth,
        airflow=airflow,
        air_ratio=ratio,
        inlet_air_temperature=c.values.get("cooler.inlet_air_temperature"),
        **_deviations(c, depth),
    )


def _deviations(c: Collector, depth: float) -> dict[str, Any]:
    """Return how uneven the bed is, as far as it was typed; a length may be no larger a share of the depth."""
    key, found = "cooler.depth_deviation", dict[str, float]()
    typed: Deviation | None = c.values.get(key)
    if typed is not None and typed.share is not None:
        found["depth_deviation"] = typed.share
    if typed is not None and typed.length is not None:
        found["depth_deviation_length"] = typed.length
        definition = schema.find(key)
        assert definition is not None
        deepest = c.values.get("limits.bed_depth", (depth,))[-1]
        for what, of in (("the bed", depth), ("the deepest bed of limits.bed_depth", deepest)):
            if typed.length > MOST * of:
                share = f"{100 * (typed.length / of):.0f} % of {what}"
                c.wrong(key, f"this is {share}; allowed is up to {100 * MOST:.0f} % of it; {definition.hint}")
                break
    if c.has("cooler.speed_deviation"):
        found["speed_deviation"] = c.values["cooler.speed_deviation"]
    return found


def _heated(c: Collector) -> None:
    inlet, outside = "cooler.inlet_air_temperature", "air.temperature"
    if c.has(inlet, outside) and colder(c.values[inlet], c.values[outside]):
        least = reader.text_of(outside, c.values[outside])
        c.wrong(inlet, f"outside air ({least}) is heated to this: no less, or leave it out")


def _depth(c: Collector, feed: Feed | None) -> float | None:
    """Return the bed depth, from the residence time where that was typed."""
    time = c.values.get("cooler.residence_time")
    if time is None:
        return c.values.get("cooler.bed_depth")
    if feed is None or not c.has("cooler.floor_area"):
        return None
    depth = time * feed.throughput / (feed.bulk_density * c.values["cooler.floor_area"])
    return _derived(c, "cooler.residence_time", depth, "cooler.bed_depth")


def _derived(c: Collector, typed: str, value: float, key: str) -> float | None:
    """Return a setting computed from another one, if it is in range."""
    definition = schema.find(key)
    assert definition is not None
    try:
        return within(value, definition)
    except units.Misread as error:
        c.wrong(typed, f"this makes {key} {reader.text_of(key, value)}; {error}")
        return None
