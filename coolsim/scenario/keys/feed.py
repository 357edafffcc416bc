"""Keys of what is fed, and of its material."""

from __future__ import annotations

from coolsim.scenario import units as u
from coolsim.scenario.keys.base import FAHRENHEIT, METRES, MOISTURE, SMALL, Key, quantity

CUSTOM = "custom"  # feed.material that points to the scenario's own [material] table
FEED = {
    "material": Key(
        "text", "a name of `coolsim materials`, custom, or a file", '"pig-pellets"', required=True
    ),
    "diameter": quantity(
        u.LENGTH, "4 mm", "0.3 mm", "60 mm", "pellet diameter", hint=METRES, required=True, **SMALL
    ),
    "length": quantity(
        u.LENGTH, "10 mm", "0.3 mm", "200 mm", "pellet length", hint=METRES, required=True, **SMALL
    ),
    "throughput": quantity(
        u.MASS_FLOW, "5 t/h", "0.1 kg/h", "200 t/h", "wet pellets entering the cooler", required=True
    ),
    "temperature": quantity(
        u.TEMPERATURE,
        "80 degC",
        "0 degC",
        "180 degC",
        "pellets as they reach the cooler",
        hint=FAHRENHEIT,
        required=True,
    ),
    "moisture": quantity(u.FRACTION, "15.5 %", "0.1 %", "65 %", "wet basis", hint=MOISTURE),
    "moisture_dry_basis": quantity(
        u.FRACTION, "18.3 %", "0.1 %", "185 %", "water per dry solid, in place of moisture"
    ),
    "bulk_density": quantity(
        u.DENSITY, "640 kg/m3", "100 kg/m3", "1200 kg/m3", "of the wet feed; the material's if left out"
    ),
    "void_fraction": quantity(
        u.FRACTION, "42 %", "15 %", "80 %", "air between the pellets; the material's if left out"
    ),
    "fines": quantity(
        u.FRACTION,
        "3 %",
        "0 %",
        "20 %",
        "dust and broken pellets, by mass: they raise the pressure drop",
        hint="what they do was measured up to there: screen them out",
    ),
    "sampled_at": Key(
        "choice",
        "where typed moisture and temperature were taken: there, or at the die, with [way]",
        '"cooler"',
        choices=("cooler", "die"),
    ),
}

MATERIAL = {
    "specific_heat": quantity(
        u.SPECIFIC_HEAT, "1750 J/(kg K)", "500 J/(kg K)", "4000 J/(kg K)", "of the dry solid", required=True
    ),
    "conductivity": quantity(
        u.CONDUCTIVITY, "0.2 W/(m K)", "0.01 W/(m K)", "5 W/(m K)", "of the pellet", required=True
    ),
    "bulk_density": quantity(
        u.DENSITY, "640 kg/m3", "100 kg/m3", "1200 kg/m3", "of the wet feed", required=True
    ),
    "void_fraction": quantity(u.FRACTION, "42 %", "15 %", "80 %", "air between the pellets", required=True),
}

SORPTION = {
    "equation": Key("text", "the constants that follow are those of this equation", '"modified-oswin"'),
    "fat": quantity(u.FRACTION, "4 %", "0 %", "50 %", "of the dry solid, which takes up no water"),
}

SORPTION_POINT = {
    "temperature": quantity(
        u.TEMPERATURE, "25 degC", "-20 degC", "100 degC", "measured at", hint=FAHRENHEIT, required=True
    ),
    "water_activity": Key(
        "number", "a bare number, such as 0.65", "0.65", low="0.01", high="0.98", required=True
    ),
    "moisture": quantity(u.FRACTION, "12.5 %", "0.1 %", "65 %", "wet basis", hint=MOISTURE),
    "moisture_dry_basis": quantity(
        u.FRACTION, "14.3 %", "0.1 %", "185 %", "water per dry solid, in place of moisture"
    ),
}

COMPOSITION = {
    name: quantity(u.FRACTION, example, "0 %", "100 %", meaning)
    for name, example, meaning in (
        ("protein", "18 %", "share of the dry solid; all of them add up to 100 %"),
        ("fat", "4 %", "takes up no water"),
        ("carbohydrate", "65 %", "fibre apart"),
        ("fibre", "5 %", "share of the dry solid"),
        ("ash", "8 %", "share of the dry solid"),
    )
}

DIFFUSIVITY = {
    "value": quantity(
        u.DIFFUSIVITY, "6e-10 m2/s", "1e-14 m2/s", "1e-5 m2/s", "of water in the pellet", required=True
    ),
    "at": quantity(
        u.TEMPERATURE, "60 degC", "0 degC", "180 degC", "where value holds", hint=FAHRENHEIT, required=True
    ),
    "activation_energy": quantity(
        u.MOLAR_ENERGY, "26 kJ/mol", "0 kJ/mol", "200 kJ/mol", "how it rises with temperature", required=True
    ),
    "moisture_slope": Key(
        "number", "slope of its logarithm with dry-basis moisture", "0", low="-100", high="100", default=0.0
    ),
    "at_moisture": quantity(
        u.FRACTION, "14 %", "0 %", "65 %", "wet basis, where value holds; with moisture_slope"
    ),
}
