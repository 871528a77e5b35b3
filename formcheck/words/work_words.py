"""What waits for a clinician, in words."""

from collections.abc import Mapping

PART_WORDS: Mapping[str, str] = {
    "symptoms": "Warning sign reported",
    "pains": "Pain over the limit, in a set or in the 24 hours after",
    "stops": "Stopped because it hurt",
    "past_limit": "Limit passed, or possibly passed",
    "not_measured": "Clip could not be measured",
    "to_look_at": "To look at",
    "unremarkable": "Unremarkable",
    "facts": "Said, for the next visit",
    "silent": "Nothing received for long",
    "due": "Prescription to be reviewed",
    "being_measured": "Being measured",
}
"""What an entry of the work list is about (the parts of `clinic.safety`)."""

SHOWN_WORDS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "": ("Everything", ()),
    "said": ("Symptoms, pain, stops", ("symptoms", "pains", "stops")),
    "limits": ("Limits", ("past_limit",)),
    "unmeasured": ("Not measured", ("not_measured",)),
    "look": ("To look at", ("to_look_at",)),
    "sign": ("Unremarkable", ("unremarkable",)),
    "visit": ("For the next visit", ("facts",)),
    "plan": ("Silent, or review due", ("silent", "due")),
    "measuring": ("Being measured", ("being_measured",)),
}
"""{name in an address: (what a choice of the list is called, the parts that it shows)}."""


def picture_words(exercise: str, side: str, day: str, *, is_measured: bool) -> str:
    """What the small picture of a set shows, for those who do not see it."""
    what = "End range" if is_measured else "The middle of the clip"
    return f"{what}: {exercise}{'' if side == 'both' else f', {side}'}, {day}"
