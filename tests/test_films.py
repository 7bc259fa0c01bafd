"""What films tell without a ball (PITFALLS: 4, 5, 7, 14, 15, 19), each message in full."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tracker.pipeline import ends_early
from tracker.records import Clock, FilmReport
from tracker.session.folder import Clip
from tracker.simulation.sightings import film_clock
from tracker.trust.films import blur_check, film_checks

FPS, FRAMES = 120.0, 1200


def film(stamps=None, promised=0, damaged="", brightness=None, **notes) -> FilmReport:
    stamps = np.arange(FRAMES) / FPS if stamps is None else np.asarray(stamps, float)
    lit = np.empty((0, 2)) if brightness is None else np.column_stack([stamps, brightness])
    return FilmReport("left.mp4", len(stamps), promised or len(stamps), stamps, damaged, notes, lit)


def told(report: FilmReport, view: str = "left") -> dict[str, tuple[str, str]]:
    return {check.name: (check.verdict, check.advice) for check in film_checks(view, report)}


def lit(modulation: float, hertz: float, fps: float = FPS, noise: float = 0.002) -> np.ndarray:
    """Brightness over its mean under a lamp, frame by frame."""
    t = np.arange(FRAMES) / fps
    return 1 + modulation * np.sin(2 * np.pi * hertz * t + 1.2) + np.random.default_rng(1).normal(0, noise, FRAMES)


def test_a_good_film_passes_in_everything():
    checks = told(film(brightness=lit(0.0, 100.0)))
    assert checks == {
        name: ("pass", "")
        for name in (
            "left film complete",
            "left frames dropped",
            "left frames even",
            "left lamps",
            "left brightness",
        )
    }


def test_frames_that_a_container_promised_and_did_not_hold():
    """PITFALLS 19."""
    words = "cut short: 8 of 60 frames could be read"
    verdict, advice = told(film(np.arange(8) / FPS, promised=60, damaged=words))["left film complete"]
    assert verdict == "fail"
    assert advice == f"the left film {words}; what could be read was measured. Copy it again from the camera."
    (complete,) = [c for c in film_checks("left", film(promised=1260, damaged=words)) if "complete" in c.name]
    assert complete.value == 60 and complete.unit == "frames"


def test_dropped_frames_are_counted_and_the_first_is_named():
    """PITFALLS 4: seven frames missing from 10 s, the first gap after 2.5 s."""
    number = np.delete(np.arange(FRAMES), [301, 302, 500, 700, 701, 702, 900])
    (check,) = [c for c in film_checks("right", film(number / FPS)) if c.name == "right frames dropped"]
    assert check.verdict == "doubtful" and check.value == 7
    assert check.advice == ("the right camera lost 7 frames (first at 2.50 s); times, not frame numbers, are used")


@pytest.mark.parametrize("seed", range(3))
def test_drops_under_jitter_are_counted_too(seed):
    """1 frame in 50 lost and stamps that jitter by a millisecond."""
    clock = film_clock(FPS, 20.0, np.random.default_rng(seed), drop=0.02, jitter_s=0.001)
    lost = int(clock.number[-1] + 1 - len(clock.number))
    checks = {c.name: c for c in film_checks("left", film(clock.stated_s))}
    assert checks["left frames dropped"].verdict == "doubtful"
    assert checks["left frames dropped"].value == pytest.approx(lost, rel=0.1)
    even = checks["left frames even"]
    assert even.verdict == "doubtful" and even.value == pytest.approx(1.0, rel=0.15) and even.unit == "ms"
    assert even.advice == (
        f"the left film's stamps are uneven by {even.value:.2f} ms; an even rate is believed where the flights agree"
    )


def test_one_lost_frame_in_a_long_film_is_let_pass():
    stamps = np.delete(np.arange(5000), 2000) / FPS
    assert told(film(stamps))["left frames dropped"][0] == "pass"


def test_repeated_frames():
    """PITFALLS 4: every tenth frame twice, at the same instant."""
    stamps = np.sort(np.r_[np.arange(600) / FPS, np.arange(0, 600, 10) / FPS + 1e-5])
    verdict, advice = told(film(stamps))["left frames dropped"]
    assert verdict == "doubtful"
    assert advice == "the left film repeats 60 frames (first at 0.00 s): switch frame doubling off"


def test_a_variable_frame_rate():
    """PITFALLS 5: between 100 and 240 frames a second, as telephones do."""
    rate = 170 + 70 * np.sin(np.arange(FRAMES) / 40)
    verdict, advice = told(film(np.cumsum(1 / rate)))["left frames even"]
    assert verdict == "doubtful"
    low, high = (float(word) for word in advice.split("(")[1].split(" a second")[0].split(" to "))
    assert low == pytest.approx(100, abs=4) and high == pytest.approx(240, abs=4)
    assert advice.endswith("its own times are used") and advice.startswith("the left film has a variable frame rate")


def test_stamps_rounded_to_milliseconds_are_no_fault():
    """Matroska's clock: rounding by up to half a millisecond, sd 0.29 ms, 3.5 % of a frame at 120 a second."""
    stamps = np.round(np.arange(FRAMES) / FPS, 3)
    assert told(film(stamps))["left frames even"] == ("pass", "")
    assert told(film(stamps))["left frames dropped"] == ("pass", "")


@pytest.mark.parametrize("turn", [90, 180, -90])
def test_a_film_that_asks_to_be_turned(turn):
    """PITFALLS 7: a rotation flag."""
    verdict, advice = told(film(rotation_deg=turn))["left film turned"]
    assert verdict == "doubtful"
    assert advice == (
        f"the left film asks to be shown turned by {turn} degrees; it is measured as stored: calibrate from pictures "
        "stored the same way"
    )
    assert "left film turned" not in told(film(rotation_deg=0))


@pytest.mark.parametrize(
    "fps, lamp, seen",
    [(120.0, 100.0, 20.0), (240.0, 100.0, 100.0), (240.0, 120.0, 120.0), (60.0, 100.0, 20.0), (50.0, 120.0, 20.0)],
)
def test_lamps_that_pulse(fps, lamp, seen):
    """PITFALLS 15, and sampling: 100 Hz shows at 20 Hz in 120 or 60 frames a second, as it is in 240."""
    report = film(np.arange(FRAMES) / fps, brightness=lit(0.18, lamp, fps))
    check = next(c for c in film_checks("left", report) if c.name == "left lamps")
    share = np.sin(1.2) if lamp == fps / 2 else 1.0  # a wave sampled twice a turn shows what its phase lets it
    assert check.verdict == "doubtful" and check.value == pytest.approx(18 * share, abs=0.7)
    assert check.advice == (
        f"the lights pulse by {check.value:.0f} % at {lamp:.0f} Hz in the left film (seen at {seen:.0f} Hz); the "
        "search makes up for it, a flicker-free lamp over the lane would help"
    )


def test_strong_pulsing_fails_and_little_is_let_pass():
    strong = film(brightness=lit(0.45, 100.0))
    weak = film(brightness=lit(0.05, 100.0))
    assert told(strong)["left lamps"][0] == "fail" and told(weak)["left lamps"] == ("pass", "")


def test_lamps_seen_at_their_own_multiple_look_steady():
    """Sampling: 120 Hz lamps are constant at 60 and 120 frames a second."""
    assert told(film(brightness=lit(0.3, 120.0)))["left lamps"][0] == "pass"


def test_people_walking_about_are_no_lamps():
    """A few per cent of brightness that wander within seconds."""
    slow = 1 + 0.04 * np.sin(np.arange(FRAMES) / 90.0) + 0.03 * np.sin(np.arange(FRAMES) / 31.0)
    assert told(film(brightness=slow))["left lamps"][0] == "pass"


def test_brightness_that_jumps():
    """PITFALLS 14: automatic exposure steps by a quarter."""
    level = np.where(np.arange(FRAMES) < 500, 1.0, 1.25) + np.random.default_rng(2).normal(0, 0.002, FRAMES)
    check = next(c for c in film_checks("left", film(brightness=level)) if c.name == "left brightness")
    assert check.verdict == "doubtful" and check.value == pytest.approx(25, abs=4)
    assert check.advice == (f"the left picture's brightness jumps by {check.value:.0f} %: lock exposure and gain")
    assert told(film(brightness=level))["left lamps"][0] == "pass"


def test_a_long_streak():
    """PITFALLS 14: 30 m/s at 1/500 s is 60 mm, 0.83 of a ball; at 1/250 s 1.67."""
    rng = np.random.default_rng(3)
    size = rng.uniform(8, 20, 400)
    short = blur_check("right", 0.83 * size, size)
    assert short.verdict == "pass" and short.value == pytest.approx(0.83) and short.unit == "diameters"
    long = blur_check("right", 1.67 * size, size)
    assert long.verdict == "doubtful"
    assert long.advice == (
        "the ball is a streak 1.7 diameters long in the right film: use a shorter shutter and more light"
    )
    assert blur_check("left", np.array([]), np.array([])).verdict == "pass"


def test_a_film_of_one_frame_says_nothing_wrong():
    short = replace(film(np.zeros(1)), promised=1)
    assert all(verdict == "pass" for verdict, _ in told(short).values())


def test_a_film_that_ends_long_before_the_other_is_told():
    """Balls that one camera alone filmed are not measured; lengths alone tell nothing, where the films start apart."""
    clip, long, short = Clip(Path("left.mp4"), Path("right.mp4")), film(), film(np.arange(FRAMES - 720) / FPS)
    together = Clock(0.0, 1e-4)
    assert ends_early(clip, (long, short), together) == [
        "the right film ends 6 s before the other: what was bowled after that was not measured"
    ]
    assert ends_early(clip, (short, long), together)[0].startswith("the left film ends 6 s before")
    assert ends_early(clip, (long, short), Clock(6.0, 1e-4)) == []
    assert ends_early(replace(clip, right_offset_s=6.0), (long, short), together) == []
