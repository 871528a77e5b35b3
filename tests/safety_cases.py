"""Who may exercise, who must call, who needs help: cases with the answer written by hand.

Each case is what a patient with a plan said and did on which day (0 is today, -1 yesterday), and
what is right today, with where that comes from. `SOURCES` spells the sources out.
"""

from dataclasses import dataclass

SOURCES = {
    "flags": "warning signs of the knee and the leg, common practice: help at once for signs of "
    "heart, clot, infection of the joint, fracture, blood supply; a call on the same day for what "
    "may need to be looked at before more load",
    "pain": "the limit that the clinic chose for this patient; pain-monitoring model (Silbernagel "
    "2007): the limit counts in the exercise and in the 24 hours after",
    "practice": "pain-monitoring model for long-standing pain: up to 5 of 10 is tolerated",
    "operated": "no limit was published for every operated knee: only a chosen one counts; severe "
    "pain (7 of 10 and over) asks for a call, common practice",
    "stop": "pain that made somebody stop: leave the exercise out for the day and look at it, "
    "common practice",
    "told": "a sign that asked for a call or for help is settled by a call or by help, not by "
    "being asked again, common practice",
    "limit": "a limit of the movement that was passed is looked at by the clinician and told at "
    "the next visit, common practice",
    "fact": "more pain or swelling the next day, within the limit, is told at the next visit",
}

PLANS = ("limit 3", "limit 6", "long-standing, no limit", "operated, no limit")


@dataclass(frozen=True)
class Case:
    """What was said, and what is right today.

    said : (day, what, values). Of an urgent or call level neither exercise starts; `left_out`:
    exercises that do not start all else being well. reasons : (code, what) of the standing.
    waits : under which parts of the work list it stands.
    """

    name: str
    plan: str
    said: tuple[tuple[int, str, dict], ...]
    level: str
    source: str
    reasons: tuple[tuple[str, str], ...] = ()
    until: str = ""
    left_out: tuple[str, ...] = ()
    waits: tuple[str, ...] = ()


def yes(day: int, *signs: str):
    return (day, "today", {"symptoms": signs})


def none(day: int = 0):
    return (day, "today", {})


def before(day: int, pain: int, exercise: str = "squat"):
    return (day, "before", {"pain": pain, "exercise": exercise})


def after(day: int, during: int, now: int = 0, exercise: str = "squat", signs: tuple = ()):
    values = {"pain_during": during, "pain": now, "exercise": exercise, "symptoms": signs}
    return (day, "after", values)


def stop(day: int, exercise: str = "squat", at_s: float | None = 12.0):
    return (day, "stopped", {"exercise": exercise, "at_s": at_s})


def next_day(day: int, worst: int, pain: str = "same", swelling: str = "same"):
    return (day, "next day", {"pain": worst, "pain_change": pain, "swelling_change": swelling})


def filmed(day: int, is_seen: bool = False):
    """A measured set in which a limit of the movement was passed."""
    return (day, "filmed", {"is_seen": is_seen})


def did(day: int, acted: str):
    return (day, "acted", {"acted": acted})


def _sign(name: str, level: str) -> Case:
    until = {"urgent": "told", "call": "told", "visit": ""}[level]
    waits = ("facts",) if level == "visit" else ("symptoms",)
    return Case(
        f"{name} on the day",
        "limit 3",
        (yes(0, name),),
        level,
        "flags",
        (("symptom", name),),
        until,
        waits=waits,
    )


SIGNS = (
    ("chest_pain", "urgent"),
    ("breathless", "urgent"),
    ("fainted", "urgent"),
    ("sudden_calf", "urgent"),
    ("cold_foot", "urgent"),
    ("no_weight", "urgent"),
    ("hot_knee", "urgent"),
    ("lost_motion", "call"),
    ("new_swelling", "call"),
    ("calf", "call"),
    ("giving_way", "call"),
    ("locking", "call"),
    ("fall", "call"),
    ("fever_or_wound", "call"),
    ("night_pain", "call"),
    ("stiffer", "visit"),
)

OVER = (("pain_over_limit", ""),)
CHEST = (("symptom", "chest_pain"),)
WAY = (("symptom", "giving_way"),)
STOPPED = (("stopped", ""),)

CASES: tuple[Case, ...] = (
    Case("nothing said yet", "limit 3", (), "start", "told"),
    Case("none of the signs", "limit 3", (none(),), "start", "flags"),
    *(_sign(name, level) for name, level in SIGNS),
    # Pain against the plan's own limit, on the edge on both sides.
    Case("pain at the limit", "limit 3", (none(), before(0, 3)), "start", "pain"),
    Case(
        "pain over it",
        "limit 3",
        (none(), before(0, 4)),
        "call",
        "pain",
        OVER,
        "day over",
        waits=("pains",),
    ),
    Case("a higher limit allows more", "limit 6", (none(), before(0, 6)), "start", "pain"),
    Case(
        "and ends there",
        "limit 6",
        (none(), before(0, 7)),
        "call",
        "pain",
        OVER,
        "day over",
        waits=("pains",),
    ),
    Case("in the set, at the limit", "limit 3", (none(), after(0, 3)), "start", "pain"),
    Case(
        "in the set, over it",
        "limit 3",
        (none(), after(0, 4)),
        "call",
        "pain",
        OVER,
        "day over",
        waits=("pains",),
    ),
    Case(
        "after the set, over it",
        "limit 3",
        (none(), after(0, 1, 5)),
        "call",
        "pain",
        OVER,
        "day over",
        waits=("pains",),
    ),
    Case("over it yesterday", "limit 3", (before(-1, 4),), "start", "pain", waits=("pains",)),
    Case(
        "over it yesterday and today",
        "limit 3",
        (before(-1, 4), none(), before(0, 5)),
        "call",
        "pain",
        OVER,
        "day over",
        waits=("pains",),
    ),
    Case(
        "over it, then told that it may go on",
        "limit 3",
        (none(), after(0, 5), did(0, "may_go_on")),
        "start",
        "told",
        waits=("pains", "facts"),
    ),
    Case(
        "over it, and nobody reached",
        "limit 3",
        (none(), after(0, 5), did(0, "not_yet")),
        "call",
        "told",
        OVER,
        "day over",
        waits=("pains", "facts"),
    ),
    Case(
        "over it, told to wait, the next morning",
        "limit 3",
        (after(-1, 5), did(-1, "told_to_wait")),
        "call",
        "told",
        (("told_to_wait", ""),),
        "told",
        waits=("pains", "facts"),
    ),
    # No limit chosen, long-standing pain.
    Case(
        "5 of 10, long-standing",
        "long-standing, no limit",
        (none(), before(0, 5)),
        "start",
        "practice",
    ),
    Case(
        "6 of 10, long-standing",
        "long-standing, no limit",
        (none(), before(0, 6)),
        "call",
        "practice",
        OVER,
        "day over",
        waits=("pains",),
    ),
    Case(
        "6 of 10 in the set, long-standing",
        "long-standing, no limit",
        (none(), after(0, 6)),
        "call",
        "practice",
        OVER,
        "day over",
        waits=("pains",),
    ),
    # No limit chosen, after surgery: no default of 5.
    Case("no pain, operated", "operated, no limit", (none(), before(0, 0)), "start", "operated"),
    Case(
        "3 of 10, operated",
        "operated, no limit",
        (none(), before(0, 3)),
        "visit",
        "operated",
        (("pain_without_limit", ""),),
        waits=("facts",),
    ),
    Case(
        "6 of 10, operated",
        "operated, no limit",
        (none(), after(0, 6)),
        "visit",
        "operated",
        (("pain_without_limit", ""),),
        waits=("facts",),
    ),
    Case(
        "7 of 10, operated",
        "operated, no limit",
        (none(), after(0, 7)),
        "call",
        "operated",
        (("severe_pain", ""),),
        "day over",
        waits=("pains",),
    ),
    # The 24 hours after.
    Case("next day, same as usual", "limit 3", (after(-1, 2), next_day(0, 2)), "start", "pain"),
    Case(
        "next day, more pain within the limit",
        "limit 3",
        (after(-1, 2), next_day(0, 3, pain="more")),
        "visit",
        "fact",
        (("more_next_day", "pain"),),
        waits=("facts",),
    ),
    Case(
        "next day, more swelling",
        "limit 3",
        (after(-1, 2), next_day(0, 1, swelling="more")),
        "visit",
        "fact",
        (("more_next_day", "swelling"),),
        waits=("facts",),
    ),
    Case(
        "next day, over the limit",
        "limit 3",
        (after(-1, 2), next_day(0, 4, pain="more")),
        "call",
        "pain",
        (*OVER, ("more_next_day", "pain")),
        "day over",
        waits=("pains",),
    ),
    Case(
        "next day, over the limit and no more than usual",
        "limit 3",
        (after(-1, 2), next_day(0, 5)),
        "call",
        "pain",
        OVER,
        "day over",
        waits=("pains",),
    ),
    Case(
        "next day, long-standing, at 5",
        "long-standing, no limit",
        (after(-1, 2), next_day(0, 5)),
        "start",
        "practice",
    ),
    Case(
        "next day, long-standing, at 6",
        "long-standing, no limit",
        (after(-1, 2), next_day(0, 6)),
        "call",
        "practice",
        OVER,
        "day over",
        waits=("pains",),
    ),
    Case(
        "next day, operated, at 6",
        "operated, no limit",
        (after(-1, 0), next_day(0, 6)),
        "visit",
        "operated",
        (("pain_without_limit", ""),),
        waits=("facts",),
    ),
    Case(
        "the day after that is a new day",
        "limit 3",
        (after(-2, 2), next_day(-1, 5)),
        "start",
        "pain",
        waits=("pains",),
    ),
    # Urgent answers do not go by themselves.
    Case(
        "urgent, then none of these",
        "limit 3",
        (yes(0, "chest_pain"), none(0)),
        "urgent",
        "told",
        CHEST,
        "told",
        waits=("symptoms",),
    ),
    Case(
        "urgent yesterday",
        "limit 3",
        (yes(-1, "chest_pain"),),
        "urgent",
        "told",
        CHEST,
        "told",
        waits=("symptoms",),
    ),
    Case(
        "urgent yesterday, none of these today",
        "limit 3",
        (yes(-1, "chest_pain"), none(0)),
        "urgent",
        "told",
        CHEST,
        "told",
        waits=("symptoms",),
    ),
    Case(
        "urgent a month ago and never settled",
        "limit 3",
        (yes(-30, "chest_pain"),),
        "urgent",
        "told",
        CHEST,
        "told",
        waits=("symptoms",),
    ),
    Case(
        "urgent, nothing done yet",
        "limit 3",
        (yes(0, "chest_pain"), did(0, "not_yet")),
        "urgent",
        "told",
        CHEST,
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "urgent, seen, may exercise",
        "limit 3",
        (yes(0, "chest_pain"), did(0, "may_go_on")),
        "start",
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "urgent, seen, is to wait",
        "limit 3",
        (yes(-1, "chest_pain"), did(0, "told_to_wait")),
        "call",
        "told",
        (("told_to_wait", ""),),
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "waited, and may exercise now",
        "limit 3",
        (yes(-3, "chest_pain"), did(-3, "told_to_wait"), did(0, "may_go_on")),
        "start",
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "ticked without meaning to",
        "limit 3",
        (yes(0, "no_weight"), did(0, "not_meant")),
        "start",
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "told to wait, and ticked without meaning to",
        "limit 3",
        (yes(-2, "no_weight"), did(-2, "told_to_wait"), yes(0, "chest_pain"), did(0, "not_meant")),
        "call",
        "told",
        (("told_to_wait", ""),),
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "told to wait yesterday, and pain of 2 after an operation today",
        "operated, no limit",
        (yes(-1, "chest_pain"), did(-1, "told_to_wait"), next_day(0, 2)),
        "call",
        "told",
        (("told_to_wait", ""), ("pain_without_limit", "")),
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "told to wait, and a limit of the movement passed",
        "limit 3",
        (yes(-1, "chest_pain"), did(-1, "told_to_wait"), filmed(0)),
        "call",
        "told",
        (("told_to_wait", ""), ("limit_passed", "")),
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "stopped, and pain not meant",
        "limit 3",
        (before(0, 4), stop(0), did(0, "not_meant")),
        "leave_out",
        "stop",
        (*STOPPED, ("stop_not_told", "")),
        "asked",
        ("squat",),
        ("pains", "stops", "facts"),
    ),
    Case(
        "settled, and again",
        "limit 3",
        (yes(-2, "chest_pain"), did(-2, "may_go_on"), yes(0, "chest_pain")),
        "urgent",
        "told",
        CHEST,
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "urgent in the set",
        "limit 3",
        (none(), after(0, 1, signs=("chest_pain",))),
        "urgent",
        "flags",
        CHEST,
        "told",
        waits=("symptoms",),
    ),
    Case(
        "urgent and a call together",
        "limit 3",
        (yes(0, "giving_way"), yes(0, "hot_knee")),
        "urgent",
        "flags",
        (("symptom", "hot_knee"), ("symptom", "giving_way")),
        "told",
        waits=("symptoms",),
    ),
    # Signs that ask for a call.
    Case(
        "giving way yesterday, none today",
        "limit 3",
        (yes(-1, "giving_way"), none(0)),
        "call",
        "told",
        WAY,
        "told",
        waits=("symptoms",),
    ),
    Case(
        "giving way, the clinic says go on",
        "limit 3",
        (yes(-1, "giving_way"), did(-1, "may_go_on"), none(0)),
        "start",
        "told",
        waits=("symptoms", "facts"),
    ),
    Case(
        "giving way in the set",
        "limit 3",
        (none(), after(0, 1, signs=("giving_way",))),
        "call",
        "flags",
        WAY,
        "told",
        waits=("symptoms",),
    ),
    Case(
        "locking in the set with pain over the limit",
        "limit 3",
        (none(), after(0, 5, signs=("locking",))),
        "call",
        "flags",
        (("symptom", "locking"), ("pain_over_limit", "")),
        "told",
        waits=("symptoms",),
    ),
    Case(
        "stiffer, and pain over the limit",
        "limit 3",
        (yes(0, "stiffer"), before(0, 5)),
        "call",
        "pain",
        (*OVER, ("symptom", "stiffer")),
        "day over",
        waits=("facts", "pains"),
    ),
    Case("stiffer yesterday", "limit 3", (yes(-1, "stiffer"),), "start", "fact", waits=("facts",)),
    # "It hurts, stop".
    Case(
        "stopped, not asked yet",
        "limit 3",
        (none(), stop(0)),
        "leave_out",
        "stop",
        (*STOPPED, ("stop_not_told", "")),
        "asked",
        ("squat",),
        ("stops",),
    ),
    Case(
        "stopped before the recording began",
        "limit 3",
        (none(), stop(0, at_s=None)),
        "leave_out",
        "stop",
        (*STOPPED, ("stop_not_told", "")),
        "asked",
        ("squat",),
        ("stops",),
    ),
    Case(
        "stopped, pain within the limit",
        "limit 3",
        (none(), stop(0), after(0, 3, 1)),
        "leave_out",
        "stop",
        STOPPED,
        "day over",
        ("squat",),
        ("stops",),
    ),
    Case(
        "stopped, pain over the limit",
        "limit 3",
        (none(), stop(0), after(0, 6, 2)),
        "call",
        "stop",
        (*OVER, *STOPPED),
        "day over",
        ("squat",),
        ("stops", "pains"),
    ),
    Case(
        "stopped, giving way",
        "limit 3",
        (none(), stop(0), after(0, 1, signs=("giving_way",))),
        "call",
        "stop",
        (*WAY, *STOPPED),
        "told",
        ("squat",),
        ("stops", "symptoms"),
    ),
    Case(
        "stopped another exercise",
        "limit 3",
        (none(), stop(0, "wall_sit"), after(0, 2, exercise="wall_sit")),
        "leave_out",
        "stop",
        STOPPED,
        "day over",
        ("wall_sit",),
        ("stops",),
    ),
    Case(
        "stopped in both",
        "limit 3",
        (none(), stop(0), after(0, 2), stop(0, "wall_sit"), after(0, 2, exercise="wall_sit")),
        "leave_out",
        "stop",
        (*STOPPED, *STOPPED),
        "day over",
        ("squat", "wall_sit"),
        ("stops",),
    ),
    Case(
        "stopped yesterday", "limit 3", (stop(-1), after(-1, 2)), "start", "stop", waits=("stops",)
    ),
    Case(
        "stopped yesterday and never asked",
        "limit 3",
        (stop(-1),),
        "start",
        "stop",
        waits=("stops",),
    ),
    Case(
        "stopped, and a sign that is urgent",
        "limit 3",
        (stop(0), yes(0, "sudden_calf")),
        "urgent",
        "flags",
        (("symptom", "sudden_calf"), *STOPPED, ("stop_not_told", "")),
        "told",
        ("squat",),
        ("stops", "symptoms"),
    ),
    Case(
        "stopped, operated, no limit chosen",
        "operated, no limit",
        (none(), stop(0), after(0, 5)),
        "leave_out",
        "operated",
        (*STOPPED, ("pain_without_limit", "")),
        "day over",
        ("squat",),
        ("stops", "facts"),
    ),
    # A limit of the movement, and who has looked at it.
    Case(
        "went past a limit, not looked at",
        "limit 3",
        (none(), filmed(0)),
        "visit",
        "limit",
        (("limit_passed", ""),),
    ),
    Case(
        "went past it last week, not looked at",
        "limit 3",
        (filmed(-7), none()),
        "visit",
        "limit",
        (("limit_passed", ""),),
    ),
    Case("went past it, looked at", "limit 3", (none(), filmed(0, True)), "start", "limit"),
    Case(
        "went past it, and pain over the limit",
        "limit 3",
        (none(), filmed(0), before(0, 4)),
        "call",
        "pain",
        (*OVER, ("limit_passed", "")),
        "day over",
        waits=("pains",),
    ),
)
