"""Whole sessions at the level of sightings, for the tests of checking: bowled by the simulator, no film drawn."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from calibration.rig import Rig
from tracker.clip import Job, deliveries_of
from tracker.records import Air, Ball, FilmReport, Sightings
from tracker.session.folder import Clip, Session
from tracker.settings import Settings
from tracker.simulation.bowling import BOWLERS, draw
from tracker.simulation.rigs import pair
from tracker.simulation.sightings import Seeing, film_clock, sight
from tracker.simulation.truth import Flown, deliver
from tracker.trust.balls import Balls
from tracker.trust.check import Evidence
from tracker.trust.lookout import Lookout

Seen = tuple[Sightings, Sightings]
Films = tuple[FilmReport, FilmReport]


@cache
def bowled(balls: int, seed: int, spacing_s: float = 4.0) -> tuple[Flown, ...]:
    """Two invented bowlers in turn."""
    rng = np.random.default_rng(seed)
    out = []
    for i in range(balls):
        b = draw(
            BOWLERS[("pace", "left_pace")[i % 2]],
            rng,
            release_s=0.5 + i * spacing_s,
            hand=("right", "left")[i // 2 % 2],
        )
        out.append(deliver(b.throw, b.forces, b.ground, lasting_s=1.5))
    return tuple(out)


def filmed(
    rig: Rig,
    flown: Sequence[Flown],
    rng: np.random.Generator,
    fps: float = 120.0,
    seeing: Seeing | None = None,
    right: dict[str, float] | None = None,
) -> tuple[Seen, Films]:
    """What both views see of the balls and what their films report; `right`: what is wrong with the right clock."""
    duration_s = flown[-1].throw.release_s + 1.2
    seen, films = [], []
    for view, camera in enumerate(rig.cameras):
        clock = film_clock(fps, duration_s, rng, **((right or {}) if view else {}))
        seen.append(sight([f.path for f in flown], camera, view, clock, rng, seeing or Seeing()).sightings)
        n = len(clock.stated_s)
        films.append(FilmReport(("left", "right")[view], n, n, clock.stated_s))
    return (seen[0], seen[1]), (films[0], films[1])


def make_job(rig: Rig, films: Films, clip: Clip | None = None, estimate_offset: bool = False) -> Job:
    """A session of one clip that lies nowhere."""
    clip = clip or Clip(Path("left.mp4"), Path("right.mp4"))
    day, here = dt.date(2026, 11, 12), Path("invented")
    session = Session("invented", day, rig, here / "rig.toml", here, (clip,), Ball(), Air(), None, None)
    return Job(session, clip, films, Settings(), estimate_offset)


def measured(rig: Rig, seen: Seen, films: Films, clip: Clip | None = None, estimate_offset: bool = False) -> Evidence:
    """The balls found and fitted under a rig, as the checks are given them."""
    job = make_job(rig, films, clip, estimate_offset)
    views, found, _ = deliveries_of(job, *seen)
    balls = Balls(job, found, views.clock)
    return Evidence([balls], [films], rig, job.session.rig_path, [views.both])


@cache
def plain(name: str = "end_on", balls: int = 5, seed: int = 3) -> tuple[Rig, Evidence]:
    """A session with nothing wrong, under its true rig."""
    rig = pair(name, rows=720)
    seen, films = filmed(rig, bowled(balls, seed), np.random.default_rng(seed))
    return rig, measured(rig, seen, films)


def with_lookouts(evidence: Evidence, left: Lookout, right: Lookout) -> Evidence:
    return replace(evidence, lookouts=(left, right))


def named(checks: Sequence, name: str):
    """The one check of that name."""
    found = [check for check in checks if check.name == name]
    assert len(found) == 1, f"{name}: {[c.name for c in checks]}"
    return found[0]
