"""Figures of an exercise and of where the camera stands: SVG, and characters for a terminal.

Drawn from the exercise file's own points, moved to a prescription's own angles. It is a figure
of what to do, never laid over a person. Strokes keep a contrast of at least 4.5 to 1 with white.
"""

import math
from collections.abc import Callable, Sequence
from functools import partial
from html import escape
from typing import Literal, NamedTuple

from formcheck.model.programme import Exercise, Figure, PrescribedExercise
from formcheck.words.drawn_poses import Point, Pose, drawn_poses, from_ahead
from formcheck.words.languages import gettext, marked

_BODY = (
    (("far_hip", "far_knee"), "far"),
    (("hip", "far_knee"), "far"),
    (("far_knee", "far_ankle"), "far"),
    (("far_ankle", "far_toe"), "far"),
    (("far_shoulder", "far_elbow"), "far"),
    (("far_elbow", "far_wrist"), "far"),
    (("hip", "far_hip"), "body"),
    (("shoulder", "far_shoulder"), "body"),
    (("far_hip", "far_shoulder"), "body"),
    (("hip", "shoulder"), "body"),
    (("shoulder", "elbow"), "arm"),
    (("elbow", "wrist"), "arm"),
    (("hip", "knee"), "leg"),
    (("knee", "ankle"), "leg"),
    (("ankle", "toe"), "leg"),
)
_LYING = ("supine", "hook_lying", "prone", "side_lying", "long_sitting")
_HEAD = 4.6
_INK, _LEG, _FAR, _PROP, _CAMERA = "#1d2b33", "#7a2e5d", "#5c6b73", "#d9d4c7", "#0b5d66"
_CAP = 'fill="none" stroke-linecap="round"'
# Attributes, not a style sheet: a figure inside a page must not restyle the page, and a strict
# content security policy lets attributes through. A page with a dark scheme draws the classes in
# its own colours.
_DRAWN = {
    kind: f'class="figure-{kind}" {drawn}'
    for kind, drawn in {
        "body": f'{_CAP} stroke="{_INK}" stroke-width="4.2"',
        "arm": f'{_CAP} stroke="{_INK}" stroke-width="2.6"',
        "leg": f'{_CAP} stroke="{_LEG}" stroke-width="4.6"',
        "far": f'{_CAP} stroke="{_FAR}" stroke-width="2.8"',
        "head": f'fill="#ffffff" stroke="{_INK}" stroke-width="2.6"',
        "floor": f'{_CAP} stroke="{_INK}" stroke-width="1"',
        "prop": f'fill="{_PROP}" stroke="{_FAR}" stroke-width="1"',
        "camera": f'fill="{_CAMERA}"',
        "sight": f'{_CAP} stroke="{_CAMERA}" stroke-width="1" stroke-dasharray="3 3"',
        "text": f'fill="{_INK}" text-anchor="middle" font-family="sans-serif" font-size="6.5"',
    }.items()
}


_COLUMNS_OF_PANELS = 4
Near = Literal["left", "right", "none"]
_NEAR_WORDS = {
    "left": marked("The left leg is drawn nearer."),
    "right": marked("The right leg is drawn nearer."),
}


class Prop(NamedTuple):
    """Something to sit, lie, stand or lean on: a box (x, y, width, height) or a circle."""

    x: float
    y: float
    width: float
    height: float
    is_round: bool = False


def segments(pose: Pose) -> tuple[tuple[str, str, str], ...]:
    """The lines that a pose is drawn with: (joint, joint, part), back to front.

    A far leg hangs on its own hip where the figure has one, else on the near hip.
    """
    return tuple(
        (a, b, part)
        for (a, b), part in _BODY
        if a in pose and b in pose and not ((a, b) == ("hip", "far_knee") and "far_hip" in pose)
    )


def props(figure: Figure) -> tuple[Prop, ...]:
    """Where wall, chair, bench and the rest stand, from the body's own points."""
    placed: list[Prop] = []
    for name in figure.props:
        placed += _PLACES[name](figure)
    return tuple(placed)


def exercise_svg(
    exercise: Exercise,
    plane: str | None = None,
    name: str = "",
    *,
    line: PrescribedExercise | None = None,
    near: Near = "none",
    columns: int = _COLUMNS_OF_PANELS,
) -> str:
    """The exercise at rest and at its end, and the camera's place, as one SVG text.

    `plane` chooses the camera's place; by default the one the figure is drawn in. `name` keeps
    ids apart when a page holds the same figure twice. `line` : the body is drawn at its targets
    and limits. `near` : the person's side that is nearer to the camera at the side, which is the
    working one; the figure is turned to it. `columns` : panels side by side.
    """
    plane = plane or exercise.figure.plane
    name = name or f"{exercise.id}-{plane}"
    is_turned = _is_turned(exercise, near)
    draws = [
        partial(_panel, exercise.figure, p.pose, label=p.label, is_turned=is_turned)
        for p in drawn_poses(exercise, line)
    ]
    if shows_front(exercise, plane):
        draws.append(_front_panel(exercise, line, is_turned))
    draws.append(partial(_camera_panel, exercise, plane, near=near))
    seen = f" {gettext(_NEAR_WORDS[near])}" if near != "none" else ""
    about = f"{gettext(exercise.summary)}{seen} {_camera_title(plane, near)}"
    return _sheet(draws, name, gettext(exercise.name), about, columns)


def poses_svg(
    exercise: Exercise, *, line: PrescribedExercise | None = None, near: Near = "none"
) -> str:
    """The exercise at rest and at its end alone, to stand beside its name: it has none itself.

    line, near : as of `exercise_svg`.
    """
    is_turned = _is_turned(exercise, near)
    draws = [
        partial(_panel, exercise.figure, p.pose, label="", is_turned=is_turned)
        for p in drawn_poses(exercise, line)
    ]
    panels = "".join(draw(4 + k * _PANEL, 0) for k, draw in enumerate(draws))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {len(draws) * _PANEL} {_PANEL}" '
        f'aria-hidden="true" focusable="false">{panels}</svg>'
    )


def shows_front(exercise: Exercise, plane: str) -> bool:
    """Whether a drawing of the body from ahead is made from the side view's own."""
    figure = exercise.figure
    return plane == "frontal" and figure.plane == "sagittal" and exercise.position == "standing"


def _front_panel(
    exercise: Exercise, line: PrescribedExercise | None, is_turned: bool
) -> Callable[[float, float], str]:
    end = drawn_poses(exercise, line)[1]
    front = Figure(plane="frontal", rest=from_ahead(exercise.figure.rest), turn={})
    return partial(
        _panel,
        front,
        from_ahead(end.pose),
        label=gettext("as the camera sees it"),
        is_turned=is_turned,
    )


def _is_turned(exercise: Exercise, near: Near) -> bool:
    """Whether the figure is drawn the other way round, so that the near side is the one named.

    A figure that faces right shows its right side; one that lies on its front with the head at
    the left, its left. One that faces the reader has its right at the reader's left; lying on a
    side with the head at the left, its left leg is on top.
    """
    rest = exercise.figure.rest
    is_head_left = rest["head"][0] < rest["hip"][0]
    if exercise.figure.plane == "frontal":
        drawn = "right"
        if exercise.position == "side_lying":
            drawn = "left" if is_head_left else "right"
        elif "far_hip" in rest and rest["hip"][0] > rest["far_hip"][0]:
            drawn = "left"
    elif exercise.position == "prone":
        drawn = "left" if is_head_left else "right"
    elif exercise.position in _LYING or exercise.position == "bench_supported":
        drawn = "right" if is_head_left else "left"
    else:
        drawn = "right" if rest["toe"][0] > rest["ankle"][0] else "left"
    return near not in ("none", drawn)


_PANEL, _ROW = 108, 124


def _sheet(
    draws: Sequence[Callable[[float, float], str]],
    name: str,
    title: str,
    about: str,
    columns: int = _COLUMNS_OF_PANELS,
) -> str:
    """Panels side by side, in as many rows as they need."""
    columns = min(len(draws), columns)
    rows = math.ceil(len(draws) / columns)
    width, height = columns * _PANEL, rows * _ROW
    panels = "".join(
        draw(4 + k % columns * _PANEL, k // columns * _ROW) for k, draw in enumerate(draws)
    )
    name = escape(name)
    described = f'<desc id="{name}-d">{escape(about)}</desc>' if about else ""
    ids = f"{name}-t {name}-d" if about else f"{name}-t"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-labelledby="{ids}">'
        f'<title id="{name}-t">{escape(title)}</title>{described}'
        f'<rect class="figure-paper" width="{width}" height="{height}" rx="6" fill="#fff"/>'
        f"{panels}</svg>\n"
    )


def camera_svg(
    exercise: Exercise,
    plane: str,
    name: str = "",
    *,
    line: PrescribedExercise | None = None,
    near: Near = "none",
) -> str:
    """The camera's place seen from above, and from ahead what it sees there, as one SVG text."""
    name = name or f"{exercise.id}-camera-{plane}"
    draws: list[Callable[[float, float], str]] = []
    if line is not None and shows_front(exercise, plane):
        draws.append(_front_panel(exercise, line, _is_turned(exercise, near)))
    draws.append(partial(_camera_panel, exercise, plane, near=near))
    return _sheet(draws, name, _camera_title(plane, near), "")


def _camera_title(plane: str, near: Near) -> str:
    return gettext("Camera: %(where)s", where=camera_place(plane, near))


def camera_place(plane: str, near: Near = "none") -> str:
    """Where the camera stands, in words."""
    words = _AT_SIDE[near] if plane == "sagittal" else _ELSEWHERE[plane]
    return gettext(words)


_AT_SIDE: dict[Near, str] = {
    "none": marked("at your side."),
    "left": marked("at your left side."),
    "right": marked("at your right side."),
}
_ELSEWHERE = {
    "frontal": marked("straight ahead of you."),
    "oblique": marked("between front and side."),
}


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def _line(a: Point, b: Point, kind: str) -> str:
    return f'<line {_DRAWN[kind]} x1="{_n(a[0])}" y1="{_n(a[1])}" x2="{_n(b[0])}" y2="{_n(b[1])}"/>'


def _panel(
    figure: Figure, pose: Pose, left: float, top: float, *, label: str, is_turned: bool
) -> str:
    def at(point: Point) -> Point:
        x = 100 - point[0] if is_turned else point[0]
        return left + x, top + 106 - point[1]

    parts = [_line((left, top + 106.5), (left + 100, top + 106.5), "floor")]
    for p in props(figure):
        x, y = at((p.x + p.width if is_turned else p.x, p.y + p.height))
        if p.is_round:
            r = p.height / 2
            parts.append(
                f'<circle {_DRAWN["prop"]} cx="{_n(x + r)}" cy="{_n(y + r)}" r="{_n(r)}"/>'
            )
        else:
            parts.append(
                f'<rect {_DRAWN["prop"]} x="{_n(x)}" y="{_n(y)}" width="{_n(p.width)}" '
                f'height="{_n(p.height)}"/>'
            )
    parts += [_line(at(pose[a]), at(pose[b]), kind) for a, b, kind in segments(pose)]
    x, y = at(pose["head"])
    parts.append(f'<circle {_DRAWN["head"]} cx="{_n(x)}" cy="{_n(y)}" r="{_HEAD}"/>')
    parts.append(
        f'<text x="{_n(left + 50)}" y="{_n(top + 118)}" {_DRAWN["text"]}>{escape(label)}</text>'
    )
    return "<g>" + "".join(parts) + "</g>"


# -- the camera, seen from above


def _camera_panel(
    exercise: Exercise, plane: str, left: float, top: float, *, near: Near = "none"
) -> str:
    is_low = exercise.position in _LYING
    x, y = left + 38, top + 40
    if is_low:
        body = (
            f'<rect {_DRAWN["prop"]} x="{_n(left + 8)}" y="{_n(top + 26)}" width="84" '
            'height="28" rx="3"/>'
            + _line((left + 28, y), (left + 54, y), "body")
            + _line((left + 54, y - 3), (left + 86, y - 3), "far")
            + _line((left + 54, y + 3), (left + 86, y + 3), "leg")
            + f'<circle {_DRAWN["head"]} cx="{_n(left + 18)}" cy="{_n(y)}" r="{_HEAD}"/>'
        )
        x = left + 52
    else:
        body = (
            _line((x, y - 9), (x, y + 9), "body")
            + f'<circle {_DRAWN["head"]} cx="{_n(x)}" cy="{_n(y)}" r="{_HEAD}"/>'
            + _line((x + 8, y), (x + 18, y), "arm")
            + _line((x + 18, y), (x + 14, y - 3), "arm")
            + _line((x + 18, y), (x + 14, y + 3), "arm")
        )
    # Lying on a side, the body's front is at its side as seen from above.
    angle = {"sagittal": 90, "frontal": 90 if is_low else 0, "oblique": 45}[plane]
    dx, dy = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    start = 14 if is_low else 22
    end = (x + 48 * dx, y + 48 * dy)
    sight = _line((x + start * dx, y + start * dy), (x + 40 * dx, y + 40 * dy), "sight")
    camera = (
        f'<g transform="translate({_n(end[0])} {_n(end[1])}) rotate({angle})">'
        f'<rect {_DRAWN["camera"]} x="-4" y="-6" width="12" height="12" rx="2"/>'
        f'<path {_DRAWN["camera"]} d="M-3 0 L-9 -5 L-9 5 Z"/></g>'
    )
    drawn = f"{body}{sight}{camera}"
    # Looking or lying to the right on the page, the right side is below; on the front, the left.
    below = "left" if exercise.position == "prone" else "right"
    if plane != "frontal" and near not in ("none", below):
        drawn = f'<g transform="translate(0 {_n(2 * top + 126)}) scale(1 -1)">{drawn}</g>'
    height = gettext("camera low") if is_low else gettext("camera at hip height")
    if plane == "sagittal" and near != "none":
        height = gettext(_HEIGHT_AND_SIDE[is_low, near])
    above = escape(gettext("seen from above"))
    text = (
        f'<text x="{_n(left + 50)}" y="{_n(top + 10)}" {_DRAWN["text"]}>{above}</text>'
        f'<text x="{_n(left + 50)}" y="{_n(top + 118)}" {_DRAWN["text"]}>{escape(height)}</text>'
    )
    return f"<g>{drawn}{text}</g>"


_HEIGHT_AND_SIDE = {
    (True, "left"): marked("camera low, left side"),
    (True, "right"): marked("camera low, right side"),
    (False, "left"): marked("hip height, left side"),
    (False, "right"): marked("hip height, right side"),
}


# -- what stands around the body


def _poses(figure: Figure) -> tuple[Pose, Pose]:
    return figure.rest, figure.turn


def _wall(figure: Figure) -> list[Prop]:
    x = min(min(pose[j][0] for j in ("hip", "shoulder", "head")) for pose in _poses(figure)) - 5
    return [Prop(max(x - 4, 0), 0, 4, 98)]


def _chair(figure: Figure) -> list[Prop]:
    x, y = min((pose["hip"] for pose in _poses(figure)), key=lambda hip: hip[1])
    seat = y - 6
    return [
        Prop(x - 10, seat, 24, 3),
        Prop(x - 9, 0, 2.5, seat),
        Prop(x + 10, 0, 2.5, seat),
        Prop(x - 11, seat + 3, 2.5, 24),
    ]


def _bench(figure: Figure) -> list[Prop]:
    feet = [pose["far_toe"] for pose in _poses(figure) if "far_toe" in pose]
    if feet:
        x = sum(p[0] for p in feet) / len(feet)
        top = min(p[1] for p in feet) - 1.5
        return [Prop(max(x - 12, 0), 0, 18, top)]
    x, y = figure.turn["shoulder"]
    return [Prop(x - 14, 0, 12, min(y, figure.rest["shoulder"][1]) - 1)]


def _step(figure: Figure) -> list[Prop]:
    x, y = figure.rest["ankle"]
    return [Prop(x - 8, 0, 13, y - 4)]


def _mat(figure: Figure) -> list[Prop]:
    xs = [p[0] for pose in _poses(figure) for p in pose.values()]
    return [Prop(max(min(xs) - 3, 0), -2, min(max(xs) + 3, 100) - max(min(xs) - 3, 0), 2)]


def _roll(figure: Figure) -> list[Prop]:
    x, y = figure.rest["knee"]
    size = max(y - 3, 4)
    return [Prop(x - size / 2, 0, size, size, is_round=True)]


def _rail(figure: Figure) -> list[Prop]:
    wrists = [pose[j] for pose in _poses(figure) for j in ("wrist", "far_wrist") if j in pose]
    x = max(p[0] for p in wrists) + 3
    top = max(p[1] for p in wrists)
    return [Prop(x, 0, 2, top), Prop(x - 3, top - 2, 8, 2.5)]


_PLACES = {
    "wall": _wall,
    "chair": _chair,
    "bench": _bench,
    "step": _step,
    "mat": _mat,
    "roll": _roll,
    "rail": _rail,
}


# -- for a terminal

_COLUMNS, _ROWS = 30, 15
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


def text_figure(exercise: Exercise, plane: str | None = None, is_unicode: bool = True) -> str:
    """The figure at rest and at the turn side by side, and the camera's place, as characters.

    `is_unicode` false keeps to ASCII, for terminals without braille characters.
    """
    figure = exercise.figure
    draw = _braille if is_unicode else _ascii
    rest, turn = draw(figure, figure.rest), draw(figure, figure.turn)
    rows = [f"{a:<{_COLUMNS}}   {b}".rstrip() for a, b in zip(rest, turn, strict=True)]
    while not rows[0]:
        rows.pop(0)
    last = "hold" if exercise.kind == "hold" else "furthest point"
    rows.append(f"{'start':^{_COLUMNS}}   {last:^{_COLUMNS}}".rstrip())
    return "\n".join([*rows, "", *_text_camera(exercise, plane or figure.plane)]) + "\n"


def _text_camera(exercise: Exercise, plane: str) -> list[str]:
    is_low = exercise.position in _LYING
    person = "O===--" if is_low else "(O)>"
    where = f"[camera] {camera_place(plane)}"
    height = "low, as high as the hips as you lie" if is_low else "at hip height"
    if plane == "frontal" and not is_low:
        rows = [f"  {person} . . . . {where}"]
    elif plane == "oblique":
        rows = [f"  {person}", "       .", "         .", f"           {where}"]
    else:
        rows = [f"  {person}", "    .", "    .", f"   {where}"]
    looking = "head left" if is_low else "you look to the right"
    return [f"seen from above ({looking})", *rows, f"  camera {height}"]


def _strokes(figure: Figure, pose: Pose) -> list[tuple[Point, Point]]:
    lines = [(pose[a], pose[b]) for a, b, _ in segments(pose)]
    x, y = pose["head"]
    ring = [(x + 5 * math.cos(a), y + 5 * math.sin(a)) for a in _turns(10)]
    lines += list(zip(ring, ring[1:] + ring[:1], strict=True))
    for p in props(figure):
        if p.height > 3:
            low, high = (p.x, p.y), (p.x + p.width, p.y + p.height)
            lines += [
                ((low[0], high[1]), high),
                (low, (low[0], high[1])),
                ((high[0], low[1]), high),
            ]
    return [*lines, ((0, 0), (100, 0))]


def _turns(n: int) -> list[float]:
    return [2 * math.pi * k / n for k in range(n)]


def _points(line: tuple[Point, Point], across: int, up: int) -> list[tuple[int, int]]:
    """Cells (column, row from the top) on a line through the box, for a grid of cells."""
    (ax, ay), (bx, by) = line
    n = 2 + int(max(abs(ax - bx) * across, abs(ay - by) * up) / 100 * 2)
    cells = []
    for k in range(n + 1):
        x, y = ax + (bx - ax) * k / n, ay + (by - ay) * k / n
        column = min(max(int(x / 100 * across), 0), across - 1)
        row = up - 1 - min(max(int(y / 100 * up), 0), up - 1)
        cells.append((column, row))
    return cells


def _braille(figure: Figure, pose: Pose) -> list[str]:
    grid = [[0] * _COLUMNS for _ in range(_ROWS)]
    for line in _strokes(figure, pose):
        for column, row in _points(line, 2 * _COLUMNS, 4 * _ROWS):
            grid[row // 4][column // 2] |= _DOTS[row % 4][column % 2]
    return ["".join(chr(0x2800 + cell) if cell else " " for cell in row) for row in grid]


def _ascii(figure: Figure, pose: Pose) -> list[str]:
    grid = [[" "] * _COLUMNS for _ in range(_ROWS)]
    for line in _strokes(figure, pose):
        (ax, ay), (bx, by) = line
        lean = math.degrees(math.atan2(by - ay, bx - ax)) % 180
        mark = "-" if lean < 25 or lean > 155 else "/" if lean < 65 else "|" if lean < 115 else "\\"
        for column, row in _points(line, _COLUMNS, _ROWS):
            grid[row][column] = mark
    return ["".join(row) for row in grid]
