"""What the buttons of the form do to it: begin from, add, move, copy, remove, take back.

Each takes the form as it was sent and gives it anew; nothing is saved before the clinician says
so, and every step but a typed one can be taken back.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from urllib.parse import parse_qsl, urlencode

from formcheck.clinic.database import today
from formcheck.files.exercises import load_exercise
from formcheck.files.prescription_advice import knee_limits, past_limits
from formcheck.files.templates import NamedTemplate
from formcheck.model.errors import UsageError
from formcheck.model.programme import Bound, Exercise, Limit, Prescription
from formcheck.web.clinician.prescription_form import (
    INVOLVED,
    MOST_LINES,
    MOST_ROWS,
    USUAL_REVIEW,
    Form,
    form_from,
    form_of,
    form_of_template,
    form_with,
    gives,
    known_exercise,
    new_form,
    precautions_of,
)
from formcheck.words import patient_words

USUAL_SETS, USUAL_REPETITIONS = 3, 10
"""Where an exercise file names no dose (common practice)."""
MOST_STEPS_BACK, MOST_KEPT = 20, 60_000
"""Steps that can be taken back, and the letters that they may take in a form."""

Line = dict[str, str]
"""The fields of one line, without their number: `sets`, `target0.measure`."""


def lines_of(form: Form) -> list[Line]:
    """The fields of each line."""
    out = []
    for line in form.lines:
        at = f"e{line.n}."
        out.append({k.removeprefix(at): v for k, v in form.values.items() if k.startswith(at)})
    return out


def with_lines(form: Form, lines: Sequence[Line]) -> Form:
    """The form with these lines in place of its own."""
    values = {k: v for k, v in form.values.items() if k.startswith("all.") or "." not in k}
    counts = []
    for n, line in enumerate(lines):
        values |= {f"e{n}.{k}": v for k, v in line.items()}
        counts.append(
            tuple(
                sum(bool(line.get(f"{kind}{k}.{must}")) for k in range(MOST_ROWS))
                for kind, must in (("target", "measure"), ("limit", "measure"), ("film", "view"))
            )
        )
    return form_with(values, counts, template=form.template, before=form.before)


def edited(
    do: str, form: Form, templates: Sequence[NamedTemplate], last: Prescription | None
) -> tuple[Form, str]:
    """(the form after a button, what was done in words). Raises UsageError for an unknown one."""
    name, _, rest = do.partition(":")
    if name == "undo":
        return _undone(form)
    if name == "show":
        return form, ""
    made, said = _begun(name, rest, form, templates, last) or _changed(name, rest, form)
    return replace(made, before=_kept_states(form)), said


def _begun(
    name: str, rest: str, form: Form, templates: Sequence[NamedTemplate], last: Prescription | None
) -> tuple[Form, str] | None:
    if name == "template":
        found = next((t for t in templates if t.id == rest), None)
        if found is None:
            raise UsageError("there is no such template")
        said = f"Begun from: {found.template.name}. Everything can be changed."
        return form_of_template(found.template, found.id, form.values), said
    if name == "last" and last is not None:
        begun = form_of(last)
        days = {
            "valid_from": today().isoformat(),
            "review_on": (today() + USUAL_REVIEW).isoformat(),
        }
        return replace(begun, values={**begun.values, **days}), "Begun from the last prescription."
    if name == "empty":
        return new_form(form.values.get("prescribed_by", ""), today()), "Begun empty."
    return None


def _changed(name: str, rest: str, form: Form) -> tuple[Form, str]:
    lines = lines_of(form)
    if name == "add":
        return _added(form, lines, rest)
    number, _, more = rest.partition(":")
    n = int(number) if number.isascii() and number.isdigit() else -1
    if not 0 <= n < len(lines):
        raise UsageError("this button belongs to an exercise that is gone")
    line = lines[n]
    exercise = known_exercise(line.get("exercise", ""))
    title = exercise.name if exercise else line.get("exercise", "")
    if name in ("up", "down"):
        other = n + (1 if name == "down" else -1)
        if 0 <= other < len(lines):
            lines[n], lines[other] = lines[other], lines[n]
        return with_lines(form, lines), f"{title} moved {name}."
    if name == "remove":
        del lines[n]
        return with_lines(form, lines), f"{title} removed."
    if name == "copy" and exercise is not None:
        return _copied(form, lines, n, exercise)
    if name == "goal" and exercise is not None and more.isascii() and more.isdigit():
        goals = exercise.end_goal
        if int(more) < len(goals):
            _put_bound(line, goals[int(more)])
        return with_lines(form, lines), f"Usual end goal put in as a target of {title}."
    if name == "film" and exercise is not None and more in {v.plane for v in exercise.views}:
        _put_film(line, more)
        return with_lines(form, lines), f"A set of {title} to film was added."
    if name == "note" and exercise is not None:
        _put_notes(line, exercise, sound_limits(form))
        return with_lines(form, lines), f"The precautions were put into the notes of {title}."
    raise UsageError("this page does not know that button")


def _room(lines: Sequence[Line]) -> None:
    if len(lines) >= MOST_LINES:
        raise UsageError(f"a prescription holds at most {MOST_LINES} exercises")


def _added(form: Form, lines: list[Line], name: str) -> tuple[Form, str]:
    _room(lines)
    exercise = load_exercise(name) if known_exercise(name) else None
    if exercise is None:
        raise UsageError("there is no such exercise")
    limits = sound_limits(form)
    lines.append(usual_line(exercise, limits))
    return with_lines(form, lines), (
        f"{exercise.name} added as exercise {len(lines)}, with its usual dose."
    )


def sound_limits(form: Form) -> list[Limit]:
    """The precautions whose numbers are numbers; the rest are faults, told elsewhere."""
    every = (limit for _, limit in precautions_of(form.values))
    return [
        limit
        for limit in every
        if all(isinstance(x, int | float | None) for x in (limit.at_least, limit.at_most))
    ]


def usual_line(exercise: Exercise, limits: Sequence[Limit] = ()) -> Line:
    """A line with the usual dose of an exercise, its first view to film, and steps proposed."""
    dose = exercise.usual_dose
    numbers = {
        "sets": dose.sets or USUAL_SETS,
        "repetitions": dose.repetitions or USUAL_REPETITIONS,
        "hold_s": dose.hold_s,
        "rest_s": dose.rest_s,
    }
    return {
        "exercise": exercise.id,
        **{k: f"{v:g}" for k, v in numbers.items() if v is not None},
        "sides": "both" if exercise.working_leg == "both" else INVOLVED,
        "easier": proposed_step(exercise, "easier", limits),
        "harder": proposed_step(exercise, "harder", limits),
        "film0.view": exercise.views[0].plane,
        "film0.set_number": "1",
    }


def proposed_step(exercise: Exercise, side: str, limits: Sequence[Limit]) -> str:
    """The first step that the exercise file names, is not the other way round by support level,
    and usually keeps within the precautions; empty where there is none."""
    least, most = knee_limits(limits)
    for name in exercise.easier if side == "easier" else exercise.harder:
        step = known_exercise(name)
        if step is None or past_limits(step, least, most):
            continue
        rise = step.support_level - exercise.support_level
        if (rise <= 0) if side == "easier" else (rise >= 0):
            return name
    return ""


def copy_of(line: Mapping[str, str], exercise: Exercise) -> str:
    """The exercise that a copy of a line is of: the same for the other leg, else the harder one.

    A prescription names an exercise once for each leg. Empty where there is nothing to copy to.
    """
    if exercise.working_leg != "both":
        return exercise.id
    harder = line.get("harder") or (exercise.harder[0] if exercise.harder else "")
    return harder if known_exercise(harder) else ""


def _copied(form: Form, lines: list[Line], n: int, exercise: Exercise) -> tuple[Form, str]:
    _room(lines)
    line, name = lines[n], copy_of(lines[n], exercise)
    made = known_exercise(name)
    if made is None:
        raise UsageError("there is no harder step to copy this dose to")
    if made is exercise:
        involved = form.values.get("involved_side", "")
        first = line.get("sides", "")
        if first not in ("left", "right"):
            first = involved if first == INVOLVED and involved in ("left", "right") else "left"
        line["sides"] = first
        other = "right" if first == "left" else "left"
        lines.insert(n + 1, {**line, "sides": other})
        return with_lines(form, lines), f"{made.name} copied for the {other} leg."
    usual = usual_line(made, sound_limits(form))
    dose = ("sets", "repetitions", "rest_s", "frequency", "pain_limit", "effort_aim", "load_kg")
    lines.insert(n + 1, {**usual, **{k: line[k] for k in dose if line.get(k)}})
    return with_lines(form, lines), f"{made.name} added with the dose of {exercise.name}."


def _put_bound(line: Line, goal: Bound) -> None:
    free = (k for k in range(MOST_ROWS) if not line.get(f"target{k}.measure"))
    k = next(free, None)
    if k is None or any(line.get(f"target{i}.measure") == goal.measure for i in range(MOST_ROWS)):
        return
    numbers = {"at_least": goal.at_least, "at_most": goal.at_most, "tolerance": goal.tolerance}
    line[f"target{k}.measure"] = goal.measure
    line[f"target{k}.source"] = goal.source
    for name, value in numbers.items():
        is_said = value is not None and (value or name != "tolerance")
        line[f"target{k}.{name}"] = f"{value:g}" if is_said else ""


def _put_film(line: Line, plane: str) -> None:
    used = [k for k in range(MOST_ROWS) if line.get(f"film{k}.view")]
    if len(used) == MOST_ROWS or any(line[f"film{k}.view"] == plane for k in used):
        return
    sets = line.get("sets", "")
    most = int(sets) if sets.isascii() and sets.isdigit() else 1
    line[f"film{len(used)}.view"] = plane
    line[f"film{len(used)}.set_number"] = str(min(len(used) + 1, max(most, 1)))


def _put_notes(line: Line, exercise: Exercise, limits: Sequence[Limit]) -> None:
    """The precautions that the exercise usually passes and cannot show, in its notes."""
    for limit in limits:
        said, notes = patient_words.limit_words(limit), line.get("notes", "")
        is_passed = past_limits(exercise, *knee_limits([limit])) is not None
        if is_passed and not gives(exercise.id, limit.measure) and said not in notes:
            line["notes"] = f"{notes} {said.removesuffix('.')}.".strip()


# -- steps back


def _kept_states(form: Form) -> tuple[str, ...]:
    """The states that can be gone back to with this one behind them, as many as have room."""
    said = {k: v for k, v in form.values.items() if v}
    states = [*form.before, urlencode({**said, "template": form.template})][-MOST_STEPS_BACK:]
    while len(states) > 1 and sum(map(len, states)) > MOST_KEPT:
        states.pop(0)
    return tuple(states)


def _undone(form: Form) -> tuple[Form, str]:
    if not form.before:
        return form, "There is nothing to take back."
    fields: dict[str, list[str]] = {}
    try:
        pairs = parse_qsl(form.before[-1], max_num_fields=3000)
    except ValueError:
        raise UsageError("that step cannot be taken back any more") from None
    for name, value in pairs:
        fields.setdefault(name, []).append(value)
    return replace(form_from(fields), before=form.before[:-1]), "Taken back."
