"""The numbers of a line from its own trials: `fit` finds them, `read_trials` and `trials_of` give it trials."""

from coolsim.scenario.trials import Trials, read_trials, trials_of
from coolsim.studies.fit.door import fit

__all__ = ["Trials", "fit", "read_trials", "trials_of"]
