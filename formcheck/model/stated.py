"""What a person states about a set, since no camera knows it."""

import math
from dataclasses import dataclass

from formcheck.model.errors import UsageError

STATED_LIMITS: dict[str, tuple[int, int]] = {
    "load_kg": (0, 500),
    "step_height_cm": (0, 100),
    "seat_height_cm": (0, 120),
    "stature_cm": (50, 250),
    "effort": (0, 10),
    "pain": (0, 10),
}
"""Least and most of what is stated: beyond it stands a slip of the keyboard."""


def _require_number(name: str, value: object, limits: tuple[int, int]) -> None:
    least, most = limits
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UsageError(f"{name} {value!r}: give a number from {least} to {most}")
    if not least <= value <= most:
        raise UsageError(f"{name} {value:g}: give a number from {least} to {most}")


def _require_score(name: str, value: object, limits: tuple[int, int]) -> None:
    least, most = limits
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise UsageError(f"{name} {value!r}: give a whole number from {least} to {most}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pain:
    """Pain that the patient stated, 0 to 10; None where not asked. Raises UsageError for more."""

    before: int | None = None
    during: int | None = None
    after: int | None = None

    def __post_init__(self) -> None:
        for moment in ("before", "during", "after"):
            _require_score(f"pain {moment}", getattr(self, moment), STATED_LIMITS["pain"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What a camera cannot know: load, support, heights, effort, pain, stature.

    Raises UsageError for what is no such thing, or beyond STATED_LIMITS.
    """

    load_kg: float | None = None
    support: str | None = None
    step_height_cm: float | None = None
    seat_height_cm: float | None = None
    effort: int | None = None
    pain: Pain = Pain()
    stature_cm: float | None = None

    def __post_init__(self) -> None:
        for name in ("load_kg", "step_height_cm", "seat_height_cm", "stature_cm"):
            _require_number(name, getattr(self, name), STATED_LIMITS[name])
        _require_score("effort", self.effort, STATED_LIMITS["effort"])
        if self.support is not None and not isinstance(self.support, str):
            raise UsageError(f"support {self.support!r}: say in words what is held on to")
        if not isinstance(self.pain, Pain):
            raise UsageError(
                f"pain {self.pain!r}: give Pain(before=..., during=..., after=...), each 0 to 10"
            )
