"""The chains of a view that may be a ball: long enough, and moving."""

import numpy as np

from tracker.records import Ints, Sightings

LEAST_CHAIN, LEAST_TRAVEL_PX = 8, 40.0
MOST_CHAINS = 150  # a view; the longest


def chains(seen: Sightings) -> list[Ints]:
    """Rows, in order of time, of the chains that are long and move; the longest first, MOST_CHAINS at most."""
    order = np.lexsort((seen.time_s, seen.chain))
    cuts = np.flatnonzero(np.diff(seen.chain[order])) + 1
    out = []
    for rows in np.split(order, cuts):
        _, first = np.unique(seen.time_s[rows], return_index=True)
        kept = rows[first]
        if len(kept) >= LEAST_CHAIN and np.linalg.norm(np.ptp(seen.centre_px[kept], axis=0)) > LEAST_TRAVEL_PX:
            out.append(kept)
    return sorted(out, key=lambda c: -len(c))[:MOST_CHAINS]
