"""How the bounces (or places at the stumps) of one bowler spread: smallest boxes, scatter ellipse, use of the crease.

The smallest box is the axis-aligned rectangle of least area that holds the wanted share of the balls; the ellipse's
half-axes are the standard deviations along its own directions (it holds 39 % of a normal scatter).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, nan

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tracker.analysis.zones import Crease, places

Floats = NDArray[np.float64]

MOST_EDGES = 60  # candidate edges across, for many balls: quantiles, so that the search stays short
SHARES = (0.5, 0.8)


@dataclass(frozen=True, slots=True)
class Spread:
    """One bowler's spread on one surface, metres: `boxes` holds (share, line from, to, along from, to)."""

    bowler: str
    arm: str
    surface: str
    n: int
    mean_line_m: float
    mean_along_m: float
    major_sd_m: float
    minor_sd_m: float
    angle_deg: float
    boxes: tuple[tuple[float, float, float, float, float], ...]


def spreads(rows: pd.DataFrame, surfaces: Sequence[str] = ("pitch", "stumps")) -> list[Spread]:
    """Each bowler's spread; bowlers without a name are left out."""
    found = []
    for (bowler, arm), part in rows[rows["bowler"] != ""].groupby(["bowler", "arm"]):
        for surface in surfaces:
            line, along = places(part, surface)
            there = np.isfinite(line) & np.isfinite(along)
            found.append(_spread(str(bowler), str(arm), surface, line[there], along[there]))
    return found


def _spread(bowler: str, arm: str, surface: str, line: Floats, along: Floats) -> Spread:
    n = len(line)
    mean = (float(line.mean()), float(along.mean())) if n else (nan, nan)
    major, minor, angle = ellipse(line, along) if n > 2 else (nan, nan, nan)
    boxes = tuple((share, *smallest_box(line, along, share)) for share in SHARES) if n >= 5 else ()
    return Spread(bowler, arm, surface, n, *mean, major, minor, angle, boxes)


def ellipse(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Standard deviations along the longer and the shorter axis, and the longer one's angle from +x, degrees."""
    values, vectors = np.linalg.eigh(np.cov(x, y))
    longer = vectors[:, 1]
    angle = float(np.degrees(np.arctan2(longer[1], longer[0]))) % 180.0
    return float(np.sqrt(values[1])), float(np.sqrt(max(values[0], 0.0))), angle


def smallest_box(x: Floats, y: Floats, share: float) -> tuple[float, float, float, float]:
    """Edges x from, x to, y from, y to of the smallest box that holds `share` of the points (n,), (n,).

    Exact up to 60 points; beyond that its edges in x are taken from 60 quantiles.
    """
    need = ceil(share * len(x) - 1e-9)
    edges = np.unique(x) if len(x) <= MOST_EDGES else np.quantile(x, np.linspace(0, 1, MOST_EDGES), method="nearest")
    order = np.argsort(y)
    x, y = x[order], y[order]
    best, box = np.inf, (float(x.min()), float(x.max()), float(y[0]), float(y[-1]))
    for i, low in enumerate(edges):
        for high in edges[i:]:
            inside = y[(x >= low) & (x <= high)]
            if len(inside) < need:
                continue
            heights = inside[need - 1 :] - inside[: len(inside) - need + 1]
            at = int(np.argmin(heights))
            area = float((high - low) * heights[at])
            if area < best:
                best, box = area, (float(low), float(high), float(inside[at]), float(inside[at + need - 1]))
    return box


def crease_use(rows: pd.DataFrame, crease: Crease) -> pd.DataFrame:
    """How often each bowler lets go close to the stumps, as usual, or wide, by side of the wicket."""
    known = rows[rows["release_x_m"].notna() & rows["side"].isin(["over", "round"]) & (rows["bowler"] != "")]
    away = known["release_x_m"].abs().to_numpy(float)
    over = (known["side"] == "over").to_numpy(bool)
    close = np.where(over, crease.over_m[0], crease.round_m[0])
    wide = np.where(over, crease.over_m[1], crease.round_m[1])
    use = np.select([away < close, away > wide], ["close", "wide"], "usual")
    counts = known[["bowler", "arm", "side"]].assign(use=use, balls=1)
    table = counts.pivot_table(
        index=["bowler", "arm", "side"], columns="use", values="balls", aggfunc="sum", fill_value=0
    )
    return table.reindex(columns=["close", "usual", "wide"], fill_value=0).reset_index().rename_axis(columns=None)


def spread_table(found: Sequence[Spread]) -> pd.DataFrame:
    """spread.csv: one row a bowler, surface and share."""
    rows = []
    for s in found:
        for share, line_from, line_to, along_from, along_to in s.boxes:
            rows.append(
                {
                    "bowler": s.bowler,
                    "arm": s.arm,
                    "surface": s.surface,
                    "n": s.n,
                    "mean_line_m": s.mean_line_m,
                    "mean_along_m": s.mean_along_m,
                    "ellipse_major_sd_m": s.major_sd_m,
                    "ellipse_minor_sd_m": s.minor_sd_m,
                    "ellipse_angle_deg": s.angle_deg,
                    "share": share,
                    "line_from_m": line_from,
                    "line_to_m": line_to,
                    "along_from_m": along_from,
                    "along_to_m": along_to,
                }
            )
    return pd.DataFrame(rows)
