"""Commented scenarios to edit, one for each kind of machine, from the schema: what `coolsim new` writes.

A key stands with its example and its meaning; what is optional, or says the same as another key, stands behind a #.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from coolsim.case.quantities import LIMITED
from coolsim.scenario.keys.base import Key
from coolsim.scenario.keys.machine import ARRANGEMENTS
from coolsim.scenario.schema import GROUPS, TABLES, TITLE

HEAD = (
    "# A coolsim scenario. Every quantity carries its unit in quotes; any usual unit of the right dimension",
    "# will do. Lines that start with # are optional: remove the # to use them.",
)
# of ASABE D245, shelled corn, modified Oswin: an example that anyone can check
CONSTANTS = ("A = 15.303", "B = -0.10184", "C = 3.0358")

AROUND = (  # that mean nothing without a whole line
    *("feed.sampled_at", "target.no_sweating", "shift.breaks", "shift.dryers_stop"),
    *("limits.conditioning_water", "limits.conditioning_temperature"),
)


@dataclass(frozen=True)
class Block:
    """A table of a template."""

    table: str  # of the schema
    header: str = ""  # as it stands in the file, where that is not the table's name
    arrangement: str = "counter-flow"  # whose keys a machine has
    examples: Mapping[str, str] | None = None  # by key, where the schema's do not suit
    shown: frozenset[str] = frozenset()  # optional keys that stand without a #
    hidden: frozenset[str] = frozenset()  # keys that mean nothing here
    behind: frozenset[str] = frozenset()  # needed keys that stand behind a #: they follow from other tables
    around: bool = False  # whether the keys of AROUND stand in it
    optional: bool | None = None  # whether the whole table stands behind a #; None: as the schema says


Surroundings: TypeAlias = Callable[[str, str, tuple[Block, ...]], tuple[str, tuple[Block, ...]]]


def template(arrangement: str = "counter-flow", around: Surroundings | None = None) -> str:
    """Return a commented scenario that runs, with every key that a machine of this arrangement has.

    around: puts tables before and behind those of the machine, given the arrangement, the title and the blocks.
    """
    title, blocks = TEMPLATES[arrangement]
    if around is not None:
        title, blocks = around(arrangement, title, blocks)
    lines = [*HEAD, "", f"title = {title}"]
    for block in blocks:
        lines += ["", *_block(block, _called(arrangement))]
    return "\n".join(lines) + "\n"


def _called(arrangement: str) -> str:
    return {"counter-flow": "cooler", "line": "line"}.get(arrangement, "dryer")


def _block(block: Block, machine: str) -> Iterator[str]:
    table = TABLES[block.table]
    behind = not table.required if block.optional is None else block.optional
    off = "# " if behind else ""
    header = block.header or (f"[[{block.table}]]" if table.listed else f"[{block.table}]")
    yield f"{off}{header}".ljust(40) + f"# {_of_machine(table.meaning, machine)}"
    for name, key in _keys(block):
        only_of_lines = f"{block.table}.{name}" in AROUND and not block.around
        if name not in block.hidden and not only_of_lines:
            yield _line(block, name, key, off, machine)
    if block.table == "material.sorption":
        yield from (f"# {constant}" for constant in CONSTANTS)


def _keys(block: Block) -> Iterator[tuple[str, Key]]:
    """The keys of a table, of a machine those of its arrangement, of a stage its own before."""
    if block.table == "stage":
        yield from TABLES["stage"].keys.items()
    machine = block.table in ("cooler", "stage")
    for name, key in TABLES["cooler" if machine else block.table].keys.items():
        if not machine or name in ARRANGEMENTS[block.arrangement]:
            yield name, key


def _line(block: Block, name: str, key: Key, off: str, machine: str) -> str:
    base = f"{'cooler' if block.table == 'stage' else block.table}.{name}"
    rivals: tuple[str, ...] = next(
        (g.members for g in GROUPS if base in g.members and g.arrangement in ("", block.arrangement)), ()
    )
    optional = not key.required and key.default is None and (not rivals or base != rivals[0])
    optional = optional or name in block.behind
    example, meaning = (block.examples or {}).get(name, key.example), key.meaning
    if name == "arrangement":
        example, meaning = f'"{block.arrangement}"', ARRANGED[block.arrangement]
    line = f"{off or ('# ' if optional and name not in block.shown else '')}{name} = {example}"
    return f"{line.ljust(38)}  # {_of_machine(meaning, machine)}"


def _of_machine(meaning: str, machine: str) -> str:
    """A meaning of the schema, which speaks of coolers, in a template of another machine."""
    return re.sub(r"\b(a|the) cooler\b(?! or)", rf"\1 {machine}", meaning)


ARRANGED = {
    "counter-flow": TABLES["cooler"].keys["arrangement"].meaning,
    "batch": "the bed lies still while air is blown through it (or belt, counter-flow)",
    "belt": "the bed rides on a belt through zones of air (or batch, counter-flow)",
}
_MATERIAL = tuple(
    Block(name, optional=True)
    for name in (
        "material",
        "material.composition",
        "material.sorption",
        "material.sorption.point",
        "material.diffusivity",
    )
)
_SIZING = ("sizing", "sizing.product", "sizing.weather")
_WEATHER = (Block("weather"), Block("weather.units"))
_SPEED = frozenset({"curve", "rated_flow", "rated_pressure", "curve_density", "position", "speed"})
_FAN = Block("fan", hidden=_SPEED)  # of a dryer's only the efficiencies count
_WET = {
    "material": '"floating-fish-feed"', "diameter": '"4 mm"', "length": '"5 mm"', "temperature": '"75 degC"',
    "moisture": '"24 %"', "moisture_dry_basis": '"31.6 %"', "bulk_density": '"420 kg/m3"',
}  # fmt: skip
_HEAVY = _WET | {
    "material": '"sinking-fish-feed"', "throughput": '"1900 kg/h"', "temperature": '"85 degC"',
    "moisture": '"22 %"', "moisture_dry_basis": '"28.2 %"', "bulk_density": '"560 kg/m3"',
}  # fmt: skip
_DRYERS_KEEP = frozenset(q.key for q, _ in LIMITED if q.only_of == "dryers")
_TARGET = Block("target", examples={"moisture": '"10 %"', "maximum_above_ambient": '"8 K"'})
_OF_COOLED = dataclasses.replace(_TARGET, hidden=_DRYERS_KEEP)
_OF_BATCHES = frozenset(
    {"duration", "recirculation", "batch_mass", "cooling_time", "reverse_every", "mixing"}
)
_OF_DRYERS = _OF_BATCHES | _DRYERS_KEEP
_OF_COOLERS, _OF_LINES = frozenset({"air_ratio", "freeboard"}), frozenset({"stage"})


def _sizing(depths: str, floor: str) -> tuple[Block, ...]:
    return (
        Block("sizing", examples={"bed_depth": depths, "floor_area": floor}, hidden=_OF_COOLERS | _OF_LINES),
        *(Block(name) for name in _SIZING[1:]),
    )


def _zone(header: str, air: str, way: str, temperature: str = "", length: str = "4 m") -> Block:
    """A zone, heated with much of its air in a circle, or with outside air as it comes."""
    unheated = frozenset(() if temperature else {"recirculation"})
    keys = {"length": length, "airflow": air, "air_direction": way, "recirculation": "75 %"}
    keys |= {"inlet_air_temperature": temperature} if temperature else {}
    examples = {name: f'"{text}"' for name, text in keys.items()}
    shown = frozenset({"inlet_air_temperature"} if temperature else ())
    return Block("cooler.zone", header, examples=examples, shown=shown, hidden=unheated, optional=False)


_UNEVEN = frozenset({"depth_deviation", "speed_deviation"})  # a judged value: no bed is even
_LEVELLED = frozenset({"depth_deviation"})  # a belt carries all pellets alike
_BATCH = {
    "floor_area": '"8 m2"', "bed_depth": '"7 cm"', "batch_mass": '"250 kg"', "duration": '"32 min"',
    "airflow": '"12000 m3/h"', "inlet_air_temperature": '"56 degC"', "heater_power": '"90 kW"',
    "recirculation": '"80 %"', "reverse_every": '"15 min"', "shrinkage": '"60 %"', "cooling_time": '"5 min"',
    "depth_deviation": '"5 %"',
}  # fmt: skip
_ON = frozenset({"inlet_air_temperature", "reverse_every"})
_BELT = {"belt_width": '"2 m"', "bed_depth": '"8 cm"', "shrinkage": '"0 %"', "depth_deviation": '"5 %"'}
_BELT_LIMITS = Block(
    "limits",
    examples={
        "airflow": '["9000 m3/h", "24000 m3/h"]', "bed_depth": '["5 cm", "14 cm"]',
        "residence_time": '["8 min", "30 min"]', "inlet_air_temperature": '["65 degC", "105 degC"]',
        "maximum_pellet_temperature": '"95 degC"', "maximum_bed_pressure_drop": '"800 Pa"',
    },
    hidden=_OF_BATCHES | {"fan_speed"},
)  # fmt: skip
_FIRST = Block(
    "stage",
    arrangement="belt",
    examples=_BELT | {"name": '"dryer"'},
    shown=_LEVELLED,
    hidden=frozenset({"stand_by"}),
    optional=False,
)
_SECOND = Block(
    "stage",
    examples={
        "name": '"cooler"',
        "stand_by": '"15 min"',
        "floor_area": '"1.1 m2"',
        "bed_depth": '"0.5 m"',
        "airflow": '"2600 m3/h"',
    },
    shown=_UNEVEN | {"stand_by"},
    optional=False,
)
TEMPLATES: Mapping[str, tuple[str, tuple[Block, ...]]] = {
    "counter-flow": (
        TITLE.example,
        (
            Block("feed"), Block("air"), Block("cooler", shown=_UNEVEN), *_MATERIAL, Block("target"),
            Block("limits", hidden=_OF_DRYERS),
            Block("costs"), Block("fan"), Block("duct"), Block("sizing", hidden=_OF_LINES),
            *(Block(name) for name in _SIZING[1:]), *_WEATHER,
        ),
    ),
    "batch": (
        '"My batch dryer"',
        (
            Block("feed", examples=_WET | {"throughput": '"300 kg/h"'}),
            Block("air"),
            Block("cooler", arrangement="batch", examples=_BATCH, shown=_ON | _UNEVEN),
            Block("schedule", examples={"filling": '"4 min"', "emptying": '"3 min"', "dryers": "1"}),
            *_MATERIAL,
            _TARGET,
            Block(
                "limits",
                examples={
                    "airflow": '["6000 m3/h", "14000 m3/h"]', "inlet_air_temperature": '["45 degC", "70 degC"]',
                    "duration": '["15 min", "45 min"]', "recirculation": '["0 %", "85 %"]',
                    "maximum_bed_pressure_drop": '"800 Pa"',
                },
                hidden=frozenset({"fan_speed", "bed_depth", "batch_mass", "residence_time"}),
            ),
            Block("costs"), _FAN, *_sizing('["4 cm", "15 cm"]', '"8 m2"'), *_WEATHER,
        ),
    ),
    "belt": (
        '"My belt dryer"',
        (
            Block("feed", examples=_WET | {"throughput": '"1250 kg/h"', "temperature": '"80 degC"'}),
            Block("air"),
            Block("cooler", arrangement="belt", examples=_BELT, shown=_LEVELLED),
            _zone("[[cooler.zone]]", "8000 m3/h", "up", "76 degC"),
            _zone("[[cooler.zone]]", "8000 m3/h", "down", "66 degC"),
            _zone("[[cooler.zone]]", "3500 m3/h", "up", length="1 m"),
            *_MATERIAL, _TARGET, _BELT_LIMITS, Block("costs"), _FAN, *_sizing('["5 cm", "15 cm"]', '"18 m2"'),
            *_WEATHER,
        ),
    ),
    "line": (
        '"My line: a belt dryer, then a cooler"',
        (
            Block("feed", examples=_HEAVY),
            Block("air"),
            _FIRST,
            _zone("[[stage.zone]]", "8000 m3/h", "up", "85 degC"),
            _zone("[[stage.zone]]", "8000 m3/h", "down", "75 degC"),
            Block("limits", "[stage.limits]", examples=_BELT_LIMITS.examples, hidden=_BELT_LIMITS.hidden),
            _SECOND,
            Block("fan", "[stage.fan]"),
            Block("duct", "[stage.duct]"),
            Block(
                "limits",
                "[stage.limits]",
                examples={"airflow": '["1200 m3/h", "3200 m3/h"]'},
                hidden=_OF_DRYERS | {"inlet_air_temperature"},  # settings take five ranges at once
            ),
            *_MATERIAL, _OF_COOLED, Block("costs"), *(Block(name) for name in _SIZING),
        ),
    ),
}  # fmt: skip
