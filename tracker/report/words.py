"""Numbers and names as people read them: SI with its unit, mph beside a speed, digits that the doubt allows.

Wherever a plus-minus is printed it is two standard deviations, about 95 %.
"""

import itertools
import math
import re

from calibration.lane import MPH_MPS

QUANTITIES: dict[str, tuple[str, str]] = {  # column: (what people call it, unit in files)
    "release_speed_mps": ("speed at release", "m/s"),
    "release_x_m": ("line of release", "m"),
    "release_y_m": ("release, from the stumps", "m"),
    "release_z_m": ("height of release", "m"),
    "release_azimuth_deg": ("direction at release", "deg"),
    "release_elevation_deg": ("angle up at release", "deg"),
    "gate_x_m": ("line at the gate", "m"),
    "gate_z_m": ("height at the gate", "m"),
    "gate_speed_mps": ("speed at the gate", "m/s"),
    "bounce_x_m": ("line of the bounce", "m"),
    "bounce_y_m": ("length", "m"),
    "speed_at_bounce_mps": ("speed before the bounce", "m/s"),
    "speed_off_bounce_mps": ("speed after the bounce", "m/s"),
    "swing_m": ("swing", "m"),
    "deviation_deg": ("turn off the pitch", "deg"),
    "deviation_m": ("movement off the pitch at the stumps", "m"),
    "stumps_x_m": ("line at the stumps", "m"),
    "stumps_z_m": ("height at the stumps", "m"),
}
_SIGNS = {"deg": "°"}


def unit_sign(unit: str) -> str:
    """A unit as printed: "°" for "deg", others with a space in front."""
    return _SIGNS.get(unit, f" {unit}")


def decimals(sd: float, most: int = 3) -> int:
    """Digits after the point that a number with this sd deserves: the sd's first digit, two where that is 1.

    >>> decimals(0.04), decimals(0.013), decimals(0.3), decimals(7.0), decimals(float("nan"))
    (2, 3, 1, 0, 2)
    """
    if not math.isfinite(sd) or sd <= 0:
        return min(2, most)
    power = math.floor(math.log10(sd))
    first = sd / 10**power
    return int(min(max(-power + (first < 1.95), 0), most))


def plus_minus(value: float, sd: float, unit: str) -> str:
    """A value with its doubt, two sd; only the value where the sd is missing.

    >>> plus_minus(34.1234, 0.021, "m/s")
    '34.12 ± 0.04 m/s'
    >>> plus_minus(-1.25, 0.2, "deg")
    '−1.2 ± 0.4°'
    >>> plus_minus(float("nan"), 0.2, "m")
    '–'
    """
    if not math.isfinite(value):
        return "–"
    places = decimals(2 * sd)
    sign = unit_sign(unit) if unit else ""
    doubt = f" ± {2 * sd:.{places}f}" if math.isfinite(sd) else ""
    return f"{fixed(value, places)}{doubt}{sign}"


def fixed(value: float, places: int) -> str:
    """A number with a true minus sign and no minus zero.

    >>> fixed(-0.001, 2), fixed(-1.25, 1)
    ('0.00', '−1.2')
    """
    text = f"{value:.{places}f}"
    return (text if float(text) else text.lstrip("-")).replace("-", "−")


def mph(speed_mps: float) -> float:
    """A speed in miles an hour.

    >>> round(mph(35.7632), 6)
    80.0
    """
    return speed_mps / MPH_MPS


def speed(speed_mps: float, places: int = 1) -> str:
    """A speed in both units.

    >>> speed(35.7632)
    '35.8 m/s (80.0 mph)'
    """
    return f"{speed_mps:.{places}f} m/s ({mph(speed_mps):.{places}f} mph)" if math.isfinite(speed_mps) else "–"


def count(number: int, one: str, many: str = "") -> str:
    """A number of things.

    >>> count(1, "ball"), count(3, "ball"), count(0, "delivery", "deliveries")
    ('1 ball', '3 balls', '0 deliveries')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def shortened(words: str, most: int) -> str:
    """Words of at most so many characters.

    >>> shortened("good length", 20), shortened("good length", 6)
    ('good length', 'good …')
    """
    return words if len(words) <= most else f"{words[: most - 1]}…"


def as_sentence(words: str) -> str:
    """Words with a capital, one full stop and true minus signs.

    >>> as_sentence("cannot tell yet: -1.5 to 2"), as_sentence("Done on 2026-11-12.")
    ('Cannot tell yet: −1.5 to 2.', 'Done on 2026-11-12.')
    """
    words = re.sub(r"(?<![\w-])-(?=\d)", "−", words)
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def line(x_m: float, hand: str, places: int = 2) -> str:
    """A sideways place as a coach says it, for a batter's hand ("right", "left" or ""); +x is a right-hander's off.

    >>> line(0.213, "right"), line(0.213, "left"), line(-0.2, ""), line(0.001, "right")
    ('0.21 m to off', '0.21 m to leg', '−0.20 m', '0.00 m')
    """
    if not math.isfinite(x_m):
        return "–"
    if hand not in ("right", "left") or round(abs(x_m), places) == 0:
        return f"{fixed(x_m, places)} m"
    return f"{abs(x_m):.{places}f} m to {'off' if (x_m > 0) == (hand == 'right') else 'leg'}"


def file_names(bowlers: list[str]) -> list[str]:
    """A plain, distinct file name for each bowler.

    >>> file_names(["A. Bowler", "a bowler", "", "../x"])
    ['A-Bowler', 'a-bowler-2', 'unnamed', 'x']
    >>> file_names(["x-2", "x", "X"])
    ['x-2', 'x', 'X-3']
    """
    names: list[str] = []
    for bowler in bowlers:
        plain = re.sub(r"[^\w]+", "-", bowler).strip("-")[:40] or "unnamed"
        name, taken = plain, {n.lower() for n in names}
        for number in itertools.count(2):
            if name.lower() not in taken:
                break
            name = f"{plain}-{number}"
        names.append(name)
    return names
