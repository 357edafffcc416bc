"""coolsim: moisture and temperature of feed pellets through a cooler.

    import coolsim
    case = coolsim.load("scenarios/humid-delta.toml")
    result = coolsim.predict(case)
    result.pellets_out.moisture_wb
    coolsim.plots.bed(result)

The names below are loaded when first used, so that `import coolsim` costs next to nothing.
"""

import os
import sys

_STOPPED = "coolsim: stopped"  # what a command says that a signal ends


def _end_at_once(number: int, frame: object) -> None:
    """End a command whose signal comes while nothing is half done: with its status, and without a traceback."""
    try:
        os.write(2, f"{_STOPPED}\n".encode())
    finally:
        os._exit(128 + number)


# Loading the command takes a while, and this file is the first of it; `-m` stands there while Python looks for it.
# A program that imports the package keeps its signals. `signal` itself takes longer to load than all that is here.
_ASKED = os.path.basename((sys.argv or [""])[0]).partition(".")[0]  # noqa: PTH119
if _ASKED == "coolsim" or (_ASKED == "-m" and "coolsim.cli" in sys.orig_argv):
    import _signal  # type: ignore[import-not-found]  # of CPython

    if _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler:
        _signal.signal(_signal.SIGINT, _end_at_once)

import importlib  # noqa: E402

TYPE_CHECKING = False  # as typing's own, which takes a while to load
if TYPE_CHECKING:
    from typing import Any

    from coolsim.case.case import Air, Case
    from coolsim.case.result import Result
    from coolsim.output import plots
    from coolsim.output.explorer.document import explore
    from coolsim.physics.materials import Material, load_material
    from coolsim.scenario import load, replace
    from coolsim.scenario.weather import load_weather
    from coolsim.simulate.prediction import predict
    from coolsim.studies.fitting import fit
    from coolsim.studies.lever_study import levers
    from coolsim.studies.planning.run import plan
    from coolsim.studies.propagation import uncertainty
    from coolsim.studies.sensitivity import sensitivities
    from coolsim.studies.settings.find import find_settings, reachable
    from coolsim.studies.sizing.find import size
    from coolsim.studies.sweeping import sweep
    from coolsim.studies.years import seasons
    from coolsim.support.errors import CoolsimError, InputError, NotConverged

    __version__: str

_HOMES = {
    "load": "coolsim.scenario",
    "replace": "coolsim.scenario",
    "predict": "coolsim.simulate.prediction",
    "load_weather": "coolsim.scenario.weather",
    "seasons": "coolsim.studies.years",
    "find_settings": "coolsim.studies.settings.find",
    "reachable": "coolsim.studies.settings.find",
    "explore": "coolsim.output.explorer.document",
    "fit": "coolsim.studies.fitting",
    "levers": "coolsim.studies.lever_study",
    "plan": "coolsim.studies.planning.run",
    "sensitivities": "coolsim.studies.sensitivity",
    "size": "coolsim.studies.sizing.find",
    "sweep": "coolsim.studies.sweeping",
    "uncertainty": "coolsim.studies.propagation",
    "Air": "coolsim.case.case",
    "Case": "coolsim.case.case",
    "Result": "coolsim.case.result",
    "Material": "coolsim.physics.materials",
    "load_material": "coolsim.physics.materials",
    "CoolsimError": "coolsim.support.errors",
    "InputError": "coolsim.support.errors",
    "NotConverged": "coolsim.support.errors",
}
# Before these, a case is checked: whether they take arrays in all of its numbers, or in `air` only.
_CHECKED = {
    "predict": True,
    "explore": False,
    "find_settings": False,
    "reachable": False,
    "fit": False,
    "levers": False,
    "plan": False,
    "seasons": False,
    "sensitivities": False,
    "size": False,
    "sweep": False,
    "uncertainty": False,
}
_ROOMS = {"plots": "coolsim.output.plots"}  # whole modules

__all__ = [
    "Air",
    "Case",
    "CoolsimError",
    "InputError",
    "Material",
    "NotConverged",
    "Result",
    "__version__",
    "explore",
    "find_settings",
    "fit",
    "levers",
    "load",
    "load_material",
    "load_weather",
    "plan",
    "plots",
    "predict",
    "reachable",
    "replace",
    "seasons",
    "sensitivities",
    "size",
    "sweep",
    "uncertainty",
]


def __getattr__(name: str) -> "Any":
    if name == "__version__":
        from importlib.metadata import version

        value: Any = version("coolsim")
    elif name in _HOMES:
        value = getattr(importlib.import_module(_HOMES[name]), name)
        if name in _CHECKED:
            from coolsim.scenario.arguments import checked

            value = checked(value, arrays=_CHECKED[name])
    elif name in _ROOMS:
        value = importlib.import_module(_ROOMS[name])
    else:
        raise AttributeError(f"module 'coolsim' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
