"""Questions that ask `predict` many times.

How sure an answer is
---------------------
`predict` with `band=True` moves each assumed number to the ends of its range, alone, and adds the moves as
squares: two predictions per number, in every answer. `uncertainty` varies all of them and all inputs with a ±
together, with probabilities. Both read the ranges in a material's `provenance`, so a fitted material narrows
both. A ± is parted from its quantity by `scenario.plus_minus` before any reader sees it (`Case.plus_minus`); what
follows from an input (a wet bulb, a dwell) is a parabola through the scenario at both ends of the ±, since 512
scenarios take 5 s to read. `studies/surrogate.py` turns few samples into many: polynomials with the residuals of
samples left out put back. Measured against 24576 plain samples, two coolers, three exits: quantiles of 512 Sobol
points were off by up to 2.7 % of an interval's width, polynomials through them by 0.6 %, through 64 by 1.4 %. A
control variate (plain distribution of the polynomial, corrected by the samples' counts) was worse than that,
0.4–5 %. Where a polynomial explains less than 95 %, as of a count that ends at none, the samples stand for
themselves. `years/propagation.py` moves a predicted year: 128 samples in 48 states of weather and settings,
polynomials between the states and through the samples, then 512 years judged as any year is. Numbers that one fit
correlates (`physics/correlations.py`) share their part of the variance. `propagation.varying` names what may be
broken of what must be kept; `settings/chance_constrained.py` gives each of it some room (`Case.safety_margins`)
until a chance is met, `settings/chances.py` tells the chance of settings as they are.

How sure a dryer or a line is, and fits to dryers
-------------------------------------------------
`uncertainty` asks `predict` for its samples with a `Resolution` that wants no estimate; dryers, in a line too,
then march on `dryer_simulation.SURVEY` alone, without the coarse mesh that measures the error: half the time,
the same answer. Sample by sample, SURVEY less its offset at the centre missed the full prediction by 2 to 4 %
of the standard deviation of the exit (12 to 24 samples of a batch, a deep batch, a belt). Two cells in place of
four take half the time and miss by up to 9 %. Steps in time twice as long save nothing, and let belts jump by
0.1 K where one step less is taken. 256 samples of `evening-batch` take 6.2 s, of the belt 4.7 s, of a line of
belt, bin and cooler 3.7 s (32 s as long as each case stood by in a run of its own: `model.stand_by` now takes
all in one); 512 move no end of the moisture by more than 0.01 point.

`numbers` and `with_number` of `support.fields` reach into stages and zones ("cooler.stages.1.cooler.airflow"),
so that a ± of a stage, or what follows from a shared one, moves that stage. Where the mass of a batch was
typed, a denser feed lies lower (`prediction.depth_of_mass`): held at its depth, the assumed bulk density alone
would be nine tenths of the variance of `evening-batch`. Fans of a line settle once, at the centre
(`line.at_its_fans`), as those of coolers do.

A fit to a dryer is that of a cooler with another model: `fitting.model.said` hands `Marched` (a dryer or a line) to
`fitting/march_model.py`, which puts the free numbers into the trials' cases and marches all cases of all central
differences in one call, twelve shells to a pellet (with eight, exits of dry pellets were off by 0.04 point, and
so a diffusivity by 1 %). Three numbers and eight trials take 6 s, most of it seven rounds of 56 cases. Of 40
dryers drawn from the priors, three numbers each, 116 of 120 intervals held the number
(`COOLSIM_FIT_REPETITIONS=40`, on SURVEY throughout). No exhaust: it changes all the time, and the mean of a run
is nothing that anyone measures.

Left open: the time at which samples reach the target is not told; a ± of a zone is refused; outside air held at
the centre where a fan's own heat warms it.
"""
