"""How near the flight fit comes to the Cramer-Rao limit, and what each of its parts is worth, for docs/accuracy.md.

    python -m tests.flight_study                    5,700 deliveries of 19 scenes, then 12 parts: half an hour
    python -m tests.flight_study --balls 10         a look
    python -m tests.flight_study --only parts       one of: scenes, parts
    python -m tests.flight_study --scene plain --full   every quantity, with its bias

At the level of sightings: the simulator's balls, whose physics is wider than the fit's, seen by three pairs of cameras.
No film is drawn, nothing is tracked, and the instant of release is known. The fit is as `lanepair track` has it; only
what a scene says is unknown is left to it.

- limit: Cramer-Rao's at the true covariance of the sightings without gross errors (tracker/flight/limit.py), at the
  flight fitted to the same sightings without errors. It is told whether the ball's side force sets in late, which the
  fit has to find out.
- ratio: root mean square of error over limit, ball by ball. Its own sd by chance is 1 / sqrt(2 n).
- covers: share of errors within 1.96 stated one-sigmas, per cent; sd by chance sqrt(0.95 0.05 / n), 2.2 at 100 balls.
- bias: mean of error over limit.
"""

import argparse
import datetime as dt
import platform
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.rig import Rig
from tests.coverage_study import show
from tests.flight_parts import PARTS, Part
from tests.flight_scenes import FIRST_SEED, SCENES, Case, Scene, case
from tracker.clocks import joined as joined_clocks
from tracker.clocks import offset_at
from tracker.flight import physics
from tracker.flight.fit import NoFlightError, fit_flight
from tracker.flight.limit import limit
from tracker.flight.measures import MEASURES, assess
from tracker.flight.model import SIZE
from tracker.joint import LATE_SHARE
from tracker.records import Air, Ball, Clock, Flight, Floats, Track
from tracker.settings import FlightSettings
from tracker.simulation.rigs import pair

PAIRS = ("end_on", "side", "crossing")
SETTINGS = FlightSettings()
JUDGED = (
    "release_speed_mps",
    "bounce_x_m",
    "bounce_y_m",
    "speed_off_bounce_mps",
    "swing_m",
    "deviation_deg",
    "deviation_m",
    "stumps_x_m",
    "stumps_z_m",
)
WORTH = ("release_speed_mps", "bounce_y_m", "swing_m", "deviation_deg", "stumps_z_m")
BEYOND_CHANCE = 3.5
PER_SESSION = 12  # balls that share a clock


@dataclass(frozen=True, eq=False)
class Scores:
    """What came of some balls.

    rows     by quantity (n, 3): error, stated sd, limit
    balls    how many were fitted; refused: how many made no flight
    missing  by quantity, how many were not measured that could have been
    fit_ms   processor time of each fit, its own thread's (BLAS's others wait busily for work that others gave them)
    """

    rows: Mapping[str, Floats]
    balls: int
    refused: int
    missing: Mapping[str, int]
    fit_ms: Floats

    def ratio(self, name: str) -> float:
        """Root mean square of error over limit."""
        error, _, least = self.rows[name].T
        return float(np.sqrt(np.mean((error / least) ** 2)))

    def cover(self, name: str) -> float:
        """Share of errors within 1.96 sds."""
        error, sd, _ = self.rows[name].T
        return float(np.mean(np.abs(error) < 1.96 * sd))

    def bias(self, name: str) -> tuple[float, float]:
        """Mean of error over limit, and its sd by chance."""
        error, _, least = self.rows[name].T
        return float(np.mean(error / least)), float(np.std(error / least) / np.sqrt(len(error)))


def joined(several: Sequence[Scores]) -> Scores:
    """The scores of several rigs or scenes together."""
    names = [name for name in MEASURES if any(name in one.rows for one in several)]
    rows = {name: np.concatenate([one.rows[name] for one in several if name in one.rows]) for name in names}
    missing = {name: sum(one.missing[name] for one in several) for name in MEASURES}
    times = np.concatenate([one.fit_ms for one in several])
    return Scores(rows, sum(one.balls for one in several), sum(one.refused for one in several), missing, times)


def told_white(settings: FlightSettings) -> FlightSettings:
    """The settings of a fit that knows that nothing but noise is wrong with the sightings."""
    return replace(settings, view_bias_px=0.0, view_drift_px=0.0, shade_sd_m=0.0)


def fitted(track: Track, rig: Rig, settings: FlightSettings, offset_sd_s: float) -> Flight:
    """The flight of a ball known to have been released at 0."""
    flight = fit_flight(track, rig, Ball(), Air(), settings, offset_sd_s)
    return replace(flight, release_s=0.0, release_s_sd=0.0, release_seen=True)


def limits_of(scene: Scene, one: Case, true: Rig, told: Rig) -> dict[str, float]:
    """The least sds at the true covariance, under a rig whose covariance is `told`."""
    exact = fitted(one.exact, true, SETTINGS, one.offset_sd_s)
    params, model = exact.params[:SIZE], np.array([exact.model[name] for name in physics.MODEL_NAMES])
    settings = told_white(SETTINGS) if scene.white else SETTINGS
    late_sd = LATE_SHARE * SETTINGS.late_sd if one.late else 0.0
    seen = one.exact
    doubts = {"offset_sd_s": one.offset_sd_s, "late_sd": late_sd, "lean_px": seen.lean_px, "trail_px": seen.trail_px}
    return limit(params, model, seen.view, seen.time_s, one.cov_px2, told, settings, release_s=0.0, **doubts)


class Tally:
    """Gathers the scores of one way of fitting."""

    def __init__(self) -> None:
        self._rows: dict[str, list[tuple[float, float, float]]] = {}
        self._missing = dict.fromkeys(MEASURES, 0)
        self._refused, self._fit_ms = 0, list[float]()

    def add(
        self,
        track: Track,
        rig: Rig,
        settings: FlightSettings,
        offset_sd_s: float,
        truth: Mapping[str, float],
        least: Mapping[str, float],
    ) -> None:
        """Fit a track and compare what it gives with the truth."""
        begin = time.thread_time()
        try:
            flight = fitted(track, rig, settings, offset_sd_s)
        except NoFlightError:
            self._refused += 1
            return
        finally:
            self._fit_ms.append(1e3 * (time.thread_time() - begin))
        measures = assess(flight, rig).measures
        for name in (name for name in MEASURES if np.isfinite(truth[name])):
            if name in measures:
                row = measures[name].value - truth[name], measures[name].sd, least[name]
                self._rows.setdefault(name, []).append(row)
            else:
                self._missing[name] += 1

    def scores(self) -> Scores:
        """What has come of it."""
        rows = {name: np.array(some) for name, some in self._rows.items()}
        return Scores(rows, len(self._fit_ms), self._refused, self._missing, np.array(self._fit_ms))


def on_one_clock(cases: Sequence[Case], rig: Rig) -> Sequence[Case]:
    """The cases with their clocks brought together as those of one clip: offset and drift by all their flights.

    Twice, as tracker/clip.py does: a flight tells the offset of its middle, which a drift moves from its start's.
    """
    taken_out_ppm = 0.0
    for _ in range(2):
        flights = [fitted(one.track, rig, SETTINGS, np.inf) for one in cases]
        on_film = [
            replace(flight, start_s=flight.start_s + one.waited_s, end_s=flight.end_s + one.waited_s)
            for flight, one in zip(flights, cases, strict=True)
        ]
        clock = joined_clocks(on_film, Clock(0.0, 0.0), -taken_out_ppm)
        assert clock is not None  # there are flights
        taken_out_ppm += clock.drift_ppm
        cases = [_moved(one, clock) for one in cases]
    return cases


def _moved(one: Case, clock: Clock) -> Case:
    """The case with the right view on the left's clock."""
    own_s = {}
    for name in ("track", "exact"):
        seen = getattr(one, name)
        ahead_s = np.where(seen.view == 1, offset_at(clock, seen.time_s + one.waited_s), 0.0)
        own_s[name] = replace(seen, time_s=seen.time_s + ahead_s)
    return replace(one, **own_s, offset_sd_s=clock.sd_at(one.waited_s))


def cases_of(scene: Scene, rig: Rig, balls: range) -> Iterator[Case]:
    """The balls of a scene before a pair of cameras, by sessions where these share a clock."""
    size = PER_SESSION if scene.filmed_s else 1
    for first in range(balls.start, balls.stop, size):
        some = [case(scene, rig, number) for number in range(first, min(first + size, balls.stop))]
        yield from on_one_clock(some, rig) if scene.filmed_s else some


def scene_scores(scene: Scene, name: str, balls: range) -> Scores:
    """A scene before one pair of cameras."""
    rig, tally = pair(name, readout_s=scene.readout_s), Tally()
    for one in cases_of(scene, rig, balls):
        tally.add(one.track, rig, SETTINGS, one.offset_sd_s, one.ball.truth, limits_of(scene, one, rig, rig))
    return tally.scores()


def part_scores(part: Part, name: str, balls: range) -> tuple[Scores, Scores]:
    """The same sightings with a part of the fit and without it."""
    scene, true = part.scene, pair(name, readout_s=part.scene.readout_s)
    whole, less = Tally(), Tally()
    spared = replace(SETTINGS, **part.without)
    for number in balls:
        one, rig = case(scene, true, number), part.rig(true, number)
        least, truth = limits_of(scene, one, true, rig), one.ball.truth
        whole.add(part.given(one.track, rig), rig, SETTINGS, one.offset_sd_s, truth, least)
        held_s = 0.0 if part.clock_held else one.offset_sd_s
        less.add(part.less(one.track, rig), part.rig_without(rig), spared, held_s, truth, least)
    return whole.scores(), less.scores()


def cell(scores: Scores, name: str, aim: float) -> str:
    """Ratio and coverage; in bold where they are beyond the aims by more than chance would have it."""
    if name not in scores.rows:
        return "-"
    ratio, covers, n = scores.ratio(name), scores.cover(name), len(scores.rows[name])
    chance = BEYOND_CHANCE * np.sqrt(0.95 * 0.05 / n)
    poor = ratio > aim * (1 + BEYOND_CHANCE / np.sqrt(2 * n)) or not 0.93 - chance < covers
    words = f"{ratio:.2f} / {100 * covers:.0f}"
    return f"**{words}**" if poor else words


def scene_rows(table: Mapping[str, Scores]) -> Iterator[tuple[str, ...]]:
    """A line a scene: balls, each quantity's ratio and coverage, time of a fit."""
    for scene, scores in table.items():
        cells = [cell(scores, name, SCENES[scene].aim) for name in JUDGED]
        times = f"{np.median(scores.fit_ms):.0f} / {np.percentile(scores.fit_ms, 95):.0f}"
        yield scene, str(scores.balls), *cells, times


def quantity_rows(scores: Scores) -> Iterator[tuple[str, ...]]:
    """A line a quantity."""
    for name, rows in scores.rows.items():
        error, sd, _ = rows.T
        bias, chance = scores.bias(name)
        yield (
            name,
            str(len(rows)),
            str(scores.missing[name]),
            f"{np.sqrt(np.mean(error**2)):.4f}",
            f"{np.sqrt(np.mean(sd**2)):.4f}",
            f"{scores.ratio(name):.2f}",
            f"{bias:+.2f} ± {chance:.2f}",
            f"{100 * scores.cover(name):.1f}",
            f"{np.abs(error / sd).max():.1f}",
        )


def notes(table: Mapping[str, Scores]) -> Iterator[str]:
    """What a table of ratios does not show: what was not measured, and lasting errors beyond chance."""
    for scene, scores in table.items():
        if scores.refused:
            yield f"- {scene}: {scores.refused} of {scores.balls} made no flight"
        for name in JUDGED:
            if scores.missing[name]:
                yield f"- {scene}: {name} not measured in {scores.missing[name]} of {scores.balls}"
            if name in scores.rows:
                bias, chance = scores.bias(name)
                if abs(bias) > max(BEYOND_CHANCE * chance, 0.2):
                    yield f"- {scene}: {name} has a bias of {bias:+.2f} ± {chance:.2f} limits"


def scenes_report(names: Sequence[str], balls: range, full: bool) -> None:
    """Tables of the scenes, one a pair of cameras, and of all pairs together."""
    by_pair = {rig: {name: scene_scores(SCENES[name], rig, balls) for name in names} for rig in PAIRS}
    together = {name: joined([table[name] for table in by_pair.values()]) for name in names}
    heads = ("quantity", "n", "not measured", "rmse", "stated sd", "ratio", "bias", "covers", "worst, sds")
    for rig, table in {**by_pair, "all pairs": together}.items():
        print(f"\n### {rig}: error over limit / 95 % covers")
        show(("scene", "balls", *JUDGED, "fit ms, median / 95th"), scene_rows(table))
        print("\n" + "\n".join(notes(table)), flush=True)
        for name in names if full else ():
            print(f"\n#### {rig}, {name}")
            show(heads, quantity_rows(table[name]))
    whole = joined(list(together.values()))
    print("\n### all scenes and pairs")
    show(heads, quantity_rows(whole))
    times = whole.fit_ms
    took = f"{np.median(times):.1f} ms (median), {np.percentile(times, 95):.1f} ms (95th centile)"
    print(f"\n{whole.balls} deliveries, {whole.refused} made no flight; a fit took {took}", flush=True)


def parts_report(names: Sequence[str], balls: range) -> None:
    """Each part, pooled over the rigs and by rig."""

    def cells(whole: Scores, less: Scores) -> Iterator[str]:
        for name in WORTH:
            covers = f"{100 * whole.cover(name):.0f} → {100 * less.cover(name):.0f}"
            yield f"{whole.ratio(name):.2f} → {less.ratio(name):.2f}, {covers}"

    def rows() -> Iterator[tuple[str, ...]]:
        for name in names:
            by_rig = {rig: part_scores(PARTS[name], rig, balls) for rig in PAIRS}
            whole, less = (joined([scores[k] for scores in by_rig.values()]) for k in (0, 1))
            yield name, "all", f"{whole.balls}", *cells(whole, less)
            for rig, scores in by_rig.items():
                yield "", rig, f"{scores[0].balls}", *cells(*scores)

    print("\n### With each part → without it: error over limit, 95 % covers")
    show(("part", "rig", "balls", *WORTH), rows())


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--balls", type=int, default=100, help="of each scene and part, before each pair of cameras")
    parser.add_argument("--first", type=int, default=0, help="number of the first ball")
    parser.add_argument("--only", choices=("scenes", "parts"))
    parser.add_argument("--scene", choices=SCENES, action="append", help="this scene alone; may be given again")
    parser.add_argument("--part", choices=PARTS, action="append", help="this part alone; may be given again")
    parser.add_argument("--full", action="store_true", help="every quantity of every scene")
    args = parser.parse_args()
    balls = range(args.first, args.first + args.balls)
    machine = f"{platform.machine()}, Python {platform.python_version()}"
    print(f"seed {FIRST_SEED}, balls {balls.start} to {balls.stop - 1}; {dt.date.today()}; {machine}", flush=True)
    if args.only != "parts" and not (args.part and not args.scene):
        scenes_report(args.scene or list(SCENES), balls, args.full)
    if args.only != "scenes" and not (args.scene and not args.part):
        parts_report(args.part or list(PARTS), balls)


if __name__ == "__main__":
    main()
