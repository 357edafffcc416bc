# ---
# jupyter:
#   jupytext:
#     formats: py:percent
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Moisture curves, and what happens inside a pellet
#
# "Give it more air", says one; "give it more time", says the other. Which of them dries pellets? This notebook
# looks at curves of moisture over dwell, for several airflows and several kinds of weather, and then inside a
# pellet for the reason.

# %%
import dataclasses

import numpy as np

import coolsim

case = coolsim.load("../scenarios/humid-delta.toml")


def at(airflow, minutes, air=case.air):
    """Return the case at an airflow [m³/h], a dwell and a weather."""
    feed, cooler = case.feed, case.cooler
    depth = 60 * minutes * feed.throughput / (feed.bulk_density * cooler.floor_area)
    return dataclasses.replace(
        case, air=air, cooler=dataclasses.replace(cooler, airflow=airflow / 3600, bed_depth=depth)
    )


# %% [markdown]
# ## Dwell, for several airflows
#
# A list of cases is solved in one go; each gets the name of its curve.

# %%
minutes = np.linspace(2, 18, 9)
airflows = (600, 1200, 1800)
pairs = [(q, t) for q in airflows for t in minutes]
curves = coolsim.predict([at(q, t) for q, t in pairs])
ax = coolsim.plots.dwell(curves, [f"{q} m³/h" for q, _ in pairs], case=case, title="airflow")

# %% [markdown]
# Time helps little after the first minutes. More air leaves the pellets *cooler and wetter*: it takes their
# heat before their water can follow. (Far less air than here would at last be too little to carry the vapour.)
#
# ## Dwell, in several kinds of weather

# %%
weathers = {
    "cool rain, 22 °C 95 %": coolsim.Air(22.0, 0.95, case.air.pressure),
    "usual, 31 °C 82 %": case.air,
    "dry season, 34 °C 45 %": coolsim.Air(34.0, 0.45, case.air.pressure),
}
pairs = [(name, t) for name in weathers for t in minutes]
seasons = coolsim.predict([at(1200, t, weathers[name]) for name, t in pairs])
ax = coolsim.plots.dwell(seasons, [name for name, _ in pairs], case=case, title="outside")

# %% [markdown]
# Humid air is no excuse for wet pellets: the weather moves the exit temperature by kelvins, and the moisture by
# tenths of a point. In dry air pellets even leave cooler than the air outside.
#
# ## Inside a pellet
#
# Seconds after it drops in, the skin is dry and the core knows nothing of it. Water has to diffuse from the core to
# the skin, and that takes minutes; meanwhile the skin is what the air sees. Near the bottom, the skin may even take
# up water again from humid air.

# %%
result = coolsim.predict(case)
ax = coolsim.plots.pellet(result, case)

# %% [markdown]
# A bag evens this out. Skin and core end up at one moisture, the mean, and it is the water activity *then* that
# moulds live on:

# %%
after = result.after_equalising
print(
    f"skin {result.pellets_out.surface_moisture_db:.1%}, mean {result.pellets_out.moisture_db:.1%} (dry basis)"
)
print(f"water activity once evened out {after.water_activity:.3f}, at {after.temperature:.1f} °C")

# %% [markdown]
# ## Everything at once
#
# Airflow across, dwell upwards: exit moisture on the curves, the target as the thick line, and hatched where a
# limit of the scenario is broken.

# %%
grid = [(q, t) for t in np.linspace(3, 18, 11) for q in np.linspace(400, 2200, 13)]
states = coolsim.predict([at(q, t) for q, t in grid])
ax = coolsim.plots.moisture_map(states, case, chosen=result)

# %% [markdown]
# ## What to do
#
# - **Too wet? Try less air, not more**, as long as pellets still leave cool enough and the exhaust does not drip:
#   find the edge of "warmest exit" in the map of your own scenario and stay on its right. Turn the fan in small
#   steps; each needs several dwells to settle.
# - **Give the bed its few minutes** and stop there. A deeper bed than that costs pressure and buys little moisture.
# - **Too wet at every airflow?** Then the feed comes in too wet: dry it more before the cooler, or heat the inlet
#   air.
# - **Sample after a night in a closed bag**, not off the belt: a fresh pellet is not as moist outside as inside.
# - Diffusion in the pellet decides all this and is the least known number: see *how much to trust the numbers*.
