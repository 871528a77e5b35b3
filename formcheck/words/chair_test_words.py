"""What a clinician reads beside the chair tests: their rules, published cut-offs and scope."""

from collections.abc import Collection

from formcheck.motion.chair_tests import PublishedCutOffs, published


def chair_test_lines(keys: Collection[str]) -> tuple[str, ...]:
    """A sentence for each chair test among the measures `keys`, and one on whom they are for."""
    lines = tuple(_LINES[test.key](test) for test in published(keys))
    return (*lines, _SCOPE) if lines else ()


_SCOPE = (
    "These values are averages of people of 60 and over. They say nothing about a knee, about "
    "younger people or about one person's falls, and nothing here is judged by them."
)


def _stands_in_30_s(test: PublishedCutOffs) -> str:
    ages = "; ".join(
        f"{c.from_years} to {c.to_years}: men {c.men:g}, women {c.women:g}" for c in test.by_age
    )
    return (
        f"Stands in 30 s: the test is done from a seat {test.seat_cm:g} cm high with the arms "
        "crossed; when the arms are used its result is 0. Neither the seat nor the arms are told "
        "here: they are for a person to see, and without them the number is no test. The source "
        f"calls fewer stands than these below average, by age: {ages}. Source: {test.source}."
    )


def _five_stands(test: PublishedCutOffs) -> str:
    ages = "; ".join(f"{c.from_years} to {c.to_years}: {c.men:g} s" for c in test.by_age)
    return (
        "Five stands: timed here to standing at the fifth stand; other protocols stop when "
        "seated again, which is later, and how the papers behind these values stopped was not "
        "read. "
        "The source says that who takes longer than these can be considered to have worse than "
        f"average performance, by age: {ages}. Source: {test.source}."
    )


_LINES = {"n_in_30_s": _stands_in_30_s, "time_for_five_s": _five_stands}
