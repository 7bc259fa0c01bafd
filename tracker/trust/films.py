"""What the films themselves tell: missing, repeated and uneven frames, lamp flicker, brightness steps, blur.

Each function takes what decoding reported and gives Checks; nothing is decoded again. The words are for the coach.
"""

import numpy as np

from tracker.records import Check, FilmReport, Floats
from tracker.vision.see import PAUSE_S
from tracker.vision.stamps import even_grid

GAP_PERIODS = 1.5  # a step between frames longer than this is a gap
FLICKER_DOUBTFUL, FLICKER_FAIL = 0.10, 0.35  # modulation, peak over mean
LAMPS_HZ, ALIAS_HZ = (100.0, 120.0), 2.0  # twice the mains; how near a wave must lie to be theirs
SMOOTH_FRAMES = 31
STEP_DOUBTFUL = 0.08  # brightness step, share of the mean, that background models feel
STREAK_DOUBTFUL = 1.5  # blur in ball diameters beyond which places get vague


def film_checks(view: str, film: FilmReport) -> list[Check]:
    """Everything that can be said of one film without a ball."""
    checks = [_complete(view, film), _gaps(view, film), _even(view, film)]
    if film.notes.get("rotation_deg"):
        turn = int(film.notes["rotation_deg"])
        checks.append(
            Check(
                f"{view} film turned",
                "doubtful",
                turn,
                0.0,
                "deg",
                f"the {view} film asks to be shown turned by {turn} degrees; it is measured as stored: "
                "calibrate from pictures stored the same way",
            )
        )
    lit = _longest_run(film.brightness)
    if len(lit) > 64:
        checks += _lamps(view, lit[:, 1], lit[:, 0])
    return checks


def _longest_run(brightness: Floats) -> Floats:
    """The longest passage of (n, 2) stamps and brightness that was read without a pause."""
    pauses = np.flatnonzero(np.diff(brightness[:, 0]) > PAUSE_S) + 1
    return max(np.split(brightness, pauses), key=len)


def _complete(view: str, film: FilmReport) -> Check:
    short = max(0, film.promised - film.frames)
    if film.damaged:
        advice = f"the {view} film {film.damaged}; what could be read was measured. Copy it again from the camera."
        return Check(f"{view} film complete", "fail", short, 0.0, "frames", advice)
    return Check(f"{view} film complete", "pass", 0.0, 0.0, "frames", "")


def _gaps(view: str, film: FilmReport) -> Check:
    steps = np.diff(film.stamps_s)
    if len(steps) < 8:
        return Check(f"{view} frames dropped", "pass", 0.0, 0.0, "frames", "")
    period = float(np.median(steps))
    long, repeated = steps > GAP_PERIODS * period, steps < 0.1 * period
    grid = even_grid(film.stamps_s)
    lost = int(grid.step[-1] - len(grid.step) + 1) if grid else int((np.rint(steps[long] / period) - 1).sum())
    if repeated.any():
        at = film.stamps_s[int(np.flatnonzero(repeated)[0])]
        words = f"the {view} film repeats {int(repeated.sum())} frames (first at {at:.2f} s): switch frame doubling off"
        return Check(f"{view} frames dropped", "doubtful", float(repeated.sum()), 0.0, "frames", words)
    shown_again = int(film.notes.get("repeated", 0))
    if shown_again:
        words = f"the {view} film shows {shown_again} pictures twice, which are left out: switch frame doubling off"
        return Check(f"{view} frames dropped", "doubtful", float(shown_again), 0.0, "frames", words)
    if lost == 0:
        return Check(f"{view} frames dropped", "pass", 0.0, 0.0, "frames", "")
    at = film.stamps_s[int(np.flatnonzero(long)[0])] if long.any() else 0.0
    words = f"the {view} camera lost {lost} frames (first at {at:.2f} s); times, not frame numbers, are used"
    return Check(
        f"{view} frames dropped", "doubtful" if lost > 0.001 * film.frames else "pass", lost, 0.0, "frames", words
    )


def _even(view: str, film: FilmReport) -> Check:
    grid, steps = even_grid(film.stamps_s), np.diff(film.stamps_s)
    if grid is not None:
        late = 1000 * grid.jitter_s
        verdict = "pass" if grid.jitter_s < 0.05 * grid.period_s else "doubtful"
        words = (
            f"the {view} film's stamps are uneven by {late:.2f} ms; an even rate is believed where the flights agree"
        )
        return Check(f"{view} frames even", verdict, late, 50 * grid.period_s, "ms", "" if verdict == "pass" else words)
    if len(steps) < 16:
        return Check(f"{view} frames even", "pass", 0.0, 0.0, "ms", "")
    low, high = 1 / np.percentile(steps, [98, 2])
    words = f"the {view} film has a variable frame rate ({low:.0f} to {high:.0f} a second); its own times are used"
    return Check(f"{view} frames even", "doubtful", 1000 * float(np.std(steps)), 0.0, "ms", words)


def _lamps(view: str, level: Floats, times: Floats) -> list[Check]:
    window = np.hanning(SMOOTH_FRAMES + 2)[1:-1]
    slow = np.convolve(np.pad(level, SMOOTH_FRAMES // 2, mode="edge"), window / window.sum(), mode="valid")
    amplitude, hertz = _strongest(level / slow - 1, times)
    verdict = "pass" if amplitude < FLICKER_DOUBTFUL else "doubtful" if amplitude < FLICKER_FAIL else "fail"
    fps = 1 / float(np.median(np.diff(times)))
    lamp = min(LAMPS_HZ, key=lambda lamp: abs(_alias(lamp, fps) - hertz))
    at = f"at {lamp:.0f} Hz" if abs(_alias(lamp, fps) - hertz) < ALIAS_HZ else "of another kind"
    words = (
        f"the lights pulse by {100 * amplitude:.0f} % {at} in the {view} film (seen at {hertz:.0f} Hz); "
        "the search makes up for it, a flicker-free lamp over the lane would help"
    )
    step = float(np.abs(slow[SMOOTH_FRAMES:] - slow[:-SMOOTH_FRAMES]).max() / max(float(slow.mean()), 1e-6))
    jumpy = "pass" if step < STEP_DOUBTFUL else "doubtful"
    jump_words = f"the {view} picture's brightness jumps by {100 * step:.0f} %: lock exposure and gain"
    limits = 100 * FLICKER_DOUBTFUL, 100 * STEP_DOUBTFUL
    return [
        Check(f"{view} lamps", verdict, 100 * amplitude, limits[0], "%", "" if verdict == "pass" else words),
        Check(f"{view} brightness", jumpy, 100 * step, limits[1], "%", "" if jumpy == "pass" else jump_words),
    ]


def _alias(hertz: float, fps: float) -> float:
    """The frequency that a wave shows at so many frames a second.

    >>> _alias(100.0, 120.0), _alias(100.0, 240.0), _alias(120.0, 60.0)
    (20.0, 100.0, 0.0)
    """
    return abs(hertz - fps * round(hertz / fps))


def _strongest(ripple: Floats, times: Floats) -> tuple[float, float]:
    """Amplitude and frequency of the strongest steady wave: a periodogram over the film's rate."""
    period = float(np.median(np.diff(times)))
    even = np.interp(np.arange(times[0], times[-1], period), times, ripple)
    window = np.hanning(len(even))
    spectrum = np.abs(np.fft.rfft((even - even.mean()) * window)) * 2 / window.sum()
    if len(even) % 2 == 0:
        spectrum[-1] /= 2  # a wave that alternates from frame to frame is its own mirror image
    best = int(np.argmax(spectrum))
    return float(spectrum[best]), float(np.fft.rfftfreq(len(even), period)[best])


def blur_check(view: str, streak_px: Floats, size_px: Floats) -> Check:
    """Blur of the balls measured, in diameters, from their streaks (n,) and apparent diameters (n,)."""
    share = float(np.median(streak_px / np.maximum(size_px, 1.0))) if len(streak_px) else 0.0
    verdict = "pass" if share < STREAK_DOUBTFUL else "doubtful"
    words = f"the ball is a streak {share:.1f} diameters long in the {view} film: use a shorter shutter and more light"
    return Check(f"{view} blur", verdict, share, STREAK_DOUBTFUL, "diameters", "" if verdict == "pass" else words)
