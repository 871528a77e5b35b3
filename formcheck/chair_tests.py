"""Published cut-offs of the two chair tests, as facts beside a result.

They are for people of 60 and over and for general function and falls, not for knees. Nothing is
judged by them: a clinician reads them beside the number.
"""

from typing import Literal

Sex = Literal["male", "female"]

CHAIR_STAND_SOURCE = (
    "CDC STEADI 30-second chair stand (2017): seat 43 cm, arms crossed; for age 60 and over, "
    "general function and falls"
)
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
    "five times sit to stand: worse than average for age (Bohannon 2006); 15 s and more with "
    "recurrent falls, sensitivity 55 %, specificity 65 % (Buatois 2008)"
)
_FIVE_WORSE_S = ((60, 69, 11.4), (70, 79, 12.6), (80, 89, 14.8))
FIVE_STANDS_FALLS_S = 15.0


def chair_stand_average(age_years: int, sex: Sex) -> int | None:
    """Stands in 30 s that are not below average at this age; None outside the published ages."""
    for low, high, men, women in _BELOW_AVERAGE:
        if low <= age_years <= high:
            return men if sex == "male" else women
    return None


def five_stands_average_s(age_years: int) -> float | None:
    """Time for five stands beyond which it is worse than average; None outside the ages."""
    for low, high, limit_s in _FIVE_WORSE_S:
        if low <= age_years <= high:
            return limit_s
    return None
