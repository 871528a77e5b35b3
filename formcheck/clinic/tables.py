"""A patient's sets as a CSV table, a row a set: for a spreadsheet or statistics."""

import csv
import io

from formcheck.clinic.answers import answers_of_set
from formcheck.clinic.database import Clinic
from formcheck.clinic.reviews import reviews_of
from formcheck.clinic.sets import means_of, sets_of
from formcheck.model.measures import MEASURES
from formcheck.words.wording import safe_cell

_FIXED = (
    "patient",
    "day",
    "exercise",
    "side",
    "set_number",
    "state",
    "reviewed_by",
    "reviewed_on",
    "repetitions",
    "complete",
    "dose_prescribed",
    "dose_done",
    "target_not_reached",
    "target_open",
    "past_limit",
    "perhaps_past_limit",
    "pain_before",
    "pain_during",
    "pain_after",
    "effort",
    "reason",
)
_COUNTED = _FIXED[_FIXED.index("repetitions") : _FIXED.index("pain_before")]


def sets_csv(clinic: Clinic, patient_id: int) -> str:
    """The table: counts after corrections, what was stated, each measure's mean with
    its 95 % interval (`_low`, `_high`) and the repetitions in it (`_n`)."""
    sets = tuple(reversed(sets_of(clinic, patient_id)))
    found = means_of(clinic, patient_id)
    # What was read of a set that counts as not measured is no result.
    means = {s.id: found.get(s.id, {}) for s in sets if s.is_measured}
    keys = [k for k in MEASURES if any(k in means.get(s.id, {}) for s in sets)]
    columns = [*_FIXED, *(c for k in keys for c in (k, f"{k}_low", f"{k}_high", f"{k}_n"))]
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    for s in sets:
        said = {a.moment: a for a in answers_of_set(clinic, s.id)}
        before, after = said.get("before"), said.get("after")
        reviews = [r for r in reviews_of(clinic, s.id) if r.kind == "reviewed"]
        last = reviews[-1] if reviews and s.is_final else None
        row = {
            "patient": safe_cell(s.patient_code),
            "day": s.day,
            "exercise": s.exercise,
            "side": s.side,
            "set_number": s.set_number,
            "state": s.state,
            "reviewed_by": safe_cell(last.initials) if last else "",
            "reviewed_on": last.day if last else "",
            "repetitions": s.n_repetitions,
            "complete": s.n_complete,
            "dose_prescribed": s.dose_prescribed,
            "dose_done": s.dose_done,
            "target_not_reached": s.n_not_met,
            "target_open": s.n_open,
            "past_limit": s.n_passed,
            "perhaps_past_limit": s.n_doubtful,
            "pain_before": before.pain if before else None,
            "pain_during": after.pain_during if after else None,
            "pain_after": after.pain if after else None,
            "effort": after.effort if after else None,
            "reason": safe_cell(s.reason),
        }
        if not s.is_measured:  # nothing counted is not nothing done
            row |= dict.fromkeys(_COUNTED)
        for key, mean in means.get(s.id, {}).items():
            if key in keys:
                row |= {
                    key: round(mean.value, 3),
                    f"{key}_low": round(mean.low, 3),
                    f"{key}_high": round(mean.high, 3),
                    f"{key}_n": mean.n,
                }
        writer.writerow(row)
    return out.getvalue()
