"""What is before and behind the cooler, from a scenario: recipe, how the feed arrives, the machines of the line."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any

from coolsim.case.case import Air, Arrival, Case, Equipment, FeedState, Ingredient, Limits, Material, Recipe
from coolsim.scenario import reader, schema, values
from coolsim.scenario.change import changed
from coolsim.scenario.reader import Collector, shown
from coolsim.scenario.source import Source
from coolsim.simulate import capacities, upstream
from coolsim.simulate.feed_following import off_at_die
from coolsim.support.errors import Fault, NotConverged

THROUGHPUT = "feed.throughput"
ANY = "100 kg/h"  # while what a batch dryer takes, which does not hang on it, is found


def recipe_of(c: Collector, typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return what [recipe] lists; its prices in the one currency of the file."""
    found = [dict(entry) for entry in _entries(c, "recipe.ingredient")]
    for number, entry in enumerate(found, 1):
        price = entry.pop("price", None)
        if price is not None:
            entry["price"] = price.value
            key = f"recipe.ingredient.{number}.price"
            others = [
                (k, v) for k, v in c.values.items() if k.startswith("costs.") and hasattr(v, "currency")
            ]
            for other, value in others:
                if value.currency and price.currency and value.currency != price.currency:
                    c.wrong(key, f"one currency in the file: {other} is in {value.currency}")
                    break
    if c.source.value("recipe.ingredient") is None:
        c.fault("recipe.ingredient", "nothing", "a recipe needs one [[recipe.ingredient]] or more")
    whole = [e for e in found if {"name", "share", "moisture"} <= e.keys()]
    return {"ingredient": tuple(Ingredient(**e) for e in whole)}


def equipment_of(c: Collector) -> tuple[Equipment, ...]:
    """Return the machines of the line in order."""
    return tuple(Equipment(**entry) for entry in _entries(c, "equipment") if "name" in entry)


def _entries(c: Collector, name: str) -> Iterator[dict[str, Any]]:
    """What was typed right in each table of a list."""
    typed = c.source.value(name)
    for number in range(1, 1 + (len(typed) if isinstance(typed, tuple) else 0)):
        keys = schema.TABLES[name].keys
        yield {key: c.values[f"{name}.{number}.{key}"] for key in keys if c.has(f"{name}.{number}.{key}")}


def arrival_of(
    c: Collector,
    outside: Air | None,
    material: Material | None,
    shape: dict[str, Any],
    tables: Mapping[str, Any],
) -> Arrival | None:
    """How the feed arrives, from the tables before the cooler; None where it is typed, or they are not right.

    shape: the numbers of the feed as far as they were typed.
    """
    recipe = tables.get("recipe", Recipe())
    steam, die, way = (tables.get(n, arriving_table()) for n, arriving_table in _BEFORE.items())
    if outside is not None:
        limits = tables.get("limits", Limits())
        for key, found, allowed in upstream.objections(recipe, steam, outside, material, limits):
            c.fault(key, found, allowed)
    at_die = c.values.get("feed.sampled_at") == "die"
    sampled = (shape["moisture"], shape["temperature"]) if at_die else (None, None)
    if at_die and not way and recipe.ingredient == ():
        c.wrong("feed.sampled_at", "it needs [way] beside it: what passes between die and cooler")
    if outside is None or material is None or c.faults or not (recipe.ingredient or None not in sampled):
        return None
    body = upstream.Shape(*(shape[f.name] for f in dataclasses.fields(upstream.Shape)))
    origin = upstream.Origin(material, body, outside, recipe, steam, die, way)
    mash = upstream.mash_of(recipe, outside)
    try:
        states = upstream.arrives(origin, mash, sampled)
    except NotConverged as error:
        c.fault("way", "numbers that cannot be computed", f"{error.reason}: check feed, [way] and [air]")
        return None
    if not _can_be(c, states[-1], shape):
        return None
    M, T = off_at_die(origin, mash, sampled)
    return Arrival(
        states,
        typed_moisture=sampled[0],
        typed_temperature=sampled[1],
        die_moisture_offset=M,
        die_temperature_offset=T,
        of=origin,
    )


def _can_be(c: Collector, fed: FeedState, typed: Mapping[str, Any]) -> bool:
    """Whether the feed as it is computed may be one; what was typed at the machine wins over it."""
    able = True
    at_die = c.values.get("feed.sampled_at") == "die"
    for name in ("moisture", "temperature"):
        key, value = f"feed.{name}", float(getattr(fed, name))
        definition = schema.find(key)
        assert definition is not None
        low, high = values.ends(definition)
        if low <= value <= high or (typed[name] is not None and not at_die):
            continue
        made = next(
            t for t in (*reversed(upstream.BEFORE), "feed") if c.source.value(t) is not None and t != "way"
        )
        allowed = f"a {name} of {definition.low} to {definition.high}: check what is before the machine"
        c.fault(made, f"{reader.text_of(key, value)} of the feed, as computed", allowed)
        able = False
    return able


_BEFORE = {name: kind for name, kind in upstream.BEFORE.items() if name != "recipe"}


def arrived(arrival: Arrival | None, values: dict[str, Any]) -> tuple[dict[str, Any], Arrival | None]:
    """The numbers of the feed, what was not typed as it arrives; and the arrival with offsets to what was."""
    if arrival is None:
        return values, None
    last, offsets = arrival.states[-1], dict[str, Any]()
    values = dict(values)
    for name, typed in (("moisture", arrival.typed_moisture), ("temperature", arrival.typed_temperature)):
        computed = float(getattr(last, name))
        if values[name] is None or typed is not None:
            values[name] = computed
        else:
            offsets[f"{name}_offset"] = values[name] - computed
    typed = tuple(name.removesuffix("_offset") for name in offsets)
    return values, dataclasses.replace(arrival, typed=typed, **offsets)


def with_throughput(source: Source, read: Any) -> Case | None:
    """The case whose throughput was left out, at its bottleneck's; None where it was typed, or nothing says it.

    `read` turns a scenario into a case. It is read twice: what a step can take may hang on what is read.
    """
    if source.value(THROUGHPUT) is not None or not reader.follows(source, THROUGHPUT):
        return None
    first = read(changed(source, {THROUGHPUT: ANY}, ""))
    found = capacities.bottleneck(first)
    if found is None:
        return None
    second = read(changed(source, {THROUGHPUT: f"{found!r} kg/s"}, ""))
    return dataclasses.replace(second, source=source)


def no_throughput(source: Source) -> Fault:
    """What to say where nothing says how much passes."""
    found = f"nothing, and no capacity in {shown(source.value('equipment'))}"
    allowed = "give it, or an [[equipment]] with capacity, catch or batch and cycle, or a batch dryer"
    return Fault(source.where("feed"), THROUGHPUT, found, allowed)
