"""How many balls to bowl for a wanted difference, and in which order, with a caution for young bowlers.

The order alternates in short blocks, right, left, left, right, so that each over has both hands and a steady tiring
cancels; several bowlers start in turn with the other hand. The number is for independent balls: take it as the least.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
import pandas as pd

from calibration.errors import LanepairError
from tracker.analysis.compare import HAND, SPEED, Choice, counted
from tracker.analysis.statistics import POWER, balls_needed, pooled_sd, summarise
from tracker.analysis.tables import Runs
from tracker.analysis.workload import Limit

BALL_TO_BALL_SD_MPS = 1.25  # where no balls tell: the middle of 1.0 to 1.5, common practice, no source
BLOCK_BALLS = 3  # half an over to each hand


@dataclass(frozen=True, eq=False)
class Design:
    """A plan: balls to each hand of one bowler, and the order (columns of log.csv, docs/files.md)."""

    difference_mps: float
    sd_mps: float
    power: float
    per_hand: int
    order: pd.DataFrame
    cautions: tuple[str, ...]


def ball_to_ball_sd(runs: Runs) -> float:
    """The sd of release speed within bowler and hand, from earlier sessions."""
    rows, _ = counted(runs.rows, Choice())
    cells = rows.dropna(subset=[SPEED]).groupby(["bowler", "arm", HAND])[SPEED]
    sd, df = pooled_sd([summarise(values.to_numpy(float)) for _, values in cells])
    if df < 5 or not np.isfinite(sd):
        raise LanepairError("too few balls in these sessions to take the scatter from; give it with --sd-mps")
    return sd


def plan(
    difference_mps: float,
    sd_mps: float,
    limits: Sequence[Limit],
    bowlers: Sequence[str] = ("",),
    power: float = POWER,
    block: int = BLOCK_BALLS,
) -> Design:
    """Balls and order for `difference_mps` to be shown with chance `power`.

    Parameters
    ----------
    difference_mps, sd_mps : float
        The difference that ought to be shown; ball-to-ball sd of one bowler to one hand.
    limits : Limits
        A total that passes a session's limit earns a caution.
    bowlers : ids
        Each bowls the whole number.
    power : float
        Between 0.5 and 0.999.
    block : int
        Balls to one hand before the batters change.
    """
    if not (difference_mps > 0 and sd_mps > 0 and 0.5 <= power <= 0.999 and block >= 1):
        raise LanepairError(
            "a design needs a difference and an sd above 0, a power from 0.5 to 0.999 and blocks of 1 ball or more"
        )
    needed = balls_needed(difference_mps, sd_mps, power=power)
    if needed is None:
        raise LanepairError("no number of balls up to 100000 shows so small a difference; ask for a larger one")
    per_hand = ceil(needed / block) * block
    order = pd.concat([_order(name, per_hand, block, i) for i, name in enumerate(bowlers)], ignore_index=True)
    return Design(difference_mps, sd_mps, power, per_hand, order, tuple(_cautions(2 * per_hand, limits)))


def _order(bowler: str, per_hand: int, block: int, start: int) -> pd.DataFrame:
    """One bowler's balls: blocks A B B A A B B A ..., so that each pair of blocks has both hands."""
    first, second = ("right", "left") if start % 2 == 0 else ("left", "right")
    pairs = per_hand // block
    hands: list[str] = []
    for i in range(pairs):
        a, b = (first, second) if i % 2 == 0 else (second, first)
        hands += [a] * block + [b] * block
    ball = np.arange(len(hands))
    return pd.DataFrame(
        {"bowler": bowler, "ball": ball + 1, "over_no": ball // 6 + 1, "ball_no": ball % 6 + 1, "batter_hand": hands}
    )


def _cautions(total: int, limits: Sequence[Limit]) -> list[str]:
    passed = [limit for limit in limits if limit.balls_per_session and total > limit.balls_per_session]
    cautions = [
        f"{total} balls pass the {limit.balls_per_session} of a session for {limit.band} "
        f"({limit.source}, {limit.edition}): spread them over {ceil(total / limit.balls_per_session)} sessions"
        for limit in passed
    ]
    if passed:
        cautions.append("these limits are examples and change: the current local guidance and qualified staff decide")
    return cautions
