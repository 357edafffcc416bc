"""Trials on a line: a CSV of what was set and what was measured, one row per trial.

A column is named by a key of the scenario or by what was measured, its unit in brackets:

    feed.moisture [%],measured.moisture [%],measured.moisture ± [%],measured.temperature [degC]

Of a line of machines what was set on one goes by its key (stage.1.airflow [m3/h]), and so does what was measured
behind it (stage.1.measured.moisture [%]); readings that name no stage are of what leaves the line.

Each row is the scenario with its cells put in, so every check of a scenario holds for it. An empty cell leaves the
scenario's own value, or a measurement out. Nineteen of twenty readings lie within their ±, two standard deviations.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from coolsim.case.argument_checks import path_of
from coolsim.case.case import Case
from coolsim.scenario import csv_table, units
from coolsim.scenario.edit import as_typed, retyped
from coolsim.scenario.keys.base import Key
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
from coolsim.scenario.trial_columns import (
    TEXTS,
    Column,
    column_of,
    definition_of,
    missing,
    reading_of,
    spread_of,
)
from coolsim.scenario.units import Misread
from coolsim.scenario.values import READERS
from coolsim.support.errors import Fault, InputError, joined_to
from coolsim.support.fields import Array, documented

MOST = 10_000  # rows


@dataclass(frozen=True)
class Places:
    """Moistures of pellets that were sampled at several places at once; arrays (trials,)."""

    count: Array = documented("-", "places; 0 or 1 where there were not several")
    deviation: Array = documented("kg/kg wet", "standard deviation between them")
    instrument: Array = documented("kg/kg wet", "standard deviation of a single reading")

    @staticmethod
    def of(values: Sequence[Sequence[float]], instrument: Array) -> Places:
        """Of the moistures of each trial; the mean is the trial's reading."""
        count = np.array([len(v) for v in values])
        between = [float(np.std(v, ddof=1)) if len(v) > 1 else 0.0 for v in values]
        return Places(count, np.array(between), np.asarray(instrument, float))

    def some(self, chosen: Any) -> Places:
        """Those of some trials."""
        return Places(self.count[chosen], self.deviation[chosen], self.instrument[chosen])

    def of_mean(self) -> Array:
        """Standard deviation of the mean of the places, of the only one where there were not several."""
        return np.sqrt((self.instrument**2 + self.deviation**2) / np.maximum(self.count, 1))


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
    marks: str = documented("-", "how the cells of the file are parted, where not by commas", default="")
    places: Places | None = documented("-", "of trials sampled at several places", default=None)

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
            self.marks,
            None if self.places is None else self.places.some(chosen),
        )


def trials_of(
    cases: Sequence[Case],
    measured: Mapping[str, Any],
    deviation: Mapping[str, Any] | None = None,
    *,
    doubt: Mapping[str, Any] | None = None,
    places: Sequence[Sequence[float]] | None = None,
    name: str = "trials",
) -> Trials:
    """Trials from Python: cases, and arrays (trials,) by name of MEASURED and of DOUBTED, in SI and °C.

    Of lines names may go by stage: "stage.1.moisture" behind the first, "stage.1.airflow" of what was set on it.

    deviation: standard deviations; those of usual instruments where left out. places: of each trial the moistures
    of pellets sampled at several places, whose mean is its moisture; none where it was not. Raises ValueError for a
    name that is unknown, InputError for readings that cannot be.
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
    trials = trials if places is None else _sampled(trials, places)
    faults = _impossible(trials, [""] * count)
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
        column, wrong = column_of(heading, place, case)
        columns.append(column)
        faults = faults + wrong
    faults += missing(columns, place)
    if len(table.lines) > MOST:
        faults.append(Fault(name, "rows", str(len(table.lines)), f"at most {MOST} trials"))
    if faults:
        raise InputError(faults)
    numbers = (k for k, column in enumerate(columns) if column is not None and column.key not in TEXTS)
    comma = csv_table.has_decimal_commas(
        [part for row in table.rows for part in row[k].split()] for k in numbers
    )
    read = [_Row(f"{name}:{n}", columns, row, case, comma) for n, row in zip(table.lines, table.rows)]
    if any(row.changes for row in read):
        case = as_typed(case)
    cases = [row.case(case) for row in read]
    for row in read:
        faults += row.faults
    if faults:
        raise InputError(faults)
    trials = _gathered(table, read, cases, comma)
    faults = _impossible(trials, [row.where for row in read])
    if faults:
        raise InputError(faults)
    return trials


# -- rows


class _Row:
    """The cells of one trial; `faults` fills as they are read."""

    def __init__(
        self, where: str, columns: Sequence[Column | None], cells: Sequence[str], case: Case, comma: bool
    ):
        self.where, self.faults, self.comma = where, [], comma  # type: tuple[str, list[Fault], bool]
        self.changes: dict[str, str] = {}
        self.measured: dict[str, float] = {}
        self.spread: dict[str, float] = {}
        self.places: list[float] = []
        self.label = ""
        for column, cell in zip(columns, cells):
            assert column is not None
            if cell.strip().lower() not in csv_table.MISSING:
                self._read(column, cell.strip(), case)
        if not self.measured and not self.faults:
            self.faults.append(
                Fault(where, "measured", "no reading in this row", "fill one in or leave the row out")
            )

    def _read(self, column: Column, cell: str, case: Case) -> None:
        if column.key in TEXTS:
            self.label = cell[:60] if column.key == "trial" else self.label
            return
        if self.comma and "." in cell:
            allowed = csv_table.number_wanted(self.comma)
            self.faults.append(Fault(self.where, column.label, shown(cell), allowed))
            return
        cell = " ".join(csv_table.with_point(part, self.comma) for part in cell.split())
        definition = definition_of(column.key, case)
        text = f"{cell} {column.unit}"
        assert definition is not None
        try:
            if column.within:
                self.spread[column.key] = _spread(text, definition)
            elif reading_of(column.key):
                self._measured(reading_of(column.key), cell, column.unit, definition)
            else:
                self.changes[column.key] = text
        except Misread as error:
            allowed = str(error) if str(error).startswith("allowed") else f"needs {error}"
            self.faults.append(Fault(self.where, column.label, shown(text), allowed))

    def _measured(self, reading: str, cell: str, unit: str, definition: Key) -> None:
        """A reading; of the moisture at the exit several, one for each place, where they are parted by spaces."""
        each = cell.split() if reading == "moisture" else [cell]
        values = [READERS["quantity"](f"{part} {unit}", definition) for part in each]
        self.measured[reading] = float(np.mean(values)) if len(values) > 1 else values[0]
        self.places = values if len(values) > 1 else self.places

    def case(self, case: Case) -> Case:
        """The scenario with this row's cells in it; the scenario itself where they are wrong."""
        with joined_to(self.faults):
            return retyped(case, self.changes, self.where) if self.changes else case
        return case


def _spread(text: str, definition: Key) -> float:
    """The standard deviation that a ± means."""
    dimension = spread_of(definition).dimension
    assert dimension is not None
    within = units.read(text, dimension)
    if within <= 0.0:
        raise Misread("a ± above 0; leave the cell empty where it is not known")
    return within / WITHIN


def _gathered(table: csv_table.Table, rows: Sequence[_Row], cases: Sequence[Case], comma: bool) -> Trials:
    names, columns = readings_of(cases[0]), {q: measured_key(q) for q in readings_of(cases[0])}
    measured = [[row.measured.get(q, np.nan) for row in rows] for q in names]
    deviation = [[row.spread.get(columns[q], usual(q).within / WITHIN) for row in rows] for q in names]
    doubt = [[row.spread.get(key, 0.0) for row in rows] for key in doubted_of(cases[0])]
    assumed = tuple(
        q for q in names if any(q in row.measured and columns[q] not in row.spread for row in rows)
    )
    labels = tuple(row.label or f"line {line}" for row, line in zip(rows, table.lines))
    trials = Trials(
        table.name,
        labels,
        tuple(cases),
        np.array(measured),
        np.array(deviation),
        np.array(doubt),
        assumed,
        table.reading_notes(comma),
    )
    places = [row.places for row in rows]
    return _sampled(trials, places) if any(places) else trials


def _sampled(trials: Trials, values: Sequence[Sequence[float]]) -> Trials:
    """Trials with the moistures of their places; their mean is as sure as these make it."""
    row = trials.quantities.index("moisture")
    places = Places.of(values, trials.deviation[row])
    several = places.count > 1
    measured, deviation = trials.measured.copy(), trials.deviation.copy()
    measured[row, several] = [float(np.mean(v)) for v in values if len(v) > 1]
    deviation[row] = np.where(several, places.of_mean(), deviation[row])
    return replace(trials, measured=measured, deviation=deviation, places=places)


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
