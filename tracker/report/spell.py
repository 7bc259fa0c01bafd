"""What a report is about: one bowler's balls in one run, with what is known around them."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from calibration.lane import MPH_MPS, PITCH_LENGTH_M
from tracker.analysis.measures import movement_words
from tracker.analysis.zones import Box
from tracker.records import Bools, Floats


@dataclass(frozen=True, slots=True)
class Gap:
    """A difference with its 95 % interval, left-handers minus right-handers, m/s."""

    label: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Spell:
    """One bowler's balls, in order.

    rows            deliveries.csv's columns (docs/files.md), numbers as floats, text as str
    pitch_length_m  bowling crease to bowling crease
    boxes           targets on the pitch and at the stumps, scaled to this pitch
    gaps            speed by the batter's hand: raw first, then adjusted; empty where it cannot be had
    verdict         what the gaps say, one sentence
    margin_mps      a difference this small counts as none
    junior_stumps   whether the wickets are of the junior size
    """

    bowler: str
    rows: pd.DataFrame
    pitch_length_m: float = PITCH_LENGTH_M
    boxes: tuple[Box, ...] = ()
    gaps: tuple[Gap, ...] = ()
    verdict: str = ""
    margin_mps: float = MPH_MPS
    junior_stumps: bool = False

    def boxes_on(self, surface: str) -> tuple[Box, ...]:
        """The targets on the pitch ("pitch") or at the stumps ("stumps"), whole ones: halves are for the table."""
        names = {box.name for box in self.boxes}
        whole = [box for box in self.boxes if box.name.rpartition(": ")[0] not in names]
        return tuple(box for box in whole if box.surface == surface)

    @property
    def movement(self) -> tuple[str, str]:
        """What movement in the air and off the pitch is called for the style that most of the balls have in the log."""
        styles = [word for word in (w.strip().lower() for w in self.words("style")) if word]
        return movement_words(max(sorted(set(styles)), key=styles.count) if styles else "")

    def column(self, name: str) -> Floats:
        """A number column as floats; NaN throughout where the table has not got it."""
        if name not in self.rows:
            return np.full(len(self.rows), np.nan)
        return pd.to_numeric(self.rows[name], errors="coerce").to_numpy(float, na_value=np.nan)

    def words(self, name: str) -> list[str]:
        """A text column; "" where it is empty or missing."""
        if name not in self.rows:
            return [""] * len(self.rows)
        return ["" if pd.isna(v) else f"{v:g}" if isinstance(v, float) else str(v) for v in self.rows[name]]

    def said(self, name: str, answer: str) -> Bools:
        """Where a text or true/false column gives this answer."""
        return np.array([w.lower() == answer for w in self.words(name)], bool)

    @property
    def doubtful(self) -> Bools:
        """Rows to be marked: not everything could be measured, or nothing."""
        return ~self.said("status", "ok")

    def hands(self) -> Iterator[tuple[str, Bools]]:
        """The batter's hands that occur ("right", "left", "" for no batter) and their rows."""
        for hand in ("right", "left", ""):
            rows = self.said("batter_hand", hand)
            if rows.any():
                yield hand, rows

    def toward_off(self, name: str) -> Floats:
        """A sideways column turned so that + is the batter's off side; without a batter as to a right-hander."""
        turned: Floats = np.where(self.said("batter_hand", "left"), -1.0, 1.0) * self.column(name)
        return turned
