"""A measured set as a script reads it: repetitions by measure, and an Arrow table."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from formcheck.files.held_folders import held_folder
from formcheck.files.report_rounding import as_written
from formcheck.files.storage import arrow_table
from formcheck.model.errors import UsageError
from formcheck.model.measures import MEASURES
from formcheck.model.records import (
    Analysis,
    AssessedRepetition,
    Check,
    Finding,
    NotMeasurable,
    Remark,
    Report,
    Trace,
    Value,
)
from formcheck.model.request import Request
from formcheck.report.columns import in_order, repetition_rows
from formcheck.run.result_folder import write_results
from formcheck.run.settings import Settings
from formcheck.words.refusal_words import refusal_words

if TYPE_CHECKING:
    import pyarrow


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One measure of one repetition, as the report gives it.

    value, low, high : in `unit`, with the 95 % interval; NaN where not measurable.
    unit : "deg", "s", "cm", "share", "deg/min" or "1" (a count or a ratio).
    not_measurable : why there is no value, in words; "" where there is one.
    """

    key: str
    value: float
    low: float
    high: float
    unit: str
    not_measurable: str = ""

    @property
    def is_measured(self) -> bool:
        return not self.not_measurable


class MeasuredRepetition(Mapping[str, Quantity]):
    """One repetition: a mapping of its measures, and when it was.

    Attributes
    ----------
    number, part, side : its place in the set; the part of a sequence, else None; the working leg.
    start_s, turn_s, end_s : seconds after the clip's first frame.
    is_complete : False where the clip cuts it; it is then listed and not judged.
    checks, remarks : targets and limits with their outcome; what is worth a look.
    """

    __slots__ = (
        "_quantities",
        "checks",
        "end_s",
        "is_complete",
        "number",
        "part",
        "remarks",
        "side",
        "start_s",
        "turn_s",
    )

    def __init__(self, assessed: AssessedRepetition) -> None:
        r = assessed.repetition
        self.number: int = r.number
        self.part: str | None = r.part
        self.side: Literal["left", "right", "both"] = r.side
        self.start_s: float = r.start_s
        self.turn_s: float = r.turn_s
        self.end_s: float = r.end_s
        self.is_complete: bool = r.is_complete
        self.checks: tuple[Check, ...] = assessed.checks
        self.remarks: tuple[Remark, ...] = assessed.remarks
        self._quantities = {m.key: quantity_of(m) for m in assessed.measures}

    def __getitem__(self, key: str) -> Quantity:
        return self._quantities[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._quantities)

    def __len__(self) -> int:
        return len(self._quantities)

    def __repr__(self) -> str:
        part = f" {self.part}" if self.part else ""
        return (
            f"<repetition {self.number}{part}, {self.side}, {self.start_s} to {self.end_s} s, "
            f"{len(self)} measures>"
        )


class MeasuredSet:
    """The measured set of one clip; the same from `analyze` and from a report that was read.

    Attributes
    ----------
    report : the whole report as its frozen record, with the numbers that report.json carries;
        every other attribute is taken from it.
    repetitions : in the order of time, each a mapping from a measure's key to its `Quantity`.
    trace : the movement that repetitions were found in, (n,) arrays `time_s` and `value` with
        NaN where not seen; None for a report that was read.
    """

    def __init__(
        self,
        report: Report,
        *,
        analysis: Analysis | None = None,
        request: Request | None = None,
        settings: Settings | None = None,
    ) -> None:
        self.report = as_written(report)
        self.repetitions = tuple(MeasuredRepetition(r) for r in self.report.repetitions)
        self._of_clip = (analysis, request, settings) if analysis and request and settings else None

    @property
    def exercise(self) -> str:
        """The id of the exercise."""
        return self.report.exercise

    @property
    def side(self) -> Literal["left", "right", "both"]:
        """The patient's working leg."""
        return self.report.side

    @property
    def is_usable(self) -> bool:
        """Whether the clip shows enough for its numbers to be used."""
        return self.report.is_usable

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What spoils the clip or a stretch of it."""
        return self.report.findings

    @property
    def trace(self) -> Trace | None:
        return self._of_clip[0].trace if self._of_clip else None

    def to_table(self) -> "pyarrow.Table":
        """The repetitions as an Arrow table, a row each.

        Columns: number, side, part, start_s, turn_s, end_s, complete; of each measure its key
        (the unit is the key's ending), `KEY_low`, `KEY_high` and `KEY_not_measurable`; of each
        target or limit its bound (`KEY_target`, `KEY_limit`; a second one `KEY_target_2`) and
        the same with `_outcome`. A missing number is null. `pandas.DataFrame` and
        `polars.DataFrame` take the table.
        """
        rows = repetition_rows(self.report)
        columns = [*_FIXED, *in_order(name for row in rows for name in row)]
        return arrow_table([(name, kind, [r.get(name) for r in rows]) for name, kind in columns])

    def write(self, folder: str | Path, *, video: bool = False, blur_face: bool = True) -> None:
        """Writes the result folder that `formcheck analyze` writes.

        video : whether to write annotated.mp4 too; blur_face : whether to hide every face in it.

        Raises
        ------
        UsageError
            The set was read from a report: the clip's landmarks are not at hand.
        OutputError
            The folder cannot be written to.
        BusyError
            Another run is writing there.
        """
        if self._of_clip is None:
            raise UsageError(
                f"{folder}: a report that was read has no landmarks to write; copy its folder"
            )
        analysis, request, settings = self._of_clip
        with held_folder(Path(folder)):
            write_results(
                analysis,
                request,
                settings,
                Path(folder),
                with_video=video,
                is_face_blurred=blur_face,
            )

    def __repr__(self) -> str:
        n = len(self.repetitions)
        return (
            f"<{self.exercise}, {self.side}: {n} repetition{'s' * (n != 1)}, "
            f"{self.report.clip.file}>"
        )


_FIXED: tuple[tuple[str, type], ...] = (
    ("number", int),
    ("side", str),
    ("part", str),
    ("start_s", float),
    ("turn_s", float),
    ("end_s", float),
    ("complete", bool),
)


def quantity_of(value: Value) -> Quantity:
    """A measure of a report as it is written."""
    unit = MEASURES[value.key].unit
    if isinstance(value, NotMeasurable):
        return Quantity(
            key=value.key,
            value=math.nan,
            low=math.nan,
            high=math.nan,
            unit=unit,
            not_measurable=refusal_words(value, "clinician"),
        )
    return Quantity(key=value.key, value=value.value, low=value.low, high=value.high, unit=unit)
