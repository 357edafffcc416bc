"""Trials on a line: a CSV of what was set and what was measured, one row per trial.

A column is named by a key of the scenario or by what was measured, its unit in brackets:

    feed.moisture [%],measured.moisture [%],measured.moisture ± [%],measured.temperature [degC]

Of a line of machines what was set on one goes by its key (stage.1.airflow [m3/h]), and so does what was measured
behind it (stage.1.measured.moisture [%]); readings that name no stage are of what leaves the line.

Each row is the scenario with its cells put in, so every check of a scenario holds for it. An empty cell leaves the
scenario's own value, or a measurement out. Nineteen of twenty readings lie within their ±, two standard deviations.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from coolsim import line
from coolsim.case import Case, Line
from coolsim.errors import Fault, InputError
from coolsim.fields import Array, documented
from coolsim.scenario import schema, units
from coolsim.scenario.edit import replace
from coolsim.scenario.reader import shown
from coolsim.scenario.readings import (
    DOUBTED,
    MEASURED,
    WITHIN,
    doubted_of,
    impossible,
    measured_key,
    readings_of,
    usual,
)
from coolsim.scenario.schema import Key
from coolsim.scenario.units import Dimension, Misread
from coolsim.scenario.values import READERS
from coolsim.scenario.weather.columns import cells_of
from coolsim.scenario.weather.rows import MISSING, text_of

MOST = 10_000  # rows
TEXTS = ("trial", "date", "note")  # columns that are kept or passed over
_HEADING = re.compile(r"(?P<key>[A-Za-z_.0-9]+)\s*(?P<within>±|\+-|\+/-)?\s*(?:\[(?P<unit>[^\]]*)\])?$")


@dataclass(frozen=True)
class Trials:
    """What was set and what was measured; arrays (quantities, trials), nan where not."""

    name: str = documented("-", "the file, or what stands for it")
    labels: tuple[str, ...] = documented("-", "what each trial is called")
    cases: tuple[Case, ...] = documented("-", "the scenario as each trial set it")
    measured: Array = documented(
        "as measured", "moisture, temperature, exhaust temperature and humidity; of a line of each stage, too"
    )
    deviation: Array = documented("as measured", "standard deviation of each reading")
    doubt: Array = documented("SI", "standard deviation of what was set, (inputs, trials)")
    assumed: tuple[str, ...] = documented("-", "quantities whose ± was not stated in every row", default=())

    def __len__(self) -> int:
        return len(self.cases)

    @property
    def quantities(self) -> tuple[str, ...]:
        """What the rows of `measured` are of: names of MEASURED, of a line behind a stage by its number."""
        return readings_of(self.cases[0]) if self.cases else tuple(MEASURED)

    @property
    def inputs(self) -> tuple[str, ...]:
        """What the rows of `doubt` are of."""
        return doubted_of(self.cases[0]) if self.cases else DOUBTED

    def some(self, index: Any) -> Trials:
        """The trials of an index."""
        chosen = np.arange(len(self))[index]
        return Trials(
            self.name,
            tuple(self.labels[i] for i in chosen),
            tuple(self.cases[i] for i in chosen),
            self.measured[:, chosen],
            self.deviation[:, chosen],
            self.doubt[:, chosen],
            self.assumed,
        )


def trials_of(
    cases: Sequence[Case],
    measured: Mapping[str, Any],
    deviation: Mapping[str, Any] | None = None,
    *,
    doubt: Mapping[str, Any] | None = None,
    name: str = "trials",
) -> Trials:
    """Trials from Python: cases, and arrays (trials,) by name of MEASURED and of DOUBTED, in SI and °C.

    Of lines names may go by stage: "stage.1.moisture" behind the first, "stage.1.airflow" of what was set on it.

    deviation: standard deviations; those of usual instruments where left out. Raises ValueError for a name that is
    unknown, InputError for readings that cannot be.
    """
    deviation, doubt, count = deviation or {}, doubt or {}, len(cases)
    names, inputs = (
        of(cases[0]) if count else of_none
        for of, of_none in ((readings_of, tuple(MEASURED)), (doubted_of, DOUBTED))
    )
    unknown = [k for k in (*measured, *deviation) if k not in names] + [k for k in doubt if k not in inputs]
    if unknown:
        raise ValueError(f"nothing is called {', '.join(unknown)}; there are {', '.join((*names, *inputs))}")
    rows = [np.broadcast_to(np.asarray(measured.get(k, np.nan), float), count) for k in names]
    known = {k: usual(k).within / WITHIN for k in names}
    sd = [np.broadcast_to(np.asarray(deviation.get(k, known[k]), float), count) for k in names]
    unsure = [np.broadcast_to(np.asarray(doubt.get(k, 0.0), float), count) for k in inputs]
    labels = tuple(f"trial {i}" for i in range(1, count + 1))
    assumed = tuple(k for k in measured if k not in deviation)
    trials = Trials(name, labels, tuple(cases), np.array(rows), np.array(sd), np.array(unsure), assumed)
    faults = _impossible(trials, [""] * count)
    if faults:
        raise InputError(faults)
    return trials


def read_trials(case: Case, path: str | os.PathLike[str], option: str = "--trials") -> Trials:
    """Return the trials of a CSV file on the line of `case`; raises InputError with every fault found."""
    name = os.fspath(path)
    wanted = "name a CSV file of trials, such as one with the columns feed.moisture [%],measured.moisture [%]"
    text = text_of(Path(path), "", option, wanted)
    example = "feed.moisture [%],measured.moisture [%],measured.temperature [degC]"
    at, lines, names, rows, faults = cells_of(text, name, example)
    columns = []
    for heading in names:
        column, wrong = _column(heading, f"{name}:{at}", case)
        columns.append(column)
        faults = faults + wrong
    faults += _missing(columns, f"{name}:{at}")
    if len(lines) > MOST:
        faults.append(Fault(name, "rows", str(len(lines)), f"at most {MOST} trials"))
    if faults:
        raise InputError(faults)
    read = [_Row(f"{name}:{line}", columns, row, case) for line, row in zip(lines, rows)]
    cases = [row.case(case) for row in read]
    for row in read:
        faults += row.faults
    if faults:
        raise InputError(faults)
    trials = _gathered(name, lines, read, cases)
    faults = _impossible(trials, [row.where for row in read])
    if faults:
        raise InputError(faults)
    return trials


# -- columns


@dataclass(frozen=True)
class _Column:
    """What a column holds."""

    key: str  # "feed.moisture", "measured.temperature", "trial"
    within: bool  # whether it holds the ± of that
    unit: str

    @property
    def label(self) -> str:
        return f"{self.key} ±" if self.within else self.key


def _column(heading: str, where: str, case: Case) -> tuple[_Column | None, list[Fault]]:
    match = _HEADING.match(heading)
    if match is None:
        allowed = "needs a key and its unit, such as feed.moisture [%] or measured.moisture ± [%]"
        return None, [Fault(where, shown(heading)[1:-1] or "column", shown(heading), allowed)]
    key, within, unit = _at_exit(match["key"], case), bool(match["within"]), (match["unit"] or "").strip()
    if key in TEXTS and not within:
        return _Column(key, False, ""), []
    definition = _definition(key, case)
    if definition is None:
        if _reading(key) in readings_of(case) and _of_exhaust(key):
            return None, [Fault(where, key, "a reading of a dryer's exhaust", NO_EXHAUST)]
        return None, [Fault(where, key, "an unknown column", _meant(key, case))]
    if within and not _reading(key) and key not in doubted_of(case):
        allowed = f"a ± is taken for measured columns and for {', '.join(doubted_of(case))}"
        return None, [Fault(where, key, shown(heading), allowed)]
    try:
        _check_unit(unit, _spread_of(definition) if within else definition)
    except Misread as error:
        return None, [Fault(where, key, shown(heading), f"its unit goes in brackets: needs {error}")]
    return _Column(key, within, unit), []


NO_EXHAUST = (
    "it changes all the time a dryer runs: trials of dryers take the pellets' moisture and temperature"
)


def _reading(key: str) -> str:
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


def _definition(key: str, case: Case) -> Key | None:
    """The key of a column: something measured, or a number of feed, air, machine, fan speed or false air."""
    if _reading(key):
        name, machine = _reading(key).rpartition(".")[2], _alone(case, _reading(key).rpartition(".")[0])
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
    return [key for key in (*readings, *keys) if _definition(key, case) is not None]


def _meant(key: str, case: Case) -> str:
    known = _known(case)
    near = difflib.get_close_matches(key[:60], known, 1, 0.55)
    homes = [k for k in known if k.rpartition(".")[2] == key]
    guess = homes[0] if len(homes) == 1 else near[0] if near else ""
    if guess:
        return f"did you mean {guess}?"
    readings, texts = ", ".join(k for k in known if _reading(k)), ", ".join(TEXTS)
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


def _spread_of(key: Key) -> Key:
    """The key of a ±: never a temperature but a difference of two."""
    dimension: Dimension | None = key.dimension
    if dimension is units.TEMPERATURE:
        dimension = units.DIFFERENCE
    return Key("quantity", "", "", dimension)


def _missing(columns: Sequence[_Column | None], where: str) -> list[Fault]:
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
        if label.endswith(" ±") and _reading(label) and label[:-2] not in labels:
            faults.append(Fault(where, label, "no column of the reading itself", f"needs {label[:-2]} too"))
    return faults


# -- rows


class _Row:
    """The cells of one trial; `faults` fills as they are read."""

    def __init__(self, where: str, columns: Sequence[_Column | None], cells: Sequence[str], case: Case):
        self.where, self.faults = where, []  # type: tuple[str, list[Fault]]
        self.changes: dict[str, str] = {}
        self.measured: dict[str, float] = {}
        self.spread: dict[str, float] = {}
        self.label = ""
        for column, cell in zip(columns, cells):
            assert column is not None
            if cell.strip().lower() not in MISSING:
                self._read(column, cell.strip(), case)
        if not self.measured and not self.faults:
            self.faults.append(
                Fault(where, "measured", "no reading in this row", "fill one in or leave the row out")
            )

    def _read(self, column: _Column, cell: str, case: Case) -> None:
        if column.key in TEXTS:
            self.label = cell[:60] if column.key == "trial" else self.label
            return
        text, definition = f"{cell} {column.unit}", _definition(column.key, case)
        assert definition is not None
        try:
            if column.within:
                self.spread[column.key] = _spread(text, definition)
            elif _reading(column.key):
                self.measured[_reading(column.key)] = READERS["quantity"](text, definition)
            else:
                self.changes[column.key] = text
        except Misread as error:
            allowed = str(error) if str(error).startswith("allowed") else f"needs {error}"
            self.faults.append(Fault(self.where, column.label, shown(text), allowed))

    def case(self, case: Case) -> Case:
        """The scenario with this row's cells in it; the scenario itself where they are wrong."""
        try:
            return replace(case, self.changes, self.where) if self.changes else case
        except InputError as error:
            self.faults += error.faults
            return case


def _spread(text: str, definition: Key) -> float:
    """The standard deviation that a ± means."""
    dimension = _spread_of(definition).dimension
    assert dimension is not None
    within = units.read(text, dimension)
    if within <= 0.0:
        raise Misread("a ± above 0; leave the cell empty where it is not known")
    return within / WITHIN


def _gathered(name: str, lines: Sequence[int], rows: Sequence[_Row], cases: Sequence[Case]) -> Trials:
    names, columns = readings_of(cases[0]), {q: measured_key(q) for q in readings_of(cases[0])}
    measured = [[row.measured.get(q, np.nan) for row in rows] for q in names]
    deviation = [[row.spread.get(columns[q], usual(q).within / WITHIN) for row in rows] for q in names]
    doubt = [[row.spread.get(key, 0.0) for row in rows] for key in doubted_of(cases[0])]
    assumed = tuple(
        q for q in names if any(q in row.measured and columns[q] not in row.spread for row in rows)
    )
    labels = tuple(row.label or f"line {line}" for row, line in zip(rows, lines))
    return Trials(
        name, labels, tuple(cases), np.array(measured), np.array(deviation), np.array(doubt), assumed
    )


def _impossible(trials: Trials, where: Sequence[str]) -> list[Fault]:
    """Readings that hot feed cannot give."""
    return [
        fault
        for place, label, case, read, sd in zip(
            where, trials.labels, trials.cases, trials.measured.T, trials.deviation.T
        )
        for reading, value, deviation in zip(trials.quantities, read, sd)
        for fault in impossible(place or label, reading, case, value, deviation)
    ]
