"""`lanepair demo`: the main job on the sample session, with pictures and what to do next."""

import argparse
from pathlib import Path

from rich.console import Console

from calibration.errors import LanepairError
from tracker.commands.track import exit_code, track_into
from tracker.pipeline import Options
from tracker.records import Run
from tracker.report.charts_delivery import delivery_picture
from tracker.session.folder import read_session
from tracker.session.runs import check_out
from tracker.settings import Settings

SAMPLE = "sample_frames"
NEXT = """What next:
  look at the pictures      {out}/pictures/delivery_01.png and on
  compare the hands         lanepair compare {out} --out {out}-compare
  a page for each bowler    lanepair report {out}
  your own session          lanepair new my_session, then lanepair track my_session --out results
The session is invented: drawn by `lanepair simulate`, bowlers and all."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("--session", type=Path, metavar="SESSION", help="another session than the sample")
    parser.add_argument("--out", type=Path, default=Path("lanepair-demo"), metavar="OUT", help="folder for the results")


def run(args: argparse.Namespace) -> int:
    """Track the sample, draw every delivery, say what to do next."""
    session = read_session(args.session or sample_folder())
    check_out(args.out, session.folder)

    def draw(folder: Path, run: Run) -> None:
        (folder / "pictures").mkdir()
        for delivery in run.deliveries:
            delivery_picture(delivery, session.rig, folder / "pictures" / f"delivery_{delivery.number:02d}.png")

    result, disagreements = track_into(session, args.out, Settings(), Options(), also=draw)
    Console().print(NEXT.format(out=args.out), markup=False, highlight=False, soft_wrap=True)  # to be copied
    return exit_code(result, disagreements)


def sample_folder() -> Path:
    """The sample session: in the present folder, or beside the package in a checkout."""
    for place in (Path(SAMPLE), Path(__file__).parents[2] / SAMPLE):
        if (place / "session.toml").exists():
            return place
    raise LanepairError(f"{SAMPLE}/session.toml is not here: run this in lanepair's own folder, or name a --session")
