"""What the balls' apparent size tells of the scale where balls look smaller than they are: the weakest witness."""

from dataclasses import replace

import numpy as np
import pytest

from tests.sessions import bowled, filmed, measured, plain
from tests.test_balls import enlarged, sized, under
from tests.test_creases import lane_pictures, stated, true_rig
from tests.trust_creases import hall_pictures
from tracker.simulation.rigs import pair
from tracker.trust.check import Evidence, scale_part
from tracker.trust.creases import creases_scale
from tracker.trust.lookout import Lookout
from tracker.trust.scale import Scale, _why_untold, size_scale


def with_pictures(evidence: Evidence, pictures) -> Evidence:
    """The lane as calibration kept it."""
    left, right = (Lookout(c, p) for c, p in zip(evidence.rig.cameras, pictures, strict=True))
    return replace(evidence, lookouts=(left, right))


def test_small_balls_of_which_a_bright_cap_is_seen_accuse_no_rig(rng):
    """A white ball under lamps before a mid-grey wall: 0.75 of it seen at 6 px, 0.9 at 3 px (0.6 x + 1 px)."""
    rig = pair("crossing", rows=720, field_deg=110.0)
    cap = sized(under(rig, rig, balls=8), 0.6 * 0.036, rng, soft_px=1.0)
    found = size_scale(cap.clips, cap.sightings)
    assert 8 < found.largest_px < 10 and found.off < -0.35 and found.sd > 0.2
    (check,) = scale_part(cap)
    assert check.verdict == "doubtful" and np.isnan(check.value)
    assert check.advice.startswith(f"the balls are small in the pictures ({found.largest_px:.0f} px at most) and may ")


def test_views_that_disagree_tell_no_scale(rng):
    _, evidence = plain("end_on", balls=8)
    (left, _), (_, right) = (
        sized(evidence, 0.8 * 0.036, rng).sightings[0],
        sized(evidence, 0.6 * 0.036, rng).sightings[0],
    )
    torn = replace(evidence, sightings=[(left, right)])
    found = size_scale(torn.clips, torn.sightings)
    assert found.apart == pytest.approx(0.2, abs=0.03) and found.sd > 0.09
    (check,) = scale_part(torn)
    assert check.verdict == "doubtful" and np.isnan(check.value)
    assert check.advice.startswith("by the balls' size the two views' scales differ by ")
    assert "before one view's background they look smaller than they are" in check.advice


def test_balls_too_small_to_tell_are_said_to_be_small_though_their_views_disagree(rng):
    """Five pixels across, seen from far off to the side: which edges they show says nothing of a view's background."""
    told = Scale(off=-0.3, sd=0.4, told=8, apart=0.65, largest_px=4.6)
    assert "small in the pictures (5 px at most)" in _why_untold(told)
    assert "differ by 65 %" in _why_untold(replace(told, largest_px=14.0))


def test_right_gravity_excuses_a_rig_that_sizes_put_grossly_wrong(rng):
    _, evidence = plain("crossing", balls=8)
    (check,) = scale_part(sized(evidence, 0.6 * 0.036, rng))
    assert check.verdict == "doubtful" and check.value == pytest.approx(-40, abs=2)
    assert check.advice.startswith("the balls look 40 % too small, but gravity comes out right: it is not the scale")
    assert "smaller than they are before this background (only their bright side stands out from it)" in check.advice
    (check,) = scale_part(sized(evidence, 0.85 * 0.036, rng))
    assert check.verdict == "fail" and "(a wrong scale" in check.advice  # lift hides as much in gravity


@pytest.mark.parametrize("share", [0.85, pytest.param(1.15, marks=pytest.mark.slow)])
def test_right_creases_excuse_a_rig_that_sizes_put_wrong(rng, share):
    _, evidence = plain("end_on", balls=8)
    wrong = sized(evidence, share * 0.036, rng)
    assert scale_part(wrong)[0].verdict == "fail"
    assert scale_part(with_pictures(wrong, lane_pictures("end_on", "nothing")))[0].verdict == "fail"
    (check,) = scale_part(with_pictures(wrong, lane_pictures("end_on")))
    assert check.verdict == "doubtful" and check.value == pytest.approx(100 * (share - 1), abs=2)
    assert "but the creases lie where the rig says: it is not the scale. They look " in check.advice


@pytest.mark.parametrize("by", [0.88, pytest.param(1.12, marks=pytest.mark.slow)])
def test_a_truly_wrong_scale_fails_before_lawful_creases_too(rng, by):
    rig, _ = plain("end_on", balls=8)
    seen, films = filmed(rig, bowled(8, 3), np.random.default_rng(3))
    wrong = sized(measured(enlarged(rig, by), seen, films), by * 0.036, rng)
    (check,) = scale_part(with_pictures(wrong, lane_pictures("end_on")))
    assert check.verdict == "fail" and check.value == pytest.approx(100 * (by - 1), abs=2)


@pytest.mark.parametrize(
    ("name", "by"),
    [
        ("end_on", 1.2),
        pytest.param("end_on", 0.85, marks=pytest.mark.slow),
        pytest.param("crossing", 0.85, marks=pytest.mark.slow),
    ],
)
def test_lines_taken_for_others_are_no_witness(name, by):
    """Grossly wrong scales at which other lines lie where some creases should."""
    pictures = hall_pictures(true_rig(name), seed=3)
    told = creases_scale(enlarged(stated(name), by), pictures)
    assert not told.problem and not told.excludes(by - 1)
    assert creases_scale(stated(name), pictures).excludes(by - 1)
