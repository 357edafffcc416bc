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
# # Size a cooler before purchase
#
# Three tonnes an hour of two fish feeds, the rains and a hot afternoon: how large a floor, which fan, and what does
# one square metre more buy? A cooler that is too small is found out in the first wet week, when nothing can be
# changed any more. This notebook sizes one, looks at what fixes the size, and then tries the answer where it hurts.

# %%
import coolsim

case = coolsim.load("../scenarios/cooler-to-buy.toml")
answer = coolsim.size(case)
print(f"floor {answer.floor_area:.2f} m², deepest bed {100 * answer.bed_depth:.0f} cm")
print(
    f"fan {3600 * answer.fan.flow:.0f} m³/h at {answer.fan.pressure:.0f} Pa, motor {answer.fan.motor / 1e3:g} kW"
)

# %% [markdown]
# ## Who decides
#
# Every product runs in every weather, each at its own cheapest airflow and depth; the body and the fan must do for
# all of them. Rarely does one pair decide everything: the smallest floor is fixed by one, the fan by another.

# %%
for part in answer.governing:
    limits = ", ".join(limit.limit for limit in part.limits)
    print(f"{part.part:10s} {part.product}, {part.weather}: {limits}")

# %% [markdown]
# ## What a larger floor saves
#
# On a small floor the bed must be deep to keep the pellets long enough, and a deep bed with the air it needs dries
# more than was asked for: weight is given away, and that is the dear part, far above the electricity.

# %%
ax = coolsim.plots.size_curve(answer, currency=case.costs.currency)

# %% [markdown]
# The star is the smallest floor that costs no more than the stated amount above the best. If the building has
# room for less, the curve says what that costs per tonne; times the tonnes of a year, it is a sum to set against
# the price of a larger machine.
#
# ## Try it where it hurts
#
# A size is for the weathers it was asked about. What does the feed of the scenario do on a night that is worse?

# %%
served = max(answer.served, key=lambda s: s.settings.airflow)
worst = coolsim.Air(temperature=30.0, relative_humidity=0.98, pressure=case.air.pressure)
there = coolsim.replace(
    case,
    {
        "cooler.floor_area": f"{answer.floor_area} m2",
        "cooler.bed_depth": f"{answer.bed_depth} m",
        "cooler.airflow": f"{3600 * served.settings.airflow} m3/h",
    },
)
result = coolsim.predict(there, air=worst)
print(
    f"{100 * result.pellets_out.moisture_wb:.2f} % at {result.pellets_out.temperature:.1f} °C in 30 °C, 98 %"
)
ax = coolsim.plots.bed(result)

# %% [markdown]
# The bed shows why: the air is nearly saturated when it enters, so it takes up water only where the hot pellets
# warm it. Such a night needs drier feed, not a larger floor.
#
# ## What to do
#
# - Ask for a floor, a fan duty **at its density**, and a height; the motor is the next standard one. Have the maker
#   confirm the fan's curve, not a rated point.
# - Put your own wettest hours in: `percentile = "99 %"` of a weather file, not a guess.
# - The margin on pressure is for fouling and fines, which can multiply a bed's pressure; ask how fines are kept
#   out.
# - The numbers of the feed are assumed until a trial on your own pellets settles them: leave room.
# - Guards, explosion protection and supports are for local codes and people licensed to practise.
