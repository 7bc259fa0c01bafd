"""A recording session on disk: session.toml and everything it names, checked at the door.

Format: docs/files.md. What is read here is trusted by the stages; a film is only looked at when it is opened.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from filecmp import cmp
from math import isfinite
from pathlib import Path
from typing import Any

import pandas as pd

from calibration.errors import InputError, nearest
from calibration.rig import Rig, read_rig, read_toml
from tracker.records import Air, Ball
from tracker.session.log import read_log

IMAGE_SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
_TOP_KEYS = ("name", "date", "rig", "log", "clips", "ball", "air")
_CLIP_KEYS = (
    "left",
    "right",
    "fps",
    "left_fps",
    "right_fps",
    "left_offset_s",
    "right_offset_s",
    "time_scale",
)
_BALL_RANGES = {"radius_m": (0.005, 0.15, "metres: 0.036"), "mass_kg": (0.001, 1.0, "kilograms: 0.1595")}
_AIR_RANGES = {
    "temperature_c": (-40.0, 60.0, "degrees Celsius: 20.0"),
    "pressure_pa": (50e3, 115e3, "pascals: 101325.0"),
    "humidity": (0.0, 1.0, "a fraction: 0.5 is 50 %"),
}


@dataclass(frozen=True)
class Clip:
    """Two films of the same stretch of time.

    left, right    a video, or a folder of numbered images
    left_fps, right_fps  true frames a second; None: the film's own stamps hold
    left_offset_s  where the left film's first frame lies on the clip's clock
    right_offset_s likewise; None: not given, to be estimated if the films do not start together
    time_scale     true seconds per stored second (a film stored slowed down 8 times: 0.125)
    """

    left: Path
    right: Path
    left_fps: float | None = None
    right_fps: float | None = None
    left_offset_s: float = 0.0
    right_offset_s: float | None = None
    time_scale: float = 1.0


@dataclass(frozen=True, eq=False)
class Session:
    """What was filmed, with which rig, who bowled.

    log  one row a delivery in bowling order, every cell a string as it stands in the file; None: no log
    """

    name: str
    date: dt.date
    rig: Rig
    rig_path: Path
    folder: Path
    clips: tuple[Clip, ...]
    ball: Ball
    air: Air
    log: pd.DataFrame | None
    log_path: Path | None


def read_session(path: str | Path) -> Session:
    """Read a session folder. Raises InputError, naming file and key, for anything that is not as the format says."""
    folder = Path(path)
    if not folder.exists():
        raise InputError(folder, "no such folder", "give the session's folder")
    if not folder.is_dir():
        raise InputError(folder, "is not a folder", "give the folder that holds session.toml")
    file = folder / "session.toml"
    if not file.exists():
        raise InputError(file, "no such file", f"`lanepair new {folder}` writes one to fill in")
    table = read_toml(file)
    _only(file, table, _TOP_KEYS, "")
    name, date = _text(file, table, "name"), _date(file, table)
    rig_path = folder / _text(file, table, "rig")
    if not rig_path.exists():
        raise InputError(rig_path, "no such file", "session.toml names it as the rig; `lanepair calibrate` makes one")
    clips = tuple(_clip(file, folder, i, clip) for i, clip in enumerate(_clip_tables(file, table), start=1))
    ball, air = _ball(file, table.get("ball", {})), _air(file, table.get("air", {}))
    log_path = folder / _text(file, table, "log") if "log" in table else None
    log = None if log_path is None else read_log(log_path, len(clips))
    return Session(name, date, read_rig(rig_path), rig_path, folder, clips, ball, air, log, log_path)


def _only(file: Path, table: Any, known: tuple[str, ...], where: str) -> None:
    if not isinstance(table, dict):
        name = where.rstrip(".: ")
        raise InputError(file, f"{name} is {table!r}", f"it is a table: [{name}]")
    for key in table:
        if key not in known:
            raise InputError(file, f'unknown key "{where}{key}"', nearest(key, known))


def _text(file: Path, table: Mapping[str, Any], key: str, where: str = "") -> str:
    if key not in table:
        raise InputError(file, f'the key "{key}" is missing' + (f" in {where}" if where else ""), f'add {key} = "..."')
    value = table[key]
    if not isinstance(value, str) or not value.strip() or min(value) < " ":
        raise InputError(
            file,
            (f"{where}: " if where else "") + f"{key} is {value!r}",
            "a text in quotes is needed, in paths with / for \\",
        )
    return value


def _date(file: Path, table: Mapping[str, Any]) -> dt.date:
    if "date" not in table:
        raise InputError(file, 'the key "date" is missing', "add date = 2026-11-12 with the day of the session")
    value = table["date"]
    if isinstance(value, str):
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            pass
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    raise InputError(file, f"date is {str(value)!r}", "write year, month, day: date = 2026-11-12")


def _clip_tables(file: Path, table: Mapping[str, Any]) -> list[Any]:
    clips = table.get("clips")
    if isinstance(clips, dict):
        raise InputError(file, "[clips] is written as one table", "write [[clips]], once for each clip")
    if not isinstance(clips, list) or not clips:
        raise InputError(file, "no clip is named", "add [[clips]] with left and right for each pair of films")
    return clips


def _clip(file: Path, folder: Path, number: int, table: Any) -> Clip:
    where = f"clip {number}"
    _only(file, table, _CLIP_KEYS, f"{where}: ")
    films = [folder / _text(file, table, view, where) for view in ("left", "right")]
    for film in films:
        _film(file, film, where)
    if films[0].resolve() == films[1].resolve():
        raise InputError(file, f"{where}: left and right are the same film, {table['left']}")
    if all(f.is_file() and f.stat().st_size for f in films) and cmp(films[0], films[1], shallow=False):
        names = f"{table['left']} and {table['right']}"
        raise InputError(file, f"{where}: {names} are copies of one film", "copy the other camera's film again")
    fps = [_rate(file, table, view, where) for view in ("left", "right")]
    scale = _number(file, table, "time_scale", where)
    if scale is not None and not 0 < scale < 1e3:
        raise InputError(file, f"{where}: time_scale is {scale:g}", "it is true seconds per stored second: 0.125")
    for film, rate, view in zip(films, fps, ("left", "right"), strict=True):
        if film.is_dir() and rate is None:
            raise InputError(file, f"{where}: {view} is a folder of images and fps is missing", "images carry no times")
        if film.is_dir() and scale not in (None, 1.0):
            raise InputError(
                file,
                f"{where}: time_scale is given for a folder of images",
                "leave it out: fps is in true frames a second",
            )
    left_s, right_s = (_number(file, table, f"{view}_offset_s", where) for view in ("left", "right"))
    return Clip(films[0], films[1], fps[0], fps[1], left_s or 0.0, right_s, 1.0 if scale is None else scale)


def _film(file: Path, film: Path, where: str) -> None:
    if not film.exists():
        raise InputError(film, "no such file", f"{where} of {file} names it")
    if film.is_dir() and not any(f.suffix.lower() in IMAGE_SUFFIXES for f in film.iterdir()):
        raise InputError(
            film, "no picture in this folder", f"put *.png, *.jpg or *.tif there; {where} of {file} names it"
        )


def _rate(file: Path, table: Mapping[str, Any], view: str, where: str) -> float | None:
    if "fps" in table and f"{view}_fps" in table:
        raise InputError(file, f"{where}: both fps and {view}_fps are given", "keep fps, or left_fps and right_fps")
    key = "fps" if "fps" in table else f"{view}_fps"
    rate = _number(file, table, key, where)
    if rate is not None and not 0 < rate <= 1e5:
        raise InputError(file, f"{where}: {key} is {rate:g}", "it is true frames a second, more than 0")
    return rate


def _number(file: Path, table: Mapping[str, Any], key: str, where: str) -> float | None:
    if key not in table:
        return None
    value = table[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(file, f"{where}: {key} is {value!r}", "a number is needed")
    return float(value)


def _ranged(file: Path, table: Any, ranges: Mapping[str, tuple[float, float, str]], where: str) -> dict[str, float]:
    found = {}
    for key, (low, high, unit) in ranges.items():
        value = _number(file, table, key, f"[{where}]")
        if value is not None and not low <= value <= high:
            raise InputError(file, f"[{where}]: {key} is {value:g}", f"it is in {unit}")
        if value is not None:
            found[key] = value
    return found


def _ball(file: Path, table: Any) -> Ball:
    _only(file, table, (*_BALL_RANGES, "colour"), "ball.")
    numbers = _ranged(file, table, _BALL_RANGES, "ball")
    colour = _text(file, table, "colour", "[ball]") if "colour" in table else Ball.colour
    return Ball(colour=colour, **numbers)


def _air(file: Path, table: Any) -> Air:
    _only(file, table, tuple(_AIR_RANGES), "air.")
    return Air(**_ranged(file, table, _AIR_RANGES, "air"))
