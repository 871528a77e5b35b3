"""The columns of a table with a row a repetition: one naming for reps.csv, a batch's summary and
the Arrow table.
"""

from collections.abc import Iterable

from formcheck.model.measures import MEASURES

CSV_REASON = "not_measurable"


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
