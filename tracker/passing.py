"""Which passages of a clip's two films are read: where somebody was at the bowling crease, as either view has it.

All is read where that cannot be told: short clips, clocks that are not known, no log or one with balls that nobody
bowled, films whose key frames lie far apart, cameras that do not see the crease.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from tracker.session.folder import Clip, Session
from tracker.vision.idle import busy, passages, release_place
from tracker.vision.packets import Passages
from tracker.vision.video import Film

LEAST_S = 60.0  # clips shorter than this are read whole
WORTH = 0.8  # as are those of which more than this share would have to be read


def pass_over(
    session: Session, clip: Clip, films: tuple[Film, Film], black_level: float, on_begin: Callable[[], None]
) -> float:
    """Let each film read only what it must; the share of the left film that is read, 1 where nothing is passed over.

    `on_begin` is called before the key frames are looked at.
    """
    shifts = [
        offset + (camera.time_offset_s or 0.0)
        for offset, camera in zip((clip.left_offset_s, clip.right_offset_s or 0.0), session.rig.cameras, strict=True)
    ]
    places = [release_place(camera, session.rig.pitch_length_m) for camera in session.rig.cameras]
    blind = any(place is None for place in places)
    if not _may_be_told(session, films) or not any(places) or (blind and clip.right_offset_s is None):
        return 1.0
    on_begin()

    def look(view: int) -> np.ndarray | None:
        place = places[view]
        return np.empty((0, 2)) if place is None else busy(films[view], place, black_level)

    with ThreadPoolExecutor(2) as pool:
        looked = list(pool.map(look, (0, 1)))
    told = [None if found is None else found + shift for found, shift in zip(looked, shifts, strict=True)]
    if any(found is None for found in told):
        return 1.0
    at = np.concatenate([found for found in told if found is not None])
    plans: list[Passages] = [
        passages(at - shift, float(film.stamps()[-1])) for film, shift in zip(films, shifts, strict=True)
    ]
    length_s = float(films[0].stamps()[-1])
    share = sum(min(end, length_s) - max(start, 0.0) for start, end in plans[0]) / length_s
    if share > WORTH:
        return 1.0
    for film, plan in zip(films, plans, strict=True):
        film.only(plan)
    return share


def _may_be_told(session: Session, films: tuple[Film, Film]) -> bool:
    """Whether people at the crease tell all deliveries of a clip, and it is long enough to ask."""
    if any(camera.time_offset_s is None for camera in session.rig.cameras) or session.log is None:
        return False
    fed = session.log.get("feed")
    bowled = fed is None or set(fed) <= {"", "bowled"}
    return bowled and all(film.promised / film.fps > LEAST_S for film in films)
