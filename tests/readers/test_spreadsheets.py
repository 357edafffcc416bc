"""Rows as spreadsheets write them: any delimiter, decimal mark, encoding and line end; quotes that go wrong."""

from pathlib import Path

import numpy as np
import pytest
from readers.strategies import COOLER

from coolsim.scenario import loads
from coolsim.scenario.trials import read_trials
from coolsim.scenario.weather import Weather, load_weather
from coolsim.support.errors import Fault, InputError

UNITS = {"temperature": "degC", "relative_humidity": "%", "pressure": "kPa"}
PLAIN = "time,temperature,relative_humidity,pressure\n" + "".join(
    f"2023-07-01T{h:02d}:00,{20 + h}.5,{60 + h}.25,101.325\n" for h in range(6)
)
TRIALS = "trial,feed.moisture [%],measured.moisture [%],measured.temperature [degC]\n"
ROWS = "".join(f"day {k},15.{k},12.{k},3{k}.5\n" for k in range(4))


def german(text: str, delimiter: str = ";") -> str:
    """As a spreadsheet set to a language with decimal commas saves it."""
    return (
        text.replace(",", delimiter)
        .replace(".", ",")
        .replace("feed,", "feed.")
        .replace("measured,", "measured.")
    )


def weather_of(tmp_path: Path, data: bytes | str) -> Weather:
    path = tmp_path / "w.csv"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return load_weather(path, UNITS)


def faults_of(tmp_path: Path, data: bytes | str) -> list[Fault]:
    with pytest.raises(InputError) as wrong:
        weather_of(tmp_path, data)
    return [Fault(f.where.replace(f"{tmp_path}/", ""), f.key, f.found, f.allowed) for f in wrong.value.faults]


def same(a: Weather, b: Weather) -> bool:
    names = ("time", "temperature", "relative_humidity", "pressure")
    return all(np.array_equal(getattr(a, name), getattr(b, name)) for name in names)


ALIKE = {
    "semicolons": PLAIN.replace(",", ";"),
    "tabs": PLAIN.replace(",", "\t"),
    "decimal commas": german(PLAIN),
    "decimal commas and tabs": german(PLAIN, "\t"),
    "decimal commas in quotes": "\n".join(
        ",".join(f'"{cell.replace(".", ",")}"' for cell in line.split(",")) for line in PLAIN.splitlines()
    ),
    "a line that names the delimiter": "sep=;\n" + german(PLAIN),
    "a byte-order mark": b"\xef\xbb\xbf" + PLAIN.encode(),
    "UTF-16": PLAIN.encode("utf-16"),
    "UTF-16, big end first": b"\xfe\xff" + PLAIN.replace(",", "\t").encode("utf-16-be"),
    "UTF-16 without its mark": PLAIN.encode("utf-16-le"),
    "lines of old computers": PLAIN.replace("\n", "\r"),
    "lines of Windows": PLAIN.replace("\n", "\r\n"),
    "empty columns and rows behind": "\n".join(line + ",," for line in PLAIN.splitlines()) + "\n,,,,,\n,,,,,\n",
    "quotes around everything": "\n".join(
        ", ".join(f'"{cell}"' for cell in line.split(",")) for line in PLAIN.splitlines()
    ),
    "a remark in quotes": '"# from the logger, one; two"\n' + PLAIN,
}  # fmt: skip


@pytest.mark.parametrize("what", ALIKE)
def test_however_it_was_saved_it_is_the_same_weather(tmp_path: Path, what: str) -> None:
    assert same(weather_of(tmp_path, ALIKE[what]), weather_of(tmp_path, PLAIN))


def test_delimiter_and_decimal_mark_are_told(tmp_path: Path) -> None:
    told = [r.found for r in weather_of(tmp_path, german(PLAIN)).remarks]
    assert "cells parted by semicolons and a comma before the decimals" in told
    assert not any("parted by" in r.found for r in weather_of(tmp_path, PLAIN).remarks)


def test_a_comma_that_may_be_thousands_is_no_number(tmp_path: Path) -> None:
    text = PLAIN.replace(",101.325", ',"101,325"')
    (fault,) = faults_of(tmp_path, text)
    assert (
        fault.key == "pressure"
        and fault.where == "w.csv:2"
        and "without a comma for thousands" in fault.allowed
    )
    both = german(PLAIN).replace("20,5", "20.5")
    (fault,) = faults_of(tmp_path, both)  # one point where all the others are commas
    assert fault.key == "temperature" and fault.where == "w.csv:2" and "12,5" in fault.allowed
    (fault,) = faults_of(tmp_path, german(PLAIN).replace("101,325", "1.013,25"))
    assert fault.key == "pressure" and "1.013,25" in fault.found


def test_a_quote_without_its_end_is_a_fault_of_its_line(tmp_path: Path) -> None:
    lines = PLAIN.splitlines()
    lines[3] = '"' + lines[3]
    (fault,) = faults_of(tmp_path, "\n".join(lines))
    assert fault.where == "w.csv:4" and "not closed on its line (line 4)" in fault.found


def test_a_line_break_in_quotes_shifts_no_line(tmp_path: Path) -> None:
    """What a person wrote in one cell over two lines is two lines for whoever looks for line 7."""
    text = PLAIN.splitlines()
    text = [text[0] + ",remark", *(line + "," for line in text[1:])]
    text[2] += '"fog\nall day"'
    text[5] = text[5].replace("24.5", "warm")
    wrong = faults_of(tmp_path, "\n".join(text))
    assert [(f.where, "not closed" in f.found) for f in wrong] == [("w.csv:3", True), ("w.csv:4", False)]
    text[2], text[3:4] = text[2].partition('"')[0], ["# all day", text[3]]
    (fault,) = faults_of(tmp_path, "\n".join(text))
    assert (fault.where, fault.found) == ("w.csv:7", '"warm"')


def test_quotes_inside_words_are_words(tmp_path: Path) -> None:
    lines = PLAIN.splitlines()
    text = [lines[0] + ",remark", *(line + ',pipe of 5"' for line in lines[1:])]
    assert same(weather_of(tmp_path, "\n".join(text)), weather_of(tmp_path, PLAIN))


@pytest.mark.parametrize(
    "data", [PLAIN.encode("utf-16")[:-1] + b"\0\0x", b"a\0b\0\0\0", b"\xff\xfe" + b"\0" * 9]
)
def test_what_is_no_text_is_said(tmp_path: Path, data: bytes) -> None:
    assert faults_of(tmp_path, data)


def test_half_a_million_commas_are_no_columns(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, "time," * 500_000 + "x\n" + PLAIN)
    assert fault.key == "columns" and fault.found == "500001"


def test_a_cell_too_long_to_be_one(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, PLAIN + '2023-07-01T06:00,"' + "9" * 200_000 + '",60,101\n')
    assert fault.where == "w.csv:8" and len(str(fault)) < 500


# -- trials are read by the same reader


@pytest.mark.parametrize(
    "data",
    [
        german(TRIALS + ROWS).encode(),
        german(TRIALS + ROWS, "\t").encode("utf-16"),
        ("sep=;\r\n" + german(TRIALS + ROWS).replace("\n", ";;\r\n") + ";;;;;\r\n").encode("utf-8-sig"),
    ],
)
def test_trials_as_spreadsheets_save_them(tmp_path: Path, data: bytes) -> None:
    case = loads(COOLER)
    for name, content in (("plain.csv", (TRIALS + ROWS).encode()), ("other.csv", data)):
        (tmp_path / name).write_bytes(content)
    plain, other = (read_trials(case, tmp_path / name) for name in ("plain.csv", "other.csv"))
    assert other.labels == plain.labels and plain.labels[1] == "day 1"
    assert np.array_equal(other.measured, plain.measured, equal_nan=True)
    assert [c.feed.moisture for c in other.cases] == [c.feed.moisture for c in plain.cases]
    assert other.cases[1].feed.moisture == pytest.approx(0.151)
    assert "comma before the decimals" in other.marks and plain.marks == ""


def test_trials_name_the_lines_of_quotes_and_numbers(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(TRIALS + '"day 1,15,12,30\nday 2,15,12,30\n')
    with pytest.raises(InputError, match=r"t\.csv:2: row: found a quote that is not closed"):
        read_trials(loads(COOLER), path)
    path.write_text(german(TRIALS + ROWS).replace("12,2", "12.2"))
    with pytest.raises(InputError, match=r't\.csv:4: measured\.moisture: found "12\.2".*such as 12,5'):
        read_trials(loads(COOLER), path)


def test_a_thousand_trials_are_read_in_seconds(tmp_path: Path) -> None:
    import time

    path = tmp_path / "t.csv"
    path.write_text(TRIALS + ROWS * 250)
    begin = time.process_time()
    assert len(read_trials(loads(COOLER), path)) == 1000
    assert time.process_time() - begin < 4.0
