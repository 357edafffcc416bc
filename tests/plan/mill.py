"""A small mill as text, for tests that put more to it."""

from __future__ import annotations

BARE = """
title = "a small mill"
[feed]
material = "pig-pellets"
diameter = "4 mm"
length = "10 mm"
{feed}
[air]
temperature = "20 degC"
relative_humidity = "65 %"
[cooler]
floor_area = "0.6 m2"
bed_depth = "0.6 m"
airflow = "900 m3/h"
"""
TYPED = 'throughput = "600 kg/h"\ntemperature = "80 degC"\nmoisture = "15.5 %"'
RECIPE = """
[recipe]
temperature = "25 degC"
[[recipe.ingredient]]
name = "maize meal"
share = "60 %"
moisture = "13 %"
price = "0.25 EUR/kg"
[[recipe.ingredient]]
name = "soya meal"
share = "40 %"
moisture = "11 %"
[conditioning]
temperature = "80 degC"
[die]
specific_energy = "15 kWh/t"
"""
WAY = '[way]\ntime = "15 s"\nair = "0.02 kg/kg"\n'
EQUIPMENT = """
[[equipment]]
name = "mixer"
batch = "40 kg"
cycle = "4 min"
[[equipment]]
name = "press"
catch = ["2.1 kg", "45 s"]
[[equipment]]
name = "cooler"
machine = "cooler"
capacity = "5 t/h"
"""
