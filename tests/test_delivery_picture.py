"""The picture of one delivery and the table in the terminal, on invented deliveries."""

import re
from dataclasses import replace
from io import StringIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from matplotlib.lines import Line2D
from rich.console import Console

from calibration.rig import Rig
from tests.invented import flight_positions, invented_delivery, invented_table
from tracker.flight import physics
from tracker.flight.model import CLOCK, NAMES, SHADE, SIZE, make_model
from tracker.records import Air, Ball, Delivery, Flight, Floats
from tracker.report.charts_delivery import delivery_figure, delivery_picture
from tracker.report.path import on_one_clock, picture_times, sampled_path, shade_m
from tracker.report.terminal import delivery_table
from tracker.tracking.points import Path3D, sighted_points


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
    delivery_picture(one, rig, tmp_path / "one.png", "Invented net · $a$ <b>", path)
    picture = cv2.imread(str(tmp_path / "one.png"))
    assert picture.shape[1] > 1000 and picture.std() > 10
    words = [t.get_text() for t in delivery_figure(one, rig, "Invented net · $a$ <b>", path).findobj(match=_is_text)]
    assert any("$a$ <b>" in w for w in words)
    assert any(w.startswith("33.21 ± 0.06 m/s  (74.3 mph)") for w in words)  # 33.21 / 0.44704 = 74.29
    for unit in ("height, m", "x, m", "across, mm", "up, mm", "along, mm"):
        assert unit in words


def test_the_line_is_whole_only_where_the_ball_was_seen(rig: Rig, delivery: tuple[Delivery, Path3D]) -> None:
    """Unseen for 0.1 s on its way, and let go where no camera saw it: carried on there, seen between."""
    one, path = delivery
    assert one.track is not None and one.flight is not None
    time_s = one.track.time_s
    kept = one.flight.kept & (time_s > time_s[0] + 0.08) & ~((time_s > 0.3) & (time_s < 0.4))
    for release_seen in (False, True):
        told = replace(one, release_seen=release_seen, flight=replace(one.flight, kept=kept))
        lines = [
            line
            for line in delivery_figure(told, rig, "Invented", path).findobj(match=Line2D)
            if line.get_label() == "fitted flight" and len(line.get_xdata()) == len(path.time_s)  # not the legend's
        ]
        assert len(lines) == 2
        for line in lines:
            whole = np.isfinite(np.asarray(line.get_ydata(), float))
            assert not whole[(path.time_s > 0.31) & (path.time_s < 0.39)].any()
            assert whole[(path.time_s > 0.2) & (path.time_s < 0.29)].all()
            assert not whole[path.time_s < time_s[kept][0] - 0.01].any() or release_seen


def _is_text(artist: object) -> bool:
    return hasattr(artist, "get_text")


def test_a_rejected_delivery_says_why(rig: Rig, delivery: tuple[Delivery, Path3D], tmp_path: Path) -> None:
    one = replace(delivery[0], status="rejected", reason="seen by one camera", kind="", measures={}, flight=None)
    delivery_picture(one, rig, tmp_path / "x.png")
    bare = replace(one, track=None)
    words = [t.get_text() for t in delivery_figure(bare, rig).findobj(match=_is_text)]
    assert any("[rejected]" in w for w in words) and "seen by one camera" in words and "not measured" in words


def test_picture_times_start_with_the_first_sight_and_hold_the_bounce(delivery: tuple[Delivery, Path3D]) -> None:
    one, _ = delivery
    assert one.track is not None and one.flight is not None
    times = picture_times(one)
    assert times[0] == one.flight.release_s and one.flight.bounce_s in times and times[-1] > one.flight.end_s
    assert np.all(np.diff(times) > 0)


def test_terminal_table_fits_80_columns_and_shows_names_as_text() -> None:
    table = invented_table(np.random.default_rng(0), ("=1+1 [bold]\x1b[31m",), 14)
    console = Console(width=80, record=True, file=StringIO())
    console.print(delivery_table(table, "[red]Invented"))
    text = console.export_text()
    assert "[red]Invented" in text and "=1+1 [bold]" in text and "\x1b" not in text
    assert "no. 5: the right camera lost 40 frames" in text
    assert "+ is toward a right-hander's off side" in text and max(map(len, text.splitlines())) <= 80
    rows = [line.split() for line in text.splitlines() if re.match(r" *\d+ ", line)]
    assert len(rows) == len(table)
    assert not any("…" in cell for row in rows for cell in row[-7:])  # no number is cut short


def physical_flight(params: Floats, cov: Floats) -> Flight:
    """A flight of the fit's own kind, invented: 33 m/s, bouncing, the right clock 2 ms late, lit from above."""
    model = make_model(Ball(), Air(), 0.0, (0.0, 0.45), 33.0, True)
    none = np.zeros((SIZE, SIZE))
    return Flight(
        NAMES, params, cov, none, 0.0, 0.45, 0.55, 0.0, 0.001, True, np.ones(4, bool), np.zeros((4, 2)), 1.0, 4,
        dict(zip(physics.MODEL_NAMES, map(float, model), strict=True)),
    )  # fmt: skip


def invented_params() -> Floats:
    params = np.zeros(SIZE)
    params[:6] = [0.4, 18.4, 2.1, -1.2, -33.0, -2.0]
    params[physics.DRAG], params[physics.SIDE] = 0.42, 0.15
    params[physics.AFTER : physics.AFTER + 3] = [-0.6, -27.0, 3.4]
    params[CLOCK], params[SHADE] = 0.002, 0.004
    return params


def test_the_band_is_what_the_covariance_says(rng: np.random.Generator) -> None:
    params, draws = invented_params(), 400
    sd = np.zeros(SIZE)
    sd[:6] = [0.002, 0.01, 0.003, 0.02, 0.05, 0.02]
    sd[physics.DRAG], sd[physics.SIDE] = 0.01, 0.01
    time_s = np.array([0.0, 0.2, 0.4, 0.5, 0.55])
    stated = sampled_path(physical_flight(params, np.diag(sd**2)), time_s)
    paths = [
        sampled_path(physical_flight(params + rng.normal(0, 1, SIZE) * sd, np.zeros((SIZE, SIZE))), time_s).position_m
        for _ in range(draws)
    ]
    ratio = np.std(paths, axis=0, ddof=1) / stated.sd_m
    assert np.all(np.abs(ratio - 1) < 5 / np.sqrt(2 * (draws - 1)))  # sd of a standard deviation


def test_the_right_view_is_put_on_the_flights_clock(delivery: tuple[Delivery, Path3D]) -> None:
    track = delivery[0].track
    assert track is not None
    flight = physical_flight(invented_params(), np.zeros((SIZE, SIZE)))
    moved = on_one_clock(track, flight).time_s - track.time_s
    np.testing.assert_allclose(moved, 0.002 * (track.view == 1))
    assert shade_m(flight) == 0.004
