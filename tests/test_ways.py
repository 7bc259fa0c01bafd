"""Films exchanged, mirrored or turned are told from what is seen in them (PITFALLS: 7, 8)."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import InputError
from calibration.lane import STANDARD_GRAVITY_MPS2
from tests.sessions import bowled, filmed, make_job
from tracker.pipeline import refuse_other_reading
from tracker.records import FilmReport, Sightings
from tracker.session.folder import Clip
from tracker.simulation.rigs import pair
from tracker.simulation.rigs import turned as knocked
from tracker.simulation.sightings import Seeing
from tracker.trust import ways
from tracker.trust.timebase import Fall
from tracker.trust.ways import better_reading, readings

BUSY = Seeing(clutter_per_s=3.0, lone_per_frame=0.3, miss=0.05, outlier=0.02)


def flipped(seen: Sightings, camera, rows: bool) -> Sightings:
    """As a camera set to mirror stores it; rows too: hung upside down."""
    width, height = camera.lens.image_size_px
    u, v = seen.centre_px.T
    return replace(seen, centre_px=np.column_stack([width - 1 - u, height - 1 - v if rows else v]))


WRONG = {
    "with left and right exchanged": lambda a, b, rig: (replace(b, view=0), replace(a, view=1)),
    "with the left film mirrored": lambda a, b, rig: (flipped(a, rig.left, False), b),
    "with the right film mirrored": lambda a, b, rig: (a, flipped(b, rig.right, False)),
    "with both films mirrored": lambda a, b, rig: (flipped(a, rig.left, False), flipped(b, rig.right, False)),
    "with the left film turned by 180 degrees": lambda a, b, rig: (flipped(a, rig.left, True), b),
    "with the right film turned by 180 degrees": lambda a, b, rig: (a, flipped(b, rig.right, True)),
    "with both films turned by 180 degrees": lambda a, b, rig: (
        flipped(a, rig.left, True),
        flipped(b, rig.right, True),
    ),
}


@pytest.fixture(scope="module", params=["end_on", "side"])
def situation(request):
    rig = pair(request.param, rows=720)
    seen, _ = filmed(rig, bowled(5, 3), np.random.default_rng(3), seeing=BUSY)
    return request.param, rig, seen


@pytest.mark.parametrize("words", WRONG)
def test_each_wrong_way_is_named(situation, words):
    name, rig, seen = situation
    found = better_reading(*WRONG[words](*seen, rig), rig, 0.036)
    assert found is not None
    given, better = found
    assert given.words == "as given" and words in better.words
    assert better.miss_px < 1.0 and better.falls >= 8 and given.falls <= 2
    if words in ("with left and right exchanged", "with both films mirrored") and name in ("end_on", "side"):
        # two cameras alike, side by side: the mirror image of the hall, seen by exchanged cameras, is the same
        assert "exchanged" in better.words and "mirrored" in better.words
    else:
        assert better.words == words


def test_the_right_way_is_left_alone(situation):
    _, rig, seen = situation
    assert better_reading(*seen, rig, 0.036) is None
    given = readings(*seen, rig, 0.036)[0]
    assert given.words == "as given" and given.miss_px < 1.0 and given.falls >= 8


def test_what_hardly_falls_is_no_ball_that_another_way_would_show(situation, monkeypatch):
    """A film of walkers alone, at 5 Mb/s, was refused for six limbs that seemed to fly under a tenth of gravity."""
    _, rig, seen = situation
    limbs = [Fall(share * STANDARD_GRAVITY_MPS2, 0.5, 4.0, 14.0) for share in (0.05, 0.01, 0.08, 0.06, 0.06, 0.05)]
    monkeypatch.setattr(ways, "falls", lambda left, *rest: [] if left is seen[0] else limbs)
    assert better_reading(*seen, rig, 0.036) is None


def test_a_knocked_rig_is_not_taken_for_a_mirror(situation):
    """Nor a rig of another day: no way of reading mends it."""
    _, rig, seen = situation
    other = replace(rig, left=knocked(rig.left, np.array([4.0, 3.0, 5.0])))
    assert better_reading(*seen, other, 0.036) is None


def test_with_nothing_seen_nothing_is_said(situation):
    _, rig, seen = situation
    none = [s.take(np.arange(0)) for s in seen]
    assert better_reading(*none, rig, 0.036) is None
    assert all(np.isinf(way.miss_px) for way in readings(*none, rig, 0.036))


def test_the_refusal_names_both_films_and_what_to_mend(situation):
    _, rig, seen = situation
    clip = Clip(Path("a_left.mp4"), Path("a_right.mp4"))
    session = make_job(rig, (None, None), clip).session
    wrong = WRONG["with the right film mirrored"](*seen, rig)
    with pytest.raises(InputError) as told:
        refuse_other_reading(session, clip, 2, wrong, films())
    words = (
        r"invented/session.toml: clip 2: [012] balls fly freely as given \(rays miss by \d+\.\d px\), \d+ balls fly "
        r"freely with the right film mirrored \(rays miss by 0\.\d px\); mend left and right \(a_left.mp4, "
        r"a_right.mp4\), or the camera's own setting"
    )
    assert re.fullmatch(words, str(told.value))
    refuse_other_reading(session, clip, 2, seen, films())


def films(*turns: int) -> tuple[FilmReport, FilmReport]:
    """Reports of two films that ask to be shown turned by so many degrees."""
    names = ("a_left.mp4", "a_right.mp4")
    told = zip(names, turns or (0, 0), strict=True)
    left, right = (FilmReport(name, 9, 9, np.arange(9.0), "", {"rotation_deg": turn}) for name, turn in told)
    return left, right


def test_the_refusal_names_the_films_that_asked_to_be_turned(situation):
    """PITFALLS 7: a telephone held the other way up, calibrated from stills that a viewer had turned."""
    _, rig, seen = situation
    clip = Clip(Path("a_left.mp4"), Path("a_right.mp4"))
    session = make_job(rig, (None, None), clip).session
    wrong = WRONG["with the right film turned by 180 degrees"](*seen, rig)
    with pytest.raises(InputError, match=r"; a_right\.mp4 asked to be shown turned, films are measured"):
        refuse_other_reading(session, clip, 2, wrong, films(0, 180))
