"""Targets: named boxes on the pitch and at the stumps, who hit them, how far misses went, and a scoring game.

A targets file (TOML, docs/targets.md) gives length from the striker's stumps and line from middle stump toward the
batter's off side, so a box is mirrored for left-handers; lengths hold for the file's pitch length and are scaled to the
session's. Shares have Wilson intervals. Without a batter the lane is read as to a right-hander.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.errors import InputError, nearest
from calibration.lane import PITCH_LENGTH_M
from calibration.rig import read_toml
from tracker.analysis.measures import batter_side
from tracker.analysis.statistics import wilson

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

READY = {  # packaged files to copy and edit
    "pace-professional": "targets_pace_professional.toml",
    "pace-club": "targets_pace_club.toml",
    "spin": "targets_spin.toml",
}
HALVES = {"length": ("fuller half", "shorter half"), "line": ("straighter half", "wider half")}
BOX_KEYS = ("name", "length_m", "line_m", "height_m", "points", "divide")
FILE_KEYS = ("style", "pitch_length_m", "pitch", "stumps", "crease")


@dataclass(frozen=True, slots=True)
class Box:
    """A target. `surface` is "pitch" (along: length from the stumps) or "stumps" (along: height), metres.

    line_m is from middle stump toward the batter's off side.
    """

    name: str
    surface: str
    along_m: tuple[float, float]
    line_m: tuple[float, float]
    points: float = 1.0

    def holds(self, line_m: Floats, along_m: Floats) -> Bools:
        """Which places (n,) lie in it, its edges included; NaN never does."""
        inside: Bools = (line_m >= self.line_m[0]) & (line_m <= self.line_m[1])
        return inside & (along_m >= self.along_m[0]) & (along_m <= self.along_m[1])

    @property
    def centre_m(self) -> tuple[float, float]:
        """Line and length (or height) of its middle."""
        return (self.line_m[0] + self.line_m[1]) / 2, (self.along_m[0] + self.along_m[1]) / 2


@dataclass(frozen=True, slots=True)
class Crease:
    """How far from middle stump a release counts as close or wide, by side of the wicket, metres (|x|)."""

    over_m: tuple[float, float] = (0.35, 0.75)  # common practice, no source
    round_m: tuple[float, float] = (0.75, 1.10)  # common practice, no source


@dataclass(frozen=True, eq=False)
class Targets:
    """All boxes of a file, for one pitch length and style ("pace", "spin" or "")."""

    boxes: tuple[Box, ...]
    pitch_length_m: float
    style: str
    crease: Crease

    def scaled(self, pitch_length_m: float) -> "Targets":
        """Lengths for another pitch, in proportion."""
        by = pitch_length_m / self.pitch_length_m
        boxes = tuple(
            replace(b, along_m=(b.along_m[0] * by, b.along_m[1] * by)) if b.surface == "pitch" else b
            for b in self.boxes
        )
        return replace(self, boxes=boxes, pitch_length_m=pitch_length_m)

    def on(self, surface: str) -> tuple[Box, ...]:
        """The boxes of one surface."""
        return tuple(box for box in self.boxes if box.surface == surface)


def ready_file(name: str) -> Path:
    """A packaged targets file by name."""
    if name not in READY:
        raise InputError(name, "no such ready file", nearest(name, list(READY)))
    return Path(__file__).with_name(READY[name])


def read_targets(path: Path) -> Targets:
    """A targets file, checked."""
    if not path.exists():
        raise InputError(path, "no such file", f"the ready targets are {', '.join(READY)}")
    table = read_toml(path)
    _known(path, table, FILE_KEYS, "")
    length_m = _positive(path, table.get("pitch_length_m", PITCH_LENGTH_M), "pitch_length_m")
    boxes = [
        box for surface in ("pitch", "stumps") for row in table.get(surface, []) for box in _boxes(path, surface, row)
    ]
    if not boxes:
        raise InputError(path, "no box in it", "add a [[pitch]] or [[stumps]] table, or copy a ready file")
    names = [box.name for box in boxes]
    for name in names:
        if names.count(name) > 1:
            raise InputError(path, f'two boxes are called "{name}"', "give each its own name")
    style = table.get("style", "")
    if style not in ("", "pace", "spin"):
        raise InputError(path, f"style is {style!r}", '"pace" or "spin" is needed')
    return Targets(tuple(boxes), length_m, style, _crease(path, table.get("crease", {})))


def _known(path: Path, table: dict[str, Any], keys: Sequence[str], where: str) -> None:
    for key in table:
        if key not in keys:
            raise InputError(path, f'unknown key "{key}"{where}', nearest(key, list(keys)))


def _positive(path: Path, value: Any, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not value > 0:
        raise InputError(path, f"{key} is {value!r}", "a number above 0 is needed")
    return float(value)


def _span(path: Path, row: dict[str, Any], key: str, where: str) -> tuple[float, float]:
    value = row.get(key)
    numbers = isinstance(value, list) and len(value) == 2 and all(isinstance(v, int | float) for v in value)
    if not numbers or not value[0] < value[1]:  # type: ignore[index]
        raise InputError(path, f"{key}{where} is {value!r}", f"two rising numbers are needed: {key} = [from, to]")
    return float(value[0]), float(value[1])  # type: ignore[index]


def _boxes(path: Path, surface: str, row: dict[str, Any]) -> list[Box]:
    """The box of one table, and its halves where it is to be divided."""
    name = row.get("name")
    if not isinstance(name, str) or not name.strip():
        raise InputError(path, f"a [[{surface}]] table has no name", 'give it one: name = "good length"')
    where = f' of "{name}"'
    _known(path, row, BOX_KEYS, where)
    along = "length_m" if surface == "pitch" else "height_m"
    points = row.get("points", 1.0)
    if isinstance(points, bool) or not isinstance(points, int | float):
        raise InputError(path, f"points{where} is {points!r}", "a number is needed")
    box = Box(name, surface, _span(path, row, along, where), _span(path, row, "line_m", where), float(points))
    way = row.get("divide", "")
    if way not in ("", *HALVES):
        raise InputError(path, f"divide{where} is {way!r}", '"length" or "line" is needed')
    return [box, *(_halves(box, way) if way else ())]


def _halves(box: Box, way: str) -> tuple[Box, Box]:
    """The fuller and the shorter half, or the straighter and the wider one."""
    line, along = box.centre_m
    first, second = (f"{box.name}: {half}" for half in HALVES[way])
    if way == "length":
        near, far = (box.along_m[0], along), (along, box.along_m[1])
        return replace(box, name=first, along_m=near), replace(box, name=second, along_m=far)
    inner, outer = (box.line_m[0], line), (line, box.line_m[1])
    return replace(box, name=first, line_m=inner), replace(box, name=second, line_m=outer)


def _crease(path: Path, table: dict[str, Any]) -> Crease:
    _known(path, table, ("over_m", "round_m"), " of [crease]")
    spans = {key: _span(path, table, key, " of [crease]") for key in table}
    return Crease(**spans)


def places(rows: pd.DataFrame, surface: str) -> tuple[Floats, Floats]:
    """Line toward the batter's off side and length (or height) of each ball (n,), (n,); NaN where not measured."""
    side = np.nan_to_num(batter_side(rows), nan=1.0)
    x, along = ("bounce_x_m", "bounce_y_m") if surface == "pitch" else ("stumps_x_m", "stumps_z_m")
    line: Floats = side * rows[x].to_numpy(float)
    return line, rows[along].to_numpy(float)


@dataclass(frozen=True, slots=True)
class Hits:
    """One bowler and one box.

    n, hits, share, low, high     of all balls with a place; Wilson interval
    aimed, aimed_hits, aimed_*    of the balls that the log's `plan` column aimed at it
    miss_line_m, miss_along_m     mean place of the aimed balls minus the box's middle: + wide of it, + short of it
    """

    bowler: str
    arm: str
    box: Box
    n: int
    hits: int
    low: float
    high: float
    aimed: int
    aimed_hits: int
    aimed_low: float
    aimed_high: float
    miss_line_m: float
    miss_along_m: float

    @property
    def share(self) -> float:
        """Hits over balls."""
        return self.hits / self.n if self.n else float("nan")

    @property
    def miss_words(self) -> str:
        """Where the aimed balls went, in words."""
        if not self.aimed or not np.isfinite(self.miss_line_m):
            return ""
        far, near = ("too short", "too full") if self.box.surface == "pitch" else ("too high", "too low")
        along = far if self.miss_along_m > 0 else near
        line = "too wide of off" if self.miss_line_m > 0 else "too straight"
        return f"{abs(self.miss_along_m):.2f} m {along}, {abs(self.miss_line_m):.2f} m {line} on average"


def hits(rows: pd.DataFrame, targets: Targets) -> list[Hits]:
    """Each bowler's hits of each box. `rows` are deliveries that count, on a pitch of the targets' length."""
    found = []
    for (bowler, arm), part in rows[rows["bowler"] != ""].groupby(["bowler", "arm"]):
        plan = part["plan"].str.strip().to_numpy(str) if "plan" in part.columns else np.full(len(part), "", dtype=str)
        for box in targets.boxes:
            line, along = places(part, box.surface)
            found.append(_hits(str(bowler), str(arm), box, line, along, plan == box.name))
    return found


def _hits(bowler: str, arm: str, box: Box, line: Floats, along: Floats, aimed: Bools) -> Hits:
    there = np.isfinite(line) & np.isfinite(along)
    inside = box.holds(line, along)
    n, count = int(there.sum()), int(inside.sum())
    at = aimed & there
    miss = (float(np.mean(line[at])), float(np.mean(along[at]))) if at.any() else (float("nan"), float("nan"))
    centre = box.centre_m
    return Hits(
        bowler,
        arm,
        box,
        n,
        count,
        *wilson(count, n),
        int(at.sum()),
        int((at & inside).sum()),
        *wilson(int((at & inside).sum()), int(at.sum())),
        miss[0] - centre[0],
        miss[1] - centre[1],
    )


def scores(rows: pd.DataFrame, targets: Targets) -> pd.DataFrame:
    """The scoring game: each ball earns the points of the best box that holds it, over by over, with running totals.

    Overs are the log's `over_no`, or sixes of the bowler's balls where it has none. A ball that was not measured earns
    nothing and is counted under `unmeasured`.
    """
    named = rows[rows["bowler"] != ""]
    points, known = np.full(len(named), -np.inf), np.zeros(len(named), bool)
    for box in targets.boxes:
        line, along = places(named, box.surface)
        known |= np.isfinite(line) & np.isfinite(along)
        points = np.where(box.holds(line, along), np.maximum(points, box.points), points)
    turn = named.groupby(["date", "session", "bowler"]).cumcount() // 6 + 1
    over = turn.astype(str)
    if "over_no" in named.columns:
        over = named["over_no"].astype(str).where(named["over_no"].astype(str) != "", over)
    table = named[["date", "session", "bowler"]].assign(over=over, balls=1, unmeasured=~known)
    table["points"] = np.where(np.isfinite(points), points, 0.0)
    keys = ["date", "session", "bowler", "over"]
    summed = table.groupby(keys, sort=False, as_index=False)[["balls", "unmeasured", "points"]].sum()
    return summed.assign(total=summed.groupby(["date", "session", "bowler"])["points"].cumsum())


def unknown_plans(rows: pd.DataFrame, targets: Targets) -> list[str]:
    """A sentence for each word in the log's `plan` column that names no box: those balls count as aimed at nothing."""
    if "plan" not in rows.columns:
        return []
    names = [box.name for box in targets.boxes]
    plans = rows["plan"].str.strip()
    counts = plans[(plans != "") & ~plans.isin(names)].value_counts(sort=False)
    return [f'plan "{word}" ({n} balls) is no box; {nearest(str(word), names)}' for word, n in counts.items()]


def hits_table(found: Sequence[Hits]) -> pd.DataFrame:
    """targets.csv."""
    return pd.DataFrame(
        [
            {
                "bowler": h.bowler,
                "arm": h.arm,
                "surface": h.box.surface,
                "box": h.box.name,
                "n": h.n,
                "hits": h.hits,
                "share": h.share,
                "share_low": h.low,
                "share_high": h.high,
                "aimed": h.aimed,
                "aimed_hits": h.aimed_hits,
                "aimed_share_low": h.aimed_low,
                "aimed_share_high": h.aimed_high,
                "miss_line_m": h.miss_line_m,
                "miss_along_m": h.miss_along_m,
            }
            for h in found
        ]
    )
