"""What a name means: keys of a scenario, quantities, limits, fields of an answer and equations, from the tables
that define them. Nothing is explained here that is not read from there.
"""

from __future__ import annotations

import dataclasses
import difflib
import importlib
import inspect
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from coolsim.case.quantities import LIMITED, QUANTITIES, Quantity
from coolsim.output.page import Page, joined, pretty, table, wrapped
from coolsim.output.quantities import bound_text
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.scenario import plus_minus, schema
from coolsim.scenario import units as u
from coolsim.scenario.keys.base import Key
from coolsim.scenario.keys.machine import ARRANGEMENTS, WITHIN_STAGE
from coolsim.scenario.stages import OF_LINE
from coolsim.simulate.least_bed import LEAST_DEPTH, LEAST_TIME
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import written_name

# Rooms whose data classes are what people are given, and those whose functions are equations.
ASKED = (
    "case.case",
    "case.streams",
    "case.machine",
    "case.tables",
    "case.line_parts",
)  # JSON has it as `inputs`
ANSWERS = (
    *ASKED,
    *("case.result", "case.costs"),
    *("simulate.balances", "simulate.requirements", "simulate.verdicts"),
    *("machines.plant", "machines.dryers"),
    *(
        "studies.settings.answer",
        "studies.propagation.answer",
        "studies.sensitivity_answer",
        "studies.sizing.answer",
    ),
    *("studies.sweeping.answer", "studies.lever_study", "studies.planning.answer", "studies.fitting.answer"),
    *("studies.years.study", "studies.years.propagation", "validation.comparison"),
    "output.explorer.document",
)
EQUATIONS = (
    *("physics.air", "physics.packed_bed", "physics.pellet", "physics.sorption"),
    *("physics.conditioning", "physics.coating", "physics.bag"),
    *("equipment.fan", "equipment.duct", "equipment.motor"),
)
# What a search hands to itself.
INSIDE = (
    *("Outcome", "Weighed", "Tried", "Bounds", "Constraint", "Unknown", "Sampled", "Answers", "Dryer"),
    *("Measure", "Computed"),
)
PYTHON_ONLY = ("Profile", "Layers", "Slopes", "Sweep", "Explored")  # no JSON has them
LIMITS = {f"{of.table}.{q.key}": q for q, of in LIMITED}
# What is kept though nobody types it, where the row of its quantity does not say so.
ASSUMED = {
    "target.maximum_water_activity": f"{MOULDS_ACTIVE:.2f} is kept in store (assumed: moulds are active beyond)",
    "limits.minimum_residence_time": f"{LEAST_TIME / 60:.0f} min of coolers and belts (common practice, no source)",
    "limits.minimum_depth_in_deviations": f"{LEAST_DEPTH:.0f} are kept (assumed)",
}
KEY, FIELD, EQUATION = "key", "field of an answer", "equation"


@dataclass(frozen=True)
class Entry:
    """One thing that has a name: what it is, what it means, and what else is known of it."""

    kind: str
    name: str
    meaning: str
    known: tuple[tuple[str, str], ...] = ()
    also: tuple[str, ...] = ()  # other names that people may type


def explained(name: str, page: Page) -> str:
    """Return what is known of a name: of every key, quantity, field or equation that is called so.

    Raises InputError where nothing is, with the names that are near.
    """
    entries = [*_entries(page)]
    wanted = _plain(name)
    found = [e for e in entries if wanted in (_plain(e.name), *map(_plain, e.also))]
    called = [e for e in entries if _plain(e.name.rpartition(".")[2]) == wanted and e not in found]
    found += [e for e in called if e.kind == KEY]
    found = found or [e for e in entries if e.kind == EQUATION and wanted in _plain(e.name).split()]
    of_answers = [e for e in (*found, *called) if e.kind == FIELD]
    if not found and not of_answers:
        known = sorted({e.name.rpartition(".")[2] for e in entries} | {e.name for e in entries})
        near = difflib.get_close_matches(wanted.replace(" ", "_"), known, 4, 0.5)
        allowed = f"did you mean {', '.join(near)}? " * bool(near) + "`coolsim explain` lists all names"
        raise InputError([Fault("", "NAME", f'"{name[:60]}"', allowed)])
    return joined([*(_block(e, page) for e in found if e.kind != FIELD), _of_answers(of_answers, page)])


def _of_answers(entries: list[Entry], page: Page) -> str:
    """Return fields of answers as one list: the same name stands in many."""
    if not entries:
        return ""
    rows = [
        f"{e.name}: {e.meaning}" + "".join(f"; {label} {text}" for label, text in e.known) for e in entries
    ]
    title = "In answers (Python; in JSON under the same names where nothing else is said)"
    return wrapped(title, page, style="bold") + "".join(wrapped(row, page, indent=2) for row in rows)


def listed(page: Page) -> str:
    """Return all names, each with its meaning, table by table."""
    entries = [*_entries(page)]
    parts = []
    for place in schema.TABLES:
        rows = [(e.name.rpartition(".")[2], e.meaning) for e in entries if _in(e, place)]
        parts.append(
            wrapped(f"[{place}] {schema.TABLES[place].meaning}", page, style="bold") + _rows(rows, page)
        )
    for kind, title in (
        ("quantity", "Quantities that are bounded, set or told"),
        ("equation", "Equations, as Python functions of the physics"),
    ):
        rows = [(e.name, e.meaning.partition(". ")[0].removesuffix(".")) for e in entries if e.kind == kind]
        parts.append(wrapped(title, page, style="bold") + _rows(rows, page))
    names = sorted({e.name.rpartition(".")[2] for e in entries if e.kind == FIELD})
    title = "Fields of answers, in Python and JSON: `coolsim explain NAME` says what one means"
    parts.append(wrapped(title, page, style="bold") + wrapped(", ".join(names), page, indent=2))
    return joined(parts)


def _in(entry: Entry, place: str) -> bool:
    return entry.kind == KEY and entry.name.rpartition(".")[0] == place


def _rows(rows: list[tuple[str, str]], page: Page) -> str:
    return "".join(wrapped(f"{name}: {meaning}", page, indent=2) for name, meaning in rows)


def _plain(name: str) -> str:
    return name.strip().strip("[]").lower().replace("_", " ").replace("-", " ")


def _block(entry: Entry, page: Page) -> str:
    head = wrapped(f"{entry.name} ({entry.kind})", page, style="bold")
    return head + wrapped(entry.meaning, page) + (table(entry.known, page) if entry.known else "")


def _entries(page: Page) -> Iterator[Entry]:
    yield from _keys(page)
    for name, content in schema.TABLES.items():
        keys = ", ".join(schema.keys_of_entries(name))
        yield Entry("table", name, content.meaning, (("keys", keys),))
    yield from (_quantity(q, page) for q in QUANTITIES.values())
    yield from _fields()
    yield from _equations()


# ---- Keys of a scenario ---------------------------------------------------------------------------------


def _keys(page: Page) -> Iterator[Entry]:
    for place, name, key in schema.walk():
        dotted = f"{place}.{name}"
        known = [(label, text) for label, text in _of_key(place, name, key, page) if text]
        yield Entry(KEY, dotted, key.meaning, tuple(known))


def _of_key(place: str, name: str, key: Key, page: Page) -> Iterator[tuple[str, str]]:
    dotted, values = f"{place}.{name}", key.kind != "choice"
    yield "unit", pretty(key.unit(page.units)) if key.dimension else ""
    yield "allowed", ", ".join(key.choices) if not values else _range(key, page)
    yield "if left out", _kept(dotted, page) or ("it is needed" if key.required else _default(key))
    yield "example", f"{name} = {key.example}"
    needed = any(dotted in g.members and g.required and len(g.members) > 1 for g in schema.GROUPS)
    members = [m for group in schema.GROUPS if dotted in group.members for m in group.members if m != dotted]
    yield "one of them is needed" if needed else "in place of", ", ".join(dict.fromkeys(members))
    if place == "cooler":
        kinds = [kind for kind, keys in ARRANGEMENTS.items() if name in keys]
        yield "of", ", ".join(kinds) if len(kinds) < len(ARRANGEMENTS) else ""
    yield "bounds", LIMITS[dotted].label if dotted in LIMITS else ""
    yield "may carry ±", "yes" if plus_minus.may_carry_one(dotted) and key.kind == "quantity" else ""
    own = place in WITHIN_STAGE and name not in OF_LINE
    yield "of a line", f"each stage may have its own: [stage.{place}]" if own else ""


def _range(key: Key, page: Page) -> str:
    if not key.low:
        return ""
    return " to ".join(_converted(text, key, page) for text in (key.low, key.high))


def _converted(text: str, key: Key, page: Page) -> str:
    if page.units == "si" or key.dimension is None or key.kind not in ("quantity", "range"):
        return text
    unit = key.unit("us")
    return u.text_of(u.read(text, key.dimension), key.dimension, unit, 3)


def _kept(dotted: str, page: Page) -> str:
    """What is kept of a limit that nobody typed."""
    q = LIMITS.get(dotted)
    if q is None or q.at_most is None or q.at_most.assumed is None:
        return ASSUMED.get(dotted, "")
    return f"{bound_text(q, q.at_most.assumed, page)} is kept ({q.at_most.because})"


def _default(key: Key) -> str:
    return "" if key.default is None else str(key.default)


# ---- Quantities, answers, equations ---------------------------------------------------------------------


def _quantity(q: Quantity, page: Page) -> Entry:
    dimension = None if q.dimension == "number" else u.DIMENSIONS[q.dimension]
    unit = (
        ""
        if dimension is None
        else ((q.us or dimension.us) if page.units == "us" else (q.si or dimension.si))
    )
    bounds = ", ".join(key for key, bounded in LIMITS.items() if bounded == q)
    opens = [
        f"{place}.{name}" for place, name, key in schema.walk() if name == q.name and key.kind == "range"
    ]
    known = (
        *((("unit", pretty(unit)),) if unit else ()),
        *((("in JSON", f"{q.name} [{q.unit or '-'}]"),)),
        *((("bounded by", bounds),) if bounds else ()),
        *((("opened by", ", ".join(opens)),) if opens else ()),
    )
    return Entry("quantity", q.name, q.label, known, (q.label, q.called))


def classes() -> Iterator[tuple[str, Any]]:
    """Yield (name, class) of every data class that people are given."""
    for room in ANSWERS:
        module = importlib.import_module(f"coolsim.{room}")
        for label, thing in vars(module).items():
            own = inspect.isclass(thing) and thing.__module__ == module.__name__
            if own and dataclasses.is_dataclass(thing) and not label.startswith("_") and label not in INSIDE:
                yield label, thing


def _fields() -> Iterator[Entry]:
    for label, thing in classes():
        yield from _of_class(label, thing)


def _of_class(label: str, thing: Any) -> Iterator[Entry]:
    asked = thing.__module__.removeprefix("coolsim.") in ASKED and label != "FeedState"
    for field in dataclasses.fields(thing):
        known, name = field.metadata, written_name(field)
        if asked or label in PYTHON_ONLY or name == field.name:
            name = ""
        rows = (
            *((("unit", known["unit"]),) if known["unit"] not in ("", "-") else ()),
            *((("in JSON", name),) if name else ()),
            *((("symbol", known["symbol"]),) if known["symbol"] else ()),
        )
        yield Entry("field of an answer", f"{label}.{field.name}", known["meaning"], rows, (name,))


def _equations() -> Iterator[Entry]:
    for room in EQUATIONS:
        module = importlib.import_module(f"coolsim.{room}")
        for label, thing in vars(module).items():
            if (
                inspect.isfunction(thing)
                and thing.__module__ == module.__name__
                and not label.startswith("_")
            ):
                text = " ".join(inspect.cleandoc(thing.__doc__ or "").partition("\n>>>")[0].split())
                yield Entry(EQUATION, label, text, (("where", f"coolsim/{room.replace('.', '/')}.py"),))
    from coolsim.physics.isotherms import EQUATIONS as isotherms

    for label, form in isotherms.items():
        text = f"isotherm with the constants {', '.join(form.constants)}"
        yield Entry(EQUATION, label, text, (("where", "coolsim/physics/isotherms.py"),))
