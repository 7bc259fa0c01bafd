"""How often something that nobody bowled is reported: paired films of a dozen scenes through the whole pipeline.

    python -m tests.false_alarms                    36 films of about a minute; some hours on two cores
    python -m tests.false_alarms --rigs side --scenes nobody+netting,underarm --keep FOLDER

Some scenes hold deliveries among what is none: thrown and rolled balls, people, nets. Whatever is reported within
`tests.accuracy.SAME_S` of a true release is right, all else false. With none in t hours the rate is below 3.0 / t with
95 % confidence, with k it is the 95 % upper limit of a Poisson mean over t (Garwood 1936, Biometrika 28, from memory).
"""

import argparse
import datetime as dt
import platform
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import chi2

from tests.accuracy import SAME_S, rehearsed
from tracker.pipeline import Options, measure_session
from tracker.session.folder import read_session
from tracker.settings import Settings
from tracker.simulation.rigs import pair
from tracker.simulation.scenes import bowled, script

SCENES = {  # deliveries asked for; a minute each, more or less
    "nobody": 0,
    "nobody+netting": 0,
    "nobody+flicker_strong": 0,
    "nobody+steps": 0,
    "nobody+dim": 0,
    "nobody+low_rate": 0,
    "throw_back+walkers": 8,
    "roll_back+walkers": 7,
    "underarm+walkers": 8,
    "crossing+netting": 12,
    "floor_ball+walkers": 12,
    "idle+netting": 2,
}


@dataclass(frozen=True)
class Count:
    """What a film gave: its length, true deliveries, those found, and reports of none."""

    lasting_s: float
    true: int
    found: int
    false: int


def count(folder: Path) -> Count:
    """Measure a session and compare it with its truth."""
    session = read_session(folder)
    run = measure_session(session, Settings(), Options(decode_all=True), lambda stage, done, total: None)
    starts = pd.read_csv(folder / "truth" / "deliveries.csv")["start_s"].to_numpy(float)
    reported = np.array([d.start_s for d in run.deliveries])
    found = sum(bool((abs(reported - start) < SAME_S).any()) for start in starts)
    lasting_s = float(run.clips[0].films[0].stamps_s[-1])
    return Count(lasting_s, len(starts), found, len(reported) - found)


def upper_rate_per_h(false: int, hours: float) -> float:
    """95 % upper confidence limit of a rate.

    >>> round(upper_rate_per_h(0, 0.5), 2)
    5.99
    """
    return float(chi2.ppf(0.95, 2 * (false + 1)) / 2 / hours)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rigs", default="end_on,side,crossing")
    parser.add_argument("--scenes", default=",".join(SCENES))
    parser.add_argument("--fps", type=float, default=50.0)
    parser.add_argument("--rows", type=int, default=720)
    parser.add_argument("--seed", type=int, default=9501)
    parser.add_argument("--keep", type=Path, help="folder for the films, which are used again where they are there")
    args = parser.parse_args()
    print(f"seeds from {args.seed}; {dt.date.today()}; {platform.machine()}, {platform.python_version()}", flush=True)
    print("| scene | rig | minutes | true | found | false |\n| --- | --- | --- | --- | --- | --- |", flush=True)
    total = list[Count]()
    for i, name in enumerate(args.scenes.split(",")):
        scenes = name.split("+")
        for rig in args.rigs.split(","):
            with tempfile.TemporaryDirectory() as place:
                folder = (args.keep or Path(place)) / f"{rig}_{args.rows}_{args.fps:g}_{name}_{args.seed + i}"
                if not folder.exists():
                    wanted = bowled(script(scenes), SCENES.get(name, 6))
                    rehearsed(folder, pair(rig, rows=args.rows), scenes, args.fps, wanted, args.seed + i)
                one = count(folder)
            total.append(one)
            cells = f"{one.lasting_s / 60:.1f} | {one.true} | {one.found} | {one.false} |"
            print(f"| {name.replace('+', ', ')} | {rig} | {cells}", flush=True)
    hours, false = sum(one.lasting_s for one in total) / 3600, sum(one.false for one in total)
    found, true = sum(one.found for one in total), sum(one.true for one in total)
    print(f"{60 * hours:.1f} minutes: {found} of {true} found, {false} false; ", end="")
    print(f"with 95 % confidence fewer than {upper_rate_per_h(false, hours):.1f} false ones an hour")


if __name__ == "__main__":
    main()
