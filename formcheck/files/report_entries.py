"""A report's records as the entries of its file."""

import math
from dataclasses import asdict, fields
from typing import Any, Literal

from formcheck.files import report_layout as layout
from formcheck.files.report_layout import ReportEntry
from formcheck.files.report_rounding import plain, symmetry_as_written
from formcheck.model.records import (
    REPORT_SCHEMA,
    AssessedRepetition,
    AssessedSet,
    Check,
    HeldAs,
    Measured,
    NotMeasurable,
    Part,
    Report,
    SetDecision,
    SetFacts,
    Symmetry,
    Value,
)


class _Parts:
    """The list of distinct parts; entries name a part by its place."""

    def __init__(self) -> None:
        self.places: dict[tuple[str, Literal["shared", "own"], str], int] = {}

    def places_of(self, parts: tuple[Part, ...]) -> tuple[tuple[int, float], ...]:
        return tuple(
            (self.places.setdefault((p.name, p.kind, p.source), len(self.places)), p.standard)
            for p in parts
        )

    def entries(self) -> tuple[layout.PartEntry, ...]:
        return tuple(
            layout.PartEntry(name=name, kind=kind, source=source)
            for name, kind, source in self.places
        )


def _or_null(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _value_entry(value: Value, parts: _Parts) -> layout.ValueEntry:
    if isinstance(value, NotMeasurable):
        return layout.RefusalEntry(not_measurable=value.code, values=dict(value.values))
    return _measured_entry(value, parts)


def _measured_entry(value: Measured, parts: _Parts) -> layout.MeasuredEntry:
    return layout.MeasuredEntry(
        value=value.value,
        low=value.low,
        high=value.high,
        at_s=value.at_s,
        parts=parts.places_of(value.parts),
    )


def _check_entry(check: Check) -> layout.CheckEntry:
    return layout.CheckEntry(kind=check.kind, **asdict(check.bound), outcome=check.outcome)


def _repetition_entry(assessed: AssessedRepetition, parts: _Parts) -> layout.RepetitionEntry:
    r = assessed.repetition
    return layout.RepetitionEntry(
        number=r.number,
        side=r.side,
        part=r.part,
        start_s=r.start_s,
        turn_s=r.turn_s,
        end_s=r.end_s,
        turn_from_s=r.turn_from_s,
        turn_to_s=r.turn_to_s,
        complete=r.is_complete,
        measures={m.key: _value_entry(m, parts) for m in assessed.measures},
        checks=tuple(map(_check_entry, assessed.checks)),
        findings=tuple(layout.RemarkEntry(code=m.code, at_s=m.at_s) for m in assessed.remarks),
        leg=assessed.leg,
        other_leg={m.key: _value_entry(m, parts) for m in assessed.other_leg},
    )


def _symmetry_entry(
    s: Symmetry, parts: _Parts
) -> layout.SymmetryEntry | layout.SymmetryRefusalEntry:
    entry = _value_entry(s.value, parts)
    of = {f.name: getattr(entry, f.name) for f in fields(entry)}
    if isinstance(entry, layout.RefusalEntry):
        return layout.SymmetryRefusalEntry(kind=s.kind, involved=s.involved, **of)
    return layout.SymmetryEntry(kind=s.kind, involved=s.involved, **of)


def symmetry_mapping(symmetry: tuple[Symmetry, ...]) -> dict[str, Any]:
    """Comparisons of the legs as a file carries them, without the parts of their intervals."""
    entries = {s.key: asdict(_symmetry_entry(symmetry_as_written(s), _Parts())) for s in symmetry}
    for entry in entries.values():
        entry.pop("parts", None)
        entry.pop("at_s", None)
    return entries


def _decision_entry(d: SetDecision) -> layout.DecisionEntry:
    return layout.DecisionEntry(
        kind=d.kind,
        **asdict(d.bound),
        outcome=d.outcome,
        where=d.where,
        numbers=tuple(
            layout.NumbersEntry(outcome=outcome, repetitions=numbers)
            for outcome, numbers in d.numbers
        ),
    )


def _held_entry(held: HeldAs, parts: _Parts) -> layout.HeldEntry:
    return layout.HeldEntry(
        held=_measured_entry(held.held, parts),
        level=_measured_entry(held.level, parts) if held.level else None,
        n=held.n,
        asked_s=held.asked_s,
        asked_level=layout.BoundEntry(kind="target", **asdict(held.asked_level))
        if held.asked_level
        else None,
        level_is=held.level_is,
        level_sure=held.is_level_sure,
        time_is=held.time_is,
    )


def _facts_entry(facts: SetFacts, parts: _Parts) -> layout.FactsEntry:
    return layout.FactsEntry(
        complete_of_side=facts.of_side,
        tallies=tuple(layout.TallyEntry(**asdict(t)) for t in facts.tallies),
        n_not_visible=facts.n_not_visible,
        longest_hold_s=facts.longest_hold_s,
        judged=facts.is_judged,
        n_left_out=facts.n_left_out,
        told=tuple(
            layout.ToldEntry(
                measure=t.key,
                side=t.side,
                part=t.part,
                n=t.n,
                mean=_measured_entry(t.mean, parts),
                extreme=_measured_entry(t.extreme, parts),
                extreme_number=t.extreme_number,
                decisions=tuple(map(_decision_entry, t.decisions)),
            )
            for t in facts.told
        ),
        observed=tuple(
            layout.ObservedEntry(
                code=o.code,
                side=o.side,
                repetitions=o.numbers,
                rests_on=o.mean.key if o.mean else None,
                mean=_measured_entry(o.mean, parts) if o.mean else None,
            )
            for o in facts.observed
        ),
        held=None if facts.held is None else _held_entry(facts.held, parts),
    )


def _set_entry(whole: AssessedSet, parts: _Parts) -> layout.SetEntry:
    return layout.SetEntry(
        n_repetitions=whole.n_repetitions,
        n_complete=whole.n_complete,
        n_met=whole.n_met,
        dose=layout.DoseEntry(prescribed=whole.dose_prescribed, done=whole.dose_done),
        measures={
            m.key: layout.SetMeasureEntry(
                mean=_or_null(m.mean),
                sd=m.sd,
                first=_or_null(m.first),
                last=_or_null(m.last),
                change=_value_entry(m.change_over_set, parts) if m.change_over_set else None,
            )
            for m in whole.measures
        },
        symmetry=None
        if whole.symmetry is None
        else {s.key: _symmetry_entry(s, parts) for s in whole.symmetry},
        checks=tuple(map(_check_entry, whole.checks)),
        facts=_facts_entry(whole.facts, parts),
    )


def settings_mapping(report: Report) -> dict[str, Any]:
    """Settings as used, with what else decided the result: the side's origin, the libraries."""
    return {
        **{key: plain(value) for key, value in report.settings},
        "side_was_chosen": report.side_was_chosen,
        "pose_mode": report.source.mode,
        "pose_rate_hz": plain(report.source.rate_hz),
        "library_versions": dict(report.source.library_versions),
    }


def entry_of(report: Report) -> ReportEntry:
    clip, view, context, parts = report.clip, report.view, report.context, _Parts()
    repetitions = tuple(_repetition_entry(r, parts) for r in report.repetitions)
    whole = _set_entry(report.whole, parts)
    return ReportEntry(
        schema=REPORT_SCHEMA,
        created_at=report.created_at,
        provenance=layout.ProvenanceEntry(
            version=report.version,
            pose_model=layout.ModelEntry(name=report.source.model, sha256=report.source.sha256),
            settings=settings_mapping(report),
            prescription_sha256=report.prescription_sha256,
            interval_parts=parts.entries(),
        ),
        clip=layout.ClipEntry(
            file=clip.file,
            sha256=clip.sha256,
            duration_s=_or_null(clip.duration_s),
            n_frames=clip.n_frames,
            width_px=clip.width_px,
            height_px=clip.height_px,
            rotation_deg=clip.rotation_deg,
            n_frames_lost=clip.n_frames_lost,
            mirrored=clip.is_mirrored,
            frame_rate_hz=_or_null(clip.frame_rate_hz),
            time_base=clip.time_base,
            first_stamp=clip.first_stamp,
            capture_rate_hz=clip.capture_rate_hz,
            quantizer=clip.quantizer,
        ),
        exercise=report.exercise,
        exercise_words=layout.ExerciseEntry(
            name=report.exercise_words.name,
            kind=report.exercise_words.kind,
            camera=report.exercise_words.camera,
            remarks=dict(report.exercise_words.remarks),
        ),
        side=report.side,
        context=layout.ContextEntry(
            load_kg=context.load_kg,
            support=context.support,
            step_height_cm=context.step_height_cm,
            seat_height_cm=context.seat_height_cm,
            effort=context.effort,
            pain=layout.PainEntry(**asdict(context.pain)),
            stature_cm=context.stature_cm,
        ),
        bounds=tuple(layout.BoundEntry(kind=kind, **asdict(b)) for kind, b in report.bounds),
        view=layout.ViewEntry(
            plane=view.plane,
            azimuth_deg=layout.AngleEntry(
                value=_or_null(view.azimuth_deg),
                low=_or_null(view.azimuth_low_deg),
                high=_or_null(view.azimuth_high_deg),
            ),
            near_side=view.near_side,
            person_height_px=_or_null(view.person_height_px),
            roll_deg=_or_null(view.roll_deg),
            facing_x=view.facing_x,
        ),
        quality=layout.QualityEntry(
            usable=report.is_usable,
            findings=tuple(
                layout.FindingEntry(
                    code=f.code,
                    values=dict(f.values),
                    from_s=f.from_s,
                    to_s=f.to_s,
                    spoils=f.spoils,
                )
                for f in report.findings
            ),
        ),
        repetitions=repetitions,
        set=whole,
    )
