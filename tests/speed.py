"""What a run costs over decoding its films alone: processor time, one thread a view, and memory.

    python -m tests.speed                    films one session of 1080 rows first; some minutes
    python -m tests.speed SESSION --times 3  an own session, its films played so many times in a row
    python -m tests.speed --idle --times 5   ten minutes of a ball every half minute, idle film passed over

Decoding alone is reading every frame of both films with the program's own decoder (PyAV, one thread, luma as it lies).
The run is `lanepair track` as a program of its own, start-up and writing included; its memory is the most it held.
Ratios are steadier than times. Both are taken in turn, so that they meet the same machine.
"""

import argparse
import datetime as dt
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from operator import itemgetter
from pathlib import Path

import av
import pandas as pd

from tracker.session.folder import read_session
from tracker.simulation.rehearsal import Order, rehearse
from tracker.simulation.rigs import pair
from tracker.simulation.scenes import script
from tracker.vision.video import open_film


def made(folder: Path, rig: str, mbps: float, idle: bool) -> Path:
    """A session filmed for this: balls 5 s apart, or half a minute apart with a key frame a second."""
    scene = replace(script(["plain"]), bit_rate_mbps=mbps)
    if idle:
        scene = replace(scene, spacing_s=30.0, lead_s=15.0, tail_s=13.0, gop_s=1.0)
    fps = 60.0 if idle else 120.0
    rehearse(folder, pair(rig, rows=1080), scene, Order(fps, 4, 7001), lambda stage, done, total: None)
    return folder


def play_again(source: Path, target: Path, times: int) -> None:
    """The film `times` in a row, its packets copied as they are."""
    with av.open(str(target), "w") as out:
        stream, shift = None, 0
        for _ in range(times):
            with av.open(str(source)) as film:
                own = film.streams.video[0]
                stream = stream or out.add_stream_from_template(own)
                end = shift
                for packet in film.demux(own):
                    if packet.dts is None:
                        continue
                    packet.pts, packet.dts, packet.stream = packet.pts + shift, packet.dts + shift, stream
                    end = max(end, packet.pts + packet.duration)
                    out.mux(packet)
                shift = end


def lengthened(source: Path, target: Path, times: int) -> Path:
    """The session of one clip with each film played several times over, and its log as often."""
    shutil.copytree(source, target, ignore=shutil.ignore_patterns("truth"))
    if (source / "log.csv").is_file():
        log = pd.concat([pd.read_csv(source / "log.csv", dtype=str)] * times, ignore_index=True)
        log["delivery"] = range(1, len(log) + 1)
        log.to_csv(target / "log.csv", index=False)
    for clip in read_session(source).clips:
        for path in (clip.left, clip.right):
            play_again(path, target / path.relative_to(source), times)
    return target


def decoding_s(folder: Path) -> tuple[float, int, float, float]:
    """Processor seconds of reading all films, frames, their mean bit rate in Mb/s and seconds of film."""
    session, frames, size, lasting = read_session(folder), 0, 0, 0.0
    started = time.process_time()
    for clip in session.clips:
        for path, fps in ((clip.left, clip.left_fps), (clip.right, clip.right_fps)):
            film = open_film(path, fps, clip.time_scale)
            frames += sum(1 for _ in film)
            lasting += float(film.report().stamps_s[-1])
            size += path.stat().st_size
    return time.process_time() - started, frames, size * 8e-6 / lasting, lasting / 2


def running(folder: Path, out: Path, *more: str) -> tuple[float, float, float]:
    """Processor seconds, wall seconds and most memory (MB) of `lanepair track`."""
    started = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-m", "tracker", "track", folder, "--out", out, "--quiet", *more])
    _, _, used = os.wait4(child.pid, 0)
    return used.ru_utime + used.ru_stime, time.perf_counter() - started, used.ru_maxrss / 1024


def read_share(out: Path) -> tuple[float, int]:
    """Share of the films' frames that a run read, and how many deliveries it measured."""
    films = [film for clip in json.loads((out / "run.json").read_text())["clips"] for film in clip["films"]]
    frames = sum(film["frames"] for film in films)
    read = sum(film["notes"].get("frames_read", film["frames"]) for film in films)
    return read / frames, len(pd.read_csv(out / "deliveries.csv"))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("session", nargs="?", type=Path)
    parser.add_argument("--times", type=int, default=3, help="how often each film is played in a row")
    parser.add_argument("--repeat", type=int, default=3, help="measurements; the middle one is printed")
    parser.add_argument("--rig", default="end_on")
    parser.add_argument("--mbps", type=float, default=30.0, help="of the films made here")
    parser.add_argument("--idle", action="store_true", help="a ball every half minute; idle film may be passed over")
    args = parser.parse_args()
    print(f"{dt.date.today()}; {platform.machine()}, {platform.python_version()}", flush=True)
    with tempfile.TemporaryDirectory() as place:
        source = args.session
        if source is None:
            source = made(Path(place) / "made", args.rig, args.mbps, args.idle)
        folder = lengthened(source, Path(place) / "long", args.times)
        options = () if args.idle else ("--decode-all",)
        running(source, Path(place) / "warm")  # compiles, once for ever
        head = ("film s", "frames", "Mb/s", "read %", "found", "decoding s", "run s", "run / decoding", "wall s", "MB")
        print("| " + " | ".join(head) + " |\n|" + " --- |" * len(head))
        rows = []
        for number in range(args.repeat):
            out = Path(place) / f"out{number}"
            decoding, frames, rate, lasting = decoding_s(folder)
            spent, wall, memory = running(folder, out, *options)
            share, found = read_share(out)
            rows.append((lasting, frames, rate, 100 * share, found, decoding, spent, spent / decoding, wall, memory))
        middle = sorted(rows, key=itemgetter(head.index("run / decoding")))[len(rows) // 2]
        forms = (".0f", ".0f", ".0f", ".0f", ".0f", ".1f", ".1f", ".2f", ".1f", ".0f")
        print("| " + " | ".join(map(format, middle, forms)) + " |", flush=True)


if __name__ == "__main__":
    main()
