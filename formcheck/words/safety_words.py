"""What a patient is told to do and why, in words; how the clinic is reached."""

from collections.abc import Sequence
from typing import Literal

from formcheck.model.safety import Acted, Contact, Level, Questions, Reason, SetReason, Standing
from formcheck.words.languages import gettext, marked

LEVEL_WORDS: dict[Level, str] = {
    "start": "",
    "visit": marked("Your clinic will see what you said."),
    "leave_out": marked("Leave this exercise out today."),
    "call": marked("Do no exercises now and call your clinic."),
    "urgent": marked("Get urgent medical help now."),
}
"""What a patient is told at each level."""

TOLD_WORDS: dict[Level, str] = {
    "start": "",
    "visit": "for the next visit",
    "leave_out": "told to leave the exercise out for the day",
    "call": "told to do no exercises and to call",
    "urgent": "told to get urgent medical help",
}
"""The same, as a clinician reads it."""

ACTED_WORDS: dict[Acted, str] = {
    "may_go_on": marked("I was seen, or spoke with my clinic, and I may exercise"),
    "told_to_wait": marked("I was seen, or spoke with my clinic, and I am to wait"),
    "not_yet": marked("Not yet, or I could not reach them"),
    "not_meant": marked("I did not mean to answer that"),
}
"""What a patient may say was done about it."""

ACTED_TOLD: dict[Acted, str] = {
    "may_go_on": "says: was seen or spoke with the clinic, and may exercise",
    "told_to_wait": "says: was seen or spoke with the clinic, and is to wait",
    "not_yet": "says: nothing was done yet",
    "not_meant": "says: did not mean to give that answer",
}

SET_REASON_WORDS: dict[SetReason, str] = {
    "limit_passed": "a limit was passed",
    "limit_possibly_passed": "a limit was possibly passed",
    "limit_unseen": "a limit could not be seen",
    "target_not_reached": "a target was not reached",
    "target_open": "a target was borderline or not measured",
    "dose_short": "fewer repetitions than prescribed",
    "dose_over": "more repetitions than prescribed",
    "remark": "an observation on the movement",
    "no_prescription": "no prescription: measured, not judged",
    "not_counted": "measured by an earlier version, which did not keep what to look at",
}
"""Why a clinician is to look at a set."""


def symptom_words(symptoms: tuple[str, ...], questions: Questions) -> str:
    """Answers with yes in words, for a line; a question that is no longer asked by its id."""
    known = questions.by_id
    return ", ".join(
        gettext(known[s].words) if s in known else s.replace("_", " ") for s in symptoms
    )


def seconds_words(at_s: float) -> str:
    """A moment of a recording: 0:23."""
    return f"{int(at_s) // 60}:{int(at_s) % 60:02d}"


def stop_words(at_s: float | None, repetition: int | None) -> str:
    """When "It hurts, stop" was pressed."""
    if at_s is None:
        return gettext("before the recording began")
    at = seconds_words(at_s)
    if repetition is None:
        return gettext("at %(time)s", time=at)
    return gettext("at %(time)s, after %(n)s counted", time=at, n=repetition)


def reason_words(
    reason: Reason, questions: Questions, reader: Literal["patient", "clinician"] = "patient"
) -> str:
    """A reason in words, beside a date; to a patient after "You said" (`why_words`)."""
    is_patient = reader == "patient"
    match reason.code:
        case "symptom":
            return symptom_words((reason.what,), questions)
        case "pain_over_limit":
            if reason.limit is None:
                return gettext("pain %(pain)s of 10, over the limit", pain=reason.pain)
            words = (
                marked("pain %(pain)s of 10, over the %(limit)s of your plan")
                if is_patient
                else "pain %(pain)s of 10, over the limit of %(limit)s"
            )
            return gettext(words, pain=reason.pain, limit=reason.limit)
        case "severe_pain" | "pain_without_limit":
            words = (
                marked("pain %(pain)s of 10 (your plan names no limit)")
                if is_patient
                else "pain %(pain)s of 10 (no limit chosen after surgery)"
            )
            return gettext(words, pain=reason.pain)
        case "more_next_day":
            return gettext(MORE_WORDS[reason.what])
        case "limit_passed":
            return gettext("a limit of the plan passed in a set that nobody has looked at")
        case "stopped":
            when = stop_words(reason.at_s, reason.repetition)
            return gettext("stopped because it hurt, %(when)s", when=when)
        case "stop_not_told":
            return gettext("has not said since how it is")
        case "told_to_wait":
            return "was told to wait, as the patient says"


MORE_WORDS = {
    "pain": marked("more pain than usual on the next day"),
    "stiffness": marked("more stiffness than usual on the next day"),
    "swelling": marked("more swelling than usual on the next day"),
}


def standing_words(found: Standing, questions: Questions) -> str:
    """The reasons behind a standing's own level, in a line for a clinician."""
    mine = [r for r in found.reasons if r.level == found.level]
    return ", ".join(dict.fromkeys(reason_words(r, questions, "clinician") for r in mine))


def standing_title(found: Standing) -> str:
    """What the patient is told to do, as a heading."""
    if found.until == "asked":
        return gettext("You stopped because it hurt. Do no more for now.")
    mine = {r.code for r in found.reasons if r.level == found.level}
    if mine == {"told_to_wait"}:
        return gettext("Do no exercises until your clinic says that you may.")
    return gettext(LEVEL_WORDS[found.level])


def why_words(reasons: Sequence[Reason], questions: Questions) -> str:
    """Why, to the patient: what was said, and what was pressed, a sentence each."""
    not_said = ("stopped", "stop_not_told", "told_to_wait", "limit_passed")
    said = [r for r in reasons if r.code not in not_said]
    words = list(dict.fromkeys(reason_words(r, questions) for r in said))
    out = [gettext("You said: %(what)s.", what=", ".join(words))] if words else []
    for r in reasons:
        if r.code == "told_to_wait":
            out.append(gettext("You said that you were told to wait."))
        if r.code == "stopped":
            when = stop_words(r.at_s, r.repetition)
            out.append(gettext("You pressed “It hurts, stop” %(when)s.", when=when))
    return " ".join(dict.fromkeys(out))


UNTIL_WORDS = {
    "told": marked("This stands until you say here what was done about it."),
    "asked": marked("First say how it is now."),
    "day over": marked("This stands for today."),
    "": "",
}
UNTIL_TOLD = {
    "told": "stands until the patient says what was done",
    "asked": "the patient has not said how it is since",
    "day over": "stands for that day",
    "": "",
}


def phone_words(contact: Contact) -> str:
    """How the clinic is reached; says plainly where no number was entered."""
    if not contact.phone:
        return gettext("No phone number of your clinic has been entered here.")
    hours = f" ({contact.hours})" if contact.hours else ""
    return gettext("Your clinic: %(phone)s.", phone=contact.phone + hours)


def emergency_words(contact: Contact) -> str:
    """The local emergency number; says plainly where none was entered."""
    if not contact.emergency:
        return gettext("No emergency number has been entered here: phone the one of your country.")
    return gettext("Emergency number: %(number)s.", number=contact.emergency)


def paper_lines(contact: Contact) -> tuple[str, ...]:
    """The numbers on a sheet of paper, with room to write one in that was not entered."""
    hours = f" ({contact.hours})" if contact.hours else ""
    phone = (contact.phone or "_" * 24) + hours
    return (
        gettext("Phone of your clinic: %(phone)s", phone=phone),
        gettext("Emergency number: %(number)s", number=contact.emergency or "_" * 12),
    )
