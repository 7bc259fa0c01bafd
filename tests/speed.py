"""What a run costs over decoding its films alone: processor time, one thread a view, and memory.

    python -m tests.speed                    films one session of 1080 rows first; some minutes
    python -m tests.speed SESSION --times 3  an own session, its films played so many times in a row

Decoding alone is reading every frame of both films with the program's own decoder (PyAV, one thread, luma as it lies).
The run is `lanepair track` as a program of its own, start-up and writing included; its memory is the most it held.
Ratios are steadier than times. Both are taken in turn, so that they meet the same machine.
"""

import argparse
import datetime as dt
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import av
import tomlkit

from tracker.session.folder import read_session
from tracker.simulation.rehearsal import Order, rehearse
from tracker.simulation.rigs import pair
from tracker.simulation.scenes import script
from tracker.vision.video import open_film


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
    """The session with each film played several times over; no log, whose deliveries would be too few."""
    shutil.copytree(source, target, ignore=shutil.ignore_patterns("truth", "log.csv"))
    session = tomlkit.parse((target / "session.toml").read_text())
    session.pop("log", None)
    (target / "session.toml").write_text(tomlkit.dumps(session))
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


def running(folder: Path, out: Path) -> tuple[float, float, float]:
    """Processor seconds, wall seconds and most memory (MB) of `lanepair track`."""
    started = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-m", "tracker", "track", folder, "--out", out, "--quiet"])
    _, _, used = os.wait4(child.pid, 0)
    return used.ru_utime + used.ru_stime, time.perf_counter() - started, used.ru_maxrss / 1024


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("session", nargs="?", type=Path)
    parser.add_argument("--times", type=int, default=3, help="how often each film is played in a row")
    parser.add_argument("--repeat", type=int, default=3, help="measurements; the middle one is printed")
    parser.add_argument("--rig", default="end_on")
    parser.add_argument("--mbps", type=float, default=30.0, help="of the films made here")
    args = parser.parse_args()
    print(f"{dt.date.today()}; {platform.machine()}, {platform.python_version()}", flush=True)
    with tempfile.TemporaryDirectory() as place:
        source = args.session
        if source is None:
            source = Path(place) / "made"
            scene = replace(script(["plain"]), bit_rate_mbps=args.mbps)
            rehearse(source, pair(args.rig, rows=1080), scene, Order(120.0, 4, 7001), lambda stage, done, total: None)
        folder = lengthened(source, Path(place) / "long", args.times)
        running(folder, Path(place) / "warm")  # compiles, once for ever
        print("| film s | frames | Mb/s | decoding s | run s | run / decoding | wall s | memory MB |")
        print("| --- | --- | --- | --- | --- | --- | --- | --- |")
        rows = []
        for number in range(args.repeat):
            decoding, frames, rate, lasting = decoding_s(folder)
            spent, wall, memory = running(folder, Path(place) / f"out{number}")
            rows.append((spent / decoding, decoding, spent, wall, memory))
        ratio, decoding, spent, wall, memory = sorted(rows)[len(rows) // 2]
        cells = f"| {lasting:.0f} | {frames} | {rate:.0f} | {decoding:.1f} | {spent:.1f} | {ratio:.2f} | {wall:.1f} "
        print(f"{cells}| {memory:.0f} |", flush=True)


if __name__ == "__main__":
    main()
