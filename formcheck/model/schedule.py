"""When an exercise is due: days and times, read from the words of a prescription.

A closed list of ways to say it; words outside it are not guessed at.
"""

import math
import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypedDict

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MOST_TIMES_A_DAY = 12
"""More often is not understood: every waking hour, about (common practice)."""
HOW_TO_SAY = (
    '"once a day", "twice a day", "every other day", "3 times a week", '
    '"Monday, Wednesday and Friday"'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """Times a day, and on which days: named ones, so many a week, or every so many days.

    weekdays : 0 = Monday; empty: any day. days_a_week : (least, most), None where not said.
    every_days : 1 = every day, 2 = every other day.
    """

    times_a_day: int = 1
    weekdays: tuple[int, ...] = ()
    days_a_week: tuple[int, int] | None = None
    every_days: int = 1

    def is_due(self, day: date, days_done: frozenset[date], begins: date) -> bool:
        """Whether the exercise is due on a day, nothing of that day itself counted.

        days_done : the days on which any set of it was done. A week begins on Monday. With a
        number of days a week, any day is right until that number is done. Every so many days
        counts from the day on which it was last done, else from the programme's first.
        """
        if day < begins:
            return False
        if self.weekdays:
            return day.weekday() in self.weekdays
        if self.days_a_week is not None:
            monday = day - timedelta(days=day.weekday())
            return sum(monday <= d < day for d in days_done) < self.days_a_week[1]
        last = max((d for d in days_done if d < day), default=None)
        return last is None or (day - last).days >= self.every_days

    def next_due(self, after: date, days_done: frozenset[date], begins: date) -> date | None:
        """The first day after this one on which it is due, if it is not done before."""
        days = (after + timedelta(days=n) for n in range(1, 32))
        return next((d for d in days if self.is_due(d, days_done, begins)), None)

    def n_planned(self, first: date, last: date) -> int:
        """Days planned from the first to the last, both counted.

        Of a week that is not whole, its share of the days a week, rounded down: no day is
        missed while there is time left for it.
        """
        n = (last - first).days + 1
        if n <= 0:
            return 0
        if self.weekdays:
            return sum((first + timedelta(days=k)).weekday() in self.weekdays for k in range(n))
        if self.days_a_week is not None:
            return math.floor(n * self.days_a_week[0] / 7 + 1e-9)
        return math.ceil(n / self.every_days)


_NUMBERS = {
    "once": 1, "twice": 2, "thrice": 3, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5,
    "six": 6, "seven": 7,
}  # fmt: skip
_N = r"(?:\d{1,2}|once|twice|thrice|one|two|three|four|five|six|seven)"
_PER = r"(?:a|per|each|every|in a|/)"
_UNIT = r"(?:\s*(?:times|time|x|×|days?))?"
_DAY = (
    r"(?:mon|tues?|wednes|thurs?|fri|satur|sun)days?|mon|tues?|weds?|thur?s?|fri|sat|sun|"
    r"mo|tu|we|th|fr|sa|su"
)
_ORDINALS = {"other": 2, "second": 2, "2nd": 2, "third": 3, "3rd": 3, "fourth": 4, "4th": 4}


def _number(word: str) -> int:
    return _NUMBERS.get(word) or (int(word) if word.isascii() and word.isdigit() else 0)


def _weekday(word: str) -> int:
    return next(n for n, name in enumerate(WEEKDAYS) if name.lower().startswith(word[:2]))


def schedule_of(words: str) -> Schedule | None:
    """The schedule that the words say; None where they say none that is known here, or more
    than one. No words at all mean once a day."""
    found, rest = _read(words)
    if rest or (words.strip() and not found):
        return None
    return _schedule(found)


def planned_schedule(words: str) -> Schedule:
    """The schedule of a prescription's line, as far as its words are understood; once a day where
    they are not. Where what is left may turn the days into their opposite ("no exercise on
    Sunday"), every day, as often as was understood."""
    found, rest = _read(words)
    if re.search(_TURNS, rest):
        found = _Found(times_a_day=found.get("times_a_day", 1))
    return _schedule(found) or Schedule()


_TURNS = r"\b(?:no|not|never|except|unless|but|without|off|skip|rest|free|if|when|until)\b"
"""Words that may turn what is said beside them into its opposite, or bind it to a condition."""


class _Found(TypedDict, total=False):
    times_a_day: int
    weekdays: tuple[int, ...]
    days_a_week: tuple[int, int]
    every_days: int


def _read(words: str) -> tuple[_Found, str]:
    """What the words say, by field, and what of them was not understood."""
    left = " ".join(words.lower().replace("-", " - ").split())
    found: _Found = {}

    def take(pattern: str) -> re.Match[str] | None:
        nonlocal left
        m = re.search(rf"(?<!\w)(?:{pattern})(?!\w)", left)
        if m:
            left = left[: m.start()] + " ; " + left[m.end() :]
        return m

    if m := take(rf"({_N})(?:\s*(?:-|to|or)\s*({_N}))?{_UNIT}\s*(?:{_PER}\s*week|weekly)"):
        found["days_a_week"] = (_number(m[1]), _number(m[2] or m[1]))
    elif take(r"weekly|every week|each week"):
        found["days_a_week"] = (1, 1)
    if m := take(rf"every ({'|'.join(_ORDINALS)}) day|every ({_N}) days|alternate days?"):
        found["every_days"] = _number(m[2]) if m[2] else _ORDINALS[m[1] or "other"]
    if m := take(rf"({_N}){_UNIT}\s*(?:{_PER}\s*day|daily)"):
        found["times_a_day"] = _number(m[1])
    elif m := take(
        r"(?:(?:in the|every|each|on) )?mornings?(,? (?:noon|midday))?,? and (?:in the )?"
        r"(?:evenings?|nights?)"
    ):
        found["times_a_day"] = 3 if m[1] else 2
    elif take(r"(?:in the|every|each) (?:morning|evening|night)"):
        found["times_a_day"] = 1
    if take(r"daily|every day|each day|(?:a|per) day"):
        found.setdefault("times_a_day", 1)
    kept, *spared = re.split(r"\b(?:except|but not|but|not)\b", left, maxsplit=1)
    days, rest = _days_named(kept)
    if spared:
        off, spared_rest = _days_named(spared[0])
        days = (days or set(range(7))) - off
        # Which days are spared, or what is left of them, is not known: nothing is understood.
        rest += spared_rest + ("" if off and days else " not")
    if days:
        found["weekdays"] = tuple(sorted(days))
    rest = re.sub(r"\b(?:and|on|the|at|in|for|every|each|from)\b|[;:,.&+/]", " ", rest)
    return found, " ".join(rest.split())


def _days_named(words: str) -> tuple[set[int], str]:
    """The days of the week that the words name, each or from one to another, and what is left."""
    days: set[int] = set()

    def note(m: re.Match[str]) -> str:
        first, last = m["one"] or m["first"], m["one"] or m["last"]
        if m["many"]:
            days.update((5, 6) if m["many"].startswith("weekend") else range(5))
        else:
            a, b = _weekday(first), _weekday(last)
            days.update((a + n) % 7 for n in range((b - a) % 7 + 1))
        return " ; "

    pattern = (
        rf"(?<!\w)(?:(?P<many>weekdays?|working days|weekends?)"
        rf"|(?P<first>{_DAY})\s*(?:to|-|–|through|until|till)\s*(?P<last>{_DAY})"
        rf"|(?P<one>{_DAY}))(?!\w)"
    )
    return days, re.sub(pattern, note, words)


def _schedule(found: _Found) -> Schedule | None:
    """The schedule of what was read; None where it contradicts itself, or is more often than
    anybody does an exercise."""
    times, every = found.get("times_a_day", 1), found.get("every_days", 1)
    if not 1 <= times <= MOST_TIMES_A_DAY:
        return None
    days, week = found.get("weekdays", ()), found.get("days_a_week")
    if week is not None and (not 1 <= week[0] <= week[1] <= 7 or every != 1):
        return None
    if not 1 <= every <= 30 or (days and every != 1):
        return None
    if days and week is not None and not week[0] <= len(days) <= week[1]:
        return None
    return Schedule(times_a_day=times, weekdays=days, days_a_week=week, every_days=every)
