"""What can be compared: each measure with its unit, name for people and words for more and less.

Derived measures take the batter's view or the length into account: line from the batter's off stump, the aim at
release carried straight on to the stumps, swing as it would be over the usual distance. Positive off the off stump is
toward the off side for either hand. To add a measure: one line in MEASURES and, if derived, one function.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.errors import LanepairError, nearest
from calibration.lane import MPH_MPS, WICKET_WIDTH_M

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Kind:
    """How a measure is spoken of: `more` and `less` complete "the ball is ... by"."""

    label: str
    unit: str
    more: str
    less: str
    scale: float = 1.0  # people's unit in SI
    people: str = ""  # people's unit, the SI one if empty
    digits: int = 2

    @property
    def people_unit(self) -> str:
        """The unit people read."""
        return self.people or self.unit


OFF, LEG = "to the right-hander's off side", "to the right-hander's leg side"  # +x and -x


def _across(label: str, verb: str = "further", unit: str = "m") -> Kind:
    return Kind(label, unit, f"{verb} {OFF}", f"{verb} {LEG}")


def _speed(label: str) -> Kind:
    return Kind(label, "m/s", "faster", "slower", MPH_MPS, "mph", 1)


MEASURES: dict[str, Kind] = {
    "release_speed_mps": _speed("speed at release"),
    "gate_speed_mps": _speed("speed at the gate"),
    "speed_at_bounce_mps": _speed("speed at the bounce"),
    "speed_off_bounce_mps": _speed("speed off the bounce"),
    "release_x_m": _across("release, across"),
    "release_y_m": Kind("release, along", "m", "released further back", "released further forward"),
    "release_z_m": Kind("release height", "m", "released higher", "released lower"),
    "release_azimuth_deg": _across("direction at release, sideways", "directed more", "deg"),
    "release_elevation_deg": Kind("direction at release, up and down", "deg", "more upward", "more downward"),
    "gate_x_m": _across("at the gate, across"),
    "gate_z_m": Kind("at the gate, height", "m", "higher", "lower"),
    "bounce_x_m": _across("bounce, across"),
    "bounce_y_m": Kind("length (bounce from the stumps)", "m", "shorter in length", "fuller in length"),
    "swing_m": _across("swing", "swinging more"),
    "deviation_deg": _across("deviation off the pitch", "deviating more", "deg"),
    "deviation_m": _across("deviation at the stumps", "deviating more"),
    "stumps_x_m": _across("at the stumps, across"),
    "stumps_z_m": Kind("at the stumps, height", "m", "higher", "lower"),
    "line_from_off_m": Kind("line of the bounce, from the batter's off stump", "m", "wider of off", "straighter"),
    "aim_from_off_m": Kind("aim at release, from the batter's off stump", "m", "aimed wider", "aimed straighter"),
    "swing_for_length_m": _across("swing over the usual distance", "swinging more"),
}

ACCOMPANYING = (  # what may go with a change of pace; Holm's correction runs over these
    "release_x_m",
    "release_z_m",
    "release_azimuth_deg",
    "release_elevation_deg",
    "aim_from_off_m",
    "bounce_y_m",
    "line_from_off_m",
    "swing_for_length_m",
    "deviation_deg",
)


def batter_side(rows: pd.DataFrame) -> Floats:
    """+1 where +x is the batter's off side (right-handers), -1 for left-handers, NaN without a batter."""
    hand = rows["batter_hand"].to_numpy(str)
    side: Floats = np.select([hand == "right", hand == "left"], [1.0, -1.0], np.nan)
    return side


def _column(rows: pd.DataFrame, name: str) -> Floats:
    values: Floats = rows[name].to_numpy(float) if name in rows.columns else np.full(len(rows), np.nan)
    return values


def line_from_off_m(rows: pd.DataFrame) -> Floats:
    """How far outside the batter's off stump the ball bounces, metres; negative is inside."""
    line: Floats = batter_side(rows) * _column(rows, "bounce_x_m") - WICKET_WIDTH_M / 2
    return line


def aim_from_off_m(rows: pd.DataFrame) -> Floats:
    """Where the direction of release, carried straight on, meets the stumps, outside the batter's off stump, metres."""
    azimuth = np.radians(_column(rows, "release_azimuth_deg"))
    at_stumps = _column(rows, "release_x_m") + _column(rows, "release_y_m") * np.tan(azimuth)
    aim: Floats = batter_side(rows) * at_stumps - WICKET_WIDTH_M / 2
    return aim


def swing_for_length_m(rows: pd.DataFrame) -> Floats:
    """Swing as it would be over the mean distance flown: it grows with the square of the distance ."""
    flown = _column(rows, "release_y_m") - np.nan_to_num(_column(rows, "bounce_y_m"))  # a full toss: measured at y = 0
    swing = _column(rows, "swing_m")
    used = np.isfinite(swing) & (flown > 1.0)
    scaled: Floats = np.full(len(rows), np.nan)
    if used.any():
        scaled[used] = swing[used] * (flown[used].mean() / flown[used]) ** 2
    return scaled


DERIVED: dict[str, Callable[[pd.DataFrame], Floats]] = {
    "line_from_off_m": line_from_off_m,
    "aim_from_off_m": aim_from_off_m,
    "swing_for_length_m": swing_for_length_m,
}


def with_derived(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with a column for every measure; NaN throughout where the table has not got it."""
    added = {name: function(rows) for name, function in DERIVED.items()}
    missing = {name: np.full(len(rows), np.nan) for name in MEASURES if name not in rows.columns and name not in added}
    return rows.assign(**added, **missing)


def kind_of(measure: str) -> Kind:
    """How a measure is spoken of, or a refusal that names the nearest."""
    if measure not in MEASURES:
        raise LanepairError(f'unknown measure "{measure}": {nearest(measure, list(MEASURES))}')
    return MEASURES[measure]


def movement_words(style: str) -> tuple[str, str]:
    """What movement in the air and off the pitch is called for a style of bowling.

    >>> movement_words("spin"), movement_words("pace")
    (('drift', 'turn'), ('swing', 'seam'))
    """
    return {"pace": ("swing", "seam"), "spin": ("drift", "turn")}.get(style.lower(), ("in the air", "off the pitch"))
