"""Deliveries bowled per session, day and week against limits that the coach fills in.

A limits file is a CSV table, one row a band: `band, bowlers, balls_per_session, balls_per_day, balls_per_week,
days_per_week, source, edition, note`; `bowlers` lists names divided by semicolons, an empty number sets no limit, a
line that begins with # is a comment.
The example in youth_workload_example.csv is published youth guidance with source and date, and names no bowlers: the
current local guidance and qualified staff decide. Every ball bowled counts, measured or not; what was bowled elsewhere
is not known.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from calibration.errors import InputError, nearest
from tracker.analysis.tables import bowled
from tracker.session.cells import read_rows_of_words

EXAMPLE = Path(__file__).with_name("youth_workload_example.csv")
CAUTION = (
    "counts only balls filmed here; limits are the coach's: the current local guidance and qualified staff decide, "
    "and pain or growth calls for less"
)
NUMBERS = ("balls_per_session", "balls_per_day", "balls_per_week", "days_per_week")
COLUMNS = ("band", "bowlers", *NUMBERS, "source", "edition", "note")


@dataclass(frozen=True, slots=True)
class Limit:
    """One band; 0 is no limit."""

    band: str
    bowlers: tuple[str, ...]
    balls_per_session: int
    balls_per_day: int
    balls_per_week: int
    days_per_week: int
    source: str
    edition: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Passed:
    """A limit that was passed: `count` of `limit` in the session, on the day or in the seven days from `start`."""

    bowler: str
    band: str
    what: str
    start: str
    count: int
    limit: int


def read_limits(path: Path = EXAMPLE) -> tuple[Limit, ...]:
    """The rows of a limits file, checked."""
    rows = read_rows_of_words(path, COLUMNS, ("band", "bowlers"), "copy the example and fill it in")
    return tuple(_limit(path, line, row) for line, row in rows)


def _limit(path: Path, line: int, row: dict[str, str]) -> Limit:
    def count(column: str) -> int:
        text = row.get(column, "")
        if text and not text.isdecimal():
            raise InputError(path, f'line {line}: {column} is "{text}"', "a whole number or an empty cell is needed")
        return int(text or 0)

    band, source, edition, note = (row.get(column, "") for column in ("band", "source", "edition", "note"))
    session, day, week, days = (count(column) for column in NUMBERS)
    named = tuple(name for name in map(str.strip, row["bowlers"].split(";")) if name)
    return Limit(band, named, session, day, week, days, source, edition, note)


def daily_counts(rows: pd.DataFrame) -> pd.DataFrame:
    """Balls bowled by bowler, date and session: every row but thrown and machine-fed ones."""
    named = rows[bowled(rows) & (rows["bowler"] != "")]
    return named.groupby(["bowler", "date", "session"], as_index=False).size().rename(columns={"size": "balls"})


def passed_limits(counts: pd.DataFrame, limits: Sequence[Limit]) -> list[Passed]:
    """Every session, day and seven days in which a bowler of a band bowled more than its limit.

    A run of seven days is reported once, at the day on which the limit was first passed.
    """
    found: list[Passed] = []
    for limit in limits:
        for bowler in limit.bowlers:
            mine = counts[counts["bowler"] == bowler]
            if len(mine):
                found += _one_bowler(bowler, mine, limit)
    return found


def limit_notes(counts: pd.DataFrame, limits: Sequence[Limit]) -> list[str]:
    """Whom the limits do not reach: names in the file that bowled nothing, bowlers that no band lists."""
    bowled = sorted(set(counts["bowler"].astype(str)))
    listed = {name: limit.band for limit in limits for name in limit.bowlers}
    notes = [
        f'limits: "{name}" ({band}) bowled nothing here; {nearest(name, bowled)} (several names: divide by semicolons)'
        for name, band in listed.items()
        if name not in bowled
    ]
    free = [name for name in bowled if name not in listed]
    return [*notes, f"limits: no band lists {', '.join(free)}"] if limits and free else notes


def _one_bowler(bowler: str, mine: pd.DataFrame, limit: Limit) -> list[Passed]:
    by_day = mine.groupby("date", as_index=False)["balls"].sum()
    found = []
    for what, bound, table in (("session", limit.balls_per_session, mine), ("day", limit.balls_per_day, by_day)):
        over = table[table["balls"] > bound] if bound else table[:0]
        found += [
            Passed(bowler, limit.band, what, str(date), int(balls), bound)
            for date, balls in zip(over["date"], over["balls"], strict=True)
        ]
    days = {dt.date.fromisoformat(str(d)): int(b) for d, b in zip(by_day["date"], by_day["balls"], strict=True)}
    for what, bound, count in (
        ("week", limit.balls_per_week, days),
        ("days in a week", limit.days_per_week, dict.fromkeys(days, 1)),
    ):
        for start, total in _weeks_over(count, bound) if bound else ():
            found.append(Passed(bowler, limit.band, what, start.isoformat(), total, bound))
    return found


def _weeks_over(count: dict[dt.date, int], bound: int) -> Iterator[tuple[dt.date, int]]:
    """Starts of seven days that end on the day on which the bound is passed; the next begins after it."""
    free_from = dt.date.min
    for last in sorted(count):
        start = last - dt.timedelta(days=6)
        total = sum(count.get(start + dt.timedelta(days=i), 0) for i in range(7))
        if last >= free_from and total > bound:
            yield start, total
            free_from = last + dt.timedelta(days=7)
