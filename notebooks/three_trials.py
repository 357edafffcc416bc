# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
# ---

# %% [markdown]
# # From three trials to your own cooler
#
# The materials that come with coolsim are pieced together from published numbers. They describe *a* feed, not
# *yours*: the published diffusivities alone differ tenfold. Three ordinary trials on your own line change that.
# All they take is what went in, what the air was, and what came out; an oven and a thermometer do.
#
# The trials here are invented. They were made with numbers that this notebook pretends not to know, so that at
# the end it can look whether the fit has found them.

# %%
import dataclasses

import numpy as np

import coolsim

case = coolsim.load("../scenarios/humid-delta.toml")
answer = coolsim.fit(case, "../scenarios/delta-trials.csv")
for p in answer.parameters:
    print(f"{p.name:16s}{p.value:10.3g}  ({p.low:.3g} to {p.high:.3g} {p.unit})   was {p.before:.3g}")

# %% [markdown]
# ## What the trials taught
#
# Each number stands with an interval that holds the truth nineteen times in twenty. Below, the grey bar is the
# range that is published for feeds of this kind, which is all there is to go by without trials; the thin bar is
# what is left of it. Where the thin bar is hardly shorter than the grey one, the trials said little, and the
# answer says so in words rather than pretend.

# %%
axis = coolsim.plots.learned(answer)
for words in answer.alike:
    print(words)

# %% [markdown]
# ## Does it describe the trials?
#
# On the dotted line, prediction and measurement agree. Squares are the published numbers, dots the fitted ones. A
# trial that is far off the others is named by `answer.suspects`, with the reading that is odd and what may have
# happened. If all of them scatter more than their ± allows, the intervals are widened to match, and a warning
# asks for the reason.

# %%
axis = coolsim.plots.measured(answer)
print("suspects:", [s.trial for s in answer.suspects] or "none")
print(f"readings scatter {answer.scatter:.1f} times as widely as their ± says")

# %% [markdown]
# ## Was it found?
#
# Behind the trials stand a diffusivity of 5.5e-10 m²/s, an isotherm 2 % up and a specific heat of 1750 J/(kg K).

# %%
truth = {"diffusivity": 5.5e-10, "isotherm_shift": 0.02, "specific_heat": 1750.0}
for p in answer.parameters:
    assert p.low < truth[p.name] < p.high, p.name
print("all three lie within their intervals")

# %% [markdown]
# ## Does it help where nothing was measured?
#
# This is what trials are for. Here are settings that no trial saw: drier and wetter feed, a thin bed, cool air.
# The line that the trials were made on is predicted with the numbers behind it, then with the published ones and
# with the fitted ones.

# %%
elsewhere = [
    {"feed.moisture": "15.2 %"},
    {"feed.moisture": "13 %", "cooler.airflow": "900 m3/h"},
    {"cooler.bed_depth": "0.3 m"},
    {"air.temperature": "22 degC", "air.relative_humidity": "60 %"},
]
cases = [coolsim.replace(case, changes) for changes in elsewhere]
m = case.material
true = dataclasses.replace(
    m,
    diffusivity=dataclasses.replace(m.diffusivity, value=truth["diffusivity"]),
    isotherm=dataclasses.replace(m.isotherm, scale=1 + truth["isotherm_shift"]),
    specific_heat=truth["specific_heat"],
)


def exits(material):
    out = coolsim.predict([dataclasses.replace(c, material=material) for c in cases]).pellets_out
    return 100 * np.asarray(out.moisture_wb)


line, published, fitted = exits(true), exits(m), exits(answer.case.material)
print("the line      ", line.round(2))
print("published, off", (published - line).round(2), "points")
print("fitted, off   ", (fitted - line).round(2), "points")
assert np.abs(fitted - line).max() < np.abs(published - line).max()

# %% [markdown]
# ## What to measure next
#
# How sure is the exit of this scenario now, and what would make it surer? Each bar below is a forecast: one trial
# more, at other settings or with a better instrument.

# %%
axis = coolsim.plots.surer(answer)
for m in answer.next[:3]:
    print(f"± {100 * m.within_wb:.2f} points with {m.what}")

# %% [markdown]
# ## What to do
#
# - Write three rows: `feed.moisture [%]`, `cooler.airflow [m3/h]`, what the air was, `measured.moisture [%]` and
#   `measured.temperature [degC]`. Change something between them, the airflow or the depth of the bed: three
#   trials at one setting are worth little more than one.
# - Take the feed's sample and the exit's sample one dwell apart, close both bags at once, and say how good your
#   oven is in a column `measured.moisture ± [%]`.
# - `coolsim fit mill.toml --trials trials.csv -o mine.toml`, and then `material = "mine.toml"` in the scenario.
# - Fit again when the recipe changes. A fitted number outside its published range asks for a look at the trials
#   first.
# - Sampling hands stay clear of rotating gates and hot surfaces; a fit is no laboratory test of what may be
#   stored.
