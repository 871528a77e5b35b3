"""Published cut-offs of the two chair tests, as facts beside a result.

They are for people of 60 and over and for general function and falls, not for knees. Nothing is
judged by them: a clinician reads them beside the number.
"""

from collections.abc import Collection

CHAIR_STAND_SOURCE = "CDC STEADI 30-second chair stand (2017)"
_BELOW_AVERAGE = (
    (60, 64, 14, 12),
    (65, 69, 12, 11),
    (70, 74, 12, 10),
    (75, 79, 11, 10),
    (80, 84, 10, 9),
    (85, 89, 8, 8),
    (90, 94, 7, 4),
)
"""Age from, to, and the number of stands that fewer than is below average: men, women."""

FIVE_STANDS_SOURCE = (
    "worse than average for age: Bohannon 2006; recurrent falls: Buatois 2008, sensitivity 55 %, "
    "specificity 65 %"
)
_FIVE_WORSE_S = ((60, 69, 11.4), (70, 79, 12.6), (80, 89, 14.8))
FIVE_STANDS_FALLS_S = 15.0


def published(keys: Collection[str]) -> tuple[str, ...]:
    """Sentences beside the chair tests among the measures `keys`: rules, cut-offs, their scope."""
    lines = []
    if "n_in_30_s" in keys:
        ages = "; ".join(
            f"{low} to {high}: men {men}, women {women}" for low, high, men, women in _BELOW_AVERAGE
        )
        lines.append(
            "Stands in 30 s: the test is done from a seat 43 cm high with the arms crossed; when "
            "the arms are used its result is 0. Whether they were is for a person to see. "
            f"Published as below average, by age, are fewer stands than {ages}. "
            f"Source: {CHAIR_STAND_SOURCE}."
        )
    if "time_for_five_s" in keys:
        ages = "; ".join(f"{low} to {high}: {limit_s:g} s" for low, high, limit_s in _FIVE_WORSE_S)
        lines.append(
            "Five stands: timed here to standing at the fifth stand; other protocols stop when "
            f"seated again, which is later. Published as worse than average, by age, is longer "
            f"than {ages}; {FIVE_STANDS_FALLS_S:g} s and more goes with recurrent falls. "
            f"Source: {FIVE_STANDS_SOURCE}."
        )
    if lines:
        lines.append(
            "These values are for people of 60 and over, for general function and falls. They say "
            "nothing about a knee, and nothing here is judged by them."
        )
    return tuple(lines)
