"""A fitted material as a file that a scenario can name: feed.material = "mine.toml"."""

from __future__ import annotations

import datetime
import json
import math
from typing import Any

from coolsim.case.case import Case, Provenance
from coolsim.physics.correlations import Correlation
from coolsim.physics.sorption import EQUATIONS
from coolsim.studies.fitting.answer import FitAnswer, Fitted
from coolsim.support.visible import visible


def material_file(case: Case, answer: FitAnswer, scenario: str, today: datetime.date) -> str:
    """Return the file's text: every number with its range and source, and what else the fit found."""
    material, law = answer.case.material, answer.case.material.diffusivity
    count = f"{answer.trials} trial{'s' if answer.trials > 1 else ''}"
    lines = [
        "# Written by coolsim fit. SI units; temperatures in °C, moisture and fractions as fractions.",
        "# In a scenario beside it: feed.material = the name of this file.",
        *_line_numbers(answer),
        f"description = {_text(f'{material.name}, fitted on {today} to {count} of {answer.file} ({scenario}).')}",
    ]
    if material.composition:
        shares = ", ".join(f"{name} = {_number(share)}" for name, share in material.composition.items())
        lines += _table(material.provenance.get("composition"), "composition", dry=f"{{ {shares} }}")
    isotherm = material.isotherm
    names = EQUATIONS[isotherm.equation].constants
    constants = ", ".join(f"{name} = {_number(x)}" for name, x in zip(names, isotherm.constants))
    lines += _table(
        material.provenance.get("isotherm"),
        "isotherm",
        equation=_text(isotherm.equation),
        constants=f"{{ {constants} }}",
        fat=_number(isotherm.fat),
    )
    known = material.provenance
    lines += _table(known.get("isotherm_scale"), "isotherm_scale", value=_number(isotherm.scale))
    lines += _table(known.get("diffusivity"), "diffusivity", value=_number(law.value), at=_number(law.at))
    lines += _table(known.get("activation_energy"), "activation_energy", value=_number(law.activation_energy))
    if law.moisture_slope:
        slope = {"value": _number(law.moisture_slope), "at_moisture": _number(law.at_moisture)}
        lines += _table(known.get("moisture_slope"), "moisture_slope", **slope)
    for name in ("specific_heat", "conductivity"):
        lines += _table(known.get(name), name, value=_number(getattr(material, name)))
    for name in ("bulk_density", "void_fraction"):  # as fed in the trials, if the scenario says so
        lines += _table(known.get(name), name, value=_number(getattr(material, name)))
    lines += _together(material.correlation)
    return "\n".join(lines) + "\n"


def _line_numbers(answer: FitAnswer) -> list[str]:
    """What belongs to the line, not to the material: said, since the file cannot carry it."""
    use = {
        "leakage": "put it into [duct] leakage",
        "airflow_factor": "multiply what your instrument says of the airflow by it",
        "feed_moisture_bias": "add it to the feed moisture that you measure",
    }
    lines = []
    for p in answer.parameters:
        if not p.of_material:
            what = f"{p.name} = {_number(p.value)} ({_ends(p)})"
            lines.append(f"# Of the line, not of the material: {what}; {use[p.name.rpartition('.')[2]]}.")
    return lines


def _ends(p: Fitted) -> str:
    return f"{_number(p.low)} to {_number(p.high)}"


def _together(known: Correlation | None) -> list[str]:
    """How the numbers of one fit err together; predictions read it, so that they are as sure as the fit is."""
    if known is None:
        return []
    rows = [f"    [{', '.join(_number(r) for r in row)}]," for row in known.matrix]
    return [
        "",
        "[correlation]  # of the errors of these numbers: 1 rise together, -1 one rises as the other falls",
        f"names = [{', '.join(map(_text, known.names))}]",
        "matrix = [",
        *rows,
        "]",
    ]


def _table(origin: Provenance | None, name: str, **entries: str) -> list[str]:
    origin = origin or Provenance("not said", True)
    lines = ["", f"[{name}]", *(f"{key} = {value}" for key, value in entries.items())]
    for end in ("low", "high"):
        value = getattr(origin, end)
        if value is not None:
            lines.append(f"{end} = {_number(value)}")
    return [*lines, f"source = {_text(origin.source)}", f"assumed = {'true' if origin.assumed else 'false'}"]


def _number(value: Any) -> str:
    """A number as TOML reads it, to eight digits."""
    if not math.isfinite(value):
        raise ValueError(f"{value} in a material")
    return repr(float(f"{float(value):.8g}"))


def _text(text: str) -> str:
    return json.dumps(visible(text), ensure_ascii=False)  # a TOML string
