"""Known answers of a clip, in a file beside it: NAME.truth.json or NAME.truth.json.gz.

They come from a rendered figure's imposed angles, or from a measurement made beside the camera
(a goniometer, a motion laboratory); `validation.py` holds what was measured against them.
"""

import gzip
import json
import math
import zlib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Literal

import numpy as np

from formcheck.files.schema_version import is_newer_minor, schema_fault, warn_newer_minor
from formcheck.files.storage import write_atomically
from formcheck.model.anatomy import SIDES, Side
from formcheck.model.errors import FileError

TRUTH_SCHEMA = "formcheck.truth/1.1"
SUFFIXES = (".truth.json", ".truth.json.gz")
RENDERED_SUFFIX = ".json.gz"
"""Of the description that a generator of rendered clips leaves beside each; see rendered.py."""
JOINTS = ("shoulder", "hip", "knee", "ankle", "heel", "toe")
ANGLES = (
    "knee_flexion_left_deg",
    "knee_flexion_right_deg",
    "thigh_inclination_left_deg",
    "thigh_inclination_right_deg",
    "trunk_inclination_deg",
    "pelvic_obliquity_deg",
)
_MAX_BYTES = 64 * 1024 * 1024
_DECIMALS = {"s": 5, "deg": 2, "m": 4}


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueRepetition:
    """One repetition as it was moved; the turn is held from `turn_from_s` to `turn_to_s`."""

    start_s: float
    turn_from_s: float
    turn_to_s: float
    end_s: float
    part: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """How a clip was filmed; NaN or "" is "not known".

    field_of_view_deg : vertical. clothing : of the legs, in a word or two ("trousers").
    """

    camera_height_m: float = math.nan
    camera_distance_m: float = math.nan
    field_of_view_deg: float = math.nan
    frame_rate_hz: float = math.nan
    width_px: float = math.nan
    height_px: float = math.nan
    clothing: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What a clip really shows. Arrays are read-only; NaN is "not known".

    time_s : (n,) float64, seconds after the clip's first frame, strictly increasing
    knee_flexion_*_deg, thigh_inclination_*_deg, trunk_inclination_deg : (n,) with zero and
        sense of `measures.py`
    pelvic_obliquity_deg : (n,) hip line to the horizontal; single-leg work: positive = swing
        side lower; else positive = the person's left side lower
    position_m : (n, 2, 6, 3) metres; sides (left, right) by `JOINTS` by axes: x toward the
        person's left as they stand, y to their back, z up
    azimuth_deg : where the camera stands, as in `records.View`
    family : which clips it belongs to, in the words of whoever made them
    """

    exercise: str
    side: Literal["left", "right", "both"]
    azimuth_deg: float
    note: str = ""
    family: str = ""
    setting: Setting = Setting()
    repetitions: tuple[TrueRepetition, ...]
    time_s: np.ndarray
    knee_flexion_left_deg: np.ndarray
    knee_flexion_right_deg: np.ndarray
    thigh_inclination_left_deg: np.ndarray
    thigh_inclination_right_deg: np.ndarray
    trunk_inclination_deg: np.ndarray
    pelvic_obliquity_deg: np.ndarray
    position_m: np.ndarray

    def __post_init__(self):
        n = len(self.time_s)
        if not np.all(np.diff(self.time_s) > 0):
            raise ValueError("time_s does not increase")
        for name in ANGLES:
            if getattr(self, name).shape != (n,):
                raise ValueError(f"{name} and time_s differ in length")
        if self.position_m.shape != (n, 2, len(JOINTS), 3):
            raise ValueError("position_m is not (n, 2, 6, 3)")
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    def knee_flexion_deg(self, side: Side) -> np.ndarray:
        """(n,) knee flexion of one leg; 0 = straight, positive = bent."""
        return self.knee_flexion_left_deg if side == "left" else self.knee_flexion_right_deg

    def thigh_inclination_deg(self, side: Side) -> np.ndarray:
        """(n,) thigh to the floor; 0 = parallel, positive = hip above knee."""
        if side == "left":
            return self.thigh_inclination_left_deg
        return self.thigh_inclination_right_deg

    def joint_m(self, side: Side, joint: str) -> np.ndarray:
        """(n, 3) position of one joint, metres."""
        return self.position_m[:, SIDES.index(side), JOINTS.index(joint)]

    def leg_elevation_deg(self, side: Side) -> np.ndarray:
        """(n,) hip-to-ankle line to the floor, positive = ankle above hip."""
        line = self.joint_m(side, "ankle") - self.joint_m(side, "hip")
        return np.degrees(np.arctan2(line[:, 2], np.hypot(line[:, 0], line[:, 1])))


def truth_beside(clip: Path) -> Path | None:
    """The truth file of a clip, or None where there is none."""
    for suffix in (*SUFFIXES, RENDERED_SUFFIX):
        path = clip.with_name(clip.stem + suffix)
        if path.is_file():
            return path
    return None


def write_truth(path: Path, truth: Truth) -> None:
    """Writes the file, gzipped when its name ends so; the same truth gives the same bytes.

    Raises OutputError when it cannot be written.
    """
    series = {"time_s": truth.time_s, **{name: getattr(truth, name) for name in ANGLES}}
    for side in SIDES:
        for joint in JOINTS:
            series[f"{joint}_{side}_m"] = truth.joint_m(side, joint)
    mapping = {
        "schema": TRUTH_SCHEMA,
        "exercise": truth.exercise,
        "side": truth.side,
        "azimuth_deg": truth.azimuth_deg,
        "note": truth.note,
        **({"family": truth.family} if truth.family else {}),
        **({"setting": known} if (known := _known(truth.setting)) else {}),
        "repetitions": [
            {f.name: getattr(repetition, f.name) for f in fields(repetition)}
            for repetition in truth.repetitions
        ],
    }
    # One series a line: short, and still to be read and compared by eye.
    lines = [
        f"    {json.dumps(name)}: {_dumps(_numbers(name, values))}"
        for name, values in series.items()
        if not np.all(np.isnan(values))
    ]
    head = json.dumps(mapping, indent=2, ensure_ascii=False, allow_nan=False)
    text = head[:-2] + ',\n  "series": {\n' + ",\n".join(lines) + "\n  }\n}\n"
    content = text.encode()
    if path.suffix == ".gz":
        content = gzip.compress(content, mtime=0)
    with write_atomically(path) as temporary:
        temporary.write_bytes(content)


def _known(setting: Setting) -> dict:
    values = {f.name: getattr(setting, f.name) for f in fields(setting)}
    return {k: v for k, v in values.items() if v and v == v}  # neither "" nor NaN


def _dumps(values: list) -> str:
    return json.dumps(values, separators=(",", ":"), allow_nan=False)


def _numbers(name: str, values: np.ndarray) -> list:
    decimals = _DECIMALS[name.rsplit("_", 1)[1]]

    def plain(value):
        if isinstance(value, list):
            return [plain(v) for v in value]
        return None if math.isnan(value) else round(value, decimals) + 0.0

    return plain(values.tolist())


def read_truth(path: Path) -> Truth:
    """The truth in a file of ours, or in the description of a rendered clip.

    Raises
    ------
    FileError
        Not readable, of another version, or at fault; `faults` holds each with its place.
    """
    mapping = read_mapping(path)
    if not path.name.endswith(SUFFIXES):
        from formcheck.evidence.rendered import truth_of_rendered

        return truth_of_rendered(mapping, path.name)
    fault = schema_fault(mapping.get("schema"), TRUTH_SCHEMA)
    if fault:
        raise FileError(f"{path.name}: schema {fault}", (f"{path.name}: schema {fault}",))
    if is_newer_minor(mapping["schema"], TRUTH_SCHEMA):
        warn_newer_minor(path.name, mapping["schema"], TRUTH_SCHEMA)
    faults: list[str] = []
    values = {
        "exercise": _text(mapping, "exercise", faults),
        "side": _side(mapping, faults),
        "azimuth_deg": _number(mapping, "azimuth_deg", "azimuth_deg", faults),
        "note": mapping.get("note") or "",
        "family": mapping.get("family") or "",
        "setting": _setting(mapping.get("setting"), faults),
        "repetitions": _repetitions(mapping.get("repetitions"), faults),
        **_series(mapping.get("series"), faults),
    }
    for key in ("note", "family"):
        if not isinstance(values[key], str):
            faults.append(f"{key}: must be a text")
    if faults:
        placed = tuple(f"{path.name}: {fault}" for fault in faults)
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        raise FileError(f"{placed[0]}{more}", placed)
    return Truth(**values)


def read_mapping(path: Path) -> dict:
    """The mapping in a JSON file, gzipped where its name ends so. Raises FileError."""

    def refuse(why: str, error: Exception | None = None):
        text = f"{path.name}: {why}"
        raise FileError(text, (text,)) from error

    try:
        with path.open("rb") as file:
            opened = gzip.GzipFile(fileobj=file) if path.suffix == ".gz" else file
            content = opened.read(_MAX_BYTES + 1)
    except FileNotFoundError as error:
        refuse("no such file; check the path", error)
    except (OSError, EOFError, ValueError) as error:
        refuse(f"cannot be read ({error}); write it anew", error)
    except zlib.error as error:
        refuse(f"is a damaged gzip file ({error}); write it anew", error)
    if len(content) > _MAX_BYTES:
        refuse("is larger than 64 MB; thin its series to 15 a second")
    try:
        mapping = json.loads(content)
    except (ValueError, RecursionError) as error:
        refuse(f"is not JSON ({error}); write it anew", error)
    if not isinstance(mapping, dict):
        refuse('does not hold a mapping; it must start with {"schema": ...')
    return mapping


def _text(mapping: dict, key: str, faults: list[str]) -> str:
    value = mapping.get(key)
    if not isinstance(value, str) or not value:
        faults.append(f"{key}: must be a text that is not empty")
        return ""
    return value


def _side(mapping: dict, faults: list[str]) -> str:
    value = mapping.get("side")
    if value not in ("left", "right", "both"):
        faults.append(f"side: must be left, right or both, not {value!r}")
    return value


def _number(mapping: dict, key: str, place: str, faults: list[str]) -> float:
    value = mapping.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        faults.append(f"{place}: must be a number, not {value!r}")
        return math.nan
    return float(value)


def _setting(listed: object, faults: list[str]) -> Setting:
    if listed is None:
        return Setting()
    if not isinstance(listed, dict):
        faults.append("setting: must be a mapping")
        return Setting()
    values = {f.name: listed[f.name] for f in fields(Setting) if listed.get(f.name) is not None}
    clothing = values.get("clothing", "")
    if not isinstance(clothing, str):
        faults.append("setting.clothing: must be a text")
    numbers = {
        key: _number(values, key, f"setting.{key}", faults) for key in values if key != "clothing"
    }
    return Setting(**numbers, clothing=clothing)


def _repetitions(listed: object, faults: list[str]) -> tuple[TrueRepetition, ...]:
    if not isinstance(listed, list):
        faults.append("repetitions: must be a list (empty where nothing is moved)")
        return ()
    found = []
    before = -math.inf
    for i, mapping in enumerate(listed):
        place = f"repetitions[{i}]"
        if not isinstance(mapping, dict):
            faults.append(f"{place}: must be a mapping with start_s, turn_from_s, ...")
            continue
        times = [
            _number(mapping, key, f"{place}.{key}", faults)
            for key in ("start_s", "turn_from_s", "turn_to_s", "end_s")
        ]
        part = mapping.get("part")
        if part is not None and not isinstance(part, str):
            faults.append(f"{place}.part: must be a text or null")
        if any(b < a for a, b in zip([before, *times], times, strict=False)):
            faults.append(f"{place}: times must not go back, from start_s to end_s")
        before = times[-1]
        found.append(TrueRepetition(**dict(zip(_TIMES, times, strict=True)), part=part))
    return tuple(found)


_TIMES = ("start_s", "turn_from_s", "turn_to_s", "end_s")


def _series(mapping: object, faults: list[str]) -> dict[str, np.ndarray]:
    if not isinstance(mapping, dict):
        faults.append("series: must be a mapping that holds at least time_s")
        return {}
    time_s = _array(mapping.get("time_s"), 1, "series.time_s", faults)
    n = len(time_s)
    if not (n and np.all(np.isfinite(time_s)) and np.all(np.diff(time_s) > 0)):
        faults.append("series.time_s: must be numbers that increase, at least one")
    position_m = np.full((n, 2, len(JOINTS), 3), np.nan)
    arrays = {"time_s": time_s, "position_m": position_m}
    for name in ANGLES:
        arrays[name] = _of_length(n, mapping.get(name), (), f"series.{name}", faults)
    for s, side in enumerate(SIDES):
        for j, joint in enumerate(JOINTS):
            key = f"{joint}_{side}_m"
            position_m[:, s, j] = _of_length(n, mapping.get(key), (3,), f"series.{key}", faults)
    return arrays


def _of_length(n: int, listed: object, item: tuple, place: str, faults: list[str]) -> np.ndarray:
    if listed is None:
        return np.full((n, *item), np.nan)
    values = _array(listed, 1 + len(item), place, faults)
    if values.shape != (n, *item):
        faults.append(f"{place}: needs {n} entries{' of x, y, z' if item else ''}, one a time")
        return np.full((n, *item), np.nan)
    return values


def _array(listed: object, n_axes: int, place: str, faults: list[str]) -> np.ndarray:
    try:
        # null becomes NaN; a text or a ragged list is a fault.
        values = np.array(listed, dtype=object)
        if any(isinstance(v, str | bool | list | dict) for v in values.flat):
            raise TypeError
        values = values.astype(np.float64)
    except (TypeError, ValueError, OverflowError):
        values = None
    if values is None or values.ndim != n_axes:
        faults.append(f"{place}: must be a list of numbers")
        return np.full((0,) * n_axes, np.nan)
    return values
