"""The flight fit with one part taken out, by its settings or by what it is given: to see what each part is worth."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.rig import Rig
from tests.flight_scenes import SCENES, Scene, numbers, shape_sd_px
from tracker.records import Track
from tracker.simulation.rigdoubt import Survey, doubted
from tracker.simulation.sightings import Seeing

ENDLESS = 1e6
SHAPE = Scene(
    "shape", white=True, seeing=Seeing(sd_px=0.05), shape_px=(0.02, 0.004)
)  # sds as in tracker/vision/honesty.py


def as_it_is(track: Track, rig: Rig) -> Track:
    return track


def at_middle_row(track: Track, rig: Rig) -> Track:
    """Every sighting at the time of its picture's middle row."""
    time_s = track.time_s.copy()
    for view, camera in enumerate(rig.cameras):
        mine = track.view == view
        below_px = track.centre_px[mine, 1] - (camera.lens.image_size_px[1] - 1) / 2
        time_s[mine] -= camera.row_time_s * below_px
    return replace(track, time_s=time_s)


def with_floor(track: Track, rig: Rig) -> Track:
    """No sighting's sd below what a ball's shape may put it off by."""
    least = shape_sd_px(SHAPE, track.size_px)
    return replace(track, cov_px2=track.cov_px2 + least[:, None, None] ** 2 * np.eye(2))


@dataclass(frozen=True)
class Part:
    """A part of the fit: where it is needed, and how it is taken out.

    without     settings that do without it
    given, less what the fit is given, with the part and without
    clock_held  without it the films are taken to start as stated
    surveyed    the rig differs from the truth as a survey leaves it; without the part its doubt is not stated
    """

    scene: Scene
    without: Mapping[str, float] = field(default_factory=dict)
    given: Callable[[Track, Rig], Track] = as_it_is
    less: Callable[[Track, Rig], Track] = as_it_is
    clock_held: bool = False
    surveyed: bool = False

    def rig(self, true: Rig, number: int) -> Rig:
        """The rig that the fit is told of."""
        return doubted(true, numbers("survey", number), Survey()) if self.surveyed else true

    def rig_without(self, rig: Rig) -> Rig:
        """The same without the part: taken as exact."""
        return replace(rig, names=(), cov=np.zeros((0, 0)))


PARTS = {
    "clocks' offset": Part(SCENES["unknown clock offset"], clock_held=True),
    "time of each row": Part(SCENES["rolling shutter"], less=at_middle_row),
    "gross errors": Part(SCENES["3 % gross errors"], {"huber": ENDLESS, "reject": ENDLESS}),
    "floor's height": Part(SCENES["floor up to 10 mm off"], {"floor_sd_m": 0.0}),
    "forces after the bounce": Part(
        SCENES["spin after the bounce"], {"side_after_sd": 0.0, "lift_after": 0.0, "lift_after_sd": 0.0}
    ),
    "changes of side force": Part(SCENES["plain"], {"late_sd": 0.0, "waver_sd": 0.0, "waver_share": 0.0}),
    "views' slow courses": Part(SCENES["plain"], {"view_bias_px": 0.0, "view_drift_px": 0.0}),
    "shading from above": Part(SCENES["plain"], {"shade_sd_m": 0.0}),
    "markings of the ball": Part(SCENES["markings of the ball"], {"marking_side_sd": 0.0, "marking_band_sd": 0.0}),
    "the films' trail": Part(SCENES["films that trail"], {"trail_sd": 0.0}),
    "floor of sightings' sds": Part(SHAPE, given=with_floor),
    "the rig's covariance": Part(SCENES["plain"], surveyed=True),
}
