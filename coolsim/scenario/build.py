"""SI values → `Case`: the state of the air, what is fed and the machine, and the checks of all other tables."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Set
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coolsim.case.case import Case
from coolsim.case.line_parts import Shift
from coolsim.case.streams import Air
from coolsim.case.tables import TABLES, DesignWeather, Product
from coolsim.physics import air
from coolsim.scenario import line_parts, reader, schema, stages
from coolsim.scenario.change import variants, varied_tables
from coolsim.scenario.feed import as_fed, feed_of, feed_values, material_of
from coolsim.scenario.keys.air import AIR_HUMIDITIES
from coolsim.scenario.machine import machine_from_keys
from coolsim.scenario.reader import Collector, shown
from coolsim.scenario.source import Source
from coolsim.scenario.validation import faults_of
from coolsim.scenario.values import Price
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Number


def case_from(source: Source) -> Case:
    """Return the case that `source` describes; raises InputError with every fault found."""
    case = line_parts.with_throughput(source, _read) or _read(source)
    # the keys were right: so is what follows from them, or it is said as of a case that was made in Python
    faults = [dataclasses.replace(f, where=source.where(f.key)) for f in faults_of(case)]
    if faults:
        raise InputError(faults)
    return case


def _read(source: Source) -> Case:
    return stages.line_from(source, _one_machine) if "stage" in source else _one_machine(source)


def _one_machine(source: Source) -> Case:
    collector = reader.read(source)
    outside = _air(collector)
    material = material_of(collector)
    tables = _tables(collector)
    values = feed_values(collector, material)
    arrival = line_parts.arrival_of(collector, outside, material, values, tables)
    values, arrival = line_parts.arrived(arrival, values)
    if (
        reader.follows(source, line_parts.THROUGHPUT)
        and values["throughput"] is None
        and not collector.faults
    ):
        raise InputError([line_parts.no_throughput(source)])
    feed = feed_of(values)
    cooler = machine_from_keys(collector, feed)
    equipment = line_parts.equipment_of(collector)
    if collector.faults:
        raise InputError(collector.in_order())
    assert outside is not None and material is not None and feed is not None and cooler is not None
    title = collector.values.get("title") or Path(source.name).stem
    known_to = MappingProxyType(collector.plus_minus)
    material = as_fed(material, feed, source)
    more: dict[str, Any] = {
        "equipment": equipment,
        "arrival": arrival,
        "source": source,
        "plus_minus": known_to,
    }
    return Case(title, material, feed, outside, cooler, **tables, **more)


# -- air


def _air(c: Collector) -> Air | None:
    if not c.has("air.temperature"):
        return None
    T = c.values["air.temperature"]
    p = c.values.get("air.pressure")
    if p is None and c.has("air.altitude"):
        p = float(air.standard_pressure(c.values["air.altitude"]))
    given = [name for name in AIR_HUMIDITIES if c.has(f"air.{name}")]
    if p is None or len(given) != 1:
        return None
    humidity = _relative_humidity(c, given[0], T, p)
    return None if humidity is None else Air(temperature=T, relative_humidity=humidity, pressure=p)


def _relative_humidity(c: Collector, name: str, T: float, p: float) -> float | None:
    """Return the relative humidity (over ice below 0 °C, as weather services give it)."""
    key = f"air.{name}"
    value, dry_bulb = c.values[key], reader.text_of("air.temperature", T)
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
        c.wrong(key, f"more than air at {dry_bulb} can hold ({100 * humidity:.0f} % relative humidity)")
        return None
    return min(humidity, 1.0)


def humidity_ratio(name: str, value: Number, T: Number, p: Number) -> Number:
    """Return the humidity ratio that a wet bulb, a dew point or a humidity ratio means at T [°C] and p [Pa]."""
    if name == "wet_bulb":
        return air.humidity_ratio_from_wet_bulb(T, value, p)
    return air.humidity_ratio_from_dew_point(value, p) if name == "dew_point" else value


# -- the other tables


def _tables(c: Collector) -> dict[str, Any]:
    """Return the tables that were typed, by name: questions to come read them."""
    _check_target(c)
    _check_fan(c)
    _check_schedule(c)
    _check_shift(c)
    typed = {name: _typed(c, name) for name in TABLES if isinstance(c.source.value(name), Mapping)}
    more: dict[str, Callable[[Collector, dict[str, Any]], dict[str, Any]]]
    more = {
        "costs": _costs,
        "sizing": _sizing,
        "weather": _weather,
        "card": _card,
        "recipe": line_parts.recipe_of,
    }
    found = {name: values | (more[name](c, values) if name in more else {}) for name, values in typed.items()}
    return {name: TABLES[name](**values) for name, values in found.items()}


def _typed(c: Collector, table: str) -> dict[str, Any]:
    """Return the keys of a table that were typed, or have a default."""
    return {key: c.values[f"{table}.{key}"] for key in schema.TABLES[table].keys if c.has(f"{table}.{key}")}


def _weather(c: Collector, typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return where the weather file is, and the units of its columns."""
    found: dict[str, Any] = {"units": MappingProxyType(_typed(c, "weather.units"))}
    if "file" in typed:
        found["file"] = str(Path(c.source.folder) / typed["file"])
    return found


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


def _sizing(c: Collector, _typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return what [sizing] lists, and its range of depths within that of [limits]."""
    if c.has("sizing.stage"):
        c.wrong("sizing.stage", "it names a stage of a line: this machine stands alone, leave it out")
    products: list[Product] = []
    weathers: list[DesignWeather] = []
    before = {(f.key, f.found, f.allowed) for f in c.faults}
    for number, varied in _varied(c, "sizing.product"):
        material = material_of(varied)
        feed = feed_of(feed_values(varied, material))
        _keep_faults(c, varied, f"sizing.product.{number}", before)
        if material is not None and feed is not None:
            name = c.values.get(f"sizing.product.{number}.name", "")
            products.append(Product(name, as_fed(material, feed, varied.source), feed))
    for number, varied in _varied(c, "sizing.weather"):
        place = f"sizing.weather.{number}"
        air_, name = _air(varied), c.values.get(f"{place}.name", "")
        _keep_faults(c, varied, place, before)
        if "percentile" in c.source.value(place):
            _check_percentile(c, place)
            weathers.append(DesignWeather(name, None, c.values.get(f"{place}.percentile")))
        elif air_ is not None:
            weathers.append(DesignWeather(name, air_))
    found: dict[str, Any] = {"product": tuple(products), "weather": tuple(weathers)}
    if c.has("sizing.bed_depth", "limits.bed_depth"):
        (low, high), (least, most) = c.values["sizing.bed_depth"], c.values["limits.bed_depth"]
        if c.source.value("sizing.bed_depth") is None:
            low, high = least, most
        elif max(low, least) > min(high, most):
            c.wrong("sizing.bed_depth", "no depth is in this range and in that of limits.bed_depth")
        found["bed_depth"] = (max(low, least), min(high, most))
    return found


def _card(c: Collector, _typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return the weathers that [[card.weather]] lists."""
    weathers, before = [], {(f.key, f.found, f.allowed) for f in c.faults}
    for number, varied in _varied(c, "card.weather"):
        air_ = _air(varied)
        _keep_faults(c, varied, f"card.weather.{number}", before)
        if air_ is not None:
            weathers.append(DesignWeather(c.values.get(f"card.weather.{number}.name", ""), air_))
    return {"weather": tuple(weathers)}


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
        yield int(place.rpartition(".")[2]), reader.read_part(source, varied_tables(name))


def _keep_faults(c: Collector, varied: Collector, place: str, before: Set[tuple[str, str, str]]) -> None:
    """Keep the faults that came with a table of a list, under its own keys where they are its own."""
    entry = c.source.value(place)
    for fault in varied.faults:
        name = fault.key.rpartition(".")[2]
        if (fault.key, fault.found, fault.allowed) in before:
            continue
        key = f"{place}.{name}" if name in entry else place
        words = fault.allowed if name in entry else f"{fault.allowed} (of {fault.key}, with these keys)"
        c.faults.append(Fault(c.source.where(key), key, fault.found, words))


def _check_target(c: Collector) -> None:
    if c.values.get("target.no_sweating") and c.source.value("bag") is None:
        c.wrong("target.no_sweating", 'it needs [bag] beside it, such as mass = "25 kg"')
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


def _check_shift(c: Collector) -> None:
    shift = Shift(hours=c.values.get("shift.hours"), breaks=c.values.get("shift.breaks", ()))
    if shift.late:
        assumed = " (assumed)" if c.source.value("shift.hours") is None else ""
        c.wrong(
            "shift.breaks", f"before the shift ends, which is after {shift.seconds / 3600:.4g} h{assumed}"
        )


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
