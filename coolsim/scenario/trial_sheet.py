"""What to write down of a trial: the columns that `coolsim fit` reads, in a reader's units, for a machine."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

from coolsim.case.case import Belt, Case, Cooler, Line
from coolsim.scenario import schema
from coolsim.scenario.trial_columns import definition_of, reading_of, spread_of

_FED = ("feed.moisture", "feed.temperature", "feed.throughput", "air.temperature", "air.relative_humidity")
_SET = ("airflow", "bed_depth", "inlet_air_temperature", "duration", "recirculation")  # of a machine
_MEASURED = ("measured.moisture", "measured.temperature")
ROWS = 3  # trials: as many settle what published numbers leave open


@dataclass(frozen=True)
class SheetColumn:
    """A column: its heading in the file, and what a person writes there."""

    heading: str
    label: str
    unit: str


def columns(case: Case, system: str = "si") -> tuple[SheetColumn, ...]:
    """The columns of a sheet of trials on the machine of a case; system: "si" or "us"."""
    found = [SheetColumn("trial", "trial", ""), SheetColumn("date", "date", "")]
    found += [_column(key, case, system) for key in (*_FED, *_of_machine(case), *_MEASURED)]
    within = spread_of(_definition("measured.moisture", case)).unit(system)
    found.insert(-1, SheetColumn(f"measured.moisture ± [{within}]", "± of that", within))
    return (*found, SheetColumn("note", "note", ""))


def template(case: Case, system: str = "si") -> str:
    """An empty file of trials, as CSV: the columns, and a row for each trial that it takes."""
    asked, text = columns(case, system), io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column.heading for column in asked])
    writer.writerows([[str(k), *[""] * (len(asked) - 1)] for k in range(1, ROWS + 1)])
    return text.getvalue()


def _of_machine(case: Case) -> Iterator[str]:
    """Keys of what is set on a machine, stage by stage on a line."""
    if isinstance(case.cooler, Line):
        for k, stage in enumerate(case.cooler.stages, 1):
            yield from (schema.in_stage(f"stage.{k}", f"cooler.{n}") for n in _keys(stage.cooler))
        return
    by_speed = isinstance(case.cooler, Cooler) and (case.fan.speed or case.limits.fan_speed) is not None
    keys = [f"cooler.{name}" for name in _keys(case.cooler)]
    if by_speed:  # what stands on the frequency converter: nobody reads an airflow there
        keys = ["fan.speed", *(key for key in keys if key != "cooler.airflow")]
    yield from keys


def _keys(machine: object) -> Iterator[str]:
    yield from (name for name in _SET if getattr(machine, name, None) is not None)
    if isinstance(machine, Belt):
        for k, zone in enumerate(machine.zones, 1):
            if zone.inlet_air_temperature is not None:
                yield f"zone.{k}.inlet_air_temperature"


def _definition(key: str, case: Case) -> schema.Key:
    found = definition_of(key, case)
    assert found is not None, key
    return found


def _column(key: str, case: Case, system: str) -> SheetColumn:
    unit = _definition(key, case).unit(system)
    label = f"exit {key.rpartition('.')[2]}" if reading_of(key) else key.removeprefix("cooler.")
    words = label.removeprefix("measured.").replace("_", " ").replace(".", " ")
    return SheetColumn(f"{key} [{unit}]", words, unit)
