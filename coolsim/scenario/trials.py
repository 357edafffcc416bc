"""Trials on a line: a CSV of what was set and what was measured, one row per trial.

A column is named by a key of the scenario or by what was measured, its unit in brackets:

    feed.moisture [%],measured.moisture [%],measured.moisture ± [%],measured.temperature [degC]

Each row is the scenario with its cells put in, so every check of a scenario holds for it. An empty cell leaves the
scenario's own value, or a measurement out. Nineteen of twenty readings lie within their ±, two standard deviations.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case import Case
from coolsim.doors import path_of
from coolsim.errors import Fault, InputError
from coolsim.fields import Array, documented
from coolsim.scenario import csv_table, schema, units
from coolsim.scenario.edit import check_same_as_typed, retyped
from coolsim.scenario.reader import shown
from coolsim.scenario.schema import Key
from coolsim.scenario.trial_checks import impossible
from coolsim.scenario.units import Dimension, Misread
from coolsim.scenario.values import READERS

WITHIN = 1.96  # standard deviations: nineteen of twenty
MOST = 10_000  # rows


@dataclass(frozen=True)
class Quantity:
    """Something measured at the exit: its key, and the ± of a usual instrument."""

    key: Key
    within: float  # in the stored unit


_T: dict[str, Any] = {"low": "-50 degC", "high": "180 degC", "hint": "was it meant as degF?"}
MEASURED: Mapping[str, Quantity] = {
    # the first two stated by the trade's usual instruments, the others by judgement (common practice, no source)
    "moisture": Quantity(
        Key(
            "quantity", "exit moisture, wet basis", "12 %", units.FRACTION, "0.1 %", "65 %",
            hint="moisture is a share of the wet weight; was it typed as a fraction, or is a point missing?",
        ),
        0.002,
    ),
    "temperature": Quantity(Key("quantity", "exit temperature", "34 degC", units.TEMPERATURE, **_T), 0.5),
    "exhaust_temperature": Quantity(
        Key("quantity", "air behind the bed", "52 degC", units.TEMPERATURE, **_T), 1.0
    ),
    "exhaust_relative_humidity": Quantity(
        Key("quantity", "of that air", "60 %", units.FRACTION, "0 %", "100 %"), 0.03
    ),
}  # fmt: skip
# Inputs that may carry a ± of their own.
DOUBTED = (
    "feed.moisture", "feed.temperature", "feed.throughput", "air.temperature", "air.relative_humidity",
    "cooler.airflow", "cooler.bed_depth", "cooler.inlet_air_temperature",
)  # fmt: skip
TEXTS = ("trial", "date", "note")  # columns that are kept or passed over
_HEADING = re.compile(r"(?P<key>[A-Za-z_.0-9]+)\s*(?P<within>±|\+-|\+/-)?\s*(?:\[(?P<unit>[^\]]*)\])?$")


@dataclass(frozen=True)
class Trials:
    """What was set and what was measured; arrays (quantities in the order of MEASURED, trials), nan where not."""

    name: str = documented("-", "the file, or what stands for it")
    labels: tuple[str, ...] = documented("-", "what each trial is called")
    cases: tuple[Case, ...] = documented("-", "the scenario as each trial set it")
    measured: Array = documented("as measured", "moisture, temperature, exhaust temperature and humidity")
    deviation: Array = documented("as measured", "standard deviation of each reading")
    doubt: Array = documented("SI", "standard deviation of what was set, (inputs of DOUBTED, trials)")
    assumed: tuple[str, ...] = documented("-", "quantities whose ± was not stated in every row", default=())
    marks: str = documented("-", "how the cells of the file are parted, where not by commas", default="")

    def __len__(self) -> int:
        return len(self.cases)

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
            self.marks,
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

    deviation: standard deviations; those of usual instruments where left out. Raises ValueError for a name that is
    unknown, InputError for readings that cannot be.
    """
    deviation, doubt, count = deviation or {}, doubt or {}, len(cases)
    unknown = [k for k in (*measured, *deviation) if k not in MEASURED] + [
        k for k in doubt if k not in DOUBTED
    ]
    if unknown:
        raise ValueError(
            f"nothing is called {', '.join(unknown)}; there are {', '.join((*MEASURED, *DOUBTED))}"
        )
    rows = [np.broadcast_to(np.asarray(measured.get(k, np.nan), float), count) for k in MEASURED]
    usual = {k: q.within / WITHIN for k, q in MEASURED.items()}
    sd = [np.broadcast_to(np.asarray(deviation.get(k, usual[k]), float), count) for k in MEASURED]
    unsure = [np.broadcast_to(np.asarray(doubt.get(k, 0.0), float), count) for k in DOUBTED]
    labels = tuple(f"trial {i}" for i in range(1, count + 1))
    assumed = tuple(k for k in measured if k not in deviation)
    trials = Trials(name, labels, tuple(cases), np.array(rows), np.array(sd), np.array(unsure), assumed)
    faults = impossible(trials, [""] * count)
    if faults:
        raise InputError(faults)
    return trials


def read_trials(case: Case, path: str | os.PathLike[str], option: str = "--trials") -> Trials:
    """Return the trials of a CSV file on the line of `case`; raises InputError with every fault found."""
    name = path_of(path, "trials", "a CSV file of trials")
    wanted = "name a CSV file of trials, such as one with the columns feed.moisture [%],measured.moisture [%]"
    text = csv_table.text_of(name, "", option, wanted)
    example = "feed.moisture [%],measured.moisture [%],measured.temperature [degC]"
    table, faults = csv_table.read(text, name, example)
    place, columns = f"{name}:{table.heading}", []
    for heading in table.names:
        column, wrong = _column(heading, place, case)
        columns.append(column)
        faults = faults + wrong
    faults += _missing(columns, place)
    if len(table.lines) > MOST:
        faults.append(Fault(name, "rows", str(len(table.lines)), f"at most {MOST} trials"))
    if faults:
        raise InputError(faults)
    numbers = (k for k, column in enumerate(columns) if column is not None and column.key not in TEXTS)
    comma = csv_table.has_decimal_commas([row[k] for row in table.rows] for k in numbers)
    read = [_Row(f"{name}:{n}", columns, row, case, comma) for n, row in zip(table.lines, table.rows)]
    if any(row.changes for row in read):
        check_same_as_typed(case)
    cases = [row.case(case) for row in read]
    for row in read:
        faults += row.faults
    if faults:
        raise InputError(faults)
    trials = _gathered(table, read, cases, comma)
    faults = impossible(trials, [row.where for row in read])
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
    key, within, unit = match["key"], bool(match["within"]), (match["unit"] or "").strip()
    name = shown(key)[1:-1]
    if key in TEXTS and not within:
        return _Column(key, False, ""), []
    definition = _definition(key, case)
    if definition is None:
        if _of_exhaust(key) and not _cools(case):
            return None, [Fault(where, name, "a reading of a dryer's exhaust", NO_EXHAUST)]
        return None, [Fault(where, name, "an unknown column", _meant(key, case))]
    if within and not key.startswith("measured.") and key not in DOUBTED:
        allowed = f"a ± is taken for measured columns and for {', '.join(DOUBTED)}"
        return None, [Fault(where, name, shown(heading), allowed)]
    try:
        _check_unit(unit, _spread_of(definition) if within else definition)
    except Misread as error:
        return None, [Fault(where, name, shown(heading), f"its unit goes in brackets: needs {error}")]
    return _Column(key, within, unit), []


NO_EXHAUST = (
    "it changes all the time a dryer runs: trials of dryers take the pellets' moisture and temperature"
)


def _of_exhaust(key: str) -> bool:
    return key.removeprefix("measured.") in tuple(MEASURED)[2:]


def _cools(case: Case) -> bool:
    return case.cooler.arrangement == "counter-flow"


def _definition(key: str, case: Case) -> Key | None:
    """The key of a column: something measured, or a number of feed, air, machine, fan speed or false air."""
    table, _, name = key.rpartition(".")
    if table == "measured":
        return MEASURED[name].key if name in MEASURED and (_cools(case) or not _of_exhaust(key)) else None
    if _cools(case) and key in ("fan.speed", "duct.leakage"):
        return schema.find(key)
    zones = {f"cooler.zone.{k}" for k in range(1, len(getattr(case.cooler, "zones", ())) + 1)}
    if table not in {"feed", "air", "cooler"} | zones:
        return None
    if table == "cooler" and name not in schema.ARRANGEMENTS[case.cooler.arrangement]:
        return None
    found = schema.find(key)
    return found if found is not None and found.kind in ("quantity", "air ratio") else None


def _meant(key: str, case: Case) -> str:
    measured = [f"measured.{name}" for name in MEASURED if _definition(f"measured.{name}", case)]
    known = measured + [f"{t}.{n}" for t, n, _ in schema.walk() if _definition(f"{t}.{n}", case) is not None]
    near = difflib.get_close_matches(key[:60], known, 1, 0.55)
    homes = [k for k in known if k.rpartition(".")[2] == key]
    guess = homes[0] if len(homes) == 1 else near[0] if near else ""
    if guess:
        return f"did you mean {guess}?"
    readings, texts = ", ".join(measured), ", ".join(TEXTS)
    return f"a column is a key of [feed], [air] or [cooler], {readings}, or {texts}"


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
    if not any(f"measured.{name}" in labels for name in ("moisture", "temperature")):
        allowed = (
            "needs what was measured at the exit: measured.moisture [%], measured.temperature [degC] or both"
        )
        faults.append(Fault(where, "measured", "no such column", allowed))
    for label in labels:
        if label.endswith(" ±") and label.startswith("measured.") and label[:-2] not in labels:
            faults.append(Fault(where, label, "no column of the reading itself", f"needs {label[:-2]} too"))
    return faults


# -- rows


class _Row:
    """The cells of one trial; `faults` fills as they are read."""

    def __init__(
        self, where: str, columns: Sequence[_Column | None], cells: Sequence[str], case: Case, comma: bool
    ):
        self.where, self.faults, self.comma = where, [], comma  # type: tuple[str, list[Fault], bool]
        self.changes: dict[str, str] = {}
        self.measured: dict[str, float] = {}
        self.spread: dict[str, float] = {}
        self.label = ""
        for column, cell in zip(columns, cells):
            assert column is not None
            if cell.strip().lower() not in csv_table.MISSING:
                self._read(column, cell.strip(), case)
        if not self.measured and not self.faults:
            self.faults.append(
                Fault(where, "measured", "no reading in this row", "fill one in or leave the row out")
            )

    def _read(self, column: _Column, cell: str, case: Case) -> None:
        if column.key in TEXTS:
            self.label = cell[:60] if column.key == "trial" else self.label
            return
        if self.comma and "." in cell:
            allowed = csv_table.number_wanted(self.comma)
            self.faults.append(Fault(self.where, column.label, shown(cell), allowed))
            return
        cell, definition = csv_table.with_point(cell, self.comma), _definition(column.key, case)
        text = f"{cell} {column.unit}"
        assert definition is not None
        try:
            if column.within:
                self.spread[column.key] = _spread(text, definition)
            elif column.key.startswith("measured."):
                self.measured[column.key[9:]] = READERS["quantity"](text, definition)
            else:
                self.changes[column.key] = text
        except Misread as error:
            allowed = str(error) if str(error).startswith("allowed") else f"needs {error}"
            self.faults.append(Fault(self.where, column.label, shown(text), allowed))

    def case(self, case: Case) -> Case:
        """The scenario with this row's cells in it; the scenario itself where they are wrong."""
        try:
            return retyped(case, self.changes, self.where) if self.changes else case
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


def _gathered(table: csv_table.Table, rows: Sequence[_Row], cases: Sequence[Case], comma: bool) -> Trials:
    measured = [[row.measured.get(q, np.nan) for row in rows] for q in MEASURED]
    deviation = [
        [row.spread.get(f"measured.{q}", usual.within / WITHIN) for row in rows]
        for q, usual in MEASURED.items()
    ]
    doubt = [[row.spread.get(key, 0.0) for row in rows] for key in DOUBTED]
    assumed = tuple(
        q for q in MEASURED if any(q in row.measured and f"measured.{q}" not in row.spread for row in rows)
    )
    labels = tuple(row.label or f"line {line}" for row, line in zip(rows, table.lines))
    return Trials(
        table.name,
        labels,
        tuple(cases),
        np.array(measured),
        np.array(deviation),
        np.array(doubt),
        assumed,
        table.told(comma),
    )
