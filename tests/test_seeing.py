"""Seeing: films' own times, damaged films, and a ball found where it was drawn, through compression and flicker."""

import av
import numpy as np
import pytest

from calibration.camera import Camera, Lens
from calibration.errors import InputError
from tests.small_films import Scene, as_bright, in_colour, misses_px, pictures, straight, write_film
from tracker.simulation.rigs import pair, turned
from tracker.vision.background import Ground
from tracker.vision.centroid import reach_of
from tracker.vision.disc import round_shapes
from tracker.vision.see import remeasure, see
from tracker.vision.stamps import even_grid
from tracker.vision.video import Frame, open_film

SIZE = (640, 360)


def filmed(tmp_path, scene: Scene, seed: int = 3, **how):
    path = tmp_path / "film.mp4"
    write_film(path, pictures(scene, np.random.default_rng(seed)), scene.fps, **how)
    return path


def test_stamps_are_the_containers_own(tmp_path):
    """What PyAV itself says of the packets, from the first; rate 240, so steps of 1/240 s."""
    film = open_film(filmed(tmp_path, Scene(frames=40, size=(320, 180))))
    stamps = [frame.stamp_s for frame in film]
    np.testing.assert_allclose(stamps, np.arange(40) / 240, atol=1e-6)
    assert film.report().frames == 40 and film.report().damaged == ""


def test_time_scale_and_stated_rate(tmp_path):
    path = filmed(tmp_path, Scene(frames=20, size=(320, 180), fps=30.0))
    slowed = [frame.stamp_s for frame in open_film(path, time_scale=0.125)]
    np.testing.assert_allclose(slowed, np.arange(20) / 240, atol=1e-6)
    with pytest.raises(InputError, match="time_scale"):
        open_film(path, fps=240.0)


def test_a_film_cut_short_is_read_as_far_as_it_goes(tmp_path):
    path = tmp_path / "film.mkv"
    write_film(path, pictures(Scene(frames=60, size=(320, 180)), np.random.default_rng(1)), 240.0)
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * 0.6)])
    film = open_film(path)
    read = sum(1 for _ in film)
    assert 10 < read < 60
    assert film.report().damaged.endswith(" of 0.2 s could be read")  # 60 frames, 240 a second


def test_a_whole_film_that_starts_late_is_whole(tmp_path):
    """Matroska says where a film ends, counted from 0: here 5 s before the first frame."""
    path = tmp_path / "film.mkv"
    frames, rng = 60, np.random.default_rng(1)
    write_film(path, pictures(Scene(frames=frames, size=(320, 180)), rng), 240.0, stamps=5000 + np.arange(frames) * 4)
    film = open_film(path)
    assert sum(1 for _ in film) == frames and film.report().damaged == ""


def test_an_mp4_whose_recording_was_cut_off_is_told(tmp_path):
    path = filmed(tmp_path, Scene(frames=60, size=(320, 180)))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(InputError, match="is cut short: the index at its end is missing"):
        open_film(path)
    path.write_bytes(b"")
    with pytest.raises(InputError, match=r"film\.mp4: is empty"):
        open_film(path)


def test_frames_stored_out_of_order_without_stamps_are_shown_in_order(tmp_path):
    """AVI has no stamps: with B-frames, what FFmpeg makes up for them jumps to and fro."""
    path = tmp_path / "film.avi"
    options = {"preset": "veryfast", "bf": "3", "g": "60"}
    write_film(path, pictures(Scene(frames=60, size=(320, 180)), np.random.default_rng(1)), 240.0, options=options)
    with av.open(str(path)) as film:
        made_up = [frame.pts for frame in film.decode(video=0)]
    assert made_up != sorted(made_up)
    film = open_film(path)
    np.testing.assert_allclose([frame.stamp_s for frame in film], np.arange(60) / 240, atol=1e-6)
    np.testing.assert_allclose(film.stamps(), np.arange(60) / 240, atol=1e-6)
    assert film.report().damaged == ""


def test_what_a_trimmed_film_does_not_show_is_not_counted(tmp_path):
    """Telephones trim by an edit list: the frames from the last key frame on are kept, for decoding only."""
    path, hidden = tmp_path / "trimmed.mp4", 25
    with (
        av.open(str(filmed(tmp_path, Scene(frames=60, size=(320, 180))))) as film,
        av.open(str(path), "w", options={"avoid_negative_ts": "disabled"}) as copy,
    ):
        stream = copy.add_stream_from_template(film.streams.video[0])
        step = film.streams.video[0].duration // 60
        for packet in film.demux(video=0):
            if packet.size:
                packet.pts, packet.dts, packet.stream = packet.pts - hidden * step, packet.dts - hidden * step, stream
                copy.mux(packet)
    film = open_film(path)
    assert film.promised == 60 - hidden
    np.testing.assert_allclose([frame.stamp_s for frame in film], np.arange(60 - hidden) / 240, atol=1e-6)
    np.testing.assert_allclose(film.stamps(), np.arange(60 - hidden) / 240, atol=1e-6)
    assert film.report().damaged == ""


def test_empty_pieces_of_an_avi_are_no_missing_frames(tmp_path):
    """AVI's frames lie on a fixed beat, with empty pieces where none is due; its header counts those too."""
    path = tmp_path / "film.avi"
    scene = Scene(frames=60, size=(320, 180), fps=125.0)
    write_film(path, pictures(scene, np.random.default_rng(1)), 125.0, stamps=np.arange(60) * 8)
    with av.open(str(path)) as film:
        assert film.streams.video[0].frames > 60
    film = open_film(path)
    assert sum(1 for _ in film) == 60 and film.report().damaged == ""


def test_frames_that_a_camera_dropped_do_not_cut_an_avi_short(tmp_path):
    """The header counts what was dropped, the stamps show it; half a file is told as such."""
    path, kept = tmp_path / "film.avi", np.delete(np.arange(90), [20, 21, 40, 61, 62, 63, 70, 71])
    scene = Scene(frames=len(kept), size=(320, 180), fps=60.0)
    write_film(path, pictures(scene, np.random.default_rng(1)), 60.0, codec="mpeg4", stamps=kept, ticks=60)
    film = open_film(path)
    stamps = [frame.stamp_s for frame in film]
    np.testing.assert_allclose(stamps, kept / 60, atol=1e-6)
    assert film.report().damaged == ""
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    film = open_film(path)
    assert sum(1 for _ in film) < 60 and film.report().damaged != ""


def test_a_text_file_is_no_film(tmp_path):
    path = tmp_path / "film.mp4"
    path.write_text("not a film")
    with pytest.raises(InputError, match="film"):
        open_film(path)


@pytest.mark.parametrize("size_px", [6.0, 14.0])
@pytest.mark.parametrize("flicker", [0.0, 0.1])
def test_a_ball_is_found_where_it_was_drawn(tmp_path, camera, size_px, flicker):
    """At least nine of ten frames, within a quarter of a pixel (median): noise of 2 levels allows less than 0.1 px."""
    frames = 90
    ball = straight(frames, (60.0, 90.0), (5.2, 1.1), size_px)
    path = filmed(tmp_path, Scene(SIZE, frames=frames, balls=[ball], flicker=flicker))
    seen = see(open_film(path), camera, 0).sightings
    found = []
    for k in range(20, frames - 20):
        here = np.flatnonzero(seen.frame == k)
        if len(here):
            off = np.hypot(*(seen.centre_px[here] - ball.centre[k]).T)
            found.append(off.min())
    found = np.array(found)
    assert np.mean(found < 2.0) * len(found) >= 0.9 * (frames - 40)
    assert np.median(found) < 0.25


def test_pictures_shown_twice_are_left_out(tmp_path, camera):
    """A recorder that fills up its rate: every fourth picture again in place of the next, alike to the last bit."""
    frames = 90
    ball = straight(frames, (60.0, 90.0), (5.2, 1.1), 8.0)
    drawn = list(pictures(Scene(SIZE, frames=frames, balls=[ball]), np.random.default_rng(3)))
    shown = [k - (k % 4 == 3) for k in range(frames)]
    lossless = {"preset": "ultrafast", "qp": "0", "bf": "0"}
    write_film(tmp_path / "film.mp4", [drawn[k] for k in shown], 240.0, options=lossless)
    seen = see(open_film(tmp_path / "film.mp4"), camera, 0)
    assert 10 <= seen.report.notes["repeated"] <= frames // 4
    found = [k for k in range(20, frames - 20) if np.any(seen.sightings.frame == k)]
    assert not any(shown[k] < k for k in found)
    assert len(found) >= 0.9 * 0.75 * (frames - 40)


def test_a_small_ball_that_crosses_the_picture_is_kept_though_it_is_seen_unevenly(tmp_path, camera):
    """A coder, a net and hard light leave now this, now that part of a small ball: 1.6 px either way of its path."""
    frames, rng = 70, np.random.default_rng(4)
    ball = straight(frames, (-560.0, 20.0), (17.0, 2.0), 6.0)
    ball.centre += rng.uniform(-1.6, 1.6, ball.centre.shape)
    path = filmed(tmp_path, Scene(SIZE, frames=frames, balls=[ball]))
    seen = see(open_film(path), camera, 0).sightings
    inside = [k for k in range(frames) if 40 < ball.centre[k, 0] < SIZE[0] - 40]
    near = [np.hypot(*(seen.centre_px[seen.frame == k] - ball.centre[k]).T).min(initial=9.0) < 3.0 for k in inside]
    assert np.mean(near) > 0.6


def measured_again(path, camera, ball, off_px=0.0):
    """By how much a ball's sightings, measured with its true sizes and blurs, miss its middle, (n, 2) px.

    The flight has the ball lower by off_px.
    """
    frames = len(ball.centre)
    seen = see(open_film(path), camera, 0)
    rows = [
        int(here[np.argmin(np.hypot(*(seen.sightings.centre_px[here] - ball.centre[k]).T))])
        for k in range(20, frames - 20)
        if len(here := np.flatnonzero(seen.sightings.frame == k))
    ]
    rows = np.array(rows)
    k = seen.sightings.frame[rows]
    predicted = ball.centre[k] + [0.0, off_px]
    return remeasure(seen, rows, predicted, ball.size[k], ball.blur[k]).centre_px - ball.centre[k]


def test_measured_again_the_light_from_above_does_not_lift_the_ball(tmp_path, camera):
    """A ball darker toward its lower rim: an intensity-weighted middle sits 0.2 px and more too high."""
    ball = straight(90, (60.0, 90.0), (5.2, 1.1), 12.0, shade=0.35)
    path = filmed(tmp_path, Scene(SIZE, frames=90, balls=[ball], noise=1.5), bit_rate=2e7)
    miss = measured_again(path, camera, ball)
    assert abs(np.median(miss[:, 1])) < 0.1
    assert np.median(np.hypot(*miss.T)) < 0.2


def test_measured_again_by_a_flight_that_is_a_diameter_off(tmp_path, camera):
    """In hard light from above: they are measured where they were seen, not left at the lit part of the ball."""
    ball = straight(90, (60.0, 90.0), (5.2, 1.1), 12.0, level=230.0, shade=0.6)
    path = filmed(tmp_path, Scene(SIZE, frames=90, balls=[ball], level=70.0))
    assert abs(np.median(measured_again(path, camera, ball, off_px=12.0)[:, 1])) < 0.02 * 12.0


def test_measured_again_the_sun_from_one_side_does_not_move_the_ball(tmp_path, camera):
    """A small ball darker toward its right rim, as low sun makes it: held as evenly lit it is measured 1 px aside."""
    ball = straight(90, (60.0, 90.0), (5.2, 1.1), 6.5, aside=0.7, level=190.0)
    path = filmed(tmp_path, Scene(SIZE, frames=90, balls=[ball], noise=3.0), bit_rate=2e7)
    miss = measured_again(path, camera, ball)
    assert abs(np.median(miss[:, 0])) < 0.2


@pytest.mark.parametrize("place_m", [(0.0, 0.0, 10.0), (5.0, 0.5, 8.0), (-5.0, -3.0, 8.0)])
def test_an_oblique_ball_through_a_wide_lens_is_made_round(place_m):
    """A sphere's rim (solid geometry: the tangent cone's circle) in OpenCV's lens, an ellipse, is made a circle."""
    lens = Lens((1920, 1080), np.array([[1100.0, 0, 960], [0, 1100.0, 540], [0, 0, 1]]), np.array([-0.3, 0.1, 0, 0, 0]))
    camera = Camera(lens, np.zeros(3), np.zeros(3))
    place, radius = np.array(place_m), 0.036
    far = np.linalg.norm(place)
    across = np.linalg.svd(place[None])[2][1:]
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    lean = radius / far
    circle = np.column_stack([np.cos(turn), np.sin(turn)]) @ across
    rim = camera.project(place * (1 - lean**2) + radius * np.sqrt(1 - lean**2) * circle)
    shape = round_shapes(camera.project(place[None]), np.zeros((1, 2)), camera)[0]
    reach = np.hypot(*((rim - camera.project(place[None])) @ shape.T).T)
    assert np.ptp(reach) < 0.01 * reach.mean()
    off_axis = np.hypot(*place[:2]) > 0
    assert off_axis == (np.ptp(np.hypot(*(rim - camera.project(place[None])).T)) > 0.02 * reach.mean())


@pytest.mark.parametrize("roll_deg", [0.0, 90.0, 180.0, -75.0])
def test_the_round_ball_stands_upright_however_the_camera_is_turned(roll_deg):
    """Light comes from above on the lane; in a film taken upright that is to one side of the picture."""
    camera = turned(pair("side").left, np.array([0.0, 0.0, roll_deg]))
    place = np.array([[0.0, 17.5, 2.0], [0.3, 7.0, 1.0], [0.0, -1.0, 0.4]])
    px = camera.project(place)
    up = camera.project(place + np.array([0.0, 0.0, 0.01])) - px
    in_ball = np.einsum("nij,nj->ni", round_shapes(px, np.zeros((3, 2)), camera), up)
    assert np.all(np.abs(in_ball[:, 0]) < 0.01 * -in_ball[:, 1])


@pytest.mark.parametrize("fps", [50, 120, 240])
def test_jittered_stamps_with_drops_lie_on_their_grid(fps):
    """1 ms of jitter and 1 frame in 50 lost: nearly all grid times come back to a tenth of the jitter."""
    rng = np.random.default_rng(fps)
    number = np.sort(rng.choice(4000, 3920, replace=False))
    true_s = (number - number[0]) / fps
    grid = even_grid(true_s + rng.normal(0, 1e-3, len(number)))
    assert grid is not None
    off = grid.time_s - true_s
    assert np.mean(np.abs(off - np.median(off)) < 3e-4) > 0.98
    assert grid.period_s == pytest.approx(1 / fps, rel=1e-4)
    # times count from the first frame, however late its own stamp was
    assert abs(np.median(off)) < 3 * grid.start_sd_s < 0.6e-3


def test_a_few_stamps_far_off_leave_the_grid(fps=120):
    """Software now and then delays a stamp by half a frame; a rate that changes has no grid."""
    rng = np.random.default_rng(8)
    stamps = np.arange(6000) / fps + rng.normal(0, 1e-3, 6000)
    stamps[[700, 2900, 4400]] += 0.0035
    assert even_grid(np.sort(stamps)) is not None
    assert even_grid(np.cumsum(rng.uniform(0.5, 1.5, 6000) / fps)) is None


def test_a_rate_that_wanders_a_little_has_no_grid():
    """Intervals that vary by 4 %, each by itself: after some hundred frames no even grid knows which frame is which."""
    for seed in range(4):
        stamps = np.cumsum(np.random.default_rng(seed).normal(1.0, 0.04, 1500)) / 50
        assert even_grid(stamps) is None


def test_stamps_are_read_without_decoding(tmp_path):
    """The same as the decoded frames', also where frames are stored out of order."""
    film = open_film(filmed(tmp_path, Scene(frames=60, size=(320, 180)), options={"bf": "3", "g": "30"}))
    ahead = film.stamps()
    np.testing.assert_allclose(ahead, [frame.stamp_s for frame in film], atol=1e-9)


def test_a_quick_ball_is_followed_though_its_stamps_jitter(tmp_path, camera):
    """20 px a frame: 1 ms of jitter at 120 frames a second moves it 2.4 px off its path."""
    frames, rng = 30, np.random.default_rng(5)
    ball = straight(frames, (20.0, 90.0), (20.0, 3.0), 9.0)
    stamps = np.rint(1000 * (np.arange(frames) / 120 + rng.normal(0, 1e-3, frames))).astype(int)
    path = tmp_path / "film.mkv"
    scene = Scene(SIZE, fps=120.0, frames=frames, balls=[ball])
    write_film(path, pictures(scene, np.random.default_rng(3)), scene.fps, stamps=stamps - stamps[0])
    seen = see(open_film(path), camera, 0).sightings
    near = [np.hypot(*(seen.centre_px[seen.frame == k] - ball.centre[k]).T).min(initial=9) < 1 for k in range(5, 25)]
    assert np.mean(near) > 0.9


@pytest.mark.parametrize(
    ("codec", "pixels", "colour"),
    [
        ("libx264", "yuv420p", "red"),
        ("libx265", "yuv420p10le", "pink"),
        ("mjpeg", "yuvj422p", "red"),
        pytest.param("libx264", "yuv420p", "pink", marks=pytest.mark.slow),
        pytest.param("libx265", "yuv420p10le", "red", marks=pytest.mark.slow),
        pytest.param("mjpeg", "yuvj422p", "pink", marks=pytest.mark.slow),
        pytest.param("libx264", "yuv444p", "red", marks=pytest.mark.slow),
        pytest.param("libx264", "yuv444p", "pink", marks=pytest.mark.slow),
    ],
)
def test_a_ball_as_bright_as_what_is_behind_is_found_by_its_colour(tmp_path, camera, codec, pixels, colour):
    """The same luma, colour as cameras store it, by FFmpeg's own scaler: found in nine frames of ten, to half a px.

    The red one has a pale seam off its middle, which is all that luma shows.
    """
    frames = 70
    ball = straight(frames, (60.0, 90.0), (5.2, 1.1), 10.0)
    path = tmp_path / "film.mov"
    with av.open(str(path), "w") as film:
        stream = film.add_stream(codec, rate=240)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = *SIZE, pixels, 20_000_000
        if codec == "libx265":  # its pools of threads wait busily for the other tests'
            stream.options = {"preset": "ultrafast", "x265-params": "log-level=error:pools=none"}
        for rgb in as_bright(ball, colour, SIZE, np.random.default_rng(4)):
            film.mux(stream.encode(av.VideoFrame.from_ndarray(rgb, "rgb24")))
        film.mux(stream.encode())
    missed_px = misses_px(see(open_film(path), camera, 0, colour=colour).sightings, ball)
    assert np.sum(missed_px < 2.0) >= 0.9 * (frames - 30)
    assert np.median(missed_px) < 0.5


def test_a_red_ball_bright_above_and_dark_below_is_measured_by_its_colour(tmp_path, camera):
    """Lit from above before dark grey, luma shows its upper half alone: that lies a fifth of its diameter too high."""
    ball = straight(60, (60.0, 90.0), (5.2, 1.1), 14.0, shade=0.9)
    path = tmp_path / "film.mov"
    with av.open(str(path), "w") as film:
        stream = film.add_stream("libx264", rate=240)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = *SIZE, "yuv420p", 20_000_000
        for rgb in in_colour(ball, (130, 28, 30), (40, 42, 44), SIZE, np.random.default_rng(4)):
            film.mux(stream.encode(av.VideoFrame.from_ndarray(rgb, "rgb24")))
        film.mux(stream.encode())
    missed_px = misses_px(see(open_film(path), camera, 0, colour="red").sightings, ball)
    assert len(missed_px) >= 25 and np.median(missed_px) < 0.8


@pytest.mark.parametrize("shade", [30, 220])
def test_the_background_keeps_its_brightness_for_long(shade):
    """A hundred seconds of somebody walking to and fro: taken for a change of lamps, each pass would leave a little."""
    rng = np.random.default_rng(6)
    still = rng.uniform(40, 200, (180, 240))
    ground = None
    for k in range(3000):
        plane = np.clip(still + rng.normal(0, 2, still.shape), 0, 255).astype(np.uint8)
        left = int(k * 0.7) % 240
        plane[:, left : left + 50] = shade
        frame = Frame(k, k / 30, plane, 240)
        ground = ground or Ground.begin(frame, 30.0, 16.0)
        boxes, gain = ground.steady(frame)
        ground.learn(boxes, boxes)
    assert gain == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(("fps", "reach"), [(50.0, 2), (60.0, 2), (120.0, 4), (240.0, 4)])
def test_a_parabola_lasts_35_ms_at_most(fps, reach):
    assert reach_of(np.arange(20) / fps) == reach
