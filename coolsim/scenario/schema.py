"""The tables of a scenario with their keys, once: reading, faults, `coolsim new` and the echo follow them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from coolsim.scenario.keys.air import AIR, AIR_HUMIDITIES, WEATHER, WEATHER_UNITS
from coolsim.scenario.keys.around_the_machine import (
    BAG,
    COATING,
    CONDITIONING,
    DIE,
    EQUIPMENT,
    INGREDIENT,
    RECIPE,
    WAY,
)
from coolsim.scenario.keys.base import Group, Key, Table
from coolsim.scenario.keys.feed import COMPOSITION, DIFFUSIVITY, FEED, MATERIAL, SORPTION, SORPTION_POINT
from coolsim.scenario.keys.machine import COOLER, DRYER, DUCT, FAN, STAGE, WITHIN_STAGE, ZONE
from coolsim.scenario.keys.wishes import COSTS, DESIGN_WEATHER, LIMITS, NAME, SCHEDULE, SHIFT, SIZING, TARGET

TABLES: Mapping[str, Table] = {
    "feed": Table("wet pellets as they reach the cooler", FEED, required=True),
    "air": Table("the air outside", AIR, required=True),
    "cooler": Table("the cooler or dryer and its settings", COOLER | DRYER, required=True),
    "cooler.zone": Table("a zone of a belt, in the order in which pellets meet them", ZONE, listed=True),
    "schedule": Table("batch after batch: does a batch dryer keep up?", SCHEDULE),
    "shift": Table("how long the line runs: for what settings save in a year", SHIFT),
    "stage": Table("a machine of a line, with the keys of [cooler]", STAGE, listed=True, varies="cooler"),
    "material": Table('only with feed.material = "custom"', MATERIAL),
    "material.sorption": Table("how the pellets hold water", SORPTION),
    "material.sorption.point": Table(
        "a measured point, four or more of them in place of equation and constants",
        SORPTION_POINT,
        listed=True,
    ),
    "material.composition": Table("of the dry solid; its fat counts in the isotherm", COMPOSITION),
    "material.diffusivity": Table("how fast water moves inside them", DIFFUSIVITY),
    "target": Table("what is wanted", TARGET),
    "limits": Table("what the machine allows; pairs are [lowest, highest]", LIMITS),
    "costs": Table("what it costs, in one currency (any three letters, or none)", COSTS),
    "fan": Table("the fan", FAN),
    "duct": Table("between bed and fan", DUCT),
    "sizing": Table("a cooler to buy: what `coolsim size` asks beside target, limits and duct", SIZING),
    "sizing.product": Table(
        "a product the cooler must serve: keys of [feed] that differ", NAME, listed=True, varies="feed"
    ),
    "sizing.weather": Table(
        "air it must serve it in: keys of [air] that differ", DESIGN_WEATHER, listed=True, varies="air"
    ),
    "weather": Table("the air outside, hour by hour", WEATHER),
    "card": Table("the card that `coolsim card` makes without a weather file", {}),
    "card.weather": Table(
        "a weather of the season, a row of the card: keys of [air] that differ",
        NAME,
        listed=True,
        varies="air",
    ),
    "recipe": Table("the mash: gives feed.moisture and feed.temperature with what follows", RECIPE),
    "recipe.ingredient": Table("what it is mixed from", INGREDIENT, listed=True),
    "conditioning": Table("steam and water into the mash", CONDITIONING),
    "die": Table("press or extruder", DIE),
    "way": Table("from the die to the cooler", WAY),
    "coating": Table("put on the pellets that leave: [target] is of them coated", COATING),
    "bag": Table("may they be bagged and stored?", BAG),
    "equipment": Table("a machine of the line, in order: what `coolsim plan` asks", EQUIPMENT, listed=True),
    "weather.units": Table("units of a csv's columns", WEATHER_UNITS),
}

# What to say of keys that were there once.
MOVED: Mapping[str, str] = {
    "schedule.cooling": "cooling_time in [cooler], which is predicted and counts here"
}

TITLE = Key("text", "what this scenario is about", '"My cooler"')

GROUPS = (
    Group(("feed.moisture", "feed.moisture_dry_basis")),
    Group(tuple(f"air.{name}" for name in AIR_HUMIDITIES)),
    Group(("air.altitude", "air.pressure"), required=False),
    Group(("cooler.bed_depth", "cooler.residence_time"), arrangement="counter-flow"),
    Group(("cooler.airflow", "cooler.air_ratio", "fan.speed"), arrangement="counter-flow"),
    Group(("cooler.bed_depth", "cooler.batch_mass"), arrangement="batch"),
    Group(("cooler.airflow",), arrangement="batch"),
    Group(("cooler.bed_depth",), arrangement="belt"),
    Group(("limits.airflow", "limits.fan_speed"), required=False),
    Group(("limits.bed_depth", "limits.residence_time", "limits.batch_mass"), required=False),
    Group(("fan.curve", "fan.rated_flow"), required=False),
    Group(("sizing.above_least", "sizing.floor_area"), required=False),
)


# What follows from other tables, where these are given: (key, table it needs).
FOLLOWS: Mapping[str, str] = {
    "feed.moisture": "recipe.ingredient",
    "feed.moisture_dry_basis": "recipe.ingredient",
    "feed.temperature": "recipe.ingredient",
    "feed.throughput": "equipment",
}


def constants(equation: str) -> tuple[str, ...]:
    """Return the names of a sorption equation's constants ((), if there is no such equation)."""
    from coolsim.physics.sorption import EQUATIONS

    return tuple(EQUATIONS[equation].constants) if equation in EQUATIONS else ()


def walk() -> Iterator[tuple[str, str, Key]]:
    """Yield (table, name, key) of every key of every table, in order."""
    for table, content in TABLES.items():
        for name, key in content.keys.items():
            yield table, name, key


def find(dotted: str) -> Key | None:
    """Return the key called "table.name", or None; sorption constants are bare numbers."""
    dotted = base_of(dotted)[1]
    table, _, name = dotted.rpartition(".")
    if dotted == "title":
        return TITLE
    if table == "material.sorption" and name not in (*SORPTION, "point"):
        return constant(name)
    listed, _, number = table.rpartition(".")
    if number.isdecimal() and listed in TABLES and TABLES[listed].listed:  # "sizing.product.2.moisture"
        return keys_of_entries(listed).get(name)
    return TABLES[table].keys.get(name) if table in TABLES else None


_IN_STAGE = re.compile(r"(stage\.[0-9]+)\.(.+)")


def base_of(dotted: str) -> tuple[str, str]:
    """Return the stage that a key is in ("" for none), and the key as a scenario of that machine alone has it.

    >>> base_of("stage.2.fan.speed"), base_of("stage.2.airflow"), base_of("feed.moisture")
    (('stage.2', 'fan.speed'), ('stage.2', 'cooler.airflow'), ('', 'feed.moisture'))
    """
    found = _IN_STAGE.fullmatch(dotted)
    if found is None:
        return "", dotted
    place, rest = found.groups()
    if rest in STAGE:
        return place, f"stage.{rest}"
    return place, rest if rest.partition(".")[0] in WITHIN_STAGE else f"cooler.{rest}"


def in_stage(place: str, base: str) -> str:
    """Return the key of a machine alone as the stage `place` of a line has it: the other way round."""
    return f"{place}.{base.removeprefix('cooler.')}" if place else base


def keys_of_entries(listed: str) -> Mapping[str, Key]:
    """Return the keys that the tables of a [[list of tables]] may hold, those of the table that they vary too."""
    varied = TABLES[listed].varies
    return {**(TABLES[varied].keys if varied else {}), **TABLES[listed].keys}


def constant(name: str) -> Key:
    """Return the key of a sorption constant; which ones there are depends on the equation."""
    return Key("number", f"constant {name}", "0", low="-1e9", high="1e9")
