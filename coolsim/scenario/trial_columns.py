"""The columns of a file of trials: what each holds and in which unit, and what an unknown one may have meant."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from coolsim.case.case import Case, Line
from coolsim.scenario import schema, units
from coolsim.scenario.reader import shown
from coolsim.scenario.readings import MEASURED, doubted_of, measured_key, readings_of
from coolsim.scenario.schema import Key
from coolsim.scenario.units import Dimension, Misread
from coolsim.simulate import line
from coolsim.support.errors import Fault

TEXTS = ("trial", "date", "note")  # columns that are kept or passed over
_HEADING = re.compile(r"(?P<key>[A-Za-z_.0-9]+)\s*(?P<within>±|\+-|\+/-)?\s*(?:\[(?P<unit>[^\]]*)\])?$")


@dataclass(frozen=True)
class Column:
    """What a column holds."""

    key: str  # "feed.moisture", "measured.temperature", "trial"
    within: bool  # whether it holds the ± of that
    unit: str

    @property
    def label(self) -> str:
        return f"{self.key} ±" if self.within else self.key


def column_of(heading: str, where: str, case: Case) -> tuple[Column | None, list[Fault]]:
    match = _HEADING.match(heading)
    if match is None:
        allowed = "needs a key and its unit, such as feed.moisture [%] or measured.moisture ± [%]"
        return None, [Fault(where, shown(heading)[1:-1] or "column", shown(heading), allowed)]
    key, within, unit = _at_exit(match["key"], case), bool(match["within"]), (match["unit"] or "").strip()
    name = shown(key)[1:-1]
    if key in TEXTS and not within:
        return Column(key, False, ""), []
    definition = definition_of(key, case)
    if definition is None:
        if reading_of(key) in readings_of(case) and _of_exhaust(key):
            return None, [Fault(where, name, "a reading of a dryer's exhaust", NO_EXHAUST)]
        return None, [Fault(where, name, "an unknown column", _meant(key, case))]
    if within and not reading_of(key) and key not in doubted_of(case):
        allowed = f"a ± is taken for measured columns and for {', '.join(doubted_of(case))}"
        return None, [Fault(where, name, shown(heading), allowed)]
    try:
        _check_unit(unit, spread_of(definition) if within else definition)
    except Misread as error:
        return None, [Fault(where, name, shown(heading), f"its unit goes in brackets: needs {error}")]
    return Column(key, within, unit), []


NO_EXHAUST = (
    "it changes all the time a dryer runs: trials of dryers take the pellets' moisture and temperature"
)


def reading_of(key: str) -> str:
    """The reading that a column is of; empty where it is of something else."""
    place, _, rest = key.rpartition("measured.")
    return place + rest if rest != key and place.partition(".")[0] in ("", "stage") else ""


def _of_exhaust(key: str) -> bool:
    return key.rpartition(".")[2] in tuple(MEASURED)[2:]


def _at_exit(key: str, case: Case) -> str:
    """The key of a reading behind the last stage of a line is that of the line."""
    last = f"stage.{len(case.cooler.stages)}.measured." if isinstance(case.cooler, Line) else "\0"
    return key.removeprefix(last[:-9]) if key.startswith(last) else key


def _cools(case: Case) -> bool:
    return case.cooler.arrangement == "counter-flow"


def _alone(case: Case, place: str) -> Case | None:
    """The machine at a place of a line ("" for what leaves it: its last), or the machine itself."""
    if not isinstance(case.cooler, Line):
        return None if place else case
    k = int(place.rpartition(".")[2]) if place else len(case.cooler.stages)
    return line.by_itself(case, case, k - 1) if 1 <= k <= len(case.cooler.stages) else None


def definition_of(key: str, case: Case) -> Key | None:
    """The key of a column: something measured, or a number of feed, air, machine, fan speed or false air."""
    if reading_of(key):
        name, machine = reading_of(key).rpartition(".")[2], _alone(case, reading_of(key).rpartition(".")[0])
        if name not in MEASURED or machine is None or not (_cools(machine) or not _of_exhaust(key)):
            return None
        return MEASURED[name].key
    place, base = schema.base_of(key)
    machine, table, name = _alone(case, place), base.rpartition(".")[0], base.rpartition(".")[2]
    if machine is None or (isinstance(case.cooler, Line) and bool(place) == (table in ("feed", "air"))):
        return schema.find(key) if machine is not None and base == "stage.stand_by" else None
    if _cools(machine) and base in ("fan.speed", "duct.leakage"):
        return schema.find(base)
    zones = {f"cooler.zone.{k}" for k in range(1, len(getattr(machine.cooler, "zones", ())) + 1)}
    if table not in {"feed", "air", "cooler"} | zones:
        return schema.find(key) if base == "stage.stand_by" else None
    if table == "cooler" and name not in schema.ARRANGEMENTS[machine.cooler.arrangement]:
        return None
    found = schema.find(base)
    return found if found is not None and found.kind in ("quantity", "air ratio") else None


def _known(case: Case) -> list[str]:
    """Every column that trials of a case may have, but for those of zones."""
    places = [""]
    if isinstance(case.cooler, Line):
        places += [f"stage.{k}" for k in range(1, len(case.cooler.stages) + 1)]
    keys = [schema.in_stage(place, f"{t}.{n}") for place in places for t, n, _ in schema.walk()]
    readings = [measured_key(reading) for reading in readings_of(case)]
    return [key for key in (*readings, *keys) if definition_of(key, case) is not None]


def _meant(key: str, case: Case) -> str:
    known = _known(case)
    near = difflib.get_close_matches(key[:60], known, 1, 0.55)
    homes = [k for k in known if k.rpartition(".")[2] == key]
    guess = homes[0] if len(homes) == 1 else near[0] if near else ""
    if guess:
        return f"did you mean {guess}?"
    readings, texts = ", ".join(k for k in known if reading_of(k)), ", ".join(TEXTS)
    machine = "of a stage, such as stage.1.airflow" if isinstance(case.cooler, Line) else "[cooler]"
    return f"a column is a key of [feed], [air] or {machine}, {readings}, or {texts}"


def _check_unit(unit: str, key: Key) -> None:
    """Raise Misread where a column's unit does not measure what it should."""
    assert key.dimension is not None
    try:
        units.convert(1.0, unit, key.dimension)
    except Misread:
        if key.second is None:
            raise
        units.convert(1.0, unit, key.second)


def spread_of(key: Key) -> Key:
    """The key of a ±: never a temperature but a difference of two."""
    dimension: Dimension | None = key.dimension
    if dimension is units.TEMPERATURE:
        dimension = units.DIFFERENCE
    return Key("quantity", "", "", dimension)


def missing(columns: Sequence[Column | None], where: str) -> list[Fault]:
    labels = [c.label for c in columns if c is not None]
    faults = [
        Fault(where, label, "two columns of this name", "needs one")
        for label in dict.fromkeys(label for label in labels if labels.count(label) > 1)
    ]
    if None in columns:  # an unknown column may be the one that is missing
        return faults
    if not any(label.endswith(("measured.moisture", "measured.temperature")) for label in labels):
        allowed = (
            "needs what was measured at the exit: measured.moisture [%], measured.temperature [degC] or both"
        )
        faults.append(Fault(where, "measured", "no such column", allowed))
    for label in labels:
        if label.endswith(" ±") and reading_of(label) and label[:-2] not in labels:
            faults.append(Fault(where, label, "no column of the reading itself", f"needs {label[:-2]} too"))
    return faults
