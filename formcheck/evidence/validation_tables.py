"""A validation as text, JSON and CSV: layout only, the figures come from validation.py."""

import csv
import io
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, fields

from formcheck.evidence.accuracy import (
    SWEEP_DEG,
    Accuracy,
    accuracy_by_exercise,
    accuracy_by_measure,
)
from formcheck.evidence.strata import Stratum, short_of_nominal, strata
from formcheck.evidence.truth import Setting
from formcheck.evidence.validation import CLEAR_DEG, ClipOutcome, Comparison, Validation
from formcheck.model.measures import MEASURES

VALIDATION_SCHEMA = "formcheck.validation/1.1"
_DIGITS = {"deg": 1, "cm": 1, "deg/min": 1, "s": 2, "share": 3, "1": 3}


def _table(header: Sequence[str], rows: Sequence[Sequence[str]], n_text: int) -> list[str]:
    """Lines of a table: the first `n_text` columns to the left, the rest to the right."""
    widths = [max(len(r[i]) for r in (header, *rows)) for i in range(len(header))]
    return [
        "  ".join(
            cell.ljust(w) if i < n_text else cell.rjust(w)
            for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in (header, *rows)
    ]


def _number(value: float, digits: int) -> str:
    return "-" if not math.isfinite(value) else f"{value:z.{digits}f}"


def _percent(value: float) -> str:
    return "-" if not math.isfinite(value) else f"{100 * value:.0f}"


def clip_lines(clips: Sequence[ClipOutcome]) -> list[str]:
    """A line a clip: count, turns, view, azimuth."""
    header = (
        "clip",
        "exercise",
        "found/true",
        "turn off, s",
        "view",
        "azimuth",
        "true",
        "off, deg",
        "note",
    )
    rows = [
        (
            c.clip,
            c.exercise,
            f"{c.n_found}/{c.n_true}" + (" !" if c.is_count_exact is False else ""),
            _number(max(c.turn_errors_s, default=math.nan), 2),
            c.plane + ("" if c.plane == c.true_plane else f" (true: {c.true_plane})"),
            _number(c.azimuth_deg, 0),
            _number(c.true_azimuth_deg, 0),
            _number(c.azimuth_error_deg, 1),
            c.trouble or ", ".join(_notes(c)),
        )
        for c in clips
    ]
    return _table(header, rows, 2)


def _notes(c: ClipOutcome) -> list[str]:
    notes = list(c.findings)
    if c.n_parts_wrong:
        notes.append(f"{c.n_parts_wrong} parts wrong")
    if c.is_heel_order_right is not None:
        notes.append(f"heel heights in {'the right' if c.is_heel_order_right else 'another'} order")
    return notes


_HEADER = (
    "measure",
    "n",
    "measured %",
    "bias",
    "MAE",
    "worst",
    "95th",
    "from rest",
    "coverage %",
    "(95 % CI)",
    "half-width",
    "score",
    "calibration",
    "wrong %",
    "undecided %",
)


def _accuracy_cells(a: Accuracy) -> tuple[str, ...]:
    digits = 1 if a.measure == "all" else _DIGITS[MEASURES[a.measure].unit]
    return (
        "all measures" if a.measure == "all" else a.measure,
        str(a.n),
        _percent(a.share_measured),
        *(_number(v, digits) for v in (a.bias, a.mae, a.worst, a.percentile_95, a.excursion_mae)),
        _percent(a.coverage),
        f"{_percent(a.coverage_low)} to {_percent(a.coverage_high)}",
        _number(a.half_width, digits),
        _number(a.interval_score, digits),
        _number(a.calibration_error, 2),
        _number(100 * a.wrong_share, 1),
        _percent(a.undecided_share),
    )


def stratum_lines(found: Sequence[Stratum], measures: Sequence[str] = ()) -> list[str]:
    """A table per stratification, view and measure, a line a bin.

    measures : the keys to tell of; all of them when empty.
    """
    lines = []
    for by in dict.fromkeys(s.by for s in found):
        of_by = [s for s in found if s.by == by]
        keys = dict.fromkeys((row.plane, row.measure) for s in of_by for row in s.rows)
        for plane, measure in keys:
            if measure == "all" or (measures and measure not in measures):
                continue
            rows = [
                (s.label, *_accuracy_cells(row)[1:])
                for s in of_by
                for row in s.rows
                if (row.plane, row.measure) == (plane, measure)
            ]
            lines += ["", f"By {by}, true view {plane}: {measure}"]
            lines += _table(("bin", *_HEADER[1:]), rows, 1)
    return lines


def shortfall_lines(found: Sequence[Stratum], measures: Sequence[str] = ()) -> list[str]:
    """A line for each bin whose coverage lies below 95 % with its whole interval."""
    rows = [
        (s.by, s.label, row.plane, *_accuracy_cells(row))
        for s, row in short_of_nominal(found)
        if not measures or row.measure in measures
    ]
    if not rows:
        return ["", "No bin's coverage lies below 95 % with its whole interval."]
    head = ["", "Coverage below 95 % with its whole interval, worst first:"]
    return head + _table(("by", "bin", "view", *_HEADER), rows, 4)


def accuracy_lines(rows: Sequence[Accuracy]) -> list[str]:
    """A table per true view, a line a measure."""
    lines = []
    for plane in dict.fromkeys(a.plane for a in rows):
        lines += ["", f"True view: {plane}"]
        lines += _table(_HEADER, [_accuracy_cells(a) for a in rows if a.plane == plane], 1)
    return lines


NOTES = (
    "Errors are reported minus true, in the measure's own unit (deg, s, share).",
    "From rest: mean absolute error of the change from the rest just before.",
    "Coverage: share of 95 % intervals that hold the truth, with Wilson's interval (repetitions",
    "of one clip taken as independent). Score: interval score of Gneiting and Raftery 2007,",
    "smaller is better. Calibration: expected calibration error, the mean distance of coverage",
    "from its level over levels of 10 to 95 %, intervals scaled as a normal distribution's.",
    f"Wrong (of those decided) and undecided: targets at each degree up to {SWEEP_DEG} either",
    "side of the truth.",
)


def validation_lines(
    validation: Validation,
    *,
    by_exercise: bool = False,
    by: Sequence[str] = (),
    measures: Sequence[str] = (),
) -> list[str]:
    """The whole validation as lines of text.

    by : stratifications to tell of, as `strata.names_of` gives them. measures : the keys that
    their tables are kept to; all when empty.
    """
    clips = validation.clips
    errors = [abs(c.azimuth_error_deg) for c in clips if math.isfinite(c.azimuth_error_deg)]
    turns = [t for c in clips for t in c.turn_errors_s]
    lines = clip_lines(clips)
    counted = [c for c in clips if c.is_count_exact is not None]
    clear = [c for c in clips if c.is_plane_clear and not c.trouble]
    n_right = sum(c.plane == c.true_plane for c in clear)
    worst_turn = _number(max(turns, default=math.nan), 2)
    worst_azimuth = _number(max(errors, default=math.nan), 1)
    lines += [
        "",
        f"Counts exact: {sum(c.is_count_exact for c in counted)} of {len(counted)} clips.",
        f"Turns off the true plateau: at most {worst_turn} s.",
        f"Azimuth: mean absolute error {_number(_mean(errors), 1)} deg, worst {worst_azimuth}.",
        (
            f"View right: {n_right} of {len(clear)} clips whose camera stands more than "
            f"{CLEAR_DEG:g} deg from a limit between two views."
        ),
    ]
    lines += accuracy_lines(accuracy_by_measure(validation.comparisons))
    if by_exercise:
        for name, rows in accuracy_by_exercise(validation.comparisons).items():
            lines += ["", f"Exercise: {name}"]
            lines += accuracy_lines(rows)[1:]
    if by:
        found = [s for name in by for s in strata(validation.comparisons, name)]
        lines += stratum_lines(found, measures) + shortfall_lines(found, measures)
    lines += ["", *NOTES]
    return lines


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else math.nan


def _plain(value):
    if isinstance(value, float):
        return round(value, 4) + 0.0 if math.isfinite(value) else None
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    return value


def _mapping(record) -> dict:
    return {name: _plain(value) for name, value in asdict(record).items()}


def validation_json(validation: Validation, by: Sequence[str] = ()) -> str:
    """The validation as JSON text: clips, measures per view, per exercise, and per bin of the
    stratifications `by`."""
    mapping = {
        "schema": VALIDATION_SCHEMA,
        "clips": [{**_mapping(c), "is_count_exact": c.is_count_exact} for c in validation.clips],
        "measures": [_mapping(a) for a in accuracy_by_measure(validation.comparisons)],
        "exercises": {
            name: [_mapping(a) for a in rows]
            for name, rows in accuracy_by_exercise(validation.comparisons).items()
        },
        "strata": [
            {"by": s.by, "bin": s.label, "measures": [_mapping(a) for a in s.rows]}
            for name in by
            for s in strata(validation.comparisons, name)
        ],
    }
    return json.dumps(mapping, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def comparisons_csv(validation: Validation) -> str:
    """Every comparison as a row of CSV, with its unit and how its clip was filmed; empty where
    there is no value."""
    names = [f.name for f in fields(Comparison) if f.name != "setting"]
    of_setting = [f.name for f in fields(Setting)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*names, *of_setting, "unit"])
    for c in validation.comparisons:
        values = [_plain(getattr(c, name)) for name in names]
        values += [_plain(getattr(c.setting, name)) for name in of_setting]
        writer.writerow(["" if v is None else v for v in values] + [MEASURES[c.measure].unit])
    return out.getvalue()
