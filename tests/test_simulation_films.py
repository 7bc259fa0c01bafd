"""Rendered pictures and whole session folders: the ball is where it should be, and everything reads back."""

import csv
import tomllib
from dataclasses import replace
from pathlib import Path as File

import av
import numpy as np
import pytest

from calibration.camera import Camera, Lens
from calibration.errors import LanepairError
from calibration.rig import Rig, read_rig
from tracker.cli import main
from tracker.session.folder import read_session
from tracker.simulation import optics
from tracker.simulation.films import H264, Pictures
from tracker.simulation.hall import GAMMA, Hall, plate
from tracker.simulation.rehearsal import Order, film_clock_of, rehearse, told
from tracker.simulation.render import Action, BallShown, Look, View
from tracker.simulation.rigs import pair
from tracker.simulation.scenes import SCENES, FilmFault, lasting_s, script
from tracker.simulation.sightings import film_clock, show
from tracker.simulation.staging import stage
from tracker.simulation.world import Path

QUIET = Look(full_well_e=1e9, read_e=0.0, psf_px=0.5, shading=False)


def small(camera, scale=4, **changes):
    """The camera with a picture `scale` times smaller."""
    m = camera.lens.matrix.copy()
    m[:2] /= scale
    size = tuple(2 * (n // scale // 2) for n in camera.lens.image_size_px)
    return replace(camera, lens=Lens(size, m, camera.lens.distortion), **changes)


@pytest.fixture(scope="module")
def camera():
    return small(pair("end_on_wide", distortion=(-0.3, 0.1, 1e-3, -5e-4, 0.0)).left)


@pytest.fixture(scope="module")
def empty(camera):
    return plate(camera, Hall(), 1)


def moving(start_m, velocity):
    start_m, velocity = np.array(start_m, float), np.array(velocity, float)

    def arc(t):
        return np.hstack([start_m + t[:, None] * velocity, np.tile(velocity, (len(t), 1))])

    return Path(-1.0, (10.0,), (arc,))


def light_of(picture):
    return ((np.maximum(picture.y.astype(float), 16) - 16) / 219) ** GAMMA


def changed(camera, empty, ball, look, start_s=0.0):
    """Light that a ball adds to the empty hall, averaged over 8-bit pictures with a little noise."""
    rng = np.random.default_rng(0)
    look = replace(look, full_well_e=2e4)
    with_ball = View(camera, empty, Hall(), Action((ball,)), look, rng)
    without = View(camera, empty, Hall(), Action(), look, rng)
    n = 24
    return sum(light_of(with_ball.picture(start_s)) - light_of(without.picture(start_s)) for _ in range(n)) / n


def centroid(weight, about, reach=14):
    r0, c0 = round(about[1]) - reach, round(about[0]) - reach
    part = weight[r0 : r0 + 2 * reach + 1, c0 : c0 + 2 * reach + 1]
    r, c = np.indices(part.shape)
    return np.array([(c * part).sum() / part.sum() + c0, (r * part).sum() / part.sum() + r0])


@pytest.mark.parametrize("readout_s", [0.0, 0.012])
@pytest.mark.parametrize("velocity", [(0, 0, 0), (6, 0, 4), (-3, -30, -5)])
def test_the_ball_is_painted_at_its_mid_exposure_position(camera, empty, readout_s, velocity):
    """A white ball without shading on a dark floor: its centroid is the exposure average that the truth states."""
    cam = replace(camera, exposure_s=0.004, row_time_s=readout_s / camera.lens.image_size_px[1])
    ball = BallShown(moving((0.3, 14.0, 0.9), velocity), 0.06, "white", 1)
    ball = replace(ball, seam_axis=(1.0, 0.0, 0.0)) if velocity == (0, 0, 0) else ball
    shown = show(ball.path, cam, film_clock(100, 0.01, np.random.default_rng(0)), 0.06)
    flat = replace(empty, L=np.full_like(empty.L, 0.05), front=_none(empty.front), behind=_none(empty.behind))
    added = changed(cam, flat, ball, QUIET)
    found = centroid(added, shown.centre_px[0])
    np.testing.assert_allclose(found, shown.centre_px[0], atol=0.06)  # the seam and 8 bits shift it by hundredths


def _none(layer):
    return replace(layer, pixel=layer.pixel[:0])


def test_light_from_above_lifts_the_bright_centre(camera, empty):
    flat = replace(empty, L=np.full_like(empty.L, 0.02), front=_none(empty.front), behind=_none(empty.behind))
    cam = replace(camera, exposure_s=0.0005)
    ball = BallShown(moving((0.3, 14.0, 0.9), (0, 0, 0)), 0.06, "white", 1)
    at = optics.project(cam, np.array([[0.3, 14.0, 0.9]]))[0]
    size = cam.lens.matrix[0, 0] * 0.12 / 9.0
    lifted = centroid(changed(cam, flat, ball, replace(QUIET, shading=True)), at)
    assert 0.02 * size < at[1] - lifted[1] < 0.12 * size


def test_what_stands_before_the_ball_hides_it(camera, empty):
    """A ball behind the stumps or below the floor is not painted."""
    rng = np.random.default_rng(0)
    for place, seen in (((0.3, 10.0, 0.5), True), ((0.3, 10.0, -0.5), False), ((0.3, -8.5, 0.5), False)):
        view = View(camera, empty, Hall(), Action((BallShown(moving(place, (0, 0, 0))),)), QUIET, rng)
        assert view.picture(0.0).visible[0] == seen


def test_flicker_is_the_lamps_times_the_shutters_sinc(camera, empty):
    """Modulation left after 1/200 s at 100 Hz is 2/pi = 0.637, after 1/100 s none (Fourier)."""
    for exposure_s, left in ((1 / 1000, 0.984), (1 / 200, 0.637), (1 / 100, 0.0)):
        cam = replace(camera, exposure_s=exposure_s)
        view = View(cam, empty, Hall(), Action(), replace(QUIET, flicker=0.2), np.random.default_rng(0))
        level = [float(light_of(view.picture(k / 800))[100:].mean()) for k in range(8)]
        swing = 2 * np.abs(np.mean(np.array(level) * np.exp(-2j * np.pi * np.arange(8) / 8))) / np.mean(level)
        assert swing == pytest.approx(0.2 * left, abs=0.006)


def test_rolling_shutter_turns_flicker_into_bands(camera, empty):
    height = camera.lens.image_size_px[1]
    cam = replace(camera, exposure_s=0.001, row_time_s=0.010 / height)
    rng = np.random.default_rng(0)
    empty = replace(empty, L=np.full_like(empty.L, 0.3), front=_none(empty.front), behind=_none(empty.behind))
    lit = light_of(View(cam, empty, Hall(), Action(), replace(QUIET, flicker=0.3), rng).picture(0.0))
    dark = light_of(View(cam, empty, Hall(), Action(), QUIET, rng).picture(0.0))
    ratio = lit.mean(axis=1) / dark.mean(axis=1)
    row = np.arange(height)
    wanted = 1 + 0.3 * 0.984 * np.sin(2 * np.pi * 100 * (row * cam.row_time_s + 0.0005))
    np.testing.assert_allclose(ratio, wanted, atol=0.02)  # steps of 8 bits


def test_noise_grows_as_the_root_of_light(camera, empty):
    look = replace(QUIET, full_well_e=1000.0, read_e=6.0)
    spread = []
    for level in (0.1, 0.6):
        flat = replace(empty, L=np.full_like(empty.L, level), front=_none(empty.front), behind=_none(empty.behind))
        view = View(camera, flat, Hall(), Action(), look, np.random.default_rng(0))
        spread.append(light_of(view.picture(0.0)).std())
        assert spread[-1] == pytest.approx(np.sqrt(level * 1000 + 36) / 1000, rel=0.05)
    assert spread[1] > 2 * spread[0]


def test_nets_sway_and_stand_still_without(camera, empty):
    rng = np.random.default_rng(0)
    for sway, moves in ((0.0, False), (0.08, True)):
        view = View(camera, empty, Hall(), Action(), replace(QUIET, sway_m=sway), rng)
        a, b = view.picture(0.0).y.astype(int), view.picture(0.4).y.astype(int)
        assert (np.abs(a - b).max() > 5) == moves


def test_the_picture_is_clean_again_when_the_ball_has_gone(camera, empty):
    ball = BallShown(moving((0.3, 14.0, 0.9), (0, -30, 0)), 0.036, "red")
    one, other = (View(camera, empty, Hall(), Action((ball,)), QUIET, np.random.default_rng(0)) for _ in range(2))
    for k in range(5):
        one.picture(k / 100)
    one.rng, other.rng = np.random.default_rng(9), np.random.default_rng(9)
    np.testing.assert_array_equal(one.picture(0.05).y, other.picture(0.05).y)


@pytest.mark.parametrize("name", SCENES)
def test_every_scene_can_be_staged(name):
    play = script([name])
    staged = stage(play, 1, np.random.default_rng(1))
    assert SCENES[name][0]
    assert staged.lasting_s == lasting_s(play, 1)
    if name == "nobody":
        assert staged.lasting_s == 60.0 and not staged.flown and staged.action.figures
        return
    one = staged.flown[0]
    assert one.throw.release_s < one.end_s < staged.lasting_s
    assert 15 < one.truth["release_speed_mps"] < 40
    assert (one.kind == "bounce") == (0 < one.truth["bounce_y_m"] < 17)
    for figure in staged.action.figures:
        for t in np.linspace(0, staged.lasting_s, 9):
            limbs = figure.limbs(float(t))
            assert np.isfinite(limbs).all() and limbs.shape[1] == 9
    for ball in staged.action.balls:
        assert np.isfinite(ball.path.state(np.array([ball.path.start_s, ball.path.end_s]))).all()


def test_unknown_scene_names_the_nearest():
    with pytest.raises(LanepairError, match='did you mean "netting"'):
        script(["neting"])


def test_an_early_bat_meets_the_ball_half_a_metre_after_the_bounce():
    staged = stage(script(["early_bat"]), 3, np.random.default_rng(2))
    for one in staged.flown:
        bat = one.path.first("bat")
        assert bat.before[1] == pytest.approx(one.truth["bounce_y_m"] - 0.5, abs=1e-9)


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory):
    """Two deliveries, tiny pictures, the right film late and without stated offsets."""
    folder = tmp_path_factory.mktemp("rehearsal") / "session"
    big = pair("end_on_wide")
    rig = Rig(small(big.left), small(big.right), big.pitch_length_m)
    play = replace(script(["free_clocks", "rig_doubt"]), spacing_s=3.0, lead_s=0.5, tail_s=0.0)
    staged = rehearse(folder, rig, play, Order(40.0, 2, 3, supersampling=1), lambda *_: None)
    return folder, rig, play, staged


def test_a_rehearsal_is_a_session_folder(rehearsal):
    folder, rig, play, _ = rehearsal
    session = read_session(folder)
    assert session.rig.left.time_offset_s is None and not session.rig.exact
    assert session.clips[0].right_offset_s is None
    assert list(session.log["batter_hand"]) == ["right", "right"]
    assert list(session.log["arm"]) == ["right", "left"]
    true = read_rig(folder / "truth" / "rig.toml")
    np.testing.assert_allclose(true.left.translation_m, rig.left.translation_m)
    assert np.abs(session.rig.left.translation_m - rig.left.translation_m).max() > 1e-5
    assert told(rig, play).right.time_offset_s is None
    assert tomllib.loads((folder / "session.toml").read_text())["ball"]["colour"] == "red"


def test_the_films_hold_every_frame_with_its_stamp(rehearsal):
    folder, _, _, staged = rehearsal
    for view, late in (("left", 0.0), ("right", 0.0037)):
        with av.open(str(folder / f"clip01_{view}.mp4")) as film:
            stamps = [float(f.pts * f.time_base) for f in film.decode(video=0)]
        assert len(stamps) == round((staged.lasting_s - late) * 40)
        np.testing.assert_allclose(np.diff(stamps), 1 / 40, rtol=1e-3)


def test_truth_of_the_films(rehearsal):
    folder, rig, _, staged = rehearsal
    with (folder / "truth" / "deliveries.csv").open() as file:
        table = list(csv.DictReader(file))
    assert [float(r["start_s"]) for r in table] == pytest.approx([f.throw.release_s for f in staged.flown])
    assert float(table[0]["bounce_y_m"]) == pytest.approx(staged.flown[0].truth["bounce_y_m"])
    with (folder / "truth" / "right.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert {r["delivery"] for r in rows} == {"1", "2"}
    flying = [
        r for r in rows if r["delivery"] == "1" and 0 < float(r["time_s"]) - staged.flown[0].throw.release_s < 0.4
    ]
    assert len(flying) > 12 and all(r["visible"] == "true" for r in flying[:10])
    times = np.array([float(r["time_s"]) for r in flying])
    px = optics.project(rig.right, staged.flown[0].path.position_m(times))
    np.testing.assert_allclose([[float(r["u_px"]), float(r["v_px"])] for r in flying], px, atol=0.05)
    # the clip's clock: the right film's first frame is exposed 3.7 ms late
    assert times[0] == pytest.approx(0.0037 + int(flying[0]["frame"]) / 40 + rig.right.exposure_s / 2, abs=1e-4)


def test_the_same_seed_films_the_same(tmp_path, rehearsal):
    folder, rig, play, _ = rehearsal
    rehearse(tmp_path, rig, play, Order(40.0, 2, 3, supersampling=1), lambda *_: None)
    for name in ("session.toml", "log.csv", "rig.toml", "truth/deliveries.csv", "truth/left.csv", "clip01_left.mp4"):
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes(), name


def test_the_rigs_own_offset_is_in_the_clock(camera):
    """docs/files.md: t = tau + clip offset + time_offset_s + v row_time_s + exposure_s / 2."""
    late = camera.with_offset(0.004)
    clock = film_clock_of(late, FilmFault(start_s=0.5), 100.0, 2.0, np.random.default_rng(0))
    assert clock.true_s[0] == pytest.approx(0.504) and clock.stated_s[0] == 0.0
    assert len(clock.true_s) == 150
    told_s = clock.stated_s + 0.5  # the clip's offset, as session.toml states it
    np.testing.assert_allclose(
        late.sighting_time_s(told_s, np.zeros(150)), clock.true_s + late.exposure_s / 2, atol=1e-7
    )


def test_folders_of_pictures_keep_gaps(tmp_path, camera, empty):
    view = View(camera, empty, Hall(), Action(), QUIET, np.random.default_rng(0))
    film = Pictures(tmp_path / "left")
    for number in (0, 1, 3):
        film.write(view.picture(number / 100), number / 100, number)
    assert sorted(f.name for f in (tmp_path / "left").iterdir()) == ["000000.png", "000001.png", "000003.png"]


def test_films_keep_uneven_stamps(tmp_path, camera, empty):
    view = View(camera, empty, Hall(), Action(), QUIET, np.random.default_rng(0))
    film = H264(tmp_path / "a.mp4", camera.lens.image_size_px, 100.0, 2e6)
    stamps = [0.0, 0.0112, 0.0287, 0.0301]
    for k, stamp in enumerate(stamps):
        film.write(view.picture(stamp), stamp, k)
    film.close()
    with av.open(str(tmp_path / "a.mp4")) as back:
        found = [float(f.pts * f.time_base) for f in back.decode(video=0)]
    np.testing.assert_allclose(found, stamps, atol=1e-4)


@pytest.mark.parametrize(
    ("words", "told_so"),
    [
        (["OUT", "--scene", "neting"], 'no scene is called "neting"'),
        (["OUT", "--rig", "end-on"], 'no rig is called "end-on"; did you mean "end_on"'),
        (["OUT", "--rig", "missing.toml"], "no such file"),
        (["OUT", "--fps", "0"], "--fps is 0"),
        (["OUT", "--exposure", "0.01"], "does not fit 120 frames a second"),
        (["FULL"], "is there already and is kept"),
        ([], "no folder is named"),
    ],
)
def test_wrong_orders_get_one_line(tmp_path, capsys, words, told_so):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "a.txt").write_text("mine")
    names = {"OUT": str(tmp_path / "new"), "FULL": str(tmp_path / "full")}
    assert main(["simulate", *(names.get(w, w) for w in words)]) == 2
    err = capsys.readouterr().err
    assert told_so in err and err.count("\n") == 1
    assert not File(names["OUT"]).exists()


def test_the_list_names_scenes_and_rigs(capsys):
    assert main(["simulate", "--list"]) == 0
    out = capsys.readouterr().out
    assert all(name in out for name in SCENES) and "crossing" in out


def test_any_rig_file_can_be_rehearsed(tmp_path, camera):
    """A rig.toml with odd sizes is refused in words; one with even sizes is filmed with its own exposure."""
    from calibration.rig import write_rig

    lens = replace(camera.lens, image_size_px=(481, 270))
    odd = Rig(replace(camera, lens=lens), camera)
    write_rig(tmp_path / "rig.toml", odd)
    assert main(["simulate", str(tmp_path / "out"), "--rig", str(tmp_path / "rig.toml")]) == 2
    assert isinstance(camera, Camera)
