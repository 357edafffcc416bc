"""The numbers of a line from its own trials: `fit` finds them, `read_trials` and `trials_of` give it trials.

Fits to trials
--------------
`scenario/trials.py` reads a CSV (`trial_columns.py` its columns, `readings.py` what may be measured): each row is
the scenario with its cells put in by `replace`, so every check of a scenario holds for it. `studies/fitting/`:
`parameters.py` the numbers that may be free, each with its published range and how it enters `inputs.Stated`;
`model.py` all trials at any sets of them in one solve, with slopes by the chain rule from
`studies.sensitivity.slopes_of`; `estimate.py` χ², its minimum (`scipy.optimize.least_squares`) and intervals;
`diagnostics.py` what is refused, looks wrong, or cannot be told; `experiment_design.py` what to measure next;
`cautions.py` what to look at; `run.py` the question. `physics/material_files.py` reads what
`output/material_file.py` writes.

- ± means 95 % everywhere, two standard deviations of a normal error. Priors are normal in θ, centred on the value
  before.
- What was set may carry a ± too: the trial's covariance gets S Σ Sᵀ, S the exits' slopes, taken twice (before,
  and once the numbers are known).
- The mesh is not refined (`model.FITTING`): refinement that comes and goes puts steps of a tenth of an oven's
  deviation into χ². Slopes hold the mesh, which differs from the mesh's own motion by its error.
- An interval's ends are the linear ones, moved once to where χ² rises by the square of its quantile.
- Trials that scatter beyond the 95 % quantile of χ² widen the readings' ± (Birge's ratio) and make intervals
  Student's; ten times the stated ± is refused.
- Numbers of one fit err together: the material carries their correlation (`physics.correlations`, `[correlation]`
  of its file), and `predict`, `uncertainty` and `settings --chance` read it. What they share with numbers of the
  line is in their ranges alone. A later fit keeps it for numbers that it leaves alone; its priors are independent
  all the same.

Measured: 200 repetitions of ten trials with three free numbers and no priors cover 95.0, 94.0 and 93.0 % of the
true diffusivity, isotherm and specific heat (`COOLSIM_FIT_REPETITIONS=200` repeats it).

Weak: priors of moisture slope, airflow, leakage and feed moisture are judgement. Where a fan's speed is given,
the fan settles before the fit, at the false air that the scenario states; a free leakage does not move it. Words
of what to measure next are metric. A chance reading among few trials widens everything rather than being named:
with three trials nothing can be told to be the odd one out. No fit of real trials has been seen.

A new number to fit: a `Parameter`, its format in `output.fits._SHOWN`, and where the fitted value goes in
`run.fitted_case`; the slope test takes it up by itself.
"""

from coolsim.scenario.trials import Trials, read_trials, trials_of
from coolsim.studies.fitting.run import fit

__all__ = ["Trials", "fit", "read_trials", "trials_of"]
