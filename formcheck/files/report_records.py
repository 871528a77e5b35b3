"""The entries of a report's file as records, with what pydantic cannot know checked."""

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from typing import Any

from formcheck.files import report_layout as layout
from formcheck.files.report_layout import ReportEntry
from formcheck.files.report_rounding import facts_as_written
from formcheck.files.schema import record_from_mapping
from formcheck.model.codes import Scalar, Values
from formcheck.model.errors import FileError, UsageError
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.model.records import (
    AssessedRepetition,
    AssessedSet,
    Check,
    Clip,
    ExerciseWords,
    Finding,
    HeldAs,
    Measured,
    NotMeasurable,
    Observed,
    Part,
    PoseSource,
    Remark,
    Repetition,
    Report,
    SetDecision,
    SetFacts,
    SetMeasure,
    Symmetry,
    Tally,
    ToldMeasure,
    Value,
    View,
    outcome_of_code,
)
from formcheck.model.stated import Context, Pain
from formcheck.motion.assessment import complete_numbers
from formcheck.motion.set_facts import set_facts
from formcheck.words.finding_words import finding_words
from formcheck.words.refusal_words import refusal_words


class _Reader:
    """Entries back into records; `faults` gathers what pydantic cannot know."""

    def __init__(self, entry: ReportEntry) -> None:
        self.entry = entry
        self.parts = entry.provenance.interval_parts
        self.said = ExerciseWords(
            name=entry.exercise_words.name,
            kind=entry.exercise_words.kind,
            camera=entry.exercise_words.camera,
            remarks=tuple(entry.exercise_words.remarks.items()),
        )
        self.faults: list[str] = []

    def _known(self, key: str, place: str) -> bool:
        if key not in MEASURES:
            self.faults.append(f"{place}: {key!r} is no measure of formcheck")
        return key in MEASURES

    def _told(self, place: str, words: Callable[[], str]) -> None:
        try:
            words()
        except (AttributeError, KeyError, TypeError, ValueError) as error:
            self.faults.append(f"{place}.values: do not fit the code ({error!r})")

    def _parts(self, placed: tuple[tuple[int, float], ...], place: str) -> tuple[Part, ...]:
        out = []
        for k, standard in placed:
            if not 0 <= k < len(self.parts):
                self.faults.append(f"{place}.parts: there is no part {k} in interval_parts")
                continue
            p = self.parts[k]
            out.append(Part(name=p.name, standard=standard, kind=p.kind, source=p.source))
        return tuple(out)

    def value(self, key: str, entry: layout.ValueEntry, place: str) -> Value:
        if isinstance(entry, layout.RefusalEntry):
            refusal = NotMeasurable(
                key=key, code=entry.not_measurable, values=_as_values(entry.values)
            )
            self._told(place, lambda: refusal_words(refusal, "clinician"))
            return refusal
        return self.measured(key, entry, place)

    def measured(self, key: str, entry: layout.MeasuredEntry, place: str) -> Measured:
        return Measured(
            key=key,
            value=entry.value,
            low=entry.low,
            high=entry.high,
            parts=self._parts(entry.parts, place),
            at_s=entry.at_s,
        )

    def finding(self, entry: layout.FindingEntry, place: str) -> Finding:
        found = Finding(
            code=entry.code,
            values=_as_values(entry.values),
            from_s=entry.from_s,
            to_s=entry.to_s,
            spoils=entry.spoils,
        )
        self._told(place, lambda: finding_words(found, self.said, "clinician"))
        return found

    def _context(self, entry: layout.ContextEntry) -> Context:
        try:
            return Context(
                load_kg=entry.load_kg,
                support=entry.support,
                step_height_cm=entry.step_height_cm,
                seat_height_cm=entry.seat_height_cm,
                effort=entry.effort,
                pain=Pain(**asdict(entry.pain)),
                stature_cm=entry.stature_cm,
            )
        except UsageError as error:
            self.faults.append(f"context: {error}")
            return Context()

    def bound(self, entry: layout.BoundEntry, place: str) -> Bound:
        self._known(entry.measure, place)
        if entry.at_least is None and entry.at_most is None:
            self.faults.append(f"{place}: neither at_least nor at_most is given")
        return Bound(
            measure=entry.measure,
            at_least=entry.at_least,
            at_most=entry.at_most,
            tolerance=entry.tolerance,
            source=entry.source,
        )

    def check(self, entry: layout.CheckEntry, place: str) -> Check:
        return Check(kind=entry.kind, bound=self.bound(entry, place), outcome=entry.outcome)

    def repetition(self, entry: layout.RepetitionEntry, place: str) -> AssessedRepetition:
        said = self.entry.exercise_words.remarks
        for n, remark in enumerate(entry.findings):
            if remark.code not in said:
                self.faults.append(
                    f"{place}.findings[{n}].code: {remark.code!r} has no words in "
                    "exercise_words.remarks"
                )
        return AssessedRepetition(
            repetition=Repetition(
                number=entry.number,
                part=entry.part,
                side=entry.side,
                start_s=entry.start_s,
                turn_s=entry.turn_s,
                end_s=entry.end_s,
                turn_from_s=entry.turn_from_s,
                turn_to_s=entry.turn_to_s,
                is_complete=entry.complete,
            ),
            measures=tuple(
                self.value(key, value, f"{place}.measures.{key}")
                for key, value in entry.measures.items()
                if self._known(key, f"{place}.measures")
            ),
            checks=tuple(self.check(c, f"{place}.checks[{n}]") for n, c in enumerate(entry.checks)),
            remarks=tuple(Remark(code=m.code, at_s=m.at_s) for m in entry.findings),
            leg=entry.leg,
            other_leg=tuple(
                self.value(key, value, f"{place}.other_leg.{key}")
                for key, value in entry.other_leg.items()
                if self._known(key, f"{place}.other_leg")
            ),
        )

    def set_measure(self, key: str, m: layout.SetMeasureEntry) -> SetMeasure:
        change = None if m.change is None else self.value(key, m.change, f"set.measures.{key}")
        return SetMeasure(
            key=key,
            mean=_or_nan(m.mean),
            sd=m.sd,
            first=_or_nan(m.first),
            last=_or_nan(m.last),
            change_over_set=change if isinstance(change, Measured) else None,
        )

    def told(self, entry: layout.ToldEntry, place: str) -> ToldMeasure:
        return ToldMeasure(
            key=entry.measure,
            side=entry.side,
            part=entry.part,
            n=entry.n,
            mean=self.measured(entry.measure, entry.mean, f"{place}.mean"),
            extreme=self.measured(entry.measure, entry.extreme, f"{place}.extreme"),
            extreme_number=entry.extreme_number,
            decisions=tuple(
                SetDecision(
                    kind=d.kind,
                    bound=self.bound(d, f"{place}.decisions[{n}]"),
                    outcome=d.outcome,
                    where=d.where,
                    numbers=tuple((of.outcome, of.repetitions) for of in d.numbers),
                )
                for n, d in enumerate(entry.decisions)
            ),
        )

    def observed(self, entry: layout.ObservedEntry, place: str) -> Observed:
        if entry.code not in self.entry.exercise_words.remarks:
            self.faults.append(
                f"{place}.code: {entry.code!r} has no words in exercise_words.remarks"
            )
        is_known = entry.rests_on is not None and self._known(entry.rests_on, place)
        return Observed(
            code=entry.code,
            side=entry.side,
            numbers=entry.repetitions,
            mean=self.measured(entry.rests_on, entry.mean, f"{place}.mean")
            if is_known and entry.rests_on and entry.mean
            else None,
        )

    def held(self, entry: layout.HeldEntry | None) -> HeldAs | None:
        if entry is None:
            return None
        place = "set.facts.held"
        return HeldAs(
            held=self.measured("plateau_hold_s", entry.held, f"{place}.held"),
            level=self.measured("plateau_level_deg", entry.level, f"{place}.level")
            if entry.level
            else None,
            n=entry.n,
            asked_s=entry.asked_s,
            asked_level=self.bound(entry.asked_level, f"{place}.asked_level")
            if entry.asked_level
            else None,
            level_is=entry.level_is,
            is_level_sure=entry.level_sure,
            time_is=entry.time_is,
        )

    def whole(self) -> AssessedSet:
        entry, facts = self.entry.set, self.entry.set.facts
        return AssessedSet(
            n_repetitions=entry.n_repetitions,
            n_complete=entry.n_complete,
            n_met=entry.n_met,
            dose_prescribed=entry.dose.prescribed,
            dose_done=entry.dose.done,
            measures=tuple(
                self.set_measure(key, m)
                for key, m in entry.measures.items()
                if self._known(key, "set.measures")
            ),
            symmetry=None
            if entry.symmetry is None
            else tuple(
                Symmetry(
                    key=key,
                    kind=s.kind,
                    involved=s.involved,
                    value=self.value(key, s, f"set.symmetry.{key}"),
                )
                for key, s in entry.symmetry.items()
                if self._known(key, "set.symmetry")
            ),
            checks=tuple(self.check(c, f"set.checks[{n}]") for n, c in enumerate(entry.checks)),
            facts=SetFacts(
                of_side=facts.complete_of_side,
                tallies=tuple(Tally(kind=t.kind, outcome=t.outcome, n=t.n) for t in facts.tallies),
                n_not_visible=facts.n_not_visible,
                longest_hold_s=facts.longest_hold_s,
                is_judged=facts.judged,
                n_left_out=facts.n_left_out,
                told=tuple(
                    self.told(t, f"set.facts.told[{n}]")
                    for n, t in enumerate(facts.told)
                    if self._known(t.measure, f"set.facts.told[{n}]")
                ),
                observed=tuple(
                    self.observed(o, f"set.facts.observed[{n}]")
                    for n, o in enumerate(facts.observed)
                ),
                held=self.held(facts.held),
            ),
        )

    def report(self) -> Report:
        entry = self.entry
        clip, view, origin = entry.clip, entry.view, entry.provenance
        settings, source, side_was_chosen = _settings_and_source(origin)
        return Report(
            created_at=entry.created_at,
            version=origin.version,
            source=source,
            settings=settings,
            prescription_sha256=origin.prescription_sha256,
            clip=Clip(
                file=clip.file,
                sha256=clip.sha256,
                duration_s=_or_nan(clip.duration_s),
                n_frames=clip.n_frames,
                n_frames_lost=clip.n_frames_lost,
                width_px=clip.width_px,
                height_px=clip.height_px,
                rotation_deg=clip.rotation_deg,
                frame_rate_hz=_or_nan(clip.frame_rate_hz),
                time_base=clip.time_base,
                first_stamp=clip.first_stamp,
                capture_rate_hz=clip.capture_rate_hz,
                quantizer=clip.quantizer,
                is_mirrored=clip.mirrored,
            ),
            exercise=entry.exercise,
            exercise_words=self.said,
            side=entry.side,
            side_was_chosen=side_was_chosen,
            context=self._context(entry.context),
            bounds=tuple(
                (b.kind, self.bound(b, f"bounds[{n}]")) for n, b in enumerate(entry.bounds)
            ),
            view=View(
                plane=view.plane,
                azimuth_deg=_or_nan(view.azimuth_deg.value),
                azimuth_low_deg=_or_nan(view.azimuth_deg.low),
                azimuth_high_deg=_or_nan(view.azimuth_deg.high),
                near_side=view.near_side,
                person_height_px=_or_nan(view.person_height_px),
                roll_deg=_or_nan(view.roll_deg),
                facing_x=view.facing_x,
            ),
            is_usable=entry.quality.usable,
            findings=tuple(
                self.finding(f, f"quality.findings[{n}]")
                for n, f in enumerate(entry.quality.findings)
            ),
            repetitions=tuple(
                self.repetition(r, f"repetitions[{n}]") for n, r in enumerate(entry.repetitions)
            ),
            whole=self.whole(),
        )


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _as_values(values: Mapping[str, Scalar]) -> Values:
    return tuple(values.items())


def _settings_and_source(
    origin: layout.ProvenanceEntry,
) -> tuple[tuple[tuple[str, object], ...], PoseSource, bool]:
    settings = dict(origin.settings)
    was_chosen = settings.pop("side_was_chosen", False)
    mode, rate = settings.pop("pose_mode", "video"), settings.pop("pose_rate_hz", None)
    libraries = settings.pop("library_versions", {})
    source = PoseSource(
        model=origin.pose_model.name,
        sha256=origin.pose_model.sha256,
        mode="image" if mode == "image" else "video",
        rate_hz=float(rate) if isinstance(rate, int | float) else math.nan,
        library_versions=tuple((str(k), str(v)) for k, v in libraries.items())
        if isinstance(libraries, dict)
        else (),
    )
    return tuple(settings.items()), source, bool(was_chosen)


def _of_today(holder: object) -> object:
    """A repetition or the set of a mapping, with outcomes by the codes of today."""
    if not isinstance(holder, dict) or not isinstance(holder.get("checks"), list | tuple):
        return holder
    checks = [
        {**c, "outcome": outcome_of_code(c.get("kind", "target"), str(c["outcome"]))}
        if isinstance(c, dict) and "outcome" in c
        else c
        for c in holder["checks"]
    ]
    return {**holder, "checks": checks}


def report_of_entries(mapping: dict[str, Any], file: str) -> Report:
    """The report of a mapping with the keys of this version. Raises FileError as above."""
    repetitions = mapping.get("repetitions")
    if isinstance(repetitions, list | tuple):
        mapping = {**mapping, "repetitions": [_of_today(r) for r in repetitions]}
    mapping = {**mapping, "set": _of_today(mapping.get("set"))}
    reader = _Reader(record_from_mapping(ReportEntry, mapping, file))
    report = reader.report()
    if reader.faults:
        listed = tuple(f"{file}: {f}; analyse the clip again" for f in reader.faults)
        raise FileError(listed[0], listed)
    return report if "told" in mapping["set"]["facts"] else _with_facts(report)


def _with_facts(report: Report) -> Report:
    """The report with the facts of its set worked out: an older file does not tell them."""
    facts = set_facts(
        report.repetitions,
        complete_numbers(report.repetitions, report.whole.n_complete),
        is_hold=report.exercise_words.kind == "hold",
        bounds=report.bounds,
        measure_of_remark={},
    )
    # What was judged may be a bound that the old file tells of the set alone.
    facts = replace(facts, is_judged=report.whole.facts.is_judged)
    return replace(report, whole=replace(report.whole, facts=facts_as_written(facts)))
