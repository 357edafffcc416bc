"""Settings of batch and belt dryers.

Settings of dryers
------------------
`studies/drying/`: `course` outcomes at any time of one march on a rough mesh (so a batch's time needs no runs of
its own), `survey` the polynomials through a box and the best on them, `search` the boxes about the best and the
corrections by `predict`, `find` goals. A search is a generator that yields the dryers it wants to try
(`batching`): goals, things to change and weathers ask side by side, for a march of twenty dryers costs hardly
more than of one. A box whose fit does not come closer when shifted holds a kink (a heater at its limit) and is
made smaller; `squeezed` takes out what slack is left after that. Outcomes are fitted as logarithms, airflow and
depth as theirs, recirculation r as −ln(1 − r): a share r of the exhaust comes back, so what it does goes with
1/(1 − r). The rough mesh is off by a few tenths of a point, but smoothly: a shift by the last prediction, and a
search that stays near it, agree to 3e-5 after two or three. `predict` is always what is returned. Dead end:
correcting along one knob alone after the first prediction; it may stand at its end.
"""
