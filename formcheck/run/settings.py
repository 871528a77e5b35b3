"""The settings of a run: those of every stage, echoed in the report."""

from dataclasses import asdict, dataclass, field

from formcheck.motion.settings import MotionSettings
from formcheck.pose.landmarker import PoseSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(MotionSettings):
    """The settings of every stage; echoed in the report."""

    pose: PoseSettings = field(default_factory=PoseSettings)


def settings_echo(settings: Settings) -> tuple[tuple[str, object], ...]:
    """Every setting as (dotted name, value), in the order of the stages."""
    stages = asdict(settings)
    return tuple(
        (f"{stage}.{name}", value)
        for stage, values in {"pose": stages.pop("pose"), **stages}.items()
        for name, value in values.items()
        if name != "n_threads"  # changes the time taken, never the outcome
    )
