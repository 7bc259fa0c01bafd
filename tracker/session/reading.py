"""A run read back from its folder into the records it came from: for reports, exports and pages.

What `tracks.write_tracks` wrote comes back equal, number for number.
"""

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError
from calibration.rig import Rig, parse_rig
from tracker.records import (
    Check,
    ClipRun,
    Clock,
    Delivery,
    FilmReport,
    Flight,
    Floats,
    Ints,
    Measure,
    Run,
    Sightings,
    Track,
)
from tracker.session.layout import GROUPS, STATE_PAIRS, state_cov_name
from tracker.session.store import read_store
from tracker.session.tables import MEASURES, UNITS
from tracker.session.tracks import FORMAT, TRACKS_H5, VERSION

Columns = Mapping[str, NDArray[Any]]
LATER_COLUMNS = {
    "sightings": ("lean_px", "trail_u_px", "trail_v_px", "aside"),
    "points": ("lean_px", "trail_u_px", "trail_v_px", "aside"),
    "clocks": ("told_s",),
}


@dataclass(frozen=True, eq=False)
class RecordedRun:
    """A run as it lies on disk.

    labels  by delivery number: what the log says of it ("bowler", "arm", "batter_hand", "side" and further columns)
    """

    run: Run
    rig: Rig
    labels: Mapping[int, Mapping[str, str]]


def read_tables(path: Path) -> tuple[dict[str, dict[str, NDArray[Any]]], dict[str, Any]]:
    """The tables and facts of a tracks.h5; columns that came later are nought in files from before, as not known."""
    tables, facts = read_store(path)
    for name, later in LATER_COLUMNS.items():
        table = tables.get(name, {})
        if table:
            nought = np.zeros(len(next(iter(table.values()))))
            table.update({column: nought for column in later if column not in table})
    return tables, facts


def read_run(out: str | Path) -> RecordedRun:
    """Read a run's tracks.h5. Raises InputError if there is none or it is not of this format and version."""
    path = Path(out) / TRACKS_H5
    tables, facts = read_tables(path)
    if facts.get("format_name") != FORMAT or facts.get("format_version") != VERSION:
        found = f"{facts.get('format_name')} version {facts.get('format_version')}"
        raise InputError(path, f"is {found}", f"this program reads {FORMAT} version {VERSION}")
    for name, (_, fields) in GROUPS.items():
        for field in fields:
            if field.name not in tables.get(name, {}):
                raise InputError(path, f"/{name}/{field.name} is missing", "track again")
    documents = dict(zip(tables["documents"]["name"], tables["documents"]["text"], strict=True))
    rig = parse_rig(path, tomllib.loads(documents["rig.toml"]))
    clips = tuple(_clip(tables, i) for i in range(len(tables["clocks"]["clip"])))
    starts = _sighting_starts(tables["films"])
    deliveries = tuple(_delivery(tables, i, starts) for i in range(len(tables["deliveries"]["delivery"])))
    run = Run(
        name=str(facts["session_name"]),
        date=str(facts["date_recorded"]),
        clips=clips,
        deliveries=deliveries,
        checks=tuple(Check(*row) for row in _rows(tables["checks"], "name verdict value limit unit advice")),
        warnings=_texts(tables["warnings"], 0),
        settings=_settings(tables["settings"]),
        seconds=_seconds(tables["timings"], 0),
    )
    return RecordedRun(run, rig, _labels(tables))


def _rows(columns: Columns, names: str) -> list[tuple[Any, ...]]:
    """Rows of the named columns as Python values."""
    return list(zip(*(columns[name].tolist() for name in names.split()), strict=True))


def _texts(columns: Columns, clip: int) -> tuple[str, ...]:
    return tuple(columns["text"][columns["clip"] == clip])


def _seconds(columns: Columns, clip: int) -> dict[str, float]:
    return {stage: seconds for c, stage, seconds in _rows(columns, "clip stage seconds") if c == clip}


def _settings(columns: Columns) -> dict[str, dict[str, Any]]:
    settings: dict[str, dict[str, Any]] = {}
    for stage, name, value in _rows(columns, "stage name value"):
        settings.setdefault(stage, {})[name] = json.loads(value)
    return settings


def _sighting_starts(films: Columns) -> dict[tuple[int, int], int]:
    return {(clip, view): start for clip, view, start in _rows(films, "clip view sighting_start")}


def _pixels(columns: Columns, rows: slice) -> dict[str, Any]:
    """What sightings and points share, by the names of their fields."""
    centre, streak, trail = (
        np.column_stack([columns[f"{p}{a}_px"][rows] for a in "uv"]) for p in ("", "streak_", "trail_")
    )
    uu, uv, vv = (columns[f"cov_{c}_px2"][rows] for c in ("uu", "uv", "vv"))
    cov = np.stack([np.column_stack([uu, uv]), np.column_stack([uv, vv])], axis=1)
    alone = {name: columns[name][rows] for name in ("time_s", "size_px", "lean_px", "aside")}
    return {"centre_px": centre, "cov_px2": cov, "streak_px": streak, "trail_px": trail, **alone}


def _clip(tables: Mapping[str, Columns], index: int) -> ClipRun:
    number, *clock = _rows(
        tables["clocks"], "clip right_minus_left_s right_minus_left_s_sd drift_ppm drift_ppm_sd source told_s"
    )[index]
    films, frames, seen = tables["films"], tables["frames"], tables["sightings"]
    reports, sightings = [], []
    for i in (2 * index, 2 * index + 1):
        film = {name: values[i] for name, values in films.items()}
        stamps = frames["stamp_s"][film["frame_start"] : film["frame_start"] + film["frame_count"]]
        notes = json.loads(film["notes"])
        reports.append(
            FilmReport(film["path"], int(film["frames"]), int(film["promised"]), stamps, film["damaged"], notes)
        )
        rows = slice(film["sighting_start"], film["sighting_start"] + film["sighting_count"])
        own = {n: seen[n][rows] for n in ("frame", "score", "chain")}
        sightings.append(Sightings(int(film["view"]), **_pixels(seen, rows), **own))
    return ClipRun(
        number,
        sightings[0],
        sightings[1],
        (reports[0], reports[1]),
        Clock(*clock),
        _texts(tables["warnings"], number),
        _seconds(tables["timings"], number),
    )


def _delivery(tables: Mapping[str, Columns], index: int, starts: Mapping[tuple[int, int], int]) -> Delivery:
    d = {name: values[index] for name, values in tables["deliveries"].items()}
    number, clip = int(d["delivery"]), int(d["clip"])
    return Delivery(
        number=number,
        clip=clip,
        start_s=float(d["start_s"]),
        status=d["status"],
        reason=d["reason"],
        kind=d["kind"],
        release_seen=d["release_seen"] == 1,
        measures={n: Measure(float(d[n]), float(d[f"{n}_sd"]), UNITS[n]) for n in MEASURES if np.isfinite(d[n])},
        stumps_projected=d["stumps_projected"] == 1,
        sightings_left=int(d["sightings_left"]),
        sightings_right=int(d["sightings_right"]),
        residual_px=float(d["residual_px"]),
        track=_track(tables, d, np.array([starts[clip, 0], starts[clip, 1]])) if d["point_count"] else None,
        flight=_flight(tables, d) if d["fitted"] == 1 else None,
    )


def _track(tables: Mapping[str, Columns], d: Mapping[str, Any], starts: Ints) -> Track:
    rows = slice(d["point_start"], d["point_start"] + d["point_count"])
    points, states, refusals = tables["points"], tables["states"], tables["refusals"]
    state = np.column_stack([states[n][rows] for n in ("x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps")])
    cov = np.empty((len(state), 6, 6))
    for i, j in STATE_PAIRS:
        cov[:, i, j] = cov[:, j, i] = states[state_cov_name(i, j)][rows]
    own = refusals["delivery"] == d["delivery"]
    view, sighting, code = (refusals[n][own] for n in ("view", "sighting", "code"))
    refused = np.column_stack([view, sighting - starts[view], code])
    seen_by = points["view"][rows]
    row = points["sighting"][rows] - starts[seen_by]
    path = {"state": state, "state_cov": cov, "bounce_s": float(d["track_bounce_s"]), "end": d["track_end"]}
    return Track(view=seen_by, row=row, **_pixels(points, rows), **path, refused=refused)


def _flight(tables: Mapping[str, Columns], d: Mapping[str, Any]) -> Flight:
    number, points = d["delivery"], tables["points"]
    rows = slice(d["point_start"], d["point_start"] + d["point_count"])
    parameters, covariance, model = (
        {n: v[t["delivery"] == number] for n, v in t.items()}
        for t in (tables["fit_parameters"], tables["fit_covariance"], tables["fit_model"])
    )
    return Flight(
        names=tuple(parameters["name"]),
        params=parameters["value"],
        cov=_symmetric(covariance["from_sightings"], len(parameters["name"])),
        rig_cov=_symmetric(covariance["from_rig"], len(parameters["name"])),
        start_s=float(d["flight_start_s"]),
        bounce_s=float(d["flight_bounce_s"]),
        end_s=float(d["flight_end_s"]),
        release_s=float(d["release_s"]),
        release_s_sd=float(d["release_s_sd"]),
        release_seen=d["release_seen"] == 1,
        kept=points["kept"][rows] == 1,
        residual_px=np.column_stack([points[f"residual_{a}_px"][rows] for a in "uv"]),
        chi2=float(d["chi2"]),
        dof=int(d["dof"]),
        model=dict(zip(model["name"], model["value"].tolist(), strict=True)),
    )


def _symmetric(lower: Floats, size: int) -> Floats:
    """A matrix from its lower triangle, row by row."""
    matrix = np.zeros((size, size))
    matrix[np.tril_indices(size)] = lower
    return matrix + np.tril(matrix, -1).T


def _labels(tables: Mapping[str, Columns]) -> dict[int, dict[str, str]]:
    ours = _rows(tables["deliveries"], "delivery bowler arm batter_hand side")
    labels = {n: dict(zip(("bowler", "arm", "batter_hand", "side"), own, strict=True)) for n, *own in ours}
    for number, column, text in _rows(tables["labels"], "delivery column text"):
        labels[number][column] = text
    return labels
