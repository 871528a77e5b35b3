"""The columns of a table with a row a repetition: one naming for reps.csv, a batch's summary and
the Arrow table.
"""

from collections.abc import Iterable

from formcheck.model.measures import MEASURES
from formcheck.model.records import AssessedRepetition, Measured, Report
from formcheck.words.refusal_words import refusal_words
from formcheck.words.set_words import bound_text

Row = dict[str, object]

CSV_REASON = "not_measurable"
FIXED_COLUMNS = ("number", "side", "part", "start_s", "turn_s", "end_s", "complete")


def measure_columns(key: str) -> tuple[str, str, str, str]:
    """Columns of a measure: its value (the unit is the key's ending), interval and reason."""
    return key, f"{key}_low", f"{key}_high", f"{key}_{CSV_REASON}"


def check_columns(checks: Iterable[tuple[str, str]]) -> list[str]:
    """The column of each check's bound, of (measure, kind); the outcome's ends in `_outcome`.

    A second check of one kind on one measure gets a number, as in KEY_target_2.
    """
    seen: dict[tuple[str, str], int] = {}
    columns = []
    for measure, kind in checks:
        n = seen[measure, kind] = seen.get((measure, kind), 0) + 1
        columns.append(f"{measure}_{kind}" if n == 1 else f"{measure}_{kind}_{n}")
    return columns


def in_order(found: Iterable[str]) -> list[tuple[str, type]]:
    """(name, type) of the columns of measures and checks that are found, in the list's order."""
    present = set(found)
    columns: list[tuple[str, type]] = []
    for key in MEASURES:
        value, low, high, reason = measure_columns(key)
        wanted: list[tuple[str, type]] = [
            (value, float),
            (low, float),
            (high, float),
            (reason, str),
        ]
        for kind in ("target", "limit"):
            name, n = f"{key}_{kind}", 1
            while name in present:
                wanted += [(name, str), (f"{name}_outcome", str)]
                n += 1
                name = f"{key}_{kind}_{n}"
        columns += [column for column in wanted if column[0] in present]
    return columns


def repetition_rows(report: Report) -> list[Row]:
    """A row a repetition, in the report's order, for tables that a program reads.

    A measure has four columns: its key (the unit is the key's ending), `_low`, `_high` and
    `_not_measurable` with the reason. A check has two: `KEY_target` or `KEY_limit` with the
    bound, and the same with `_outcome`. A row has the columns that its repetition has.
    report : as its file has it (`as_written`).
    """
    return [_row(assessed) for assessed in report.repetitions]


def _row(assessed: AssessedRepetition) -> Row:
    r = assessed.repetition
    fixed = (r.number, r.side, r.part, r.start_s, r.turn_s, r.end_s, r.is_complete)
    row: Row = dict(zip(FIXED_COLUMNS, fixed, strict=True))
    for m in assessed.measures:
        cells: tuple[object, ...] = (
            (m.value, m.low, m.high, None)
            if isinstance(m, Measured)
            else (None, None, None, refusal_words(m, "clinician"))
        )
        row |= dict(zip(measure_columns(m.key), cells, strict=True))
    names = check_columns((c.measure, c.kind) for c in assessed.checks)
    for name, check in zip(names, assessed.checks, strict=True):
        row[name], row[f"{name}_outcome"] = bound_text(check.bound), check.outcome
    return row


def columns_found(rows: Iterable[Row]) -> list[str]:
    """The columns that any row has, in the order in which they come."""
    return list(dict.fromkeys(name for row in rows for name in row))
