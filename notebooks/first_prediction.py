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
# # A first prediction
#
# A small mill between two rivers makes feed that floats. The pellets drop into a counter-flow cooler hot and
# moist; the air that cools them is warm and close to saturation most of the year. They go into bags at 12 %
# moisture or drier, and no more than 6 K warmer than the air outside, or they sweat in the bag.
#
# Does this cooler do it? The scenario is a text file with a unit behind every number:
# [`scenarios/humid-delta.toml`](../scenarios/humid-delta.toml).

# %%
import coolsim

case = coolsim.load("../scenarios/humid-delta.toml")
result = coolsim.predict(case, band=True)

# %% [markdown]
# In Python temperatures are °C, fractions are fractions, and everything else is SI.

# %%
out = result.pellets_out
above = out.temperature - case.air.temperature
print(f"in    {case.feed.moisture:.1%} and {case.feed.temperature:.0f} °C")
print(f"out   {out.moisture_wb:.2%} and {out.temperature:.1f} °C, {above:.1f} K above the air outside")
print(f"after {result.bed.residence_time / 60:.1f} min in a bed {result.bed.depth:.2f} m deep")

# %% [markdown]
# ## Where it happens
#
# Pellets move to the right in this picture, air to the left. Nearly all of the water leaves in the first
# centimetres below the top, where hot pellets meet the air that is about to leave the bed; there the surface of a
# pellet dries far below its mean, and for the rest of the way the core makes up for it. At the far end the
# entering air, cooler than anything else, takes the last degrees.

# %%
ax = coolsim.plots.bed(result)

# %% [markdown]
# ## The same, as the air sees it
#
# The air enters nearly saturated and still carries off a lot of water, because the pellets warm it first: warm
# air holds more. A cooler dries with the heat that the pellets bring along.

# %%
ax = coolsim.plots.psychrometric(result, case)

# %% [markdown]
# ## Where water and heat go
#
# Most of the feed's heat leaves as vapour, not as warm air. This is why a cooler removes as much moisture as it
# does, and why it cannot remove much more: when the heat is spent, drying stops.

# %%
ax = coolsim.plots.balance(result, case)

# %% [markdown]
# ## How sure is that?
#
# Two accuracies, and they are not the same. The equations are solved far more exactly than the pellets are known:
# the material's numbers are assumed, and over their published ranges the exit moves by this much.

# %%
low, high = result.input_band.moisture_wb
print(f"solved to         ± {100 * result.accuracy.moisture_error_wb:.3f} points of moisture")
print(f"inputs leave open {low:.2%} to {high:.2%}")
for warning in result.warnings:
    print(f"{warning.level}: {warning.text}")

# %% [markdown]
# ## And on a wet day?
#
# The feed comes two points wetter. Same cooler, same air, same settings.

# %%
wet = coolsim.predict(coolsim.replace(case, {"feed.moisture": "16 %"}))
made_good = 0.02 - (wet.pellets_out.moisture_wb - out.moisture_wb)
print(
    f"exit {wet.pellets_out.moisture_wb:.2%}; of the two points, the cooler makes good {100 * made_good:.2f}"
)

# %% [markdown]
# ## What to do
#
# - **Measure the feed's moisture before the cooler.** It decides on the exit nearly point for point: no setting of
#   the cooler makes good what the conditioner or dryer let through.
# - **Put your own mill in**: `coolsim new mill.toml` writes a commented scenario; `coolsim predict mill.toml`
#   answers.
# - Where the band reaches across your target, weigh and dry a sample of your own pellets before you promise it.
# - Then ask what to set: `coolsim settings mill.toml`.
#
# Feed dust burns and explodes, gates and fans start without warning, and moist feed spoils: a prediction replaces
# neither the lock on the switch nor the oven test. Local codes decide.
