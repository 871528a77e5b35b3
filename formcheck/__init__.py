"""formcheck: measured repetitions of home knee exercises from a webcam or phone clip.

`formcheck.analyze("clip.mp4", exercise="squat", side="left")` measures a clip. Each name below is
imported when it is first used, so that `import formcheck` is instant.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:  # type checkers take it for true; `typing` itself is not worth its time here
    from formcheck.api.found import MeasuredRepetition, MeasuredSet, Quantity
    from formcheck.api.functions import analyze, read_exercise, read_prescription, read_report
    from formcheck.model.errors import (
        BusyError,
        ClipError,
        FileError,
        FormcheckError,
        ModelError,
        OutputError,
        UsageError,
    )
    from formcheck.model.stated import Context, Pain
    from formcheck.pose.landmarker import PoseSettings
    from formcheck.run.settings import Settings

__version__ = "0.1.0"

_MODULE_OF = {
    "analyze": "api.functions",
    "read_exercise": "api.functions",
    "read_prescription": "api.functions",
    "read_report": "api.functions",
    "MeasuredSet": "api.found",
    "MeasuredRepetition": "api.found",
    "Quantity": "api.found",
    "Context": "model.stated",
    "Pain": "model.stated",
    "Settings": "run.settings",
    "PoseSettings": "pose.landmarker",
    "FormcheckError": "model.errors",
    "UsageError": "model.errors",
    "ClipError": "model.errors",
    "FileError": "model.errors",
    "OutputError": "model.errors",
    "ModelError": "model.errors",
    "BusyError": "model.errors",
}

__all__ = [
    "BusyError",
    "ClipError",
    "Context",
    "FileError",
    "FormcheckError",
    "MeasuredRepetition",
    "MeasuredSet",
    "ModelError",
    "OutputError",
    "Pain",
    "PoseSettings",
    "Quantity",
    "Settings",
    "UsageError",
    "analyze",
    "read_exercise",
    "read_prescription",
    "read_report",
]


def __getattr__(name: str) -> object:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    found = getattr(import_module(f"formcheck.{_MODULE_OF[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
