"""Pig pellets, a small batch dryer and a belt, which tests of settings, sizes and years add to.

The wettest layers of a batch that is not turned would mould: `test_moulds` asks for that, and here it is let be.
"""

FEED = """
[feed]
material = "pig-pellets"
diameter = "6 mm"
length = "12 mm"
throughput = "600 kg/h"
temperature = "60 degC"
moisture = "18 %"
[air]
temperature = "20 degC"
relative_humidity = "60 %"
[target]
moisture = "13 %"
maximum_water_activity = 1.0
[costs]
electricity = "0.15 /kWh"
heat = "0.06 /kWh"
feed = "0.4 /kg"
"""
BATCH = """[cooler]
arrangement = "batch"
floor_area = "4 m2"
bed_depth = "10 cm"
duration = "20 min"
airflow = "4000 m3/h"
inlet_air_temperature = "80 degC"
"""
BELT = """[cooler]
arrangement = "belt"
belt_width = "1 m"
bed_depth = "10 cm"
[[cooler.zone]]
length = "5 m"
airflow = "5000 m3/h"
inlet_air_temperature = "50 degC"
recirculation = "50 %"
[[cooler.zone]]
length = "1 m"
airflow = "1500 m3/h"
"""
