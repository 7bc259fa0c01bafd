"""A run's folder, written whole or not at all: tracks.h5, deliveries.csv with its dictionary, run.json, check.json.

It is written aside, in a folder next to OUT, and renamed when it is complete; an OUT that already holds a run is then
replaced, anything else is left alone and refused. A failed or interrupted run leaves what was there.
"""

import hashlib
import json
import math
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from calibration.errors import InputError
from calibration.rig import rig_text
from tracker.records import ClipRun, FilmReport, Run
from tracker.session.folder import IMAGE_SUFFIXES, Session
from tracker.session.log import attach_log
from tracker.session.tables import deliveries_table, write_deliveries
from tracker.session.tracks import TRACKS_H5, write_tracks

RUN_JSON, CHECK_JSON = "run.json", "check.json"
FORMAT, VERSION = "lanepair-run", 1
LIBRARIES = ("numpy", "scipy", "opencv-python", "filterpy", "pandas", "h5py", "av", "numba")


def check_out(out: Path, session: Path) -> None:
    """Refuse an OUT that could not be written or replaced, before any work is done."""
    if out.is_dir():
        if any(out.iterdir()) and not _is_run(out):
            raise InputError(out, "holds something other than a run", "name another folder with --out")
        if out.resolve() in (session.resolve(), *session.resolve().parents):
            raise InputError(out, "holds the session itself", "name another folder with --out")
    elif out.exists() or out.is_symlink():
        raise InputError(out, "is not a folder", "name another one with --out")
    place = next(p for p in out.absolute().parents if p.exists())
    try:  # what the rights say is not all: some places take no folder from anybody
        os.rmdir(tempfile.mkdtemp(prefix=f".{out.name}.", dir=place))
    except OSError:
        raise InputError(out, f"cannot be made: {place} is not a folder that you may write to") from None


def _is_run(out: Path) -> bool:
    try:
        written = json.loads((out / RUN_JSON).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(written, dict) and written.get("format") == FORMAT


@contextmanager
def whole_folder(out: Path) -> Iterator[Path]:
    """A folder to write into, which becomes OUT when the block ends well and vanishes when it does not."""
    out = out.resolve()
    out.parent.mkdir(parents=True, exist_ok=True)
    aside, old = (out.with_name(f".{out.name}.{word}-{os.getpid()}") for word in ("part", "old"))
    try:
        aside.mkdir()
        yield aside
        if out.exists():
            out.rename(old)
        try:
            aside.rename(out)
        except OSError:
            if old.exists():
                old.rename(out)
            raise
    except OSError as e:
        raise InputError(out, f"cannot be written ({e.strerror or e})", "look at the disk's space and rights") from e
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        if out.exists():
            shutil.rmtree(old, ignore_errors=True)


def write_run(folder: Path, session: Session, run: Run, facts: Mapping[str, Any] | None = None) -> tuple[str, ...]:
    """Write a run's files into an empty folder (see `whole_folder`).

    Parameters
    ----------
    folder : Path
    session : Session
        With the rig as used.
    run : Run
    facts : mapping, optional
        Further entries of run.json.

    Returns
    -------
    disagreements : tuple of str
        Where the log and the deliveries found differ in number, a line each; run.json lists them among the warnings.
    """
    attached = attach_log(session.log, [d.clip for d in run.deliveries], len(session.clips))
    table = deliveries_table(session.name, session.date, run.deliveries, attached.rows)
    write_deliveries(folder, table)
    written = datetime.now(UTC).isoformat(timespec="seconds")
    inputs = input_digests(session)
    identity = hashlib.sha256(
        json.dumps([[i["sha256"] for i in inputs], _plain(run.settings), _versions()]).encode()
    ).hexdigest()
    described = {
        "format": FORMAT,
        "version": VERSION,
        "id": identity,
        "written": written,
        "software": _versions(),
        "session": {"name": session.name, "date": session.date.isoformat(), "folder": str(session.folder)},
        "pitch_length_m": session.rig.pitch_length_m,
        "junior_stumps": session.rig.junior_stumps,
        "rig_exact": session.rig.exact,
        "inputs": inputs,
        "settings": run.settings,
        "counts": _counts(run),
        "clips": [_clip(clip) for clip in run.clips],
        "seconds": run.seconds,
        "warnings": [*run.warnings, *attached.disagreements],
        **(facts or {}),
    }
    _write_json(folder / RUN_JSON, described)
    _write_json(folder / CHECK_JSON, [vars(check) for check in run.checks])
    documents = {
        "session.toml": (session.folder / "session.toml").read_text(encoding="utf-8"),
        "rig.toml": rig_text(session.rig),
        "settings": json.dumps(_plain(run.settings)),
        "inputs": json.dumps(inputs),
    }
    software = {"software": "lanepair", "software_version": version("lanepair")}
    about = {"id": identity, "date_created": written, **software, "libraries": json.dumps(_versions())}
    write_tracks(folder / TRACKS_H5, run, session.rig, table, session.log, documents, about)
    return attached.disagreements


def _versions() -> dict[str, str]:
    return {name: version(name) for name in ("lanepair", *LIBRARIES)}


def _counts(run: Run) -> dict[str, int]:
    status = [d.status for d in run.deliveries]
    return {
        "deliveries": len(status),
        **{word: status.count(word) for word in ("ok", "partial", "rejected")},
        "sightings_left": sum(len(c.left) for c in run.clips),
        "sightings_right": sum(len(c.right) for c in run.clips),
    }


def _clip(clip: ClipRun) -> dict[str, Any]:
    return {
        "clip": clip.number,
        "clock": vars(clip.clock),
        "films": [_film(film) for film in clip.films],
        "seconds": clip.seconds,
        "warnings": clip.warnings,
    }


def _film(film: FilmReport) -> dict[str, Any]:
    stamps = film.stamps_s
    return {
        "path": film.path,
        "frames": film.frames,
        "promised": film.promised,
        "lasts_s": float(stamps[-1]) if len(stamps) else 0.0,
        "damaged": film.damaged,
        "notes": film.notes,
    }


def input_digests(session: Session) -> list[dict[str, Any]]:
    """Name, size and SHA-256 of every input file; a folder of images counts as one, its files in order of name."""
    files = [session.folder / "session.toml", session.rig_path]
    files += [] if session.log_path is None else [session.log_path]
    for clip in session.clips:
        files += [clip.left, clip.right]
    return [_digest(file) for file in files]


def _digest(path: Path) -> dict[str, Any]:
    parts = [path] if path.is_file() else sorted(f for f in path.iterdir() if f.suffix.lower() in IMAGE_SUFFIXES)
    digest, size = hashlib.sha256(), 0
    for part in parts:
        with part.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
                size += len(block)
    return {"file": str(path), "bytes": size, "sha256": digest.hexdigest()}


def _write_json(path: Path, value: Any) -> None:
    path.write_text(json.dumps(_plain(value), indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


def _plain(value: Any) -> Any:
    """The value in JSON's own types; NaN and infinity become null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(inner) for inner in value]
    if hasattr(value, "tolist"):  # numpy
        return _plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, str | int | bool | None) else str(value)
