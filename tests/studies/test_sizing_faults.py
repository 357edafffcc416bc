"""What a size needs and does not find: every fault at once, with its line."""

from __future__ import annotations

from typing import Any

import pytest
from studies.test_sizing import LINE, exact

from coolsim.scenario import loads
from coolsim.support.errors import InputError


def faults(text: str) -> list[Any]:
    with pytest.raises(InputError) as wrong:
        exact(loads(text, "line.toml"))
    return wrong.value.faults


def test_missing_tables_are_named_all_at_once() -> None:
    text = LINE[: LINE.index("[target]")] + '[costs]\nfeed = "0.4 /kg"\n'
    found = faults(text)
    assert [f.key for f in found] == ["sizing", "target.moisture", "costs.electricity"]
    assert all("a size needs it" in f.allowed for f in found)


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ("[sizing]\n", '[sizing]\nmargin = "-10 %"\n', "sizing.margin", "0 % to 500 %"),
        ('["0.25 m", "1.1 m"]', '["1.1 m", "0.25 m"]', "sizing.bed_depth", "first is above"),
        ("[sizing]\n", '[sizing]\nair_ratio = ["0.5 kg/kg"]\n', "sizing.air_ratio", "a pair"),
        ("[limits]\n", '[limits]\nbed_depth = ["2 m", "3 m"]\n', "sizing.bed_depth", "limits.bed_depth"),
        ("[sizing]\n", '[sizing]\nfloor_area = "90 m2"\n', "sizing.floor_area", "leave"),
        ("[sizing]\n", '[sizing]\nfloor_area = "2 m2"\nabove_least = "9 %"\n', "sizing.floor_area", "one of"),
        ("[sizing]\n", '[sizing]\nmargn = "50 %"\n', "sizing.margn", "did you mean margin?"),
        ("[sizing]\n", "[sizing]\nweather = []\n", "sizing.weather", "one or more [[sizing.weather]]"),
        ("[sizing]\n", "[sizing]\nproduct = 3\n", "sizing.product", "one or more [[sizing.product]]"),
        (
            "[sizing]\n",
            '[sizing]\nproduct = [{name = "a", throughput = "5 kg/h"}, {name = "b", throughput = "90 t/h"}]\n',
            "sizing.bed_depth",
            "widen",
        ),
        ('moisture = "13 %"', 'moisture = "0.2 %"', "target.moisture", "at best"),
    ],
)
def test_bad_input(old: str, new: str, key: str, allowed: str) -> None:
    (fault,) = faults(LINE.replace(old, new))
    assert fault.key == key and allowed in fault.allowed
    assert fault.where.startswith("line.toml:")


@pytest.mark.parametrize(
    ("lists", "key", "allowed"),
    [
        ('[[sizing.product]]\nmoisture = "14 %"\n', "sizing.product.1.name", "it is needed"),
        (
            '[[sizing.product]]\nname = "a"\n[[sizing.product]]\nname = "a"\n',
            "sizing.product.2.name",
            "its own",
        ),
        ('[[sizing.product]]\nname = "a"\nmoistre = "14 %"\n', "sizing.product.1.moistre", "moisture?"),
        ('[[sizing.product]]\nname = "a"\nmoisture = "140 %"\n', "sizing.product.1.moisture", "65 %"),
        ('[[sizing.product]]\nname = "a"\nairflow = "3 m3/h"\n', "sizing.product.1.airflow", "[cooler]"),
        (
            '[[sizing.product]]\nname = "a"\nmaterial = "pig-pelets"\n',
            "sizing.product.1.material",
            "pig-pellets",
        ),
        ('[[sizing.weather]]\nname = "a"\nwet_bulb = "30 degC"\n', "sizing.weather.1.wet_bulb", "dry bulb"),
        (
            '[[sizing.weather]]\nname = "a"\nwet_bulb = "20 degC"\ndew_point = "3 degC"\n',
            "sizing.weather.1.dew_point",
            "give one of",
        ),
        (
            '[[sizing.weather]]\nname = "a"\npercentile = "99 %"\n',
            "sizing.weather.1.percentile",
            "of a weather file",
        ),
        (
            '[weather]\nfile = "y.csv"\n'
            '[[sizing.weather]]\nname = "a"\npercentile = "99 %"\ntemperature = "9 degC"\n',
            "sizing.weather.1.percentile",
            "leave out temperature",
        ),
    ],
)
def test_faults_in_lists_name_their_line(lists: str, key: str, allowed: str) -> None:
    text = LINE + lists
    (fault,) = faults(text)
    assert fault.key == key and allowed in fault.allowed
    name = key.rpartition(".")[2]
    number = int(fault.where.rpartition(":")[2])
    expected = "[[sizing.product]]" if allowed == "it is needed" else name
    assert text.splitlines()[number - 1].startswith(expected)
