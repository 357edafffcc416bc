"""What `coolsim new --whole-line` puts around a machine: recipe, steam, die, way, coat, bag, machines in order.

Capacities are common practice, no source: examples to write over.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from coolsim.scenario.schema import TABLES
from coolsim.scenario.templates import Block

OPENED = {"conditioning_water": '["10 %", "20 %"]', "conditioning_temperature": '["60 degC", "85 degC"]'}
FOLLOW = frozenset({"throughput", "temperature", "moisture"})  # of [feed], from what is before it


def around(arrangement: str, title: str, blocks: tuple[Block, ...]) -> tuple[str, tuple[Block, ...]]:
    """The title and blocks of a template with those of a whole line around its machine."""
    found: list[Block] = []
    for block in blocks:
        if block.table == "feed":
            found.append(dataclasses.replace(block, behind=FOLLOW, around=True))
        elif block.table == "air":
            found += [block, *_before(arrangement)]
        elif block.table == "target":
            found += [*_behind(arrangement), dataclasses.replace(block, around=True)]
            if arrangement == "line":  # its machines have limits of their own
                others = frozenset(TABLES["limits"].keys) - OPENED.keys()
                found.append(Block("limits", hidden=others, examples=OPENED, around=True))
        elif block.table == "limits" and not block.header:
            water = '["0 %", "3 %"]' if arrangement == "counter-flow" else OPENED["conditioning_water"]
            examples = {**(block.examples or {}), **OPENED, "conditioning_water": water}
            found.append(dataclasses.replace(block, examples=examples, around=True))
        else:
            found.append(block)
    return title.rstrip('"') + ', from the mixer to the bag"', tuple(found)


def _ingredient(name: str, share: str, moisture: str, price: str) -> Block:
    keys = {"name": name, "share": share, "moisture": moisture, "price": price}
    examples = {key: f'"{text}"' for key, text in keys.items()}
    return Block("recipe.ingredient", examples=examples, optional=False)


def _before(arrangement: str) -> tuple[Block, ...]:
    """Mash, steam or water, die and way: pressed pellets are conditioned with steam, extruded ones wetted."""
    if arrangement == "counter-flow":
        shown = frozenset({"temperature"})
        steam = Block("conditioning", shown=shown, examples={"water": '"0 %"'}, optional=False)
        die = Block("die", optional=False)
    else:
        wet = {"temperature": '"85 degC"', "water": '"16 %"', "water_temperature": '"60 degC"'}
        steam = Block("conditioning", examples=wet, optional=False)
        die = Block(
            "die", examples={"specific_energy": '"60 kWh/t"', "heat_to_feed": '"60 %"'}, optional=False
        )
    return (
        Block("recipe", "[recipe]"),
        _ingredient("maize meal", "60 %", "12.5 %", "0.25 /kg"),
        _ingredient("soya meal", "40 %", "11 %", "0.42 /kg"),
        steam,
        die,
        Block("way", optional=False),
    )


# By arrangement: a mixer's batch and cycle, and what ran out of press or extruder in a minute.
_MIXER: Mapping[str, tuple[str, str, str]] = {
    "counter-flow": ("1000 kg", "9 min", "83 kg"),
    "batch": ("50 kg", "9 min", "4.8 kg"),
    "belt": ("250 kg", "9 min", "20 kg"),
    "line": ("500 kg", "12 min", "31 kg"),
}


def _behind(arrangement: str) -> tuple[Block, ...]:
    batch, cycle, caught = _MIXER[arrangement]
    press = "press" if arrangement == "counter-flow" else "extruder"
    own = "cooler" if arrangement == "counter-flow" else "dryer"  # what a machine alone is called
    stages = {"dryer": "dryer", "cooler": "cooler"} if arrangement == "line" else {own: "cooler"}
    return (
        Block("coating"),
        Block("bag", optional=False),
        _machine(name="mixer", batch=batch, cycle=cycle, power="7.5 kW"),
        _machine(name=press, catch=("60 s", caught), power="45 kW"),
        *(_machine(name=name, machine=machine) for name, machine in stages.items()),
        _machine(name="bagging scale", capacity="10 t/h", loss="0.5 %"),
        Block("shift", optional=False, shown=frozenset({"hours"}), around=True),
    )


def _machine(**keys: str | tuple[str, str]) -> Block:
    """An [[equipment]] with these keys and no others."""
    examples = {
        key: f'["{text[1]}", "{text[0]}"]' if isinstance(text, tuple) else f'"{text}"'
        for key, text in keys.items()
    }
    every = {"name", "machine", "capacity", "batch", "cycle", "catch", "power", "loss"}
    shown = frozenset(keys)
    return Block("equipment", examples=examples, shown=shown, hidden=frozenset(every - shown), optional=False)
