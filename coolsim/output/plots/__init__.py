"""Pictures: each takes a result and an axis or None, draws what the result holds, and returns the axis.

Nothing is solved here; a picture of many settings takes a result of many cases. `units="us"` shows what the
printed tables show with `--units us`. Import this package late: it pulls in matplotlib.
"""

from __future__ import annotations

from coolsim.output.plots.moist_air import psychrometric
from coolsim.output.plots.profiles import bed, pellet

__all__ = ["bed", "pellet", "psychrometric"]
