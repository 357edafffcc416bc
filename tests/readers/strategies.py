"""Inputs as people, spreadsheets and slips of the hand make them: what the fuzz of the readers draws from.

Each is a thing that is right, changed in a few places: a line lost, a number out of range, a unit that does not
fit, a quote too many. What is drawn is repeated from its seed (test_fuzz.py).
"""

from __future__ import annotations

import dataclasses
import random
from typing import Any

import numpy as np
from hypothesis import strategies as st

from coolsim.case.case import Air, Case, Cooler
from coolsim.scenario import loads, template
from coolsim.scenario.whole_lines import around
from coolsim.support.fields import numbers, with_number

COOLER, BATCH, BELT, LINE = map(template, ("counter-flow", "batch", "belt", "line"))
WHOLE = template("counter-flow", around).replace('time = "15 s"', 'time = "0 s"')  # a way takes a while
TEMPLATES = (COOLER, BATCH, BELT, LINE, WHOLE)

VALUES = (
    "", '""', '"', "'", "1", "-1", "0", "0.14", "nan", "inf", "1e999", "true", "[]", "[[]]", "{}", '"1"',
    '"x"', '"14 %"', '"-5 %"', '"1e400 kg/h"', '"12,5 %"', '"1 200 kg/h"', '"80 degF"', '"350 K"',
    '"5 m"', '"5 mm"', '"4 in"', '"9 t/h"', '"1500 cfm"', '"0 m3/h"', '"14 ± 0.3 %"', '"14 ± 90 %"',
    '"5 ± ± 1 %"', '"06:00"', '["0 %", "80 %"]', '["9 m", "1 m"]', '["0.2 m", "0.9 m"]', '"pig-pelets"',
    '"custom"', '"none.toml"', '"batch"', '"belt"', '"counter-flow"', '"line"', "1979-05-27", "07:32:00",
    '"""a\nb"""', "'''", '"\\u001b[2J"', '"\\uD800"', "0x" + "f" * 300, "9" * 400, "[" * 40 + "]" * 40,
    '"' + "a" * 300 + '"', '"' + " " * 500 + '%"',
)  # fmt: skip
LINES = (
    "[feed]", "[air]", "[cooler]", "[[cooler]]", "[[stage]]", "[[cooler.zone]]", "[[sizing.product]]",
    "[target]", "[limits]", "[costs]", "[fan]", "[weather]", "[a.b.c.d.e.f]", "[material]", "[stage]",
    "[[sizing.weather]]", 'name = "x"', 'percentile = "99 %"', "= 1", "[", "]]", "x = {", '# "', "\u2028",
    "\x00", 'material = "custom"', 'wet_bulb = "16 degC"', 'residence_time = "9 min"',
    'air_ratio = "1.2 kg/kg"', 'air_ratio = "1200 m3/t"', 'batch_mass = "250 kg"',
    "[[recipe.ingredient]]", "[conditioning]", "[way]", "[bag]", "[[equipment]]", 'catch = ["1 kg", "0 s"]',
    'machine = "coating"', 'breaks = [["1 h", "30 min"]]', "no_sweating = true", 'share = "30 %"',
    'moisture_dry_basis = "18 %"', 'speed = "80 %"', 'stand_by = "9 min"', 'depth_deviation = "3 cm"',
)  # fmt: skip


# -- scenarios


@st.composite
def scenarios(draw: Any) -> str:
    """A scenario with a few of its lines changed, lost, doubled, swapped or made live."""
    rng = random.Random(draw(st.integers(0, 2**48)))
    lines = rng.choice(TEMPLATES).split("\n")
    for _ in range(rng.choice((1, 1, 2, 3, 5, 9))):
        _change(lines, rng)
    text = "\n".join(lines)
    if rng.random() < 0.1:  # torn, or with a character that stands nowhere
        at = rng.randrange(len(text) + 1)
        text = (
            text[:at]
            + rng.choice(("", '"', "'", "[", "=", "\x0b", "é", "±", "\r", "\\"))
            + text[at + rng.randrange(3) :]
        )
    return text


def _change(lines: list[str], rng: random.Random) -> None:
    at = rng.randrange(len(lines))
    kind = rng.randrange(7)
    if kind == 0:  # an optional line, or the whole table that it heads
        marked = [k for k, line in enumerate(lines) if line.startswith("# ") and ("=" in line or "[" in line)]
        at = rng.choice(marked or [at])
        for k in range(at, at + (1 if "=" in lines[at] else rng.randrange(1, 6))):
            if k < len(lines):
                lines[k] = lines[k].removeprefix("# ")
    elif kind == 1:
        del lines[at]
        lines.append("")
    elif kind == 2:
        lines.insert(at, rng.choice(LINES))
    elif kind == 3:
        lines.insert(at, lines[rng.randrange(len(lines))])
    elif kind == 4 and "=" in lines[at]:  # a number, many times larger or smaller
        name, _, value = lines[at].partition("=")
        digits = "".join(c for c in value.split("#")[0] if c in "0123456789.")
        if digits.strip("."):
            lines[at] = (
                f"{name}={value.replace(digits, rng.choice(('0', '-1', digits + '00', '0.' + digits, '1e5')), 1)}"
            )
    elif "=" in lines[at]:
        name = lines[at].partition("=")[0]
        lines[at] = f"{name}= {rng.choice(VALUES)}"


# -- rows


CELLS = (
    "", " ", "-", "nan", "NaN", "inf", "1e999", "1_000", "12,5", "1,234", "1.234,5", '"12,5"', '"', '""',
    '"a\nb"', "'", "x", "1e5", "-400", "200", "0.5", "3;4", "=1+1", "\x1b[2J", "é", "2023-07-01",
    "2023-02-30T00:00", "2023-07-01T25:00", "９", "0" * 400, "2023-07-01T13:00+07:00", "\u2028", "12 %",
    "±1", "\x00", "9" * 200_000,
)  # fmt: skip
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "utf-32")


def _rows(rng: random.Random, names: list[str], rows: list[list[str]]) -> bytes:
    """Rows as one of many programs would write them, with a few cells, lines and bytes changed."""
    table = [names, *rows]
    for _ in range(rng.choice((0, 0, 1, 1, 2, 6))):
        row = rng.choice(table)
        kind = rng.randrange(6)
        if kind == 0 and row:
            del row[rng.randrange(len(row))]
        elif kind == 1:
            row.insert(rng.randrange(len(row) + 1), rng.choice(CELLS))
        elif kind == 2:
            table.insert(rng.randrange(len(table) + 1), list(rng.choice(table)))
        elif row:
            row[rng.randrange(len(row))] = rng.choice(CELLS)
    delimiter = rng.choice((*",,,,;;;\t\t|",))
    if rng.random() < 0.3:
        table[1:] = [[cell.replace(".", ",") for cell in row] for row in table[1:]]
    if rng.random() < 0.2:
        table = [[f'"{cell}"' for cell in row] for row in table]
    text = rng.choice(("\n", "\n", "\r\n", "\r")).join(delimiter.join(row) for row in table)
    text = rng.choice(("", "", "# made up\n", f"sep={delimiter}\n", "\n\n", '"# a\n')) + text
    data = text.encode(rng.choice(ENCODINGS), "replace")
    if rng.random() < 0.1:
        at = rng.randrange(len(data) + 1)
        data = (
            data[:at]
            + bytes(rng.randrange(256) for _ in range(rng.randrange(4)))
            + data[at + rng.randrange(9) :]
        )
    return data


@st.composite
def weather_files(draw: Any) -> tuple[str, bytes]:
    """(name, bytes) of a CSV or an EPW file of some hours."""
    rng = random.Random(draw(st.integers(0, 2**48)))
    if rng.random() < 0.3:
        return "w.epw", _epw(rng)
    names = [
        "time",
        "temperature",
        rng.choice(("relative_humidity", "wet_bulb", "dew_point", "humidity_ratio")),
        "pressure",
    ]
    hours = rng.randrange(1, 40)
    start = np.datetime64("2023-02-27T00:00") + rng.randrange(2000) * np.timedelta64(1, "h")
    rows = [
        [
            str(start + k * np.timedelta64(60, "m")),
            f"{rng.uniform(-9, 38):.1f}",
            f"{rng.uniform(0, 30):.2f}",
            "101.3",
        ]
        for k in range(hours)
    ]
    return "w.csv", _rows(rng, names, rows)


def _epw(rng: random.Random) -> bytes:
    head = [
        "LOCATION,Rivertown,-,XXX,invented,999999,10.5,106.5,7.0,12.0", "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0", "GROUND TEMPERATURES,0", "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0", "COMMENTS 1,x",
        "COMMENTS 2,", "DATA PERIODS,1,1,Data,Sunday, 1/ 1, 1/ 1",
    ]  # fmt: skip
    rows = [
        [
            "2001",
            "1",
            "1",
            str(h),
            "0",
            "?9",
            f"{rng.uniform(0, 30):.1f}",
            "5.0",
            str(rng.randrange(20, 101)),
            "101300",
        ]
        for h in range(1, 25)
    ]
    lines = [line.split(",") for line in head] + rows
    for _ in range(rng.choice((0, 1, 2, 5))):
        row = rng.choice(lines)
        if row:
            row[rng.randrange(len(row))] = rng.choice(CELLS)
        if rng.random() < 0.2:
            del lines[rng.randrange(len(lines))]
    return "\n".join(",".join(row) for row in lines).encode(rng.choice(ENCODINGS), "replace")


@st.composite
def trials(draw: Any) -> bytes:
    """A file of trials on the line of COOLER."""
    rng = random.Random(draw(st.integers(0, 2**48)))
    known = [
        "trial", "note", "feed.moisture [%]", "feed.temperature [degC]", "air.temperature [degF]",
        "cooler.airflow [m3/min]", "cooler.bed_depth [in]", "measured.moisture [%]",
        "measured.temperature [degC]", "measured.moisture ± [%]", "measured.exhaust_temperature [degC]",
        "feed.moisture ± [%]", "cooler.airflow ± [m3/h]",
        "feed.moistur [%]", "feed.moisture", "measured.moisture [kg]", "", "[%]", "cooler.arrangement",
    ]  # fmt: skip
    names = rng.sample(known[:13], rng.randrange(2, 8)) + (rng.sample(known, 1) if rng.random() < 0.2 else [])
    if rng.random() < 0.8 and "measured.moisture [%]" not in names:
        names.append("measured.moisture [%]")
    rows = [
        [f"{rng.uniform(11, 16):.{rng.randrange(3)}f}" for _ in names] for _ in range(rng.randrange(1, 6))
    ]
    return _rows(rng, names, rows)


# -- cases in Python


NUMBERS = (
    float("nan"), float("inf"), -float("inf"), -1.0, 0.0, -0.0, 1e-300, 1e300, 85.0, 0.5, 14.0, 1500.0,
    None, "x", True, 3j, [], [0.1, 0.2], (), {}, np.array([]), np.array([0.1, np.nan]), np.array(["a"]),
    np.float32(0.3), 10**400, object(),
)  # fmt: skip


@st.composite
def cases(draw: Any) -> Case:
    """A cooler with some numbers moved inside their ranges, some anywhere, and parts of another kind."""
    rng = random.Random(draw(st.integers(0, 2**48)))
    case = loads(COOLER if rng.random() < 0.9 else rng.choice((BATCH, BELT)))
    if isinstance(case.cooler, Cooler):
        even = dataclasses.replace(case.cooler, depth_deviation=None, speed_deviation=None)
        case = dataclasses.replace(case, cooler=even)
    paths = [p for p in numbers(case) if p.partition(".")[0] in ("feed", "air", "cooler", "material")]
    for path in rng.sample(paths, rng.randrange(1, 4)):
        value = numbers(case).get(path)
        if value is not None:
            case = with_number(case, path, value * rng.choice((0.5, 0.8, 0.95, 1.05, 1.2, 2.0)))
    kind = rng.random()
    if kind < 0.5:
        path = rng.choice(paths)
        case = with_number(case, path, rng.choice(NUMBERS))
    elif kind < 0.55:
        case = dataclasses.replace(
            case, **{rng.choice(("feed", "air", "cooler", "material", "fan")): rng.choice(NUMBERS)}
        )
    elif kind < 0.7:
        path = rng.choice([p for p in paths if p in numbers(case)])
        case = with_number(case, path, numbers(case)[path] * np.array([0.9, 1.0, 1.1]))
    return case


@st.composite
def airs(draw: Any) -> Air | None:
    """Air in place of a case's own, or None."""
    rng = random.Random(draw(st.integers(0, 2**48)))
    if rng.random() < 0.6:
        return None
    air = Air(rng.uniform(-20, 45), rng.uniform(0, 1), rng.uniform(6e4, 1.05e5))
    if rng.random() < 0.5:
        return air
    return dataclasses.replace(
        air, **{rng.choice(("temperature", "relative_humidity", "pressure")): rng.choice(NUMBERS)}
    )
