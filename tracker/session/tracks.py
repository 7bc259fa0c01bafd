"""tracks.h5 written: everything a run saw and concluded, as the tables of `layout.GROUPS`.

The rows of /deliveries point into /points and /states by `point_start` and `point_count`, those of /films into
/frames and /sightings. Reading it back is `reading.read_run`.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.rig import Rig
from tracker.records import ClipRun, Delivery, Floats, Ints, Run, Sightings, Track
from tracker.session.layout import GROUPS, STATE_PAIRS, VIEWS, state_cov_name
from tracker.session.store import MISSING_FLAG, Table, write_store
from tracker.session.tables import FIELDS, extra_fields
from tracker.tracking.points import Path3D, sighted_points

TRACKS_H5 = "tracks.h5"
FORMAT, VERSION = "lanepair-tracks", 1
ATTRIBUTE_BYTES = 60_000  # HDF5's object headers hold no attribute above 64 KiB
FRAME = (
    "right-handed, metres; origin on the ground at the centre of the striker's middle stump; "
    "+y to the bowler's wicket, +z up, +x a right-handed batter's off side"
)
NOT_OF_A_DELIVERY = 6  # REFUSALS

FLIGHT_COLUMNS = ("flight_start_s", "flight_bounce_s", "flight_end_s", "release_s", "release_s_sd", "chi2", "dof")

Columns = dict[str, Any]


def write_tracks(
    path: Path,
    run: Run,
    rig: Rig,
    table: pd.DataFrame,
    log: pd.DataFrame | None,
    documents: Mapping[str, str],
    facts: Mapping[str, str],
) -> None:
    """Write tracks.h5.

    Parameters
    ----------
    path : Path
        A new file.
    run : Run
    rig : Rig
        As used, for the triangulated points.
    table : DataFrame
        The rows of deliveries.csv.
    log : DataFrame or None
        The log as read.
    documents : mapping
        Texts the run was made from, by name; kept whole in /documents and, where they fit, as root attributes.
    facts : mapping
        Further root attributes: identity, dates, versions.
    """
    offsets = _sighting_offsets(run.clips)
    columns = {
        "documents": {"name": list(documents), "text": list(documents.values())},
        "log": _log(log),
        **_films(run.clips, offsets),
        **_session(run),
        "sightings": _sightings(run, offsets),
        "deliveries": _deliveries(run.deliveries, table),
        "labels": _labels(table),
        **_points(run.deliveries, rig, offsets),
        "refusals": _refusals(run.deliveries, offsets),
        **_fits(run.deliveries),
        "checks": _rows(
            ("name", "verdict", "value", "limit", "unit", "advice"),
            ((c.name, c.verdict, c.value, c.limit, c.unit, c.advice) for c in run.checks),
        ),
    }
    tables = {name: Table(title, fields, columns[name]) for name, (title, fields) in GROUPS.items()}
    write_store(path, tables, {**_facts(run, documents), **facts})


def _facts(run: Run, documents: Mapping[str, str]) -> dict[str, str | int]:
    facts: dict[str, str | int] = {
        "title": f"Deliveries of {run.name}, {run.date}",
        "format_name": FORMAT,
        "format_version": VERSION,
        "session_name": run.name,
        "date_recorded": run.date,
        "frame": FRAME,
        "time": "seconds on each clip's clock, mid-exposure of the row that saw the ball",
        "uncertainty": "standard uncertainty, k = 1; columns ending in _sd; covariances as named columns",
    }
    for name, text in documents.items():
        fits = len(text.encode()) <= ATTRIBUTE_BYTES
        facts[Path(name).stem] = text if fits else f"too long for an attribute: see /documents, {name}"
    return facts


def _rows(names: Sequence[str], rows: Iterable[Sequence[Any]]) -> Columns:
    """Columns from rows."""
    listed = list(rows)
    return {name: [row[i] for row in listed] for i, name in enumerate(names)}


def _joined(names: Iterable[str], parts: Sequence[Columns]) -> Columns:
    """Tables below one another; no part: no row."""
    return {n: np.concatenate([np.asarray(p[n]) for p in parts]) if parts else np.empty(0) for n in names}


def _names(group: str) -> list[str]:
    return [field.name for field in GROUPS[group][1]]


def _log(log: pd.DataFrame | None) -> Columns:
    rows = [] if log is None else log.itertuples(index=False, name=None)
    headings = [] if log is None else [str(c) for c in log.columns]
    return _rows(
        _names("log"), ((i, c, cell) for i, row in enumerate(rows, 1) for c, cell in zip(headings, row, strict=True))
    )


def _sighting_offsets(clips: Sequence[ClipRun]) -> dict[tuple[int, int], int]:
    """First row in /sightings by clip and view."""
    offsets, total = {}, 0
    for clip in clips:
        for view, seen in enumerate((clip.left, clip.right)):
            offsets[clip.number, view] = total
            total += len(seen)
    return offsets


def _films(clips: Sequence[ClipRun], offsets: Mapping[tuple[int, int], int]) -> dict[str, Columns]:
    rows, stamps = [], [np.empty(0)]
    for clip in clips:
        for view, (film, seen) in enumerate(zip(clip.films, (clip.left, clip.right), strict=True)):
            start, count = sum(map(len, stamps)), len(film.stamps_s)
            notes = json.dumps(dict(film.notes), default=str)
            place = (start, count, offsets[clip.number, view], len(seen))
            rows.append((clip.number, view, film.path, film.frames, film.promised, film.damaged, notes, *place))
            stamps.append(film.stamps_s)
    film_of = np.repeat(np.arange(len(rows)), [len(s) for s in stamps[1:]]) if rows else np.empty(0)
    frames: Columns = {"film": film_of, "stamp_s": np.concatenate(stamps)}
    return {"films": _rows(_names("films"), rows), "frames": frames}


def _session(run: Run) -> dict[str, Columns]:
    clocks = [(c.number, c.clock) for c in run.clips]
    warned = [(0, w) for w in run.warnings] + [(c.number, w) for c in run.clips for w in c.warnings]
    timed = [(0, *t) for t in run.seconds.items()] + [(c.number, *t) for c in run.clips for t in c.seconds.items()]
    settings = [(s, n, json.dumps(v, default=str)) for s, own in run.settings.items() for n, v in own.items()]
    return {
        "clocks": _rows(
            _names("clocks"),
            ((n, c.right_minus_left_s, c.sd_s, c.drift_ppm, c.drift_ppm_sd, c.source, c.told_s) for n, c in clocks),
        ),
        "warnings": _rows(_names("warnings"), warned),
        "timings": _rows(_names("timings"), timed),
        "settings": _rows(_names("settings"), settings),
    }


def _pixels(seen: Sightings | Track) -> Columns:
    """The columns that sightings and the points of a track share."""
    return {
        "time_s": seen.time_s,
        "u_px": seen.centre_px[:, 0],
        "v_px": seen.centre_px[:, 1],
        "cov_uu_px2": seen.cov_px2[:, 0, 0],
        "cov_uv_px2": seen.cov_px2[:, 0, 1],
        "cov_vv_px2": seen.cov_px2[:, 1, 1],
        "size_px": seen.size_px,
        "streak_u_px": seen.streak_px[:, 0],
        "streak_v_px": seen.streak_px[:, 1],
        "lean_px": seen.lean_px,
        "trail_u_px": seen.trail_px[:, 0],
        "trail_v_px": seen.trail_px[:, 1],
        "aside": seen.aside,
    }


def _sightings(run: Run, offsets: Mapping[tuple[int, int], int]) -> Columns:
    parts = []
    for clip in run.clips:
        for view, seen in enumerate((clip.left, clip.right)):
            where = {"clip": np.full(len(seen), clip.number), "view": np.full(len(seen), view), "frame": seen.frame}
            parts.append({**where, **_pixels(seen), "score": seen.score, "chain": seen.chain})
    total = sum(len(part["frame"]) for part in parts)
    delivery, code = np.zeros(total, int), np.full(total, NOT_OF_A_DELIVERY)
    for d in run.deliveries:
        if d.track is not None and len(d.track.refused):
            rows = _global_rows(d.clip, d.track.refused[:, 0], d.track.refused[:, 1], offsets)
            free = code[rows] == NOT_OF_A_DELIVERY
            delivery[rows[free]], code[rows[free]] = d.number, d.track.refused[free, 2]
    for d in run.deliveries:  # what a track holds wins over what another refused
        if d.track is not None:
            rows = _global_rows(d.clip, d.track.view, d.track.row, offsets)
            delivery[rows], code[rows] = d.number, _codes(d, d.track)
    names = [name for name in _names("sightings") if name not in ("delivery", "code")]
    return _joined(names, parts) | {"delivery": delivery, "code": code}


def _codes(delivery: Delivery, track: Track) -> Ints:
    """Why the fit did not keep a row of the track (REFUSALS); 0: it did."""
    flight = delivery.flight
    if flight is None:
        return np.zeros(len(track), np.int64)
    why = np.where(track.time_s > flight.end_s, 5, 3)
    why = np.where(track.time_s < flight.release_s, 4, why)
    return np.where(flight.kept, 0, why)


def _global_rows(clip: int, view: Ints, row: Ints, offsets: Mapping[tuple[int, int], int]) -> Ints:
    start = np.array([offsets[clip, v] for v in range(len(VIEWS))])
    return np.asarray(start[view] + row, np.int64)


def _deliveries(deliveries: Sequence[Delivery], table: pd.DataFrame) -> Columns:
    columns: Columns = {}
    empty = {"number": np.nan, "integer": 0, "boolean": MISSING_FLAG}
    for field in FIELDS:
        blank = empty.get(field.type, "")
        columns[field.name] = [blank if value is None else value for value in table[field.name]]
    columns["track_bounce_s"] = [np.nan if d.track is None else d.track.bounce_s for d in deliveries]
    columns["track_end"] = ["" if d.track is None else d.track.end for d in deliveries]
    columns["fitted"] = [d.flight is not None for d in deliveries]
    counts = [0 if d.track is None else len(d.track) for d in deliveries]
    columns["point_start"], columns["point_count"] = np.cumsum([0, *counts])[:-1], counts
    return columns | _rows(FLIGHT_COLUMNS, map(_flight_facts, deliveries))


def _flight_facts(delivery: Delivery) -> tuple[float, ...]:
    f = delivery.flight
    if f is None:
        return (*(np.nan,) * 6, 0)
    return f.start_s, f.bounce_s, f.end_s, f.release_s, f.release_s_sd, f.chi2, f.dof


def _labels(table: pd.DataFrame) -> Columns:
    headings = [field.name for field in extra_fields(table)]
    rows = zip(table["delivery"], table[headings].itertuples(index=False, name=None), strict=True)
    return _rows(_names("labels"), ((n, c, cell) for n, row in rows for c, cell in zip(headings, row, strict=True)))


def _points(deliveries: Sequence[Delivery], rig: Rig, offsets: Mapping[tuple[int, int], int]) -> dict[str, Columns]:
    points, states = [], []
    for d in deliveries:
        if d.track is None:
            continue
        track, flight = d.track, d.flight
        kept = np.ones(len(track), bool) if flight is None else flight.kept
        residual: Floats = np.full((len(track), 2), np.nan) if flight is None else flight.residual_px
        sd = np.sqrt(np.maximum(np.diagonal(track.state_cov[:, :3, :3], axis1=1, axis2=2), 0))
        place, place_sd = sighted_points(track, kept, rig, Path3D(track.time_s, track.state[:, :3], sd))
        number = np.full(len(track), d.number)
        sighting = _global_rows(d.clip, track.view, track.row, offsets)
        columns = {"delivery": number, "view": track.view, "sighting": sighting, **_pixels(track)}
        columns |= {"kept": kept, "residual_u_px": residual[:, 0], "residual_v_px": residual[:, 1]}
        columns |= {f"{a}_m": place[:, i] for i, a in enumerate("xyz")}
        columns |= {f"{a}_m_sd": place_sd[:, i] for i, a in enumerate("xyz")}
        points.append(columns)
        states.append({"delivery": number, "time_s": track.time_s, **_state(track)})
    return {"points": _joined(_names("points"), points), "states": _joined(_names("states"), states)}


def _state(track: Track) -> Columns:
    columns: Columns = {f"{a}_m": track.state[:, i] for i, a in enumerate("xyz")}
    columns |= {f"v{a}_mps": track.state[:, 3 + i] for i, a in enumerate("xyz")}
    return columns | {state_cov_name(i, j): track.state_cov[:, i, j] for i, j in STATE_PAIRS}


def _refusals(deliveries: Sequence[Delivery], offsets: Mapping[tuple[int, int], int]) -> Columns:
    parts = []
    for d in deliveries:
        if d.track is not None and len(d.track.refused):
            view, row, code = d.track.refused.T
            own = {"view": view, "sighting": _global_rows(d.clip, view, row, offsets), "code": code}
            parts.append({"delivery": np.full(len(view), d.number), **own})
    return _joined(_names("refusals"), parts)


def _fits(deliveries: Sequence[Delivery]) -> dict[str, Columns]:
    parameters, covariance, model = [], [], []
    for d in deliveries:
        if d.flight is None:
            continue
        f = d.flight
        sd = np.sqrt(np.maximum((f.cov + f.rig_cov).diagonal(), 0))
        parameters += [(d.number, n, v, s) for n, v, s in zip(f.names, f.params, sd, strict=True)]
        lower = zip(*np.tril_indices(len(f.names)), strict=True)
        covariance += [(d.number, f.names[i], f.names[j], f.cov[i, j], f.rig_cov[i, j]) for i, j in lower]
        model += [(d.number, n, v) for n, v in f.model.items()]
    return {
        "fit_parameters": _rows(_names("fit_parameters"), parameters),
        "fit_covariance": _rows(_names("fit_covariance"), covariance),
        "fit_model": _rows(_names("fit_model"), model),
    }
