"""`lanepair new`: a session folder with commented files to fill in. Nothing that is there is ever overwritten."""

import argparse
import datetime as dt
import shlex
from importlib.resources import files
from pathlib import Path

from calibration.errors import InputError

TEMPLATES = {  # in the folder: among the templates
    "session.toml": "session.toml",
    "log.csv": "log.csv",
    "calibration/calibration.toml": "calibration.toml",
    "calibration/marks.csv": "marks.csv",
}
NEXT = """\
next: calibrate the pair    lanepair calibrate {folder}/calibration --out {folder}/rig.toml
      name the films        {folder}/session.toml
      note who bowled       {folder}/log.csv, one row a ball
      measure               lanepair track {folder} --out {out}"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="where to lay it; made if it is not there")


def run(args: argparse.Namespace) -> int:
    """Lay the files and say what comes next."""
    folder: Path = args.folder
    for name in TEMPLATES:
        if (folder / name).exists():
            raise InputError(folder / name, "is there already and is kept", "name another folder, or move that file")
    try:
        for name, template in TEMPLATES.items():
            text = files("tracker.session").joinpath("templates", template).read_text(encoding="utf-8")
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            with (folder / name).open("x", encoding="utf-8", newline="\n") as file:
                file.write(text.replace("{date}", dt.date.today().isoformat()))
            print(folder / name)
    except OSError as e:
        raise InputError(folder, f"cannot be written ({e.strerror})", "name another folder") from None
    out = folder.with_name(f"{folder.name}-measured") if folder.name else Path("measured")
    print(NEXT.format(folder=shlex.quote(str(folder)), out=shlex.quote(str(out))))
    return 0
