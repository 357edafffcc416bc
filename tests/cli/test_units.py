"""Quantities as people write them. Expected values are exact definitions, multiplied out by hand."""

import re
import time

import pint
import pytest

from coolsim.scenario import units as u

# ft = 0.3048 m, lb = 0.45359237 kg, short ton = 2000 lb, in = 0.0254 m (exact, NIST SP 811);
# inH2O = 0.0254 m × 1000 kg/m³ × 9.80665 m/s² = 249.08891 Pa (conventional water)
GOOD = [
    ("4 mm", u.LENGTH, 0.004),
    ("4mm", u.LENGTH, 0.004),
    ("1.5 in", u.LENGTH, 0.0381),
    (".5 ft", u.LENGTH, 0.1524),
    ("5 m2", u.AREA, 5.0),
    ("5 m²", u.AREA, 5.0),
    ("144 in2", u.AREA, 0.09290304),
    ("10 ft2", u.AREA, 0.9290304),
    ("1200 kg/h", u.MASS_FLOW, 1 / 3),
    ("1.2e3 kg/h", u.MASS_FLOW, 1 / 3),
    ("3.6 t/h", u.MASS_FLOW, 1.0),
    ("2 short_ton/h", u.MASS_FLOW, 2 * 907.18474 / 3600),
    ("7936.64 lb/h", u.MASS_FLOW, 7936.64 * 0.45359237 / 3600),
    ("185 degF", u.TEMPERATURE, 85.0),
    ("185 °F", u.TEMPERATURE, 85.0),
    ("82 degC", u.TEMPERATURE, 82.0),
    ("82 °C", u.TEMPERATURE, 82.0),
    ("-40 degF", u.TEMPERATURE, -40.0),
    ("300 K", u.TEMPERATURE, 26.85),
    ("6 K", u.DIFFERENCE, 6.0),
    ("6 degC", u.DIFFERENCE, 6.0),
    ("9 degF", u.DIFFERENCE, 5.0),
    ("9 °F", u.DIFFERENCE, 5.0),
    ("14 %", u.FRACTION, 0.14),
    ("14%", u.FRACTION, 0.14),
    ("560 kg/m3", u.DENSITY, 560.0),
    ("35 lb/ft3", u.DENSITY, 35 * 0.45359237 / 0.3048**3),
    ("30 inH2O", u.PRESSURE, 7472.6673),
    ("100 mmH2O", u.PRESSURE, 980.665),
    ("1.013 bar", u.PRESSURE, 101300.0),
    ("1800 cfm", u.VOLUME_FLOW, 1800 * 0.3048**3 / 60),
    ("1500 m3/h", u.VOLUME_FLOW, 1500 / 3600),
    ("1500 m**3/h", u.VOLUME_FLOW, 1500 / 3600),
    ("1500 m^3 / h", u.VOLUME_FLOW, 1500 / 3600),
    ("12 min", u.TIME, 720.0),
    ("18 g/kg", u.HUMIDITY_RATIO, 0.018),
    ("126 grain/lb", u.HUMIDITY_RATIO, 0.018),  # 7000 grains to the pound
    ("1.2 kg/kg", u.AIR_RATIO, 1.2),
    ("750 m3/t", u.AIR_VOLUME_RATIO, 0.75),
    ("1.8 kJ/(kg K)", u.SPECIFIC_HEAT, 1800.0),
    ("1800 J/kg/K", u.SPECIFIC_HEAT, 1800.0),
    ("0.5 BTU/(lb degF)", u.SPECIFIC_HEAT, 2093.4),  # 1 BTU_IT/(lb °F) = 4186.8 J/(kg K)
    ("0.2 W/(m K)", u.CONDUCTIVITY, 0.2),
    ("8e-10 m2/s", u.DIFFUSIVITY, 8e-10),
    ("26 kJ/mol", u.MOLAR_ENERGY, 26000.0),
]


@pytest.mark.parametrize(("text", "dimension", "expected"), GOOD)
def test_reads_what_people_write(text: str, dimension: u.Dimension, expected: float) -> None:
    # 1e-6: pint's BTU differs from the international one by 2e-8
    assert u.read(text, dimension) == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(("text", "dimension", "expected"), GOOD)
@pytest.mark.parametrize("system", ["si", "us"])
def test_what_is_shown_reads_back(text: str, dimension: u.Dimension, expected: float, system: str) -> None:
    shown = u.text_of(expected, dimension, dimension.us if system == "us" else dimension.si)
    assert u.read(shown, dimension) == pytest.approx(expected, rel=1e-10, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "dimension", "hint"),
    [
        ("0,5 m", u.LENGTH, "without commas"),
        ("1,200 kg/h", u.MASS_FLOW, "without commas"),
        ("1 200 kg/h", u.MASS_FLOW, "without spaces"),
        ("1_200 kg/h", u.MASS_FLOW, "without spaces"),
        ("1.2.3 m", u.LENGTH, "one number"),
        ("½ in", u.LENGTH, "one finite number"),
        ("5/32 in", u.LENGTH, "in place of a fraction: 0.15625 in"),
        ("٣ m", u.LENGTH, "one finite number"),
        ("nan m", u.LENGTH, "one finite number"),
        ("inf m", u.LENGTH, "one finite number"),
        ("1e400 m", u.LENGTH, "finite size"),
        ("-1e999 m", u.LENGTH, "finite size"),
        ("1e-323 mm", u.LENGTH, "can be computed with"),
        ("0.8", u.LENGTH, "unit is missing"),
        ("", u.LENGTH, "one finite number"),
        ("mm", u.LENGTH, "one finite number"),
        ("4 s", u.LENGTH, "a length"),
        ("4 MM", u.LENGTH, "did you mean mm?"),
        ("4 mm %", u.LENGTH, "a length"),
        ("4 %mm", u.LENGTH, "a length"),
        ("4 m rad", u.LENGTH, "a length"),
        ("4 deg", u.LENGTH, "a length"),
        ("1800 acfm", u.VOLUME_FLOW, "did you mean cfm?"),
        ("1500 m3h", u.VOLUME_FLOW, "did you mean m3/h?"),
        ("5 s3/h", u.VOLUME_FLOW, "an airflow"),
        ("2 ton/h", u.MASS_FLOW, "t/h or short_ton/h"),
        ("2 tons/h", u.MASS_FLOW, "t/h or short_ton/h"),
        ("185 F", u.TEMPERATURE, "did you mean degF?"),
        ("85 C", u.TEMPERATURE, "did you mean degC?"),
        ("85 deg C", u.TEMPERATURE, "did you mean degC?"),
        ("85 ºC", u.TEMPERATURE, "did you mean degC?"),
        ("85 delta_degC", u.TEMPERATURE, "a temperature"),
        ("60 %RH", u.FRACTION, "a fraction"),
        ("16 % db", u.FRACTION, "only the %"),
        ("12 pct", u.FRACTION, "did you mean %?"),
        ("14 g/kg", u.FRACTION, "a fraction"),
        ("0.14", u.FRACTION, "unit is missing"),
        ("1.2", u.AIR_RATIO, "unit is missing"),
        ("1.2 m/m", u.AIR_RATIO, "an air ratio"),
        ("18 %", u.HUMIDITY_RATIO, "a humidity ratio"),
        ("1800 J/kg K", u.SPECIFIC_HEAT, "J/(kg K)"),
    ],
)
def test_refuses_what_it_would_have_to_guess(text: str, dimension: u.Dimension, hint: str) -> None:
    with pytest.raises(u.Misread) as refused:
        u.read(text, dimension)
    assert hint in str(refused.value)


@pytest.mark.parametrize(
    "text",
    [
        "9**9**9**9 m",
        "1 m**9**9**9",
        "1 m^9^9^9^9",
        "1 (((((m^9)^9)^9)^9)^9)",
        "__import__('os').system('true') m",
        "1 __import__('os')",
        "1 m.__class__",
        "1 [m for m in m]",
        "1 lambda: m",
        "1 m" + "*m" * 400_000,
        "9" * 1_000_000 + " m",
        "1 m" + " " * 1_000_000,
        "1 " + "(" * 38,
    ],
)
def test_text_that_computes_or_runs_is_refused_at_once(text: str) -> None:
    u.read("1 m", u.LENGTH)  # the registry's own start is not what is timed
    start = time.perf_counter()
    with pytest.raises(u.Misread):
        u.read(text, u.LENGTH)
    assert time.perf_counter() - start < 0.25  # it takes about a millisecond


def test_pint_never_sees_what_the_grammar_refuses(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []
    registry = u._registry()
    monkeypatch.setattr(registry, "parse_units", lambda text: seen.append(text) or registry.Unit("m"))
    for text in ("1 m; import os", "1 os.x", "1 m**99", "1 9**9", "1 'm'", "1 m9", "1 __m", "1 m=2"):
        with pytest.raises(u.Misread):
            u.read(text, u.LENGTH)
    assert seen == []


@pytest.mark.parametrize(
    ("text", "dimension", "price", "currency"),
    [
        ("0.36 /kWh", u.ENERGY_PRICE, 1e-7, ""),
        ("0.36 EUR/kWh", u.ENERGY_PRICE, 1e-7, "EUR"),
        ("0.36 xof / kWh", u.ENERGY_PRICE, 1e-7, "XOF"),
        ("550 /t", u.MASS_PRICE, 0.55, ""),
        ("0.45359237 USD/lb", u.MASS_PRICE, 1.0, "USD"),
    ],
)
def test_prices(text: str, dimension: u.Dimension, price: float, currency: str) -> None:
    value, found = u.read_price(text, dimension)
    assert (value, found) == (pytest.approx(price, rel=1e-12), currency)


@pytest.mark.parametrize("text", ["0.15 kWh", "0.15 $/kWh", "0.15 EURO/kWh", "0.15 /kg", "0.15", "/kWh"])
def test_prices_refused(text: str) -> None:
    with pytest.raises(u.Misread):
        u.read_price(text, u.ENERGY_PRICE)


def test_units_mean_what_they_mean_in_pints_own_list() -> None:
    """Every name and prefix in data/units.txt against pint's definitions; cfm is ours alone."""
    defined = re.findall(r"^(\w+-?) = ([^\n]*)", u.UNITS.read_text(encoding="utf-8"), re.MULTILINE)
    names = {name for first, rest in defined for name in (first, *re.split(" = ", rest)[1:])}
    names = {f"{name[:-1]}m" if name.endswith("-") else name for name in names}
    names -= {"_", "cubic_foot_per_minute", "cfm"}
    assert {"µm", "kilom", "in", "feet", "lb", "inH2O", "BTU", "fahrenheit", "short_ton"} <= names
    theirs, ours = pint.UnitRegistry(), u._registry()
    for name in sorted(names):
        one, other = (registry.Quantity(1.0, name).to_root_units() for registry in (ours, theirs))
        assert str(one.units) == str(other.units), name
        assert one.magnitude == pytest.approx(other.magnitude, rel=1e-14), name


@pytest.mark.parametrize("trap", ["3 bag", "3 F", "3 fm", "3 barn", "3 sv"])
def test_units_of_other_trades_are_unknown(trap: str) -> None:
    for dimension in (u.MASS, u.TEMPERATURE, u.LENGTH, u.AREA, u.VOLUME_FLOW):
        with pytest.raises(u.Misread):
            u.read(trap, dimension)
