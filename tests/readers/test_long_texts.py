"""Scenarios that are long, deep or odd are read in the time of their length, and answered in a page of words."""

import time

import pytest
from readers.strategies import BATCH, COOLER

from coolsim.scenario import loads
from coolsim.scenario.edit import parse_setting, replace
from coolsim.support.errors import MOST_SHOWN, Fault, InputError
from coolsim.support.toml_text import find_lines

PRODUCT = '[[sizing.product]]\nname = "product {0}"\nmoisture = "{1} %"\n'
ZONE = '[[cooler.zone]]\nlength = "1 m"\nairflow = "{0} m3/h"\n'
STAGE = '[[stage]]\nname = "{0}"\nfloor_area = "1 m2"\nbed_depth = "9 km"\nairflow = "1500 m3/h"\n'
AIR = COOLER[: COOLER.index("[cooler]")]


def faults_of(text: str) -> list[Fault]:
    try:
        loads(text, "mill.toml")
    except InputError as error:
        return error.faults
    return []


LONG = {
    "spaces in a header": f'{COOLER}[{" " * 4000}"a+b"]\n',
    "quotes in a comment": COOLER + "# " + '\\"' * 20_000 + "\n",
    "a quote without its end": COOLER + 'title = "' + '\\"' * 20_000 + "\n",
    "spaces in a quantity": COOLER.replace('"15.5 %"', f'"14{" " * 40_000}%"'),
    "products": COOLER + "".join(PRODUCT.format(k, 10 + k % 5) for k in range(1200)),
    "wrong products": COOLER + "".join(PRODUCT.format(k, 90) for k in range(1200)),
    "stages": AIR + "".join(STAGE.format(k) for k in range(1000)),
    "zones": AIR + '[cooler]\narrangement = "belt"\n' + "".join(ZONE.format(k) for k in range(3000)),
    "unknown keys": COOLER + "".join(f"key{k} = 1\n" for k in range(20_000)),
    "dots in a key": COOLER + ".".join("a" * 20_000) + " = 1\n",
}


@pytest.mark.parametrize("what", LONG)
def test_long_texts_take_the_time_of_their_length(what: str) -> None:
    """4 seconds of a busy processor; by the square of their length they took 9 to 40, or hours."""
    begin = time.process_time()
    faults_of(LONG[what])
    assert time.process_time() - begin < 4.0


def test_a_message_shows_twenty_faults_and_counts_the_rest() -> None:
    with pytest.raises(InputError) as wrong:
        loads(COOLER + "".join(f"key{k} = 1\n" for k in range(2000)), "mill.toml")
    lines = str(wrong.value).splitlines()
    assert len(wrong.value.faults) == 2000  # whoever asks in Python has them all
    assert len(lines) == MOST_SHOWN + 1 and "1980 more" in lines[-1] and len(str(wrong.value)) < 10_000


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (f"[{'.'.join('a' * 1000)}]", True),
        (f"{'.'.join('a' * 30)} = 1", True),
        (f"x = {'[' * 330}{']' * 330}", False),
        (f"x = {'[' * 30}{']' * 30}", False),
        (f"x = {'{a = ' * 200}1{'}' * 200}", False),
    ],
)
def test_what_nests_deeply_is_a_fault(line: str, told: bool) -> None:
    (fault,) = faults_of(COOLER + line + "\n")
    number = f":{COOLER.count(chr(10)) + 1}"
    assert "nested too deeply" in fault.found and fault.where == f"mill.toml{number if told else ''}"


def test_what_nests_deeply_is_a_fault_of_a_setting_and_in_python() -> None:
    case = loads(COOLER)
    deep: list = []
    deep.append(deep)  # a list inside itself has no end
    for value in (deep, parse_setting(f"limits.airflow={'[' * 330}{']' * 330}")[1]):
        with pytest.raises(InputError) as wrong:
            replace(case, {"limits.airflow": value, "feed.moisture": "99 %"}, "--set")
        assert {fault.key for fault in wrong.value.faults} == {"limits.airflow", "feed.moisture"}


def test_a_material_file_that_nests_deeply_is_a_fault(tmp_path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(f"[diffusivity]\nvalue = {'[' * 300}{']' * 300}\n")
    (fault, *_) = faults_of(COOLER.replace("pig-pellets", str(path)))
    assert "nested too deeply" in fault.found


def test_lines_are_counted_as_editors_count_them() -> None:
    """Strings and comments with brackets, quotes or other line separators move no line."""
    text = (
        'title = "a [b] = \\"c\u2028d"  # [no] = "table\n'  # U+2028 ends a line for Python, not for TOML
        "[limits] # it's\n"
        'airflow = [\'1 m3/h]\', """2\n]m3/h""""\n, ] # ]\n'
        '"bed_depth" = 1\n'
        "[ 'fan' . \"sp.eed\" ]\n"
    )
    assert find_lines(text) == {
        "title": 1, "limits": 2, "limits.airflow": 3, "limits.bed_depth": 6, "fan.sp.eed": 7,
    }  # fmt: skip


def test_a_list_of_many_keeps_the_line_of_each() -> None:
    text = BATCH + "".join(PRODUCT.format(k, 10) for k in range(40)).replace("product 17", "product 16")
    (fault,) = (f for f in faults_of(text) if f.key == "sizing.product.18.name")
    assert fault.where == f"mill.toml:{BATCH.count(chr(10)) + 17 * 3 + 2}"
