"""Which tables tracks.h5 holds and what each column means: the dictionary of the file, and nothing else.

docs/files.md prints the same; a test compares them. Types: number (float64), integer (int64), boolean (int8), string.
"""

from itertools import combinations_with_replacement

from tracker.records import REFUSALS
from tracker.session.tables import FIELDS, Field

VIEWS = ("left", "right")
STATE = ("x", "y", "z", "vx", "vy", "vz")
STATE_PAIRS = tuple((b, a) for a, b in combinations_with_replacement(range(6), 2))  # lower triangle


def state_cov_name(row: int, column: int) -> str:
    """Column name of one covariance of the state.

    >>> state_cov_name(3, 0)
    'cov_vx_x'
    """
    return f"cov_{STATE[row]}_{STATE[column]}"


def _number(name: str, unit: str, meaning: str) -> Field:
    return Field(name, "number", unit, meaning)


def _whole(name: str, meaning: str, words: tuple[str, ...] = ()) -> Field:
    return Field(name, "integer", "", meaning, words)


def _text(name: str, meaning: str) -> Field:
    return Field(name, "string", "", meaning)


_CLIP = _whole("clip", "number of the clip in session.toml, from 1")
_VIEW = _whole("view", "camera: 0 left, 1 right", VIEWS)
_DELIVERY = _whole("delivery", "number of the delivery")
_CODE = _whole("code", "why it was not taken; 0: kept", tuple(REFUSALS.values()))
_PIXELS = (
    _number("time_s", "s", "mid-exposure of its row, clip's clock"),
    _number("u_px", "px", "centre, to the right; raw (distorted) picture"),
    _number("v_px", "px", "centre, downward"),
    _number("cov_uu_px2", "px2", "variance of u_px"),
    _number("cov_uv_px2", "px2", "covariance of u_px and v_px"),
    _number("cov_vv_px2", "px2", "variance of v_px"),
    _number("size_px", "px", "apparent diameter across the blur; NaN: not measured"),
    _number("streak_u_px", "px", "movement in the picture during the exposure, to the right"),
    _number("streak_v_px", "px", "movement in the picture during the exposure, downward"),
    _number("lean_px", "px", "error of place for a ball brighter at one rim than at its middle by its own brightness"),
    _number("trail_u_px", "px", "error of place to the right for each unit of what the film keeps of the frame before"),
    _number("trail_v_px", "px", "the same, downward"),
    _number("aside", "", "error of place to the right for each pixel by which the film's colour lies aside"),
)
_STATE_UNITS = {0: "m2", 1: "m2/s", 2: "m2/s2"}  # by how many of the two are velocities

GROUPS: dict[str, tuple[str, tuple[Field, ...]]] = {
    "documents": (
        "the texts the run was made from",
        (
            _text("name", "session.toml, rig.toml (the rig as used), settings (JSON), inputs (JSON)"),
            _text("text", "as read or as used"),
        ),
    ),
    "log": (
        "the cells of log.csv, one a row",
        (_whole("line", "row of the log, from 1"), _text("column", "heading"), _text("text", "cell, untouched")),
    ),
    "films": (
        "the films, two a clip",
        (
            _CLIP,
            _VIEW,
            _text("path", "file or folder"),
            _whole("frames", "decoded"),
            _whole("promised", "what the container says; 0: unknown"),
            _text("damaged", "what went wrong with it; empty: read to its end"),
            _text("notes", "what else decoding told, JSON"),
            _whole("frame_start", "first row in /frames"),
            _whole("frame_count", "rows in /frames"),
            _whole("sighting_start", "first row in /sightings"),
            _whole("sighting_count", "rows in /sightings"),
        ),
    ),
    "frames": (
        "every frame's stamp",
        (_whole("film", "row in /films"), _number("stamp_s", "s", "true seconds from that film's first stamp")),
    ),
    "clocks": (
        "how each clip's two clocks were brought together",
        (
            _CLIP,
            _number("right_minus_left_s", "s", "added to the right view's times, at time 0"),
            _number("right_minus_left_s_sd", "s", "one-sigma of right_minus_left_s"),
            _number(
                "drift_ppm",
                "1e-6",
                "what is added grows by so many millionths of the time: above 0 the right clock is slow",
            ),
            _number("drift_ppm_sd", "1e-6", "one-sigma of drift_ppm"),
            _text("source", "rig, session, balls, or flights: each by itself"),
            _number("told_s", "s", "the left clock's time for which right_minus_left_s_sd stands; drift_ppm_sd adds"),
        ),
    ),
    "warnings": (
        "what the run warned of",
        (_whole("clip", "number of the clip, from 1; 0: the whole session"), _text("text", "one line")),
    ),
    "timings": (
        "what the run cost",
        (
            _whole("clip", "number of the clip, from 1; 0: the whole session"),
            _text("stage", "what was done"),
            _number("seconds", "s", "time spent"),
        ),
    ),
    "settings": (
        "every setting, as used",
        (_text("stage", "part of the program"), _text("name", "setting"), _text("value", "JSON")),
    ),
    "sightings": (
        "where each camera may have seen the ball, kept or refused",
        (
            _CLIP,
            _VIEW,
            _whole("frame", "number of the frame in its film, from 0"),
            *_PIXELS,
            _number("score", "", "contrast over noise"),
            _whole("chain", "number of the steady path in this view that it belongs to"),
            _whole("delivery", "number of the delivery whose track it is part of or near to; 0: none"),
            _CODE,
        ),
    ),
    "deliveries": (
        "one row a delivery: the columns of deliveries.csv and where to find the rest",
        (
            *FIELDS,
            Field("fitted", "boolean", "", "whether a flight was fitted"),
            _number("track_bounce_s", "s", "the filter's instant of the bounce, clip's clock; NaN: none"),
            _text("track_end", "why the track ends"),
            _number("flight_start_s", "s", "time at which the fitted position and velocity hold"),
            _number("flight_bounce_s", "s", "first contact with the ground, clip's clock; NaN: full toss"),
            _number("flight_end_s", "s", "last time for which the flight is vouched for"),
            _number("release_s", "s", "instant of release, clip's clock"),
            _number("release_s_sd", "s", "one-sigma of release_s"),
            _number("chi2", "", "weighted sum of squares left by the fit"),
            _whole("dof", "degrees of freedom of chi2"),
            _whole("point_start", "first row in /points and /states"),
            _whole("point_count", "rows in /points and /states"),
        ),
    ),
    "labels": (
        "the log's further columns, attached to the deliveries",
        (_DELIVERY, _text("column", "heading"), _text("text", "cell, untouched")),
    ),
    "points": (
        "the sightings of each track, as measured again for the fit, and where in space they put the ball",
        (
            _DELIVERY,
            _VIEW,
            _whole("sighting", "row in /sightings"),
            *_PIXELS,
            Field("kept", "boolean", "", "whether the fit kept it"),
            _number("residual_u_px", "px", "what the fitted flight misses it by, to the right"),
            _number("residual_v_px", "px", "what the fitted flight misses it by, downward"),
            *(
                _number(f"{a}_m", "m", f"{a} of the triangulated point; NaN: the other camera saw nothing near")
                for a in "xyz"
            ),
            *(_number(f"{a}_m_sd", "m", f"one-sigma of {a}_m from the two sightings") for a in "xyz"),
        ),
    ),
    "states": (
        "the filter's smoothed state at each row of /points",
        (
            _DELIVERY,
            _number("time_s", "s", "clip's clock"),
            *(_number(f"{a}_m", "m", f"{a} of the ball") for a in "xyz"),
            *(_number(f"v{a}_mps", "m/s", f"velocity along {a}") for a in "xyz"),
            *(
                _number(
                    state_cov_name(i, j), _STATE_UNITS[(i > 2) + (j > 2)], f"covariance of {STATE[i]} and {STATE[j]}"
                )
                for i, j in STATE_PAIRS
            ),
        ),
    ),
    "refusals": (
        "sightings near a track that were not taken",
        (_DELIVERY, _VIEW, _whole("sighting", "row in /sightings"), _CODE),
    ),
    "fit_parameters": (
        "the fitted flights: one row a parameter",
        (
            _DELIVERY,
            _text("name", "parameter, see docs/method.md"),
            _number("value", "", "fitted value, SI"),
            _number("value_sd", "", "one-sigma of value, the rig's doubt included"),
        ),
    ),
    "fit_covariance": (
        "their covariance, lower triangle",
        (
            _DELIVERY,
            _text("row", "parameter"),
            _text("column", "parameter"),
            _number("from_sightings", "", "from the sightings and the priors, SI"),
            _number("from_rig", "", "what the rig's own covariance adds, SI"),
        ),
    ),
    "fit_model": (
        "what else the flight model needs to predict",
        (_DELIVERY, _text("name", "quantity"), _number("value", "", "SI")),
    ),
    "checks": (
        "the checks of the rig and the films",
        (
            _text("name", "check"),
            _text("verdict", "pass, doubtful or fail"),
            _number("value", "", "figure, in `unit`; NaN: none"),
            _number("limit", "", "limit, in `unit`"),
            _text("unit", "unit"),
            _text("advice", "what to do"),
        ),
    ),
}
