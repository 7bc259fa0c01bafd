"""The lane frame and every fixed number of the game, each with its source.

Frame: right-handed, metres; origin on the ground at the centre of the striker's middle stump; +y to the bowler's
wicket; +z up; +x a right-handed batter's off side. "Laws" is MCC, The Laws of Cricket, 2017 Code; the imperial
figures are exact (1 in = 25.4 mm), the printed metric ones are rounded.
"""

INCH_M = 0.0254
PITCH_LENGTH_M = 22 * 36 * INCH_M  # 20.1168, Law 6.1: bowling crease to bowling crease
PITCH_HALF_WIDTH_M = 5 * 12 * INCH_M  # 1.5240, Law 6.1
POPPING_CREASE_M = 4 * 12 * INCH_M  # 1.2192 in front of the bowling crease, back edge of the paint, Law 7.3
RETURN_CREASE_X_M = 52 * INCH_M  # 1.3208, inside edge of the paint, Law 7.4
BOWLING_CREASE_LENGTH_M = 104 * INCH_M  # 2.6416, Law 7.2
RETURN_CREASE_LENGTH_M = 96 * INCH_M  # 2.4384, at least, Law 7.4
PROTECTED_AREA_HALF_WIDTH_M = 12 * INCH_M  # 0.3048, Law 41
PROTECTED_AREA_START_M = 60 * INCH_M  # 1.5240 in front of the popping crease, Law 41
LINE_WIDTH_M = 0.050  # the Laws are silent; common practice, no source
WICKET_WIDTH_M = 9 * INCH_M  # 0.2286, Law 8.1
STUMP_HEIGHT_M = 28 * INCH_M  # 0.7112, Law 8.2
STUMP_DIAMETER_M = 1.5 * INCH_M  # 0.0381, the largest of Law 8.2
BAIL_LENGTH_M = 4.3125 * INCH_M  # 0.1095, overall, Law 8.3
BAIL_RISE_M = 0.5 * INCH_M  # 0.0127, at most this far above the stumps, Law 8.3
JUNIOR_WICKET_WIDTH_M = 8 * INCH_M  # 0.2032, Law 8, junior clause of the 2000 code
JUNIOR_STUMP_HEIGHT_M = 27 * INCH_M  # 0.6858, likewise
JUNIOR_STUMP_DIAMETER_M = 0.0349  # the largest for junior cricket, likewise

BALL_RADIUS_M = 0.036  # the session's default; Law 4 gives 0.03565 to 0.03645 (men)
BALL_MASS_KG = 0.1595  # mid of Law 4's 0.1559 to 0.1630 (men)

STANDARD_GRAVITY_MPS2 = 9.80665  # 3rd CGPM (1901)
MPH_MPS = 0.44704  # 1 mph in m/s, exact: international mile

RELEASE_PLANE_M = 1.6  # in front of the bowling crease: where an unseen release is taken to be
RELEASE_PLANE_SD_M = 0.4  # how far from there a release may be
GATE_PLANE_M = 2.5  # in front of the bowling crease: all balls compare here


def release_plane_y_m(pitch_length_m: float) -> float:
    """Where an unseen release is taken to be, metres from the striker's stumps."""
    return pitch_length_m - RELEASE_PLANE_M


def gate_y_m(pitch_length_m: float) -> float:
    """The plane just past any release at which all balls compare, metres from the striker's stumps.

    >>> round(gate_y_m(PITCH_LENGTH_M), 4)
    17.6168
    """
    return pitch_length_m - GATE_PLANE_M


def wicket_m(junior: bool = False) -> tuple[float, float, float]:
    """A wicket's width, its stumps' height and thickness.

    >>> wicket_m(junior=True)
    (0.2032, 0.6858, 0.0349)
    """
    if junior:
        return JUNIOR_WICKET_WIDTH_M, JUNIOR_STUMP_HEIGHT_M, JUNIOR_STUMP_DIAMETER_M
    return WICKET_WIDTH_M, STUMP_HEIGHT_M, STUMP_DIAMETER_M
