"""A map as numbers that a page reads: in SI, with what turns each into the reader's units."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.case.case import Case
from coolsim.case.costs import TONNE
from coolsim.case.quantities import QUANTITIES, Quantity
from coolsim.numerics.nodes import through_nodes
from coolsim.output.cost_tables import mass_unit, per_mass
from coolsim.output.page import Page, pretty
from coolsim.output.quantities import MOST_DIGITS, digits_of, shown, text, unit_of
from coolsim.output.verdicts import LIKELY, SAID
from coolsim.physics import sorption
from coolsim.physics.store import LABORATORY
from coolsim.scenario import Source, schema
from coolsim.simulate.bagging_cautions import most_of_wettest_tenth, unfit
from coolsim.simulate.requirements import FEASIBLE, Constraint, harm_of
from coolsim.simulate.verdicts import TENTHS, judged_constraints
from coolsim.studies.maps.axes import OUTSIDE, Axis
from coolsim.studies.maps.outcome_map import Chart
from coolsim.studies.maps.outcomes import ELECTRICITY, GIVEN_AWAY, HEAT, LEAST, Row
from coolsim.studies.maps.spread import Spread
from coolsim.studies.maps.surface import Surface, powers_of
from coolsim.studies.propagation.chances import ROUNDED
from coolsim.studies.propagation.samples import varying
from coolsim.support.fields import Array

# What is told of rows that no quantity is of: a name, and the quantity whose unit they have.
_OTHERS = {t.name: (t.who, t.of) for t in TENTHS.values()} | {
    TENTHS["water_activity"].name: ("water activity of the wettest tenth", "water_activity"),
    "exhaust_temperature": ("exhaust temperature", "temperature"),
}
_IN_SCENARIO = {"fan_speed": "fan.speed"}
ACTIVITY_DEGREES = (14, 3)  # along moisture and temperature of the store


def page_data(chart: Chart, page: Page, scenario: str, title: str) -> dict[str, Any]:
    """Everything that the page knows."""
    case = chart.case
    rows = [_row(chart, row, page) for row in chart.rows]
    return {
        "title": title,
        "scenario": scenario,
        "machine": case.cooler.arrangement,
        "likely": LIKELY,
        "kept": FEASIBLE,
        "rounded": ROUNDED,
        "said": SAID,
        "outside": [a.key for a in chart.axes].index(OUTSIDE),
        "axes": [_axis(case, axis, page) for axis in chart.axes],
        "rows": rows,
        "surface": _surface(chart.surface),
        "activity": _activity(chart),
        "constraints": [_constraint(c, case, chart, page) for c in judged_constraints(case)],
        "unfit": _unfit(case, chart, page),
        "costs": _costs(case, page),
        # money is told per mass of wet feed that people count in
        "mass": {
            "name": "tonne" if page.units == "si" else mass_unit(page),
            "per_hour": 3.6 / per_mass(page),
        },
        "currency": case.costs.currency,
        "held": _held(case, page),
        "changed": _changed(case),
        "error": {
            "states": chart.missed.states,
            "largest": {k: chart.missed.largest[k] for k in ("moisture", "temperature")},
            "of_95": {k: chart.missed.of_95[k] for k in ("moisture", "temperature")},
        },
        "spread": None if chart.spread is None else _spread(chart.spread),
    }


def _changed(case: Case) -> dict[str, Any]:
    """Keys that were set otherwise than the file has them, as `--set` and replace() do it."""
    source = case.source
    return {key: source.value(key) for key in source.overrides} if isinstance(source, Source) else {}


def _surface(surface: Surface) -> dict[str, Any]:
    """A polynomial, and along what it bends: each with the powers of its terms, axis by axis."""
    axes = len(surface.low)
    bends = [
        {
            "along": _surface(bend.along),
            "knots": bend.knots.tolist(),
            "powers": _packed(powers_of(axes, bend.degree).T, "u1"),
            "terms": len(powers_of(axes, bend.degree)),
        }
        for bend in surface.bends
    ]
    return {
        "low": surface.low.tolist(),
        "high": surface.high.tolist(),
        "powers": _packed(surface.powers.T, "u1"),
        "terms": len(surface.powers),
        "coefficients": _packed(surface.coefficients, "<f4"),
        "width": surface.coefficients.shape[1],
        "bends": bends,
    }


def _held(case: Case, page: Page) -> str:
    """What arrives, as far as no slider moves it."""
    feed = case.feed
    temperature = text(QUANTITIES["feed_temperature"], feed.temperature, page)
    fed = f"{3.6 / per_mass(page) * feed.throughput:.3g} {mass_unit(page)}/h"
    kept = "so are the bed, what is assumed of the pellets, and the pressure of the air"
    return f"{case.material.name} at {temperature}, {fed}; {kept}."


def _packed(table: Any, kind: str) -> str:
    """Numbers as base64 of their bytes, row by row."""
    return base64.b64encode(np.ascontiguousarray(table, dtype=kind).tobytes()).decode("ascii")


def conversion(q: Quantity | None, page: Page) -> dict[str, Any]:
    """What turns a stored value into the reader's: a factor, what is added, digits and unit."""
    if q is None:
        return {"unit": "", "factor": 1.0, "plus": 0.0, "digits": 3}
    plus = shown(q, 0.0, page)
    return {
        "unit": pretty(unit_of(q, page)),
        "factor": shown(q, 1.0, page) - plus,
        "plus": plus,
        "digits": digits_of(q, page),
    }


def _axis(case: Case, axis: Axis, page: Page) -> dict[str, Any]:
    told = conversion(axis.quantity, page)
    values = _values(axis)
    step = abs(told["factor"] * axis.step)
    while 10.0 ** -told["digits"] > step * (1 + 1e-9) and told["digits"] < MOST_DIGITS:
        told["digits"] += 1  # neighbours on the dial read differently
    return told | {
        "key": axis.key,
        "label": axis.label,
        "form": axis.form,
        "is_set": axis.is_set,
        "opened": axis.opened,
        "low": axis.low,
        "high": axis.high,
        "now": axis.now,
        "usual": axis.usual,
        "values": values.tolist(),
        "typed": _scenario_key(case, axis),
        "typed_unit": unit_of(axis.quantity, page),
    }


def _values(axis: Axis) -> Array:
    """What a slider may stand at: steps of the dial, both ends, and where it stands."""
    first, last = np.ceil(axis.low / axis.step - 1e-9), np.floor(axis.high / axis.step + 1e-9)
    steps = np.arange(first, last + 1) * axis.step
    found = np.concatenate([steps, [axis.low, axis.high, axis.now]])
    found = np.sort(np.clip(found, axis.low, axis.high))
    return np.asarray(found[np.append(True, np.diff(found) > 1e-6 * axis.step)])


def _scenario_key(case: Case, axis: Axis) -> str:
    """The key of a scenario that says the same; nothing where several do."""
    known = {"feed_moisture": "feed.moisture", OUTSIDE: "air.temperature"}
    known |= {"outside_humidity": "air.relative_humidity"} | _IN_SCENARIO
    key = known.get(axis.key, f"cooler.{axis.key}")
    alone = case.cooler.arrangement in ("counter-flow", "batch")
    return key if not axis.is_set or (alone and schema.find(key) is not None) else ""


def _row(chart: Chart, row: Row, page: Page) -> dict[str, Any]:
    label, name = _OTHERS.get(row.key, ("", row.quantity.name if row.quantity else ""))
    q = QUANTITIES.get(name, row.quantity)
    place, _, _ = row.key.rpartition(".")
    stages = getattr(chart.case.cooler, "stages", ())
    own = f"{stages[int(place) - 1].name}: " if place else ""
    return conversion(q, page) | {
        "key": row.key,
        "form": row.form,
        "label": own + (label or (q.label if q else row.key)),
        "points": q is not None and q.points,
        "studied": q is not None and row.key != "fan_curve",
    }


def _constraint(c: Constraint, case: Case, chart: Chart, page: Page) -> dict[str, Any]:
    less_outside = c.quantity.name == "above_ambient"
    row = "temperature" if less_outside else c.key
    tenth = TENTHS.get(c.quantity.name) if c.of_target and c.sense > 0 else None
    unlike = chart.result.between_pellets is not None
    stages = getattr(case.cooler, "stages", ())
    own = f"{stages[int(c.place) - 1].name}: " if c.place else ""
    counted = {(one.key, one.sense) for one in varying(case)}
    return conversion(c.quantity, page) | {
        "key": c.key,
        "row": row,
        "less_outside": less_outside,
        "tenth": {"row": tenth.name, "who": tenth.who} if tenth and unlike else None,
        "label": own + c.quantity.label,
        "points": c.quantity.points,
        "sense": c.sense,
        "bound": float(np.ravel(c.bound)[0]),
        "scale": c.quantity.scale,
        "harm": harm_of(c),
        "of_target": c.of_target,
        "assumed": c.assumed,
        "varies": (c.key, c.sense) in counted,
        "off": chart.missed.largest[row],
        # by so much a bound may be nearer or farther for the samples of a chance
        "unsure": chart.missed.of_95[row] + _unsure(chart, row),
        # of a film as cold as the air outside the bound moves with that
        "bound_is_outside": c.quantity.name == "headspace_dew_point" and case.bag.coldest_store is None,
    }


def _unsure(chart: Chart, row: str) -> float:
    if chart.spread is None:
        return 0.0
    return float(chart.spread.off[[one.key for one in chart.rows].index(row)])


def _unfit(case: Case, chart: Chart, page: Page) -> list[dict[str, Any]]:
    """Bounds beyond which pellets are not bagged, though all wishes may be kept: no chance is of these."""
    found = [_constraint(c, case, chart, page) for c in unfit(case)]
    most = most_of_wettest_tenth(case)
    if most is not None and chart.result.between_pellets is not None:
        wet = Constraint(QUANTITIES["moisture"], most, of_target=True, assumed=True)
        tenth = TENTHS["moisture"]
        own = {"key": tenth.name, "row": tenth.name, "label": tenth.who, "tenth": None}
        found.append(_constraint(wet, case, chart, page) | own | {"off": chart.missed.largest[tenth.name]})
    return [one | {"varies": False} for one in found]


def _costs(case: Case, page: Page) -> list[dict[str, Any]]:
    """What is paid, per mass of wet feed that people count in: of each row, and its price."""
    prices = (
        ("electricity", ELECTRICITY, case.costs.electricity),
        ("heat", HEAT, case.costs.heat),
        ("weight given away", GIVEN_AWAY, case.costs.feed),
    )
    return [
        {"label": label, "row": row, "price": TONNE * per_mass(page) * float(price)}
        for label, row, price in prices
        if price
    ]


def _activity(chart: Chart) -> dict[str, Any]:
    """Water activity by moisture and by the temperature of the store, as a table of Chebyshev's polynomials."""
    store, axis = chart.store, chart.axes[[a.key for a in chart.axes].index(OUTSIDE)]
    temperatures = store.temperature(np.array([axis.low, axis.high]))
    low_T, high_T = float(temperatures.min()), float(temperatures.max())
    forms = [k for k, row in enumerate(chart.rows) if row.form == "activity"]
    seen = chart.surface(chart.surface.low[:, None] + np.random.default_rng(1).random((len(chart.axes), 4000))
                         * (chart.surface.high - chart.surface.low)[:, None])[forms]  # fmt: skip
    low_X, high_X = max(0.6 * float(seen.min()), LEAST), 1.25 * float(seen.max())
    (m, n), wide = ACTIVITY_DEGREES, max(high_T - low_T, 1e-9)
    x, y = chebyshev.chebpts1(m + 1), chebyshev.chebpts1(n + 1)
    X = np.log(low_X) + (x + 1) / 2 * np.log(high_X / low_X)
    table = sorption.water_activity(
        store.isotherm, np.exp(X)[:, None] + 0 * y[None], low_T + (y[None] + 1) / 2 * wide + 0 * x[:, None]
    )
    return {
        "low": [float(np.log(low_X)), low_T],
        "high": [float(np.log(high_X)), high_T],
        "table": through_nodes(table, (0, 1)).tolist(),
        "store": store.stated,
        "laboratory": LABORATORY,
    }


def _spread(spread: Spread) -> Mapping[str, Any]:
    return {
        "names": list(spread.names),
        "slopes": _packed(spread.slopes, "<f4"),
        "bends": _packed(spread.bends, "<f4"),
        "samples": _packed(spread.samples, "<f4"),
        "count": spread.samples.shape[1],
    }
