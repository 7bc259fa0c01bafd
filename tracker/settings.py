"""Every tunable number with unit, range and reason, one class a stage; a TOML file may replace any of them.

A stage takes its own class and nothing else. `read_settings` maps [vision], [tracking] and [flight] of a TOML file
onto the classes and refuses what it does not know.
"""

from dataclasses import dataclass, field, fields, replace
from pathlib import Path

from calibration.errors import InputError, nearest
from calibration.rig import read_toml


@dataclass(frozen=True)
class VisionSettings:
    """Seeing the ball."""

    short_lag_s: float = 0.008  # 0.004 to 0.02: fast balls have left their place after it, people hardly
    middle_lag_s: float = 0.021  # 0.01 to 0.04
    long_lag_s: float = 0.065  # 0.03 to 0.1: balls seen nearly end-on need so long to move their own width
    noise_limit: float = 3.5  # sd of a box's change from frame to frame that a spot must stand out by, 2.5 to 6
    least_contrast: float = 1.5  # grey levels, of a box; below it film is quantised
    restless: int = 8  # sixteenths of a box's usual unrest (net, leaves) that a spot must stand out by besides
    largest_px: float = 40.0  # apparent diameter
    longest_px: float = 90.0  # diameter and blur together
    most_spots: int = 16  # 8 to 40: a frame and lag; what moves more is a crowd
    confirm: int = 4  # 3 to 6: spots on a steady path that make a chain
    confirm_s: float = 0.03  # 0 to 0.05: and for how long they must have lasted, up to eight frames
    least_alone: float = 0.6  # 0.2 to 0.8: share of what passes near a spot that is its own, mean over a new chain
    least_score: float = 2.5  # 1.5 to 5: contrast over noise that a quarter of a chain must reach
    missed_s: float = 0.025  # how long a chain may miss its ball
    black_level: float = 16.0  # grey level of black: lamp flicker scales what is above it
    soft_px: float = 0.7  # sd of the softness of edges by lens and pixel
    trail: float = 2.5  # 0 to 10: how far balls trail in coded films, px where a ball's contrast is the noise's (F24)
    memory_mb: float = 96.0  # full-size frames kept at 1080 rows, megabytes a view; more for larger pictures


@dataclass(frozen=True)
class TrackingSettings:
    """Following the ball: pairing the views, the Kalman filter, and what counts as a delivery."""

    use_gate: bool = True  # False only to see what the gate is worth: then the nearest sighting is always taken
    gate_probability: float = 0.9999  # 0.9 to 0.999999: chance that the gate lets a true sighting in
    hypotheses: int = 4  # 1 to 20: how many ways of reading an ambiguous spell are carried on
    gap_s: float = 0.2  # 0.05 to 0.5: a ball unseen in both views for longer is lost
    detection_probability: float = 0.85  # 0.5 to 0.99: chance that a frame which shows the ball has a sighting of it
    clutter_per_px2: float = 1e-4  # 1e-7 to 1e-3: false sightings near the ball, a frame, over image area
    process_noise_m2ps3: float = 1.0  # 0.1 to 100: spectral density of the acceleration that gravity and drag leave out
    drag_coefficient: float = 0.45  # 0.2 to 0.6: cricket balls are given as 0.35 to 0.50 (docs/method.md)
    view_noise_px: float = 0.25  # 0 to 3: what shading, markings and the film's coder add to every sighting, each axis
    worst_noise_px: float = 3.0  # 1 to 10: a pair of chains that misses a common flight by more is not one ball
    offset_sd_s: float = 0.0005  # 0 to 0.01: the least doubt of the clock offset between the views
    size_ratio: float = 1.8  # 1.3 to 3: a start whose apparent size is off a ball's by more, either way, is none
    misfit: float = 1.5  # 1.2 to 3: residuals over their sds (robust) beyond which a track is no ball, in a good rig
    window_s: float = 0.08  # 0.03 to 0.2: length of the pieces of chain that are paired; at least five frames are used
    slowest_mps: float = 3.0  # 1 to 10: what moves slower is not followed
    fastest_mps: float = 60.0  # 45 to 80: the fastest bowled balls reach 45
    bounce_kept: float = 0.85  # 0.6 to 0.98: horizontal speed kept at the bounce
    bounce_kept_sd: float = 0.1  # 0.02 to 0.3: its spread, and the sideways kick over the speed
    bounce_restitution: float = 0.6  # 0.3 to 0.95: vertical speed kept at the bounce
    bounce_restitution_sd: float = 0.2  # 0.05 to 0.4
    floor_sd_m: float = 0.01  # 0 to 0.05: doubt of the ground's height where the ball lands
    min_sightings: int = 8  # 6 to 30: fewer make no track
    least_seen: float = 0.35  # 0.2 to 0.6: share of a track's frames in which it is seen; people's limbs match in fewer
    min_flight_s: float = 0.07  # 0.04 to 0.3: shorter makes no track
    delivery_slowest_mps: float = 8.0  # 5 to 15: along the lane; under-nines bowl at 10 and more (common practice)
    delivery_fastest_mps: float = 50.0  # 45 to 60
    delivery_half_width_m: float = 2.0  # 1.5 to 3: |x| at the gate, and its mean with that at the stumps
    delivery_lowest_m: float = 0.3  # 0.1 to 1: height at the release plane; what comes lower was rolled
    delivery_highest_m: float = 3.2  # 2.8 to 4
    delivery_steepest_deg: float = 30.0  # 20 to 45: elevation at release; what goes up steeper is a lob
    delivery_shortest_m: float = 4.0  # 2 to 8: less flight along the lane than this is not measured
    delivery_apart_s: float = 1.5  # 0.5 to 4: two balls released closer together are not both deliveries


@dataclass(frozen=True)
class FlightSettings:
    """Fitting the flight. The priors are normal, mean and one-sigma; where none is given the mean is 0."""

    drag: float = 0.42  # cricket balls are given as 0.3 to 0.5 (docs/method.md)
    drag_sd: float = 0.1  # 0.01 to 0.3
    drag_slope: float = -0.1  # change of drag per unit of ln(speed): it falls through the transition to turbulence
    drag_slope_sd: float = 0.2  # 0 to 0.5
    side_sd: float = 0.25  # 0.05 to 1: side force coefficient; 0.3 is the most that a seam is known to make
    waver_sd: float = 0.001  # 0 to 0.05: how far a steady side force wavers along the flight, each Legendre term,
    waver_share: float = 0.04  # 0 to 0.3: and as a share of the force
    late_sd: float = 0.3  # 0.05 to 1: how far one that acts late may change; the sightings choose between the two
    late_share: float = 0.5  # 0 to 1: each further term of a late force, as a share of the one before
    lift_sd: float = 0.2  # 0.02 to 1: lift coefficient of a spinning ball
    lift_late_sd: float = 0.015  # 0 to 0.2: how far it changes along the flight
    after_kept: float = 0.85  # 0.5 to 1: horizontal speed usually kept at the bounce
    after_restitution: float = 0.5  # 0.2 to 0.9: vertical speed usually kept
    after_sd: float = 0.4  # 0.1 to 2: of each component of velocity after the bounce, over the speed before
    side_after_sd: float = 0.06  # 0 to 0.5: side force coefficient after the bounce
    lift_after: float = -0.15  # -0.4 to 0: the floor's friction leaves most balls with topspin (docs/method.md)
    lift_after_sd: float = 0.12  # 0 to 0.5
    floor_sd_m: float = 0.006  # 0 to 0.05: doubt of the floor's height
    shade_m: float = 0.0  # -0.005 to 0.005: by how much a ball lit from above looks too high
    shade_sd_m: float = 0.003  # 0 to 0.01: 4 % of the diameter; pale balls below strong lamps show as much
    view_bias_px: float = 0.08  # 0 to 0.5: what all sightings of a view may be off by together, each axis
    view_drift_px: float = 0.1  # 0 to 0.5: how that may change along the flight: a slope and a bend, each axis
    shadow_share: float = 0.12  # 0 to 0.5: of the diameter; sd of what its shadow does to a ball on the floor,
    shadow_reach: float = 0.4  # 0.1 to 2: and the height, in diameters, at which a third of that is left
    trail_sd: float = 2.0  # 0 to 10: doubt of `VisionSettings.trail`, alike for all sightings of a film
    aside_sd_px: float = 0.2  # 0 to 0.5: by how much a film's colour may lie aside of where it is taken to lie (F28)
    marking_side_sd: float = 0.1  # 0 to 0.5: how the ball's light may slope for a side duller than the other (F23),
    marking_band_sd: float = 0.06  # 0 to 0.5: and for a seam seen askew, shares of its brightness from middle to rim
    step_s: float = 0.01  # 0.001 to 0.03: step of the integration; the path is then right to 1e-6 m at worst
    huber: float = 2.0  # 1 to 4: residuals (both axes, in sd) beyond which a sighting counts less
    reject: float = 3.7  # 3 to 6: residual (both axes, in sd) beyond which a sighting is refused
    break_cost: float = 8.0  # 4 to 20: chi-squared a sighting may cost before the flight is taken to begin or end there
    restart_chi2: float = 1.5  # 1.1 to 5: chi-squared per degree of freedom above which other starts are tried
    reach_m: float = 3.5  # 2 to 6: how far in front of the stumps a bat may meet the ball; common practice, no source
    full_reach_m: float = 1.0  # 0.5 to 3.5: and one that would pitch there, behind a bat at the crease, before it does
    min_sightings: int = 8  # 6 to 30: fewer of the first arc, both views together, make no flight


@dataclass(frozen=True)
class Settings:
    """All of them."""

    vision: VisionSettings = field(default_factory=VisionSettings)
    tracking: TrackingSettings = field(default_factory=TrackingSettings)
    flight: FlightSettings = field(default_factory=FlightSettings)


def read_settings(path: Path | None) -> Settings:
    """Settings from a TOML file, the defaults where it is silent (None: all defaults)."""
    settings = Settings()
    if path is None:
        return settings
    for part, table in read_toml(path).items():
        stages = [f.name for f in fields(Settings)]
        if part not in stages or not isinstance(table, dict):
            raise InputError(path, f'unknown table "{part}"', nearest(part, stages))
        stage = getattr(settings, part)
        known = {f.name: f for f in fields(stage)}
        for key, value in table.items():
            if key not in known:
                raise InputError(path, f'unknown key "{part}.{key}"', nearest(key, list(known)))
            default = getattr(stage, key)
            if type(value) is not type(default) and not (isinstance(default, float) and type(value) is int):
                raise InputError(path, f"{part}.{key} is {value!r}", f"a {type(default).__name__} is needed")
        settings = replace(settings, **{part: replace(stage, **table)})
    return settings
