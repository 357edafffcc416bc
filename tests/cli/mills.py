"""A pig-pellet line that has only its fan to turn."""

MACHINE = """\
[limits]
fan_speed = ["40 %", "100 %"]
maximum_lift_off = "50 %"
maximum_bed_pressure_drop = "2000 Pa"
[costs]
electricity = "0.15 EUR/kWh"
feed = "0.5 EUR/kg"
[fan]
rated_flow = "1800 m3/h"
rated_pressure = "1900 Pa"
[duct]
pressure_loss = ["250 Pa", "1500 m3/h"]
leakage = "5 %"
"""


def mill(good: str, target: str, machine: str = MACHINE) -> str:
    return good.replace('moisture = "12 %"', f'moisture = "{target}"') + machine
