"""The best settings of any machine: one survey, one search.

`problem` is what a machine is to a search, `machines` has coolers and lines as such (and dryers by
`march_outcomes`); `survey` the polynomials through a box and the best on them, `search` the boxes about the
best and the corrections by predictions, `best_states` what questions look for. A search is a generator that
yields the states it wants to try (`batching`): goals, things to change and weathers ask side by side, for a march
of twenty dryers costs hardly more than of one.

Outcomes are fitted as logarithms, airflow and depth as theirs, recirculation r as −ln(1 − r): a share r of the
exhaust comes back, so what it does goes with 1/(1 − r). The best lies on curved edges, such as moisture at its
target, which a grid steps over: where a limit is crossed between neighbours along the knob that moisture
answers to best, the crossing is looked at, too. A box whose fit does not come closer when shifted holds a kink
(a heater at its limit) and is made smaller; `squeezed` takes out what slack is left after that.

Two kinds of states. One march tells of every shorter time, so a batch's time needs no runs of its own; but a
march is dear and repeats to a few 1e-5 only: a few dozen on a rough mesh, which is off by a few tenths of a
point, but smoothly, and a shift by the last prediction agrees to 3e-5 after two or three. A cooler is steady:
predictions cost a hundredth and repeat to 1e-8, so its survey is denser, boxes are surveyed again until the
best stands in the middle of one, and bounds are kept to 5e-7 of their scale. `predict` is always what is
returned. Dead end: correcting along one knob alone after the first prediction; it may stand at its end.
"""
