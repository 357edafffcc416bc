"""Answers as tables of numbers: columns by the names that Python knows them by, in SI and °C.

A row is a case, or one entry of a list that the answer holds (a floor of the trade-off, a reading of a trial); of
arrays over time or depth, each of their entries. Names of nested fields are joined by points as in Python:
`frame["pellets_out.moisture_wb"]` is `result.pellets_out.moisture_wb`. Units and meanings come from the fields
themselves and stand in `frame.attrs`, which `frame[column]` takes along.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from coolsim.case.quantities import Quantity
from coolsim.scenario.units import DIMENSIONS
from coolsim.support.errors import Fault, InputError

INSTALL = "pip install 'coolsim[notebooks]' (in a clone: pip install '.[notebooks]')"


@dataclasses.dataclass(frozen=True)
class Column:
    """One column: what stands in it, in which unit, and what that is."""

    values: Any
    unit: str = ""
    meaning: str = ""


Columns = dict[str, Column]


def frame(answer: Any, table: str = "") -> Any:
    """An answer, or one of the tables that it has, as a DataFrame."""
    pandas = library("pandas", "to_frame")
    tables = tables_of(answer)
    if table and table not in tables:
        given = f'"{table}"' if isinstance(table, str) else f"an object of type {type(table).__name__}"
        raise InputError([Fault("", "table", given, f"{type(answer).__name__} has: {', '.join(tables)}")])
    columns = tables[table or next(iter(tables))](answer)
    shapes = {np.shape(c.values) for c in columns.values()}
    found = pandas.DataFrame({n: c.values for n, c in columns.items()}, index=[0] if shapes == {()} else None)
    found.attrs = {
        "units": {name: column.unit for name, column in columns.items()},
        "meanings": {name: column.meaning for name, column in columns.items()},
    }
    return found


def library(name: str, asked_by: str) -> Any:
    """A library of notebooks, imported late; an error in words where it is not installed."""
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError:
        raise ImportError(f"{asked_by} needs {name}, which is not installed: {INSTALL}") from None


def tables_of(answer: Any) -> Mapping[str, Callable[[Any], Columns]]:
    """The tables that an answer has, by their names; the first is what is asked for by no name."""
    kind = type(answer).__name__
    if kind in _TABLES:
        return _TABLES[kind]
    lists = _LISTS.get(kind, ())
    return {name: _listed(name) for name in lists} or {"fields": columns_of}


# -- columns of data classes


def columns_of(data: Any) -> Columns:
    """Every number and word of a data class: one row, or one per entry where it holds arrays.

    Of arrays along several axes, as the moisture of shells, there is nothing: they are no column.
    """
    found = dict(_walk(data, ""))
    shapes = [np.shape(c.values) for c in found.values() if np.ndim(c.values) == 1]
    if not shapes:
        return found
    rows = max(shapes, key=shapes.count)
    return {n: c for n, c in found.items() if np.shape(c.values) in ((), rows)}


def _walk(data: Any, path: str) -> Iterator[tuple[str, Column]]:
    for field in dataclasses.fields(data):
        value, name = getattr(data, field.name), f"{path}{field.name}"
        unit = field.metadata.get("unit", "")
        if _is_value(value):
            yield name, Column(value, "" if unit == "-" else unit, field.metadata.get("meaning", ""))
        elif dataclasses.is_dataclass(value) and field.name not in _LEFT_OUT:
            yield from _walk(value, f"{name}.")


_LEFT_OUT = ("case", "source", "material", "profile", "history", "layers", "setting", "result")


def _is_value(value: Any) -> bool:
    if isinstance(value, np.ndarray):
        return value.ndim < 2
    return value is None or isinstance(value, str | bool | int | float | np.generic)


def stacked(parts: Sequence[Any]) -> Columns:
    """Data classes one below the other."""
    each = [dict(_walk(part, "")) for part in parts]
    names = dict.fromkeys(name for columns in each for name in columns)
    known = {name: column for columns in each for name, column in columns.items()}
    return {
        name: dataclasses.replace(known[name], values=[c[name].values if name in c else None for c in each])
        for name in names
    }


def _listed(name: str) -> Callable[[Any], Columns]:
    return lambda answer: stacked(getattr(answer, name))


# -- answers whose tables are not simply their fields


def of_result(result: Any) -> Columns:
    """Exit, air, bed and accuracy, a row per case; of a line also those of each machine."""
    shape = np.shape(result.pellets_out.moisture_wb)
    found = {
        name: dataclasses.replace(c, values=np.ravel(c.values) if shape else c.values)
        for name, c in _walk(result, "")
        if np.shape(c.values) == shape
    }
    for k, run in enumerate(result.stages):
        found |= {f"stages.{k}.{n}": c for n, c in of_result(run.result).items()}
    return found


def of_sweep(sweep: Any) -> Columns:
    """A row per point: the keys that were varied, in the units in which they were given, and what came of it."""
    at = np.meshgrid(*(one.values for one in sweep.swept), indexing="ij")
    keys = {
        one.key: Column(x.reshape(-1), one.unit or "", _meaning(one.key)) for one, x in zip(sweep.swept, at)
    }
    return keys | of_result(sweep.result)


def dataset(sweep: Any) -> Any:
    """A sweep as an xarray Dataset: units and names of variables as that library's pictures read them."""
    xarray = library("xarray", "to_xarray")
    dims = [one.key for one in sweep.swept]
    coordinates = {
        one.key: (one.key, one.values, {"units": one.unit, "long_name": _meaning(one.key)})
        for one in sweep.swept
    }
    variables = {
        name: (
            dims,
            np.asarray(c.values).reshape(sweep.shape),
            {"units": c.unit or "1", "long_name": c.meaning},
        )
        for name, c in of_result(sweep.result).items()
    }
    return xarray.Dataset(variables, coordinates, {"title": sweep.case.title, "failed": sweep.failed})


def _meaning(key: str) -> str:
    from coolsim.scenario import schema

    definition = schema.find(key)
    return "" if definition is None else definition.meaning


def _part(name: str, columns: Callable[[Any], Columns] = columns_of) -> Callable[[Any], Columns]:
    """A part of an answer that not every answer has."""

    def of_part(answer: Any) -> Columns:
        part = getattr(answer, name)
        if part is None or np.ndim(answer.pellets_out.moisture_wb):
            allowed = "of a cooler's bed the profile, of a dryer history and layers, each of one case alone"
            raise InputError([Fault("", "table", f'"{name}"', f"this answer has none; there is, {allowed}")])
        return columns(part)

    return of_part


def _layers(layers: Any) -> Columns:
    """Moisture of the layers over time, one below the other: time and height are columns."""
    time, height = np.meshgrid(layers.time, layers.height, indexing="ij")
    known = {f.name: f.metadata for f in dataclasses.fields(layers)}
    values = {"time": time, "height": height, "moisture_wb": layers.moisture_wb}
    return {n: Column(x.ravel(), known[n]["unit"], known[n]["meaning"]) for n, x in values.items()}


def _unit(q: Quantity) -> str:
    """The unit in which a quantity is stored."""
    if q.dimension == "number":
        return ""
    stored = DIMENSIONS[q.dimension].stored
    return {"%": "-", "kelvin": "K", "degC": "°C", "1": "-"}.get(
        stored, stored.replace("**3", "³").replace("**2", "²")
    )


def _chosen(answer: Any) -> Columns:
    """What to set, a row per setting, in the unit that stands beside it."""
    rows = answer.chosen
    return {
        "setting": Column([c.setting.label for c in rows], "", "what is set"),
        "now": Column([c.now for c in rows], "as in unit", "today"),
        "to": Column([c.to for c in rows], "as in unit", "to be set"),
        "unit": Column([_unit(c.setting.quantity) for c in rows], "", "of the row"),
        "low": Column([c.setting.low for c in rows], "as in unit", "lowest that may be set; nan: not opened"),
        "high": Column([c.setting.high for c in rows], "as in unit", "highest"),
        "step": Column([c.setting.step for c in rows], "as in unit", "of its dial"),
    }


def _verdicts(answer: Any) -> Columns:
    rows = answer.verdicts
    return {
        "name": Column([v.constraint.full_name for v in rows], "", "wish or limit"),
        "value": Column([v.value for v in rows], "as in unit", "where it stands"),
        "bound": Column([float(v.constraint.bound) for v in rows], "as in unit", "what it must not pass"),
        "unit": Column([_unit(v.constraint.quantity) for v in rows], "", "of the row"),
        "met": Column([v.met for v in rows], "", "whether it is kept"),
        "chance": Column([v.chance for v in rows], "", "probability that it is kept, if asked"),
    }


def _by_weather(answer: Any) -> Columns:
    shape = np.shape(answer.met)
    parts = {"air": answer.air, "cost": answer.cost}
    settings = answer.settings if isinstance(answer.settings, tuple) else (answer.settings,)
    parts |= {f"settings.{k}" if len(settings) > 1 else "settings": s for k, s in enumerate(settings)}
    found = {"met": Column(answer.met, "", "whether the target is met within the limits")}
    for name, part in parts.items():
        found |= {f"{name}.{n}": c for n, c in _walk(part, "")}
    found |= {f"result.{n}": c for n, c in of_result(answer.result).items()}
    found["required_feed_moisture"] = Column(
        answer.required_feed_moisture, "kg/kg wet", "wettest feed that can meet it"
    )
    found["binding"] = Column(answer.binding, "", "first limit at which it stands")
    return {
        n: dataclasses.replace(c, values=np.broadcast_to(c.values, shape).reshape(-1))
        for n, c in found.items()
        if np.ndim(c.values) == 0 or np.size(c.values) == np.prod(shape)
    }


def _slopes(answer: Any) -> Columns:
    """A row per input; of a line, what is set on a machine with the number of its stage. Slopes of one case."""
    rows = [
        (stage, field.name, field.metadata["unit"], getattr(one, field.name))
        for stage, one in ((0, answer), *enumerate(answer.stages, 1))
        for field in dataclasses.fields(one)
        if field.name not in ("result", "stages") and getattr(one, field.name) is not None
    ]
    found = stacked([slopes for *_, slopes in rows])
    first = {
        "input": Column([name for _, name, _, _ in rows], "", "what is changed"),
        "stage": Column([stage for stage, *_ in rows], "", "on which machine of a line; 0: of the whole"),
        "per": Column([unit for _, _, unit, _ in rows], "", "unit of the input"),
    }
    return first | found


def _strategies(answer: Any) -> Columns:
    names = {"strategy": Column([s.name for s in answer.strategies], "", "what is done")}
    return names | stacked([s.total for s in answer.strategies])


def _months(answer: Any) -> Columns:
    rows = [(s.name, month, tally) for s in answer.strategies for month, tally in s.months]
    first = {
        "strategy": Column([name for name, *_ in rows], "", "what is done"),
        "month": Column([month for _, month, _ in rows], "", "of the calendar"),
    }
    return first | stacked([tally for *_, tally in rows])


def _hours(answer: Any) -> Columns:
    """Every hour of every strategy, one below the other."""
    each = [dict(_walk(s.hours, "")) for s in answer.strategies]
    count = len(answer.weather)
    shared = [n for n in each[0] if all(np.shape(c[n].values) == (count,) for c in each if n in c)]
    names = Column(np.repeat([s.name for s in answer.strategies], count), "", "what is done")
    found = {
        n: dataclasses.replace(each[0][n], values=np.concatenate([c[n].values for c in each]))
        for n in shared
        if all(n in c for c in each)
    }
    return {"strategy": names} | found


def _case(case: Any) -> Columns:
    from coolsim.scenario import inputs

    known = inputs(case)
    return {
        "key": Column(list(known), "", "of the scenario"),
        "value": Column(list(known.values()), "", "as a scenario may hold it, after defaults"),
    }


def _material(material: Any) -> Columns:
    names, origins = list(material.provenance), list(material.provenance.values())
    return {"number": Column(names, "", "name")} | stacked(origins)


_TABLES: Mapping[str, Mapping[str, Callable[[Any], Columns]]] = {
    "Case": {"inputs": _case},
    "Material": {"numbers": _material},
    "Result": {
        "exit": of_result,
        "profile": _part("profile"),
        "history": _part("history"),
        "layers": _part("layers", _layers),
    },
    "Sweep": {"points": of_sweep, "failures": _listed("failures")},
    "StageRun": {"exit": lambda run: of_result(run.result)},
    "SettingsAnswer": {
        "chosen": _chosen,
        "verdicts": _verdicts,
        "one_step": _listed("one_step"),
        "smallest_changes": _listed("smallest_changes"),
    },
    "SettingsByWeather": {"weathers": _by_weather},
    "Sensitivities": {"slopes": _slopes},
    "Seasons": {"strategies": _strategies, "months": _months, "hours": _hours},
}
# Answers that hold lists of one kind of thing: by their fields.
_LISTS: Mapping[str, tuple[str, ...]] = {
    "SizeAnswer": ("served", "curve", "governing", "missed"),
    "Plan": ("equipment", "before"),
    "FitAnswer": ("parameters", "readings", "suspects", "next"),
    "Uncertainty": ("contributors",),
    "Levers": ("spans",),
}
