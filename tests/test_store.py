"""tracks.h5 and the run's folder: written whole or not at all, read back unchanged, by others too.

Outside readers: xarray with h5netcdf (an independent implementation of netCDF4 on HDF5) opens every table unchanged.
"""

import json
import shutil
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray as xr

from calibration.errors import InputError
from calibration.rig import Rig
from tracker.records import Run
from tracker.session.folder import Session, read_session
from tracker.session.layout import GROUPS
from tracker.session.reading import read_run
from tracker.session.runs import check_out, whole_folder, write_run


@pytest.fixture
def session(session_folder: Path) -> Session:
    return read_session(session_folder)


def assert_same(a: object, b: object, where: str = "") -> None:
    """Equal records, arrays number for number, NaN equal to NaN."""
    if is_dataclass(a):
        assert type(a) is type(b), where
        for f in fields(a):
            assert_same(getattr(a, f.name), getattr(b, f.name), f"{where}.{f.name}")
    elif isinstance(a, np.ndarray):
        np.testing.assert_array_equal(a, b, err_msg=where)
        assert a.shape == np.shape(b), where
    elif isinstance(a, tuple | list):
        assert len(a) == len(b), where
        for i, pair in enumerate(zip(a, b, strict=True)):
            assert_same(*pair, f"{where}[{i}]")
    elif isinstance(a, dict):
        assert set(a) == set(b), where
        for key in a:
            assert_same(a[key], b[key], f"{where}[{key}]")
    else:
        assert a == b or (a != a and b != b), f"{where}: {a!r} and {b!r}"


def test_a_run_comes_back_number_for_number(written: Path, run: Run, rig: Rig) -> None:
    recorded = read_run(written)
    assert_same(run, recorded.run)
    assert_same(rig, recorded.rig)
    assert recorded.labels[2] == {
        "bowler": "Invented A", "arm": "right", "batter_hand": "left", "side": "round",
        "plan": "good", "note": '=1+1, "quoted" é',
    }  # fmt: skip


@pytest.mark.parametrize("group", GROUPS)
def test_xarray_opens_every_table(written: Path, group: str) -> None:
    described = {field.name: field for field in GROUPS[group][1]}
    with xr.open_dataset(written / "tracks.h5", engine="h5netcdf", group=group) as table:
        assert set(table.data_vars) == set(described)
        assert list(table.dims) == [f"{group}_row"]
        for name, column in table.data_vars.items():
            assert column.dims == (f"{group}_row",)
            assert column.attrs["long_name"]
            assert column.dtype.kind == {"number": "f", "integer": "i", "boolean": "i"}.get(
                described[name].type, "U"
            ), name


def test_xarray_reads_what_was_measured(written: Path, run: Run) -> None:
    with xr.open_dataset(written / "tracks.h5", engine="h5netcdf", group="deliveries") as table:
        speed = table["release_speed_mps"]
        assert speed.attrs["units"] == "m/s" and speed.attrs["ancillary_variables"] == "release_speed_mps_sd"
        np.testing.assert_array_equal(speed, [33.21, 33.21, np.nan])
        assert table["bowler"].values.tolist() == ["Invented A", "Invented A", "Invented B"]
        assert table["release_seen"].values.tolist() == [1, 1, -1]
        start, count = int(table["point_start"][1]), int(table["point_count"][1])
    second = run.deliveries[1].track
    assert second is not None
    with xr.open_dataset(written / "tracks.h5", engine="h5netcdf", group="points") as points:
        np.testing.assert_array_equal(points["u_px"][start : start + count], second.centre_px[:, 0])
        assert set(points["delivery"].values[start : start + count].tolist()) == {2}


def test_triangulated_points_lie_on_the_path_they_came_from(written: Path, run: Run) -> None:
    track = run.deliveries[0].track
    assert track is not None
    with h5py.File(written / "tracks.h5") as file:
        point = np.column_stack([file[f"points/{a}_m"][: len(track)] for a in "xyz"])
        sd = np.column_stack([file[f"points/{a}_m_sd"][: len(track)] for a in "xyz"])
    placed = np.isfinite(point[:, 0])
    assert placed.mean() > 0.9
    miss = (point - track.state[:, :3])[placed] / sd[placed]  # 0.2 px of noise, and sds that say so
    assert 0.7 < np.sqrt((miss**2).mean()) < 1.3


def test_every_sighting_is_kept_or_refused_with_a_reason(written: Path) -> None:
    with h5py.File(written / "tracks.h5") as file:
        code, delivery, view = (file[f"sightings/{n}"][:] for n in ("code", "delivery", "view"))
        words = file["sightings/code"].attrs["flag_meanings"].split()
        kept_points = int(file["points/kept"][:].sum())
    assert len(code) == 1600
    assert words[0] == "kept" and set(code) <= set(range(len(words)))
    assert (code == 0).sum() == kept_points
    assert ((delivery == 0) == (code == 6)).all()
    assert code[(view == 0)][300] == 1 and code[(view == 1)][310] == 2  # near the first track and not taken


def test_the_file_has_no_type_that_others_cannot_read(written: Path) -> None:
    with h5py.File(written / "tracks.h5") as file:
        assert file.attrs["format_name"] == "lanepair-tracks" and file.attrs["format_version"] == 1
        for name in ("title", "id", "date_created", "software", "libraries", "settings", "rig", "inputs", "frame"):
            assert file.attrs[name], name

        def look(name: str, item: object) -> None:
            if isinstance(item, h5py.Dataset):
                assert item.ndim == 1, name
                assert item.dtype.kind in "fi" or h5py.check_string_dtype(item.dtype).encoding == "utf-8", name
                assert item.compression in (None, "gzip"), name
                assert len(item) == 0 or (item.compression, item.compression_opts, item.shuffle) == ("gzip", 4, True), (
                    name
                )

        file.visititems(look)


def test_a_long_rig_does_not_fit_an_attribute_and_is_kept_all_the_same(
    tmp_path: Path, session: Session, run: Run
) -> None:
    notes = {"story": "a mark with a long story " * 5000}
    place = tmp_path / "out"
    with whole_folder(place) as folder:
        write_run(folder, replace(session, rig=replace(session.rig, notes=notes)), run)
    assert read_run(place).rig.notes["story"] == notes["story"]


def test_run_json_says_what_went_in(written: Path) -> None:
    import hashlib

    told = json.loads((written / "run.json").read_text(encoding="utf-8"))
    assert told["counts"] == {
        "deliveries": 3, "ok": 1, "partial": 1, "rejected": 1, "sightings_left": 800, "sightings_right": 800,
    }  # fmt: skip
    digest = {Path(entry["file"]).name: entry for entry in told["inputs"]}
    assert set(digest) == {
        "session.toml",
        "rig.toml",
        "log.csv",
        *(f"{c}_{v}.mp4" for c in ("one", "two") for v in ("left", "right")),
    }
    assert digest["one_left.mp4"] == {
        "file": str(written.parent / "session" / "one_left.mp4"),
        "bytes": 8,
        "sha256": hashlib.sha256(b"one_left").hexdigest(),
    }
    assert told["clips"][0]["clock"]["right_minus_left_s"] == 0.0021
    assert told["pitch_length_m"] == pytest.approx(20.1168)
    checks = json.loads((written / "check.json").read_text(encoding="utf-8"))
    assert [(c["name"], c["verdict"], c["value"]) for c in checks] == [
        ("gravity", "pass", 9.79),
        ("knock", "doubtful", None),
    ]


def test_an_earlier_run_is_replaced_as_a_whole(out: Path, session: Session, run: Run) -> None:
    (out / "left over.txt").write_text("of the earlier run")
    check_out(out, session.folder)
    with whole_folder(out) as folder:
        write_run(folder, session, replace(run, deliveries=run.deliveries[:1]))
    assert sorted(p.name for p in out.iterdir()) == [
        "check.json", "deliveries.csv", "deliveries.schema.json", "run.json", "tracks.h5",
    ]  # fmt: skip
    assert len(read_run(out).run.deliveries) == 1
    assert [p.name for p in out.parent.iterdir() if p.name.startswith(".")] == []


def test_a_linked_folder_is_replaced_where_it_lies(out: Path, session: Session, run: Run) -> None:
    link = out.with_name("link")
    link.symlink_to(out, target_is_directory=True)
    with whole_folder(link) as folder:
        write_run(folder, session, replace(run, deliveries=run.deliveries[:1]))
    assert link.is_symlink() and len(read_run(out).run.deliveries) == 1
    assert [p.name for p in out.parent.iterdir() if p.name.startswith(".")] == []


def test_a_failed_run_leaves_the_earlier_one(out: Path, session: Session) -> None:
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    with pytest.raises(KeyboardInterrupt), whole_folder(out) as folder:
        (folder / "deliveries.csv").write_text("half")
        raise KeyboardInterrupt
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    assert [p.name for p in out.parent.iterdir() if p.name.startswith(".")] == []


def test_what_is_not_a_run_is_never_replaced(tmp_path: Path, session: Session) -> None:
    other = tmp_path / "photos"
    other.mkdir()
    check_out(other, session.folder)  # empty: may be used
    (other / "run.json").write_text('{"format": "something else"}')
    with pytest.raises(InputError, match="photos: holds something other than a run; name another folder"):
        check_out(other, session.folder)
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="is not a folder"):
        check_out(tmp_path / "file", session.folder)
    with pytest.raises(InputError, match="cannot be made"):
        check_out(tmp_path / "file" / "below", session.folder)
    with pytest.raises(InputError, match="holds something other"):
        check_out(session.folder, session.folder)


def test_a_run_that_holds_its_own_session_is_not_replaced(out: Path, session: Session) -> None:
    inside = session.folder.rename(out / "session")
    with pytest.raises(InputError, match="holds the session itself"):
        check_out(out, inside)


def test_a_run_from_before_lean_and_trail_is_read(written: Path, run: Run, tmp_path: Path) -> None:
    """A winter's earlier sessions stay readable: what was not known then is 0, all else as it was."""
    names = ("lean_px", "trail_u_px", "trail_v_px", "aside")
    old = shutil.copytree(written, tmp_path / "old")
    with h5py.File(old / "tracks.h5", "r+") as file:
        for group in ("sightings", "points"):
            for name in names:
                del file[group][name]
        del file["clocks"]["told_s"]
    clip = read_run(old).run.clips[0]
    left = clip.left
    assert clip.clock.told_s == 0.0
    assert not left.lean_px.any() and not left.trail_px.any() and not left.aside.any()
    assert np.array_equal(left.centre_px, run.clips[0].left.centre_px)


def test_a_file_that_is_no_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"tracks\.h5: no such file"):
        read_run(tmp_path)
    (tmp_path / "tracks.h5").write_text("hello")
    with pytest.raises(InputError, match="is not a readable HDF5 file"):
        read_run(tmp_path)
    with h5py.File(tmp_path / "tracks.h5", "w") as file:
        file.attrs["format_name"], file.attrs["format_version"] = "lanepair-tracks", 2
    with pytest.raises(InputError, match="this program reads lanepair-tracks version 1"):
        read_run(tmp_path)
