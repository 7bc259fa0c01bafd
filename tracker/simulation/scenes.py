"""Named scenes: what happens on the lane, what the hall and the films are like. They combine.

A scene is a change to a `Script`. To add one: a function or a line of SCENES.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from calibration.errors import LanepairError, nearest
from tracker.simulation.bowling import BOWLERS, Bowler
from tracker.simulation.hall import Hall
from tracker.simulation.render import Look


@dataclass(frozen=True)
class FilmFault:
    """What is wrong with one film's clock; see `sightings.film_clock`. fps_share: of the session's frame rate."""

    start_s: float = 0.0
    drift_ppm: float = 0.0
    jitter_s: float = 0.0
    drop: float = 0.0
    stamped: bool = True
    fps_share: float = 1.0


@dataclass(frozen=True)
class Script:
    """Everything about a rehearsal but the rig, the frame rate and the number of deliveries.

    bowlers     names of BOWLERS, in turn; hands: of the batters, each for balls_each balls; sides: over or round,
                changing when both hands have had their turn
    spacing_s   between releases, the first after lead_s; tail_s after the last; at_most: so many deliveries
    bat         "mixed": some balls are hit; "early": every ball, half a metre after the bounce; "none": no batter
    full_tosses share of balls that do not pitch; lengths (m) from which to draw instead of the bowlers' own
    hidden      spans (view "left", "right" or "both", from, to in seconds after release) hidden by a bar
    extras      balls and people beside the deliveries, names of `extras.EXTRAS`
    feed        the log's word; ball_colour: of `render.BALLS_RGB`
    offsets_known, session_offsets  whether rig.toml, session.toml state the clocks' offsets
    readout_s   of the two cameras, exposure_s; None: as the rig has them
    bit_rate_mbps  at 1080p120, scaled to other sizes and rates; gop_s between key frames
    rig_doubt   whether rig.toml differs from the truth, within a covariance that it states
    """

    hall: Hall = field(default_factory=Hall)
    look: Look = field(default_factory=Look)
    bowlers: tuple[str, ...] = ("pace", "left_pace")
    hands: tuple[str, ...] = ("right", "left")
    balls_each: int = 4
    sides: tuple[str, ...] = ("over",)
    spacing_s: float = 5.0
    lead_s: float = 1.5
    tail_s: float = 1.5
    at_most: int | None = None
    bat: str = "mixed"
    full_tosses: float = 0.0
    lengths_m: tuple[float, float] | None = None
    restitution: tuple[float, float] | None = None
    after_spin: float = 0.0
    floor_m: float = 0.0
    hidden: tuple[tuple[str, float, float], ...] = ()
    extras: tuple[str, ...] = ()
    feed: str = "bowled"
    ball_colour: str = "red"
    left: FilmFault = field(default_factory=FilmFault)
    right: FilmFault = field(default_factory=FilmFault)
    offsets_known: bool = True
    session_offsets: bool = True
    readout_s: tuple[float, float] | None = None
    exposure_s: float | None = None
    bit_rate_mbps: float = 30.0
    gop_s: float = 0.5
    container: str = "mp4"
    rig_doubt: bool = False

    def hand(self, number: int) -> str:
        """Whose turn it is to bat at delivery `number` (from 0)."""
        return self.hands[(number // self.balls_each) % len(self.hands)]

    def side(self, number: int) -> str:
        """From which side of the wicket delivery `number` (from 0) is bowled."""
        return self.sides[(number // (self.balls_each * len(self.hands))) % len(self.sides)]

    def bowler(self, number: int) -> Bowler:
        """Who bowls delivery `number` (from 0)."""
        return BOWLERS[self.bowlers[number % len(self.bowlers)]]

    @property
    def colour_word(self) -> str:
        """The ball's colour as session.toml has it."""
        return self.ball_colour.split()[-1]


def _more(*names: str) -> Callable[[Script], Script]:
    return lambda s: replace(s, extras=(*s.extras, *names))


def _hall(**changes: object) -> Callable[[Script], Script]:
    return lambda s: replace(s, hall=replace(s.hall, **changes))  # type: ignore[arg-type]


def _look(**changes: object) -> Callable[[Script], Script]:
    return lambda s: replace(s, look=replace(s.look, **changes))  # type: ignore[arg-type]


def _script(**changes: object) -> Callable[[Script], Script]:
    return lambda s: replace(s, **changes)  # type: ignore[arg-type]


def _right(**changes: object) -> Callable[[Script], Script]:
    return lambda s: replace(s, right=replace(s.right, **changes))  # type: ignore[arg-type]


def _both(**changes: object) -> Callable[[Script], Script]:
    return lambda s: replace(s, left=replace(s.left, **changes), right=replace(s.right, **changes))  # type: ignore[arg-type]


def _chain(*changes: Callable[[Script], Script]) -> Callable[[Script], Script]:
    def all_of(script: Script) -> Script:
        for change in changes:
            script = change(script)
        return script

    return all_of


def _hidden(view: str, from_s: float, to_s: float) -> Callable[[Script], Script]:
    return _script(hidden=((view, from_s, to_s),), bowlers=("pace",))


def _noisy(full_well_e: float, exposure_s: float) -> Callable[[Script], Script]:
    return _chain(_look(full_well_e=full_well_e, read_e=8.0), _script(exposure_s=exposure_s))


SCENES: dict[str, tuple[str, Callable[[Script], Script]]] = {
    "plain": ("two bowlers, both batter hands, a quiet hall", _script()),
    "empty": ("no batter, nobody else", _script(bat="none")),
    "early_bat": ("every ball is hit half a metre after it pitches", _script(bat="early")),
    "full_toss": ("half of the balls do not pitch", _script(full_tosses=0.5)),
    "yorker": ("balls pitch at the crease", _script(lengths_m=(0.6, 1.6))),
    "short": ("balls pitch short and rise", _script(lengths_m=(8.0, 10.5))),
    "low": ("the ball skids on, low", _script(restitution=(0.42, 0.48))),
    "steep": ("the ball bounces steeply", _script(restitution=(0.76, 0.82))),
    "spin": ("slow bowling that turns, spin acting after the bounce", _script(bowlers=("spin",), after_spin=0.06)),
    "round": ("over and round the wicket in turn", _script(sides=("over", "round"), balls_each=2)),
    "floor": ("the floor lies 8 mm low where the ball pitches", _script(floor_m=-0.008)),
    "second_ball": ("another ball is lobbed about at the striker's end during each flight", _more("lob")),
    "other_lane": ("the next lane is in use", _more("other_lane")),
    "throw_back": ("each ball is thrown back to the bowler", _chain(_more("throw_back"), _script(spacing_s=6.5))),
    "roll_back": ("each ball is rolled back along the lane", _chain(_more("roll_back"), _script(spacing_s=7.5))),
    "underarm": ("an underarm lob down the lane between deliveries", _chain(_more("underarm"), _script(spacing_s=7.0))),
    "floor_ball": ("balls lie on the lane", _more("floor_balls")),
    "walkers": ("people walk behind the nets and beside the lane", _more("walkers")),
    "crossing": ("someone throws a ball across the end of the lane during each flight", _more("across")),
    "hidden_left": ("a bar hides about a third of the flight from the left camera", _hidden("left", 0.18, 0.33)),
    "hidden_both": ("bars hide the ball from both cameras for about 0.1 s", _hidden("both", 0.2, 0.3)),
    "netting": ("the nets sway", _look(sway_m=0.06)),
    "flicker": ("lamps at 100 Hz, 15 %", _look(flicker=0.15, flicker_hz=100.0)),
    "flicker_120": ("lamps at 120 Hz, 15 %", _look(flicker=0.15, flicker_hz=120.0)),
    "flicker_strong": ("lamps at 100 Hz, 30 %", _look(flicker=0.30, flicker_hz=100.0)),
    "steps": ("the exposure jumps now and then", _look(steps=((4.0, 1.25), (9.0, 0.7), (15.0, 1.2)))),
    "dim": ("a dim hall: noise and a long exposure", _noisy(1400.0, 0.002)),
    "dark": ("very dim", _noisy(600.0, 0.003)),
    "bright": ("daylight: hardly any noise, a short exposure", _noisy(12000.0, 0.0004)),
    "long_blur": ("4 ms of exposure", _script(exposure_s=0.004)),
    "plain_wall": ("a plain hall without doors and blocks", _hall(busy=0.0)),
    "sheet": ("a white sheet hangs behind the striker", _hall(sheet=0.62)),
    "dark_sheet": ("a dark sheet hangs behind the striker", _hall(sheet=0.06)),
    "terracotta": ("a red-brown mat", _hall(mat_rgb=(0.26, 0.11, 0.07))),
    "grey": ("a grey mat and floor", _hall(mat_rgb=(0.20,) * 3, floor_rgb=(0.28,) * 3, wall_rgb=(0.3, 0.34, 0.4))),
    "white_ball": ("a white ball", _script(ball_colour="white")),
    "pink_ball": ("a pink ball", _script(ball_colour="pink")),
    "scuffed": ("an old red ball", _script(ball_colour="scuffed red")),
    "machine": ("fed by a machine: no bowler", _script(feed="machine")),
    "thrown": ("thrown by a coach with a side-arm", _script(feed="thrown")),
    "rolling_shutter": ("read-out of 8 and 6 ms", _script(readout_s=(0.008, 0.006))),
    "rolling_long": ("read-out of 12 and 2 ms", _script(readout_s=(0.012, 0.002))),
    "half_frame": ("the right film starts 3.7 ms late, which session.toml states", _right(start_s=0.0037)),
    "free_clocks": (
        "the right film starts 3.7 ms late and drifts; nothing states by how much",
        _chain(_right(start_s=0.0037, drift_ppm=20.0), _script(offsets_known=False, session_offsets=False)),
    ),
    "late_start": (
        "the right film starts 2.4 s later, which nothing states",
        _chain(_right(start_s=2.4137), _script(offsets_known=False, session_offsets=False, lead_s=4.5)),
    ),
    "drift": ("the right clock runs 200 ppm fast", _right(drift_ppm=200.0)),
    "jitter": ("stamps jitter by 1 ms", _both(jitter_s=0.001)),
    "drops": ("1 frame in 50 is lost, the stamps show it", _both(drop=0.02)),
    "drops_unstamped": ("1 frame in 50 of the right film is lost unseen", _right(drop=0.02, stamped=False)),
    "two_rates": ("the right film has half the frame rate", _right(fps_share=0.5)),
    "low_rate": ("a low bit rate", _script(bit_rate_mbps=5.0)),
    "high_rate": ("a high bit rate", _script(bit_rate_mbps=60.0)),
    "pictures": ("folders of numbered pictures instead of films", _script(container="png")),
    "idle": ("long idle spells with people about", _chain(_more("walkers"), _script(spacing_s=25.0, lead_s=12.0))),
    "quick": ("deliveries 4 s apart", _script(spacing_s=4.0)),
    "nobody": ("people walk about; nothing is bowled", _chain(_more("walkers"), _script(at_most=0, lead_s=58.5))),
    "rig_doubt": ("rig.toml is as good as a survey of lane marks makes it, and says so", _script(rig_doubt=True)),
}  # fmt: skip


def script(names: Sequence[str]) -> Script:
    """The script of some scenes, combined in order."""
    made = Script()
    for name in names:
        if name not in SCENES:
            raise LanepairError(f'no scene is called "{name}"; {nearest(name, list(SCENES))}')
        made = SCENES[name][1](made)
    return made


def bowled(script: Script, deliveries: int) -> int:
    """How many of the wanted deliveries the script allows."""
    return deliveries if script.at_most is None else min(deliveries, script.at_most)


def lasting_s(script: Script, deliveries: int) -> float:
    """How long the clip is."""
    deliveries = bowled(script, deliveries)
    return script.lead_s + max(deliveries - 1, 0) * script.spacing_s + (2.0 if deliveries else 0.0) + script.tail_s


def side_force_after(script: Script, drawn: float) -> float:
    """The side force after the bounce: the drawn one, or of the script's size with its sign."""
    return math.copysign(script.after_spin, drawn) if script.after_spin else drawn
