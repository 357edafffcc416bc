"""SI values → `Case`: the checks between keys, the state of the air, the material, the derived settings."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coolsim.case import (
    Air,
    Batch,
    Belt,
    Case,
    Cooler,
    DesignWeather,
    Diffusivity,
    Feed,
    Isotherm,
    Material,
    Product,
    Provenance,
    Zone,
)
from coolsim.errors import Fault, InputError
from coolsim.fields import Number
from coolsim.physics import air, material_files, materials
from coolsim.physics.sorption import EQUATIONS
from coolsim.scenario import reader, schema, stages, units
from coolsim.scenario.change import variants
from coolsim.scenario.reader import AirRatio, Collector, Price, shown
from coolsim.scenario.source import Source


def case_from(source: Source) -> Case:
    """Return the case that `source` describes; raises InputError with every fault found."""
    return stages.line_from(source, _one_machine) if "stage" in source else _one_machine(source)


def _one_machine(source: Source) -> Case:
    collector = reader.read(source)
    outside = _air(collector)
    material = _material(collector)
    feed = _feed(collector, material)
    cooler = _cooler(collector, feed)
    tables = _tables(collector)
    if collector.faults:
        raise InputError(collector.in_order())
    assert outside is not None and material is not None and feed is not None and cooler is not None
    title = collector.values.get("title") or Path(source.name).stem
    known_to = MappingProxyType(collector.plus_minus)
    return Case(title, _as_fed(material, feed, source), feed, outside, cooler, tables, source, known_to)


# -- air


def _air(c: Collector) -> Air | None:
    if not c.has("air.temperature"):
        return None
    T = c.values["air.temperature"]
    p = c.values.get("air.pressure")
    if p is None and c.has("air.altitude"):
        p = float(air.standard_pressure(c.values["air.altitude"]))
    given = [name for name in schema.AIR_HUMIDITIES if c.has(f"air.{name}")]
    if p is None or len(given) != 1:
        return None
    humidity = _relative_humidity(c, given[0], T, p)
    return None if humidity is None else Air(temperature=T, relative_humidity=humidity, pressure=p)


def _relative_humidity(c: Collector, name: str, T: float, p: float) -> float | None:
    """Return the relative humidity (over ice below 0 °C, as weather services give it)."""
    key = f"air.{name}"
    value, dry_bulb = c.values[key], _text("air.temperature", T)
    if name == "relative_humidity":
        return value
    if name in ("wet_bulb", "dew_point") and value > T + 1e-9:
        c.wrong(key, f"it cannot be above the dry bulb ({dry_bulb})")
        return None
    ratio = float(humidity_ratio(name, value, T, p))
    if ratio < 0.0:
        c.wrong(key, f"even air without any water has a higher wet bulb at {dry_bulb}")
        return None
    saturated = air.humidity_ratio_from_relative_humidity(T, 1.0, p)
    humidity = float(air.vapour_pressure(ratio, p) / air.vapour_pressure(saturated, p))
    if humidity > 1.0 + 1e-6:
        c.wrong(key, f"more than air at {dry_bulb} can hold ({humidity:.0%} relative humidity)")
        return None
    return min(humidity, 1.0)


def humidity_ratio(name: str, value: Number, T: Number, p: Number) -> Number:
    """Return the humidity ratio that a wet bulb, a dew point or a humidity ratio means at T [°C] and p [Pa]."""
    if name == "wet_bulb":
        return air.humidity_ratio_from_wet_bulb(T, value, p)
    return air.humidity_ratio_from_dew_point(value, p) if name == "dew_point" else value


def _text(key: str, value: float) -> str:
    definition = schema.find(key)
    assert definition is not None and definition.dimension is not None
    return units.text_of(value, definition.dimension, definition.unit("si"))


# -- material and feed


def _material(c: Collector) -> Material | None:
    name = c.values.get("feed.material")
    own = c.source.value("material")
    if name == schema.CUSTOM:
        if own is None:
            c.fault("feed.material", f'"{schema.CUSTOM}"', "this needs a [material] table with its numbers")
            return None
        return _custom(c)
    if own is not None and name is not None:
        c.fault(
            "material",
            f"a [material] table beside feed.material = {shown(name)}",
            'it goes with feed.material = "custom" only: change the one or remove the other',
        )
    if name is None:
        return None
    if name.endswith(".toml"):
        return _from_file(c, name)
    if name not in materials.names():
        near = difflib.get_close_matches(name, list(materials.names()), 1, 0.5)
        hint = f'did you mean "{near[0]}"?' if near else f"allowed: {', '.join(materials.names())}, custom"
        c.fault("feed.material", shown(name), f"{hint} (`coolsim materials` lists them)")
        return None
    return materials.load_material(name)


def _from_file(c: Collector, name: str) -> Material | None:
    """Return the material of a file beside the scenario, its faults among those of the scenario."""
    try:
        path, where = Path(c.source.folder) / name, c.source.where("feed.material")
        return material_files.read_material(path, where=where)
    except InputError as error:
        c.faults += error.faults
        return None


def _custom(c: Collector) -> Material | None:
    isotherm, diffusivity = _isotherm(c), _diffusivity(c)
    names = ("specific_heat", "conductivity", "bulk_density", "void_fraction")
    if isotherm is None or diffusivity is None or not c.has(*(f"material.{name}" for name in names)):
        return None
    typed = Provenance(source=f"typed in {c.source.name}", assumed=False)
    return Material(
        name=schema.CUSTOM,
        isotherm=isotherm,
        diffusivity=diffusivity,
        **{name: c.values[f"material.{name}"] for name in names},
        provenance=MappingProxyType(
            dict.fromkeys((*names, "isotherm", "diffusivity", "activation_energy"), typed)
        ),
    )


def _isotherm(c: Collector) -> Isotherm | None:
    table, key = "material.sorption", "material.sorption.equation"
    typed = c.table(table)
    if c.source.value(table) is None:
        c.fault(table, "no such table", f"a custom material needs [{table}]: an equation and its constants")
        return None
    equation = c.values.get(key)
    if equation not in EQUATIONS:
        if "equation" not in typed or equation is not None:
            near = difflib.get_close_matches(str(equation), EQUATIONS, 1, 0.5)
            hint = f"did you mean {near[0]}?" if near else f"allowed: {', '.join(EQUATIONS)}"
            c.fault(key, "nothing" if equation is None else shown(equation), hint)
        return None
    wanted = schema.constants(equation)
    for name in wanted:
        if name not in typed:
            c.fault(f"{table}.{name}", "nothing", f"{equation} has the constants {', '.join(wanted)}")
    for name in typed:
        if name not in (*wanted, "equation"):
            c.fault(
                f"{table}.{name}", "an unknown key", f"{equation} has the constants {', '.join(wanted)} only"
            )
    if not c.has(*(f"{table}.{name}" for name in wanted)):
        return None
    return Isotherm(equation, tuple(c.values[f"{table}.{name}"] for name in wanted))


def _diffusivity(c: Collector) -> Diffusivity | None:
    table = "material.diffusivity"
    if c.source.value(table) is None:
        c.fault(
            table,
            "no such table",
            f"a custom material needs [{table}]: {', '.join(schema.TABLES[table].keys)}",
        )
        return None
    if not c.has(*(f"{table}.{name}" for name in ("value", "at", "activation_energy", "moisture_slope"))):
        return None
    slope = c.values[f"{table}.moisture_slope"]
    if slope and "at_moisture" not in c.table(table):
        c.fault(f"{table}.at_moisture", "nothing", 'moisture_slope needs it, such as at_moisture = "14 %"')
        return None
    wet = c.values.get(f"{table}.at_moisture", 0.0)
    value, at, energy = (c.values[f"{table}.{name}"] for name in ("value", "at", "activation_energy"))
    return Diffusivity(value, at, energy, slope, at_moisture=wet / (1.0 - wet))


def _feed(c: Collector, material: Material | None) -> Feed | None:
    values: dict[str, Any] = {name: c.values.get(f"feed.{name}") for name in schema.TABLES["feed"].keys}
    dry_basis = values.pop("moisture_dry_basis")
    values.pop("material")
    if dry_basis is not None:
        values["moisture"] = dry_basis / (1.0 + dry_basis)
    for name in ("bulk_density", "void_fraction"):
        # a density that was typed wrongly is a fault already; only one left out is the material's
        if values[name] is None and material is not None and c.source.value(f"feed.{name}") is None:
            values[name] = getattr(material, name)
    return None if None in values.values() else Feed(**values)


def _as_fed(material: Material, feed: Feed, source: Source) -> Material:
    """Return the material with the bulk numbers of this feed, so that its ranges no longer count."""
    typed = [name for name in ("bulk_density", "void_fraction") if source.value(f"feed.{name}") is not None]
    if not typed:
        return material
    provenance = dict(material.provenance) | {
        name: Provenance(source=f"typed in {source.name}", assumed=False) for name in typed
    }
    return dataclasses.replace(
        material, **{name: getattr(feed, name) for name in typed}, provenance=MappingProxyType(provenance)
    )


# -- cooler


def _cooler(c: Collector, feed: Feed | None) -> Cooler | Batch | Belt | None:
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
            f"one or both are needed, such as {example}",
        )
    depth = c.values.get("cooler.bed_depth")
    if c.has("cooler.batch_mass", "cooler.floor_area") and feed is not None:
        depth = c.values["cooler.batch_mass"] / (feed.bulk_density * c.values["cooler.floor_area"])
        depth = _derived(c, "cooler.batch_mass", depth, "cooler.bed_depth")
    if c.has("cooler.reverse_every", "cooler.mixing") and c.values["cooler.mixing"] == "continuous":
        c.wrong("cooler.reverse_every", 'with mixing = "continuous" all pellets are alike: leave it out')
    wanted = [name for name in schema.ARRANGEMENTS["batch"] if name not in ("batch_mass", "bed_depth")]
    values: dict[str, Any] = {name: c.values.get(f"cooler.{name}") for name in wanted}
    optional = ("inlet_air_temperature", "heater_power", "reverse_every")
    if depth is None or any(values[name] is None for name in wanted if name not in optional):
        return None
    return Batch(bed_depth=depth, **values)


def _belt(c: Collector) -> Belt | None:
    """Return the belt dryer with its zones."""
    zones = _zones(c)
    outside = c.values.get("air.temperature")
    for number, zone in enumerate(zones, 1):
        inlet = zone.get("inlet_air_temperature")
        if outside is not None and inlet is not None and inlet < outside - 1e-9:
            text = _text("air.temperature", outside)
            found = _text("cooler.inlet_air_temperature", inlet)
            c.fault(
                f"cooler.zone.{number}.inlet_air_temperature",
                found,
                f"outside air ({text}) is heated to this",
            )
        typed = c.source.value(f"cooler.zone.{number}.inlet_air_temperature")
        if typed is None and zone.get("recirculation"):
            allowed = "recirculation is for heated zones: give inlet_air_temperature or leave it out"
            c.fault(f"cooler.zone.{number}.recirculation", f"{zone['recirculation']:.0%}", allowed)
    if not zones or not c.has("cooler.belt_width", "cooler.bed_depth", "cooler.shrinkage"):
        return None
    if any("length" not in zone or "airflow" not in zone for zone in zones):
        return None
    return Belt(
        c.values["cooler.belt_width"],
        c.values["cooler.bed_depth"],
        tuple(Zone(**zone) for zone in zones),
        c.values["cooler.shrinkage"],
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
    )


def _heated(c: Collector) -> None:
    inlet, outside = "cooler.inlet_air_temperature", "air.temperature"
    if c.has(inlet, outside) and c.values[inlet] < c.values[outside] - 1e-9:
        c.wrong(
            inlet,
            f"outside air ({_text(outside, c.values[outside])}) is heated to this: no less, or leave it out",
        )


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
        return reader.within(value, definition)
    except units.Misread as error:
        c.wrong(typed, f"this makes {key} {_text(key, value)}; {error}")
        return None


# -- the other tables


def _tables(c: Collector) -> Mapping[str, Any]:
    """Return the tables kept for later questions, in SI."""
    _check_target(c)
    _check_fan(c)
    _check_schedule(c)
    tables: dict[str, Any] = {}
    for name in schema.KEPT:
        if isinstance(c.source.value(name), Mapping):
            keys = schema.TABLES[name].keys
            tables[name] = {key: c.values[f"{name}.{key}"] for key in keys if c.has(f"{name}.{key}")}
    if "costs" in tables:
        tables["costs"] = _costs(c, tables["costs"])
    if "sizing" in tables:
        tables["sizing"] |= _sizing(c)
    if "weather" in tables:
        names = schema.TABLES["weather.units"].keys
        tables["weather"]["units"] = MappingProxyType(
            {n: c.values[f"weather.units.{n}"] for n in names if c.has(f"weather.units.{n}")}
        )
        if c.has("weather.file"):
            tables["weather"]["file"] = str(Path(c.source.folder) / c.values["weather.file"])
    return MappingProxyType({name: MappingProxyType(table) for name, table in tables.items()})


def _costs(c: Collector, prices: Mapping[str, Price]) -> dict[str, Any]:
    """Return the prices in SI and their one currency."""
    currency, first = "", ""
    for name, price in prices.items():
        if price.currency and currency and price.currency != currency:
            c.fault(
                f"costs.{name}",
                shown(c.source.value(f"costs.{name}")),
                f"one currency in the file: costs.{first} is in {currency}",
            )
        if price.currency and not currency:
            currency, first = price.currency, name
    return {name: price.value for name, price in prices.items()} | {"currency": currency}


def _sizing(c: Collector) -> dict[str, Any]:
    """Return what [sizing] lists, and its range of depths within that of [limits]."""
    found: dict[str, Any] = {"product": (), "weather": ()}
    for number, varied in _varied(c, "sizing.product"):
        material = _material(varied)
        feed = _feed(varied, material)
        _keep_faults(c, varied, f"sizing.product.{number}")
        if material is not None and feed is not None:
            name = c.values.get(f"sizing.product.{number}.name", "")
            product = Product(name, _as_fed(material, feed, varied.source), feed)
            found["product"] += (product,)
    for number, varied in _varied(c, "sizing.weather"):
        place = f"sizing.weather.{number}"
        air_, name = _air(varied), c.values.get(f"{place}.name", "")
        _keep_faults(c, varied, place)
        if "percentile" in c.source.value(place):
            _check_percentile(c, place)
            found["weather"] += (DesignWeather(name, None, c.values.get(f"{place}.percentile")),)
        elif air_ is not None:
            found["weather"] += (DesignWeather(name, air_),)
    if c.has("sizing.bed_depth", "limits.bed_depth"):
        (low, high), (least, most) = c.values["sizing.bed_depth"], c.values["limits.bed_depth"]
        if c.source.value("sizing.bed_depth") is None:
            low, high = least, most
        elif max(low, least) > min(high, most):
            c.wrong("sizing.bed_depth", "no depth is in this range and in that of limits.bed_depth")
        found["bed_depth"] = (max(low, least), min(high, most))
    return found


def _check_percentile(c: Collector, place: str) -> None:
    """A percentile picks an hour of the weather file, with all of its air."""
    typed = [key for key in c.source.value(place) if key not in ("name", "percentile")]
    if typed:
        allowed = (
            f"an hour of the weather file brings its own air: leave out {', '.join(typed)}, or the percentile"
        )
        c.wrong(f"{place}.percentile", allowed)
    if c.source.value("weather.file") is None:
        c.wrong(f"{place}.percentile", 'it is of a weather file: add [weather] with file = "weather.epw"')


def _varied(c: Collector, name: str) -> Iterator[tuple[int, Collector]]:
    for place, source in variants(c.source, name):
        yield int(place.rpartition(".")[2]), reader.read(source)


def _keep_faults(c: Collector, varied: Collector, place: str) -> None:
    """Keep the faults that came with a table of a list, under its own keys where they are its own."""
    entry, before = c.source.value(place), [(f.key, f.found, f.allowed) for f in c.faults]
    for fault in varied.faults:
        name = fault.key.rpartition(".")[2]
        if (fault.key, fault.found, fault.allowed) in before:
            continue
        key = f"{place}.{name}" if name in entry else place
        words = fault.allowed if name in entry else f"{fault.allowed} (of {fault.key}, with these keys)"
        c.faults.append(Fault(c.source.where(key), key, fault.found, words))


def _check_target(c: Collector) -> None:
    if c.has("target.tolerance") and c.source.value("target.moisture") is None:
        c.wrong("target.tolerance", "it needs target.moisture beside it")


def _check_schedule(c: Collector) -> None:
    if (
        "schedule" in c.source
        and reader.is_available(c.source)
        and reader.arrangement_of(c.source) != "batch"
    ):
        c.fault(
            "schedule", "a [schedule] table", 'it is of batch dryers: arrangement = "batch", or leave it out'
        )
    if c.has("schedule.dryers") and c.values["schedule.dryers"] % 1:
        c.wrong("schedule.dryers", "a whole number")


def _check_fan(c: Collector) -> None:
    typed = c.table("fan")
    for name, other in (("rated_flow", "rated_pressure"), ("rated_pressure", "rated_flow")):
        if name in typed and other not in typed:
            c.wrong(f"fan.{name}", f"it needs fan.{other} beside it")
    if "rated_pressure" in typed and "curve" in typed and "rated_flow" not in typed:
        c.wrong("fan.rated_pressure", "give the curve or the rated point")
    curve = c.values.get("fan.curve", ())
    if "efficiency" in typed and curve and len(curve[0]) == 3:
        c.wrong(
            "fan.efficiency",
            "the curve has efficiencies of its own: give it once",
        )
