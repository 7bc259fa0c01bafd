"""The records that travel from stage to stage. Read this first.

SI units; the lane frame of `calibration.lane`; times in seconds on the clip's clock (the left film's first frame is 0
unless the session says otherwise), at mid-exposure of the row that saw the ball. A view is 0 (left) or 1 (right).
Arrays are never changed in place: a stage returns a new record. What is missing is NaN or has no row.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.lane import BALL_MASS_KG, BALL_RADIUS_M
from calibration.rig import Rig

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def check_rows(record: object, rows: int, **tails: tuple[int, ...]) -> None:
    """Raise ValueError unless each named array has `rows` rows and the given trailing shape."""
    for name, tail in tails.items():
        found, wanted = getattr(record, name).shape, (rows, *tail)
        if found != wanted:
            raise ValueError(f"{type(record).__name__}.{name} has shape {found}, expected {wanted}")


@dataclass(frozen=True, eq=False)
class Ball:
    """What is bowled: radius, mass, and a word for its colour ("red", "white", "pink" or another)."""

    radius_m: float = BALL_RADIUS_M
    mass_kg: float = BALL_MASS_KG
    colour: str = "red"


@dataclass(frozen=True, eq=False)
class Air:
    """What the ball flies through."""

    temperature_c: float = 20.0
    pressure_pa: float = 101325.0
    humidity: float = 0.5


@dataclass(frozen=True, eq=False)
class Sightings:
    """Where one camera may have seen the ball: one row a candidate, in order of frame.

    frame      (n,)      the frame's number in its film, from 0
    time_s     (n,)      mid-exposure of its row, clip's clock (camera offset included where known)
    centre_px  (n, 2)    raw (distorted) pixels, x right, y down; (0, 0) is the middle of the top left pixel
    cov_px2    (n, 2, 2) covariance of the centre
    size_px    (n,)      apparent diameter across the blur; NaN where not measured
    streak_px  (n, 2)    how far the picture of the ball moved during the exposure; its sign follows the motion
    lean_px    (n,)      how far the centre is off, toward the brighter side, for each share of its own brightness by
                         which the ball is brighter at the rim than at the middle; negative: dark balls, 0: not known
    trail_px   (n, 2)    how far the centre may be off, against its motion, for what the film kept of the frame before,
                         for each unit of a number that all sightings of the film share; 0: not known
    aside      (n,)      how far the centre is off to the right for each pixel by which the film's colour lies aside
    score      (n,)      contrast over noise
    chain      (n,)      number of the chain of candidates (a steady path in this view) it belongs to
    """

    view: int
    frame: Ints
    time_s: Floats
    centre_px: Floats
    cov_px2: Floats
    size_px: Floats
    streak_px: Floats
    lean_px: Floats
    trail_px: Floats
    aside: Floats
    score: Floats
    chain: Ints

    def __post_init__(self) -> None:
        check_rows(
            self,
            len(self.time_s),
            frame=(),
            centre_px=(2,),
            cov_px2=(2, 2),
            size_px=(),
            streak_px=(2,),
            lean_px=(),
            trail_px=(2,),
            aside=(),
            score=(),
            chain=(),
        )

    def __len__(self) -> int:
        return len(self.time_s)

    def take(self, rows: Ints | Bools) -> "Sightings":
        """The chosen rows."""
        return replace(self, **{name: getattr(self, name)[rows] for name in SIGHTING_COLUMNS})


SIGHTING_COLUMNS = tuple(f.name for f in fields(Sightings) if f.name != "view")


def joined(parts: Sequence[Sightings]) -> Sightings:
    """Sightings of one view, one after the other."""
    columns: dict[str, Any] = {n: np.concatenate([getattr(part, n) for part in parts]) for n in SIGHTING_COLUMNS}
    return replace(parts[0], **columns)


@dataclass(frozen=True, eq=False)
class FilmReport:
    """What decoding a film told: for the checks and run.json.

    frames       in the film; `promised` what the container says (0: unknown)
    start_s, end_s  first and last stamp (true seconds, first is 0)
    stamps_s     (frames,) all stamps, true seconds from the first
    damaged      one line, or "" for a film that was read to its end
    notes        what else there is to tell: "frames_read" where idle passages were passed over
    brightness   (frames read, 2) stamp, and mean brightness over the background's
    """

    path: str
    frames: int
    promised: int
    stamps_s: Floats
    damaged: str = ""
    notes: Mapping[str, Any] = field(default_factory=dict)
    brightness: Floats = field(default_factory=lambda: np.empty((0, 2)))

    @property
    def trailing(self) -> bool:
        """Whether frames are stored as changes of those before, so that balls may trail behind themselves."""
        return not self.notes.get("intra_only", True)


@dataclass(frozen=True, eq=False)
class Track:
    """Sightings of both views that belong to one ball in flight, in time order, with the filter's smoothed state.

    view       (n,)       0 left, 1 right
    row        (n,)       row in that view's Sightings
    time_s     (n,)
    centre_px  (n, 2)
    cov_px2    (n, 2, 2)
    size_px    (n,)
    streak_px  (n, 2)
    lean_px    (n,)
    trail_px   (n, 2)
    aside      (n,)
    state      (n, 6)     position m and velocity m/s after smoothing, lane frame
    state_cov  (n, 6, 6)
    bounce_s   the filter's instant of the first bounce; NaN: none seen
    end        why it ends: "lost", "left view", "deviated" (hit), "film ends"
    refused    (m, 3) int: view, row, code of sightings near the track that were not taken (REFUSALS)
    """

    view: Ints
    row: Ints
    time_s: Floats
    centre_px: Floats
    cov_px2: Floats
    size_px: Floats
    streak_px: Floats
    lean_px: Floats
    trail_px: Floats
    aside: Floats
    state: Floats
    state_cov: Floats
    bounce_s: float
    end: str
    refused: Ints

    def __post_init__(self) -> None:
        check_rows(
            self,
            len(self.time_s),
            view=(),
            row=(),
            centre_px=(2,),
            cov_px2=(2, 2),
            size_px=(),
            streak_px=(2,),
            lean_px=(),
            trail_px=(2,),
            aside=(),
            state=(6,),
            state_cov=(6, 6),
        )

    def __len__(self) -> int:
        return len(self.time_s)

    def take(self, rows: Ints | Bools) -> "Track":
        """The chosen rows."""
        return replace(self, **{name: getattr(self, name)[rows] for name in TRACK_COLUMNS})


TRACK_COLUMNS = tuple(f.name for f in fields(Track) if f.name not in ("bounce_s", "end", "refused"))
REFUSALS = {
    0: "kept",
    1: "outside the gate",
    2: "a nearer sighting was taken",
    3: "outlier of the fit",
    4: "before release",
    5: "after the flight ended",
    6: "not of a delivery",
}


@dataclass(frozen=True, eq=False)
class Measure:
    """A number with its one-sigma, both in `unit`."""

    value: float
    sd: float
    unit: str


@dataclass(frozen=True, eq=False)
class Flight:
    """The fitted flight: see tracker/flight/fit.py for the parameters' names and meaning.

    params    (p,)    fitted values, named by `names`
    cov       (p, p)  from the sightings and priors alone
    rig_cov   (p, p)  what the rig's own covariance adds (zero for a rig taken as exact)
    start_s   time at which the flight's position and velocity parameters hold
    bounce_s  first contact; NaN: full toss
    end_s     last time for which the flight is vouched for (hit, left view)
    release_s, release_seen  the instant of release; whether it was observed
    kept      (n,) bool, rows of the track that the fit kept
    residual_px (n, 2)
    chi2, dof
    model     what else the model needs to predict (gravity, air, ball, bounce plane), plain numbers by name
    """

    names: tuple[str, ...]
    params: Floats
    cov: Floats
    rig_cov: Floats
    start_s: float
    bounce_s: float
    end_s: float
    release_s: float
    release_s_sd: float
    release_seen: bool
    kept: Bools
    residual_px: Floats
    chi2: float
    dof: int
    model: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class Delivery:
    """One delivery, measured or rejected.

    clip      1-based
    start_s   release on the clip's clock
    status    "ok", "partial" or "rejected"; `reason` says which quantities are empty and why
    kind      "bounce" or "full_toss"; "" when rejected
    measures  by the contract's column name without `_sd`; a quantity that could not be had is absent
    """

    number: int
    clip: int
    start_s: float
    status: str
    reason: str
    kind: str
    release_seen: bool
    measures: Mapping[str, Measure]
    stumps_projected: bool
    sightings_left: int
    sightings_right: int
    residual_px: float
    track: Track | None
    flight: Flight | None


@dataclass(frozen=True, eq=False)
class Clock:
    """How one clip's clocks were brought together.

    right_minus_left_s  what was added to the right view's times to bring them onto the left's clock, at time 0
    sd_s                one-sigma of what was added at told_s, the middle of the balls that told it
    drift_ppm           what is added grows by so many millionths of the time, and its one-sigma
    source              "rig", "session", "balls", or "flights": each by itself
    """

    right_minus_left_s: float
    sd_s: float
    drift_ppm: float = 0.0
    drift_ppm_sd: float = 0.0
    source: str = "rig"
    told_s: float = 0.0

    def sd_at(self, time_s: float) -> float:
        """One-sigma of what was added at a time: the farther from the balls that told it, the more a rate counts."""
        return float(np.hypot(self.sd_s, 1e-6 * self.drift_ppm_sd * (time_s - self.told_s)))


@dataclass(frozen=True, eq=False)
class Check:
    """One answer about the rig or a film: verdict is "pass", "doubtful" or "fail"; NaN where there is no figure."""

    name: str
    verdict: str
    value: float
    limit: float
    unit: str
    advice: str


@dataclass(frozen=True, eq=False)
class Hands:
    """What a view saw just before flights.

    held    sightings of balls in hands
    bare_s  (n,)  when the path of a flight, carried back, showed no ball: a hand still had it
    """

    held: Sightings
    bare_s: Floats


@dataclass(frozen=True, eq=False)
class ClipRun:
    """What was seen in one clip; `hands`, left and right, are not stored: they serve to find the releases."""

    number: int
    left: Sightings
    right: Sightings
    films: tuple[FilmReport, FilmReport]
    clock: Clock
    warnings: tuple[str, ...]
    seconds: Mapping[str, float]
    hands: tuple[Hands, ...] = ()


@dataclass(frozen=True, eq=False)
class Run:
    """A whole session, measured: what is written to OUT.

    settings  every setting, by stage and name
    seconds   wall and processor time by stage
    rig       the rig as used, where it is not the session's: refined by the balls
    facts     further entries of run.json
    """

    name: str
    date: str
    clips: tuple[ClipRun, ...]
    deliveries: tuple[Delivery, ...]
    checks: tuple[Check, ...]
    warnings: tuple[str, ...]
    settings: Mapping[str, Mapping[str, Any]]
    seconds: Mapping[str, float]
    rig: Rig | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)
