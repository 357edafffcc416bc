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
# # A shift on a small line
#
# A farm makes floating feed for its own ponds: a hammer mill, a mixer that takes 50 kg, a small extruder
# without steam, a box dryer, a drum in which oil goes on, and bags. Everybody on the farm knows that the
# extruder is the slow machine. Is it?
#
# The scenario names the machines in order: [`scenarios/farm-line.toml`](../scenarios/farm-line.toml). Of the
# extruder nobody knew a capacity, so what ran out of it was caught for 45 s and weighed: 3.4 kg.
# `feed.throughput` is left out; then the line runs at the pace of its slowest machine.

# %%
import coolsim

case = coolsim.load("../scenarios/farm-line.toml")
plan = coolsim.plan(case)
for step in plan.equipment:
    load = (
        "takes what comes" if step.load is None else f"{step.load:4.0%} of {3600 * step.capacity:3.0f} kg/h"
    )
    print(f"{step.name:18} {load}")
print(f"held back by: {plan.bottleneck}")

# %% [markdown]
# It is the dryer. The mixer is not far from it, the extruder waits for both.
#
# ## What comes to the dryer
#
# Meals and rice bran bring 11 % of moisture, hot water makes a dough of it. In the barrel most of the motor's
# work becomes heat: the dough leaves the die above its boiling point and flashes, and loses more on its way to
# the dryer, through the air that it meets there. How much of the work stays in the feed, and how much air the
# pellets meet, is judged: both are worth a thermometer and a sample bag at the dryer. A moisture measured there
# goes into `[feed]`, and wins over what is computed.

# %%
for state in plan.before:
    print(f"{state.place:16} {state.moisture:6.1%}  {state.temperature:5.1f} °C")
axes = coolsim.plots.along_the_line(plan)

# %% [markdown]
# Before the oil the pellets are wetter than after it: oil adds weight and no water. The laboratory sees less
# moisture in the coated pellets, moulds see the same water activity as before. So the target of 10 % is of the
# coated pellets, and the dryer is asked for 10.4 %.
#
# ## The shift
#
# Work begins at the mill. Until the first box is full, the dryer waits; when the shift ends, what is still in
# the line is not in bags.

# %%
ax = coolsim.plots.shift(plan)

# %%
shift = plan.shift
print(f"{shift.input:.0f} kg of mash in, {shift.water_lost:.0f} kg of water dried off")
print(f"{shift.bagged:.0f} kg bagged in {shift.bags} bags, {shift.left_in_line:.0f} kg still in the line")
print(
    f"{shift.cost.per_tonne:.0f} a tonne, {shift.cost.per_bag:.2f} a bag, {shift.cost.per_batch:.2f} a batch"
)
for warning in plan.warnings:
    if warning.level == "check":
        print(f"check: {warning.text}")

# %% [markdown]
# ## A second box, or a shorter cycle?
#
# With two boxes the dryer no longer holds the line back; the mixer does, and the gain ends there. Filling and
# emptying take 12 of the 39 min that a box is busy: halving them costs a bigger gate, not a dryer. How sure the
# exit itself is tells `coolsim predict --uncertainty`.

# %%
for words, changes in (
    ("two boxes", {"schedule.dryers": 2}),
    ("filled and emptied in 3 min each", {"schedule.filling": "3 min", "schedule.emptying": "3 min"}),
    ("two boxes, and mixes of 8 min", {"schedule.dryers": 2, "equipment.2.cycle": "8 min"}),
):
    other = coolsim.plan(coolsim.replace(case, changes))
    print(f"{words:34} {other.shift.bagged:5.0f} kg a shift, held back by the {other.bottleneck}")

# %% [markdown]
# ## May it be bagged?
#
# Pellets leave the dryer a few kelvin warmer than the evening. The gas between them in a closed bag is as moist
# as their water activity makes it; if the film gets colder than its dew point in the first nights, it may
# sweat.

# %%
bag = plan.result.bag
print(f"dew point in the bag {bag.dew_point:.1f} °C, coldest film {bag.coldest_film:.1f} °C")
print(f"pellets may be bagged at {bag.warmest_pellet:.1f} °C at most; they are at {bag.temperature:.1f} °C")
cold = coolsim.plan(coolsim.replace(case, {"bag.coldest_store": "16 degC"}))
print(f"in a store that falls to 16 °C: {'they may sweat' if cold.result.bag.sweats else 'they stay dry'}")

# %% [markdown]
# ## What to do
#
# - Catch what runs out of each machine for a minute, before believing what is printed on it.
# - Buy time before machines: a quicker filling and emptying of the box gives most of what a second one would.
# - Do not let warm moist feed wait for the box; mix when the box is about to come free.
# - Judge moisture before the oil goes on, or by water activity; close bags once the pellets are cool enough for
#   the coldest night.
# - Dust explodes and hot surfaces burn: local codes and licensed practice decide about safety, no number here
#   does.
