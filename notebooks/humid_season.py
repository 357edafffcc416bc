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
# # Fan and dwell through a humid season
#
# The cooler was set in the dry months, and in the rains the pellets come out wet. By how much, how often, and what
# should be set instead? This notebook takes a year of weather (invented, like a monsoon coast), holds today's
# settings against it, and makes a chart to hang beside the cooler.

# %%
import itertools

import coolsim

case = coolsim.load("../scenarios/monsoon-year.toml")
units = {"temperature": "degC", "relative_humidity": "%"}
whole = coolsim.load_weather("../scenarios/monsoon-year.csv", units=units)
every_third_day = whole.time.astype("datetime64[D]").astype(int) % 3 == 0
weather = whole.rows(every_third_day).between((6 * 3600.0, 22 * 3600.0))
year = coolsim.seasons(case, weather=weather)

# %% [markdown]
# Every third day is enough for a look; `coolsim seasons scenarios/monsoon-year.toml` takes all of them.
#
# ## Today's settings
#
# The same fan and the same bed in every hour. Darker is wetter.

# %%
today = year.strategies[0]
print(f"within the target: {today.total.within:.0f} of {today.total.hours:.0f} hours")
ax = coolsim.plots.calendar(year)

# %% [markdown]
# All year a little too wet, and from May to October more so: the air is already full of water when it comes in. It
# is the long wet spell that is worst, day and night, not the hot afternoon.
#
# ## What else could be done
#
# The same hours run in other ways: by a chart of fan and dwell, with warmed inlet air, and with feed that comes in
# drier while it rains.

# %%
for way in year.strategies:
    print(f"{way.name:40s} within {way.total.within:5.0f} h, too wet {way.total.too_wet:5.0f} h")
ax = coolsim.plots.strategies(year)

# %% [markdown]
# A chart of fan and dwell mends half of the hours, with less electricity than today. Warming the air buys next to
# nothing here and costs much; the pellets leave warmer, too. The feed's own moisture is the strongest lever, where
# conditioner or dryer allow it.
#
# ## The chart itself
#
# Outside temperature down, relative humidity across; in each cell the fan speed, the dwell in minutes, and the
# moisture that the feed may have at most.

# %%
chart = year.strategies[1].chart
humidity = chart.bands.relative_humidity
print(" " * 12 + "".join(f"{f'{100 * a:.0f}–{100 * b:.0f} %':>22s}" for a, b in itertools.pairwise(humidity)))
for i, (low, high) in enumerate(itertools.pairwise(chart.bands.temperature)):
    cells = (
        f"{100 * fan:.0f} % {dwell / 60:.0f} min {100 * feed:.1f} %" if hours > 0 else "·"
        for fan, dwell, feed, hours in zip(
            chart.fan_speed[i], chart.residence_time[i], chart.required_feed_moisture[i], chart.hours[i]
        )
    )
    print(f"{low:4.0f}–{high:.0f} °C".ljust(12) + "".join(f"{cell:>22s}" for cell in cells))

# %% [markdown]
# The fan speed it asks for, hour by hour:

# %%
ax = coolsim.plots.calendar(year, "fan_speed", strategy=1)

# %% [markdown]
# ## What to do
#
# - Read the thermometer and the hygrometer at the air inlet at the start of each shift, and set fan and bed by the
#   chart; `coolsim card` prints it on one page.
# - Where a cell asks for drier feed, tell the press or the dryer before the shift, not after the first wet sample.
# - Check the first bags of a wet spell with an oven: half a point of feed moisture moves the exit by as much.
# - Too wet moulds, and warm moist feed heats itself: do not bag what the chart says cannot be reached.
