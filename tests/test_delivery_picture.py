"""The picture of one delivery and the table in the terminal, on invented deliveries."""

import re
from dataclasses import replace
from io import StringIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from rich.console import Console

from calibration.rig import Rig
from tests.invented import end_on_rig, flight_positions, invented_delivery, invented_table
from tracker.records import Delivery
from tracker.report.charts_delivery import delivery_figure, delivery_picture, picture_times
from tracker.report.terminal import delivery_table
from tracker.tracking.points import Path3D, sighted_points


@pytest.fixture
def rig() -> Rig:
    return end_on_rig()


@pytest.fixture
def delivery(rig: Rig) -> tuple[Delivery, Path3D]:
    return invented_delivery(np.random.default_rng(3), rig)


def test_each_sighting_is_placed_where_the_ball_was_at_its_own_time(
    rig: Rig, delivery: tuple[Delivery, Path3D]
) -> None:
    one, path = delivery
    assert one.track is not None and one.flight is not None
    point, sd = sighted_points(one.track, one.flight.kept, rig, path)
    truth = flight_positions(one.track.time_s)
    there = np.isfinite(point[:, 0])
    assert there.sum() > 0.9 * one.flight.kept.sum()
    assert not there[~one.flight.kept].any()
    # At 33 m/s the ball moves 50 mm in the 1.5 ms between the cameras' frames: pairing by frame would show that.
    z = ((point - truth) / sd)[there]
    assert np.abs(z).max() < 5  # ~270 points x 3, Gaussian
    assert np.all(np.abs(np.mean(z**2, axis=0) - 1) < 0.35)  # neighbours share sightings: wider than sqrt(2/n)


def test_a_wrong_path_does_not_drag_the_sightings_along(rig: Rig, delivery: tuple[Delivery, Path3D]) -> None:
    one, path = delivery
    assert one.track is not None and one.flight is not None
    wrong = replace(path, position_m=path.position_m + np.array([0.02, 0.0, 0.03]))
    right_point, _ = sighted_points(one.track, one.flight.kept, rig, path)
    wrong_point, _ = sighted_points(one.track, one.flight.kept, rig, wrong)
    far = right_point[:, 1] < 15
    moved = np.nanmedian(np.abs(wrong_point - right_point)[far], axis=0)
    assert np.all(moved[[0, 2]] < 0.002)  # a path 20 and 30 mm off moves the points by under 2 mm


def test_a_sighting_the_other_camera_missed_has_no_point(rig: Rig, delivery: tuple[Delivery, Path3D]) -> None:
    one, path = delivery
    assert one.track is not None and one.flight is not None
    kept = one.flight.kept & ~((one.track.view == 1) & (one.track.time_s > 0.3))
    point, _ = sighted_points(one.track, kept, rig, path)
    late = kept & (one.track.time_s > 0.34)
    assert late.any() and np.isnan(point[late]).all()


def test_picture_is_written_and_holds_its_words(rig: Rig, delivery: tuple[Delivery, Path3D], tmp_path: Path) -> None:
    one, path = delivery
    delivery_picture(one, rig, path, tmp_path / "one.png", "Invented net · $a$ <b>")
    picture = cv2.imread(str(tmp_path / "one.png"))
    assert picture.shape[1] > 1000 and picture.std() > 10
    words = [t.get_text() for t in delivery_figure(one, rig, path, "Invented net · $a$ <b>").findobj(match=_is_text)]
    assert any("$a$ <b>" in w for w in words)
    assert any(w.startswith("33.21 ± 0.06 m/s  (74.3 mph)") for w in words)  # 33.21 / 0.44704 = 74.29
    for unit in ("height, m", "x, m", "across, mm", "up, mm", "along, mm"):
        assert unit in words


def _is_text(artist: object) -> bool:
    return hasattr(artist, "get_text")


def test_a_rejected_delivery_says_why(rig: Rig, delivery: tuple[Delivery, Path3D], tmp_path: Path) -> None:
    one = replace(delivery[0], status="rejected", reason="seen by one camera", kind="", measures={}, flight=None)
    delivery_picture(one, rig, None, tmp_path / "x.png")
    bare = replace(one, track=None)
    words = [t.get_text() for t in delivery_figure(bare, rig, None).findobj(match=_is_text)]
    assert any("rejected: seen by one camera" in w for w in words) and "not measured" in words


def test_picture_times_start_with_the_first_sight_and_hold_the_bounce(delivery: tuple[Delivery, Path3D]) -> None:
    one, _ = delivery
    assert one.track is not None and one.flight is not None
    times = picture_times(one.flight, one.track.time_s)
    assert times[0] == one.flight.release_s and one.flight.bounce_s in times and times[-1] > one.flight.end_s
    assert np.all(np.diff(times) > 0)


def test_terminal_table_fits_80_columns_and_shows_names_as_text() -> None:
    table = invented_table(np.random.default_rng(0), ("=1+1 [bold]\x1b[31m",), 14)
    console = Console(width=80, record=True, file=StringIO())
    console.print(delivery_table(table, "[red]Invented"))
    text = console.export_text()
    assert "[red]Invented" in text and "=1+1 [bold]" in text and "\x1b" not in text
    assert "no. 5: the right camera lost 40 frames" in text
    rows = [line.split() for line in text.splitlines() if re.match(r" *\d+ ", line)]
    assert len(rows) == len(table)
    assert not any("…" in cell for row in rows for cell in row[-7:])  # no number is cut short
