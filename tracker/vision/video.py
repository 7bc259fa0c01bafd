"""Films and folders of pictures, read frame by frame: the luma plane as it was decoded, and the container's own stamps.

One thread, no copy: the plane's memory belongs to the decoder and stays valid as long as the Frame is kept. Times are
the container's presentation stamps, never a frame count over a rate, unless the session states the rate
(docs/files.md: tau = time_scale x (stamp - the file's first stamp), or k / fps).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import av
import numpy as np
from av.stream import Disposition
from numpy.typing import NDArray

from calibration.errors import InputError
from tracker.records import FilmReport
from tracker.vision.packets import Outline, Passages, key_packets, needed
from tracker.vision.planes import Bytes, luma_plane, picture_planes, redness_plane, stored_picture

IMAGE_SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
RATE_DOUBT = 0.1  # a stated rate may differ this much from the film's own: a share of it
NO_MORE: Any = object()
NO_STAMP = 0
KEYS_APART_S = 0.4
MAX_FAULTS = 1000  # packets that cannot be decoded before a film is given up


@dataclass(frozen=True, eq=False, slots=True)
class Frame:
    """One picture.

    index    its number in the film, from 0; in a folder the file's number minus the smallest
    stamp_s  true seconds from the film's first frame
    plane    (height, stride) uint8, contiguous; columns from `width` on are padding
    redness  (height / 2, ...) uint8, the film's Cr, 128 for grey; None without colour
    """

    index: int
    stamp_s: float
    plane: Bytes
    width: int
    redness: Bytes | None = None

    @property
    def luma(self) -> Bytes:
        """The picture (height, width), a view of the plane."""
        return self.plane[:, : self.width]


class Film(Protocol):
    """What `open_film` gives: iterate once for the frames, then ask for the report.

    size_px   (width, height) of the stored picture
    fps       true frames a second as far as the container or the session knows; only a first guess
    promised  frames the container promises; 0: unknown
    """

    path: Path
    size_px: tuple[int, int]
    fps: float
    promised: int

    def stamps(self) -> NDArray[np.float64]:
        """The frames' stamps (n,), true seconds from the first, read without decoding; empty where that cannot be."""

    def key_frames(self) -> Iterator[Frame]:
        """Frames that decode without their neighbours, half a second or so apart; none where the film has none."""

    def only(self, passages: Passages) -> None:
        """Read nothing but what lies in these passages."""

    def __iter__(self) -> Iterator[Frame]:
        """The frames in order of time: all, or those of the passages asked for."""

    def report(self) -> FilmReport:
        """What reading told so far."""


def open_film(path: str | Path, fps: float | None = None, time_scale: float = 1.0) -> Film:
    """Open a video file or a folder of numbered pictures.

    Parameters
    ----------
    path : a file, or a folder of png, jpg or tif
    fps : true frames a second; needed for a folder, overrides a video's stamps
    time_scale : true seconds per stored second, for a film stored slowed down

    Raises
    ------
    InputError
        Missing, not a film, without frames, or a stated rate that contradicts the film.
    """
    path = Path(path)
    if fps is not None and not 0 < fps < 1e6:
        raise InputError(path, f"fps is {fps:g}", "it is the number of frames a second: a positive number")
    if not 0 < time_scale < 1e3:
        raise InputError(path, f"time_scale is {time_scale:g}", "it is true seconds per stored second: above 0")
    if path.is_dir():
        return _Pictures.open(path, fps)
    if not path.is_file():
        raise InputError(path, "no such film", "mend left or right in session.toml")
    return _Video.open(path, fps, time_scale)


@dataclass(eq=False)
class _Reading:
    """What is gathered while a film is read."""

    path: Path
    size_px: tuple[int, int]
    fps: float
    promised: int
    stamps_s: list[float] = field(default_factory=list)
    damaged: str = ""
    notes: dict[str, Any] = field(default_factory=dict)

    def report(self) -> FilmReport:
        """What reading told so far."""
        stamps = np.array(self.stamps_s, float)
        return FilmReport(str(self.path), len(stamps), self.promised, stamps, self.damaged, dict(self.notes))


@dataclass(eq=False)
class _Video(_Reading):
    stated_fps: float | None = None
    time_scale: float = 1.0
    promised_s: float = 0.0  # how long the container says that it lasts, true seconds; 0: unknown
    passages: Passages | None = None

    @classmethod
    def open(cls, path: Path, stated_fps: float | None, time_scale: float) -> "_Video":
        with _container(path) as container:
            stream = _stream(container)
            rate = float(stream.average_rate or stream.guessed_rate or 0) / time_scale
            promised, promised_s = _promised(container, stream)
            codec = stream.codec_context.codec
            notes = {
                "codec": codec.name,
                "intra_only": codec.intra_only,
                "bit_rate": stream.bit_rate or container.bit_rate,
            }
            film = cls(path, (stream.width, stream.height), stated_fps or rate, promised, notes=notes)
        film.stated_fps, film.time_scale, film.promised_s = stated_fps, time_scale, promised_s * time_scale
        if stated_fps is not None and rate > 0 and abs(stated_fps / rate - 1) > RATE_DOUBT:
            plays = rate * time_scale
            raise InputError(
                path,
                f"fps is stated as {stated_fps:g}, the film plays {plays:.4g} a second",
                f"say time_scale = {plays / stated_fps:.4g} if it is stored slowed down, or leave fps out",
            )
        next(iter(film), None)
        if not film.stamps_s:
            raise InputError(path, "holds no frame that can be decoded", film.damaged or "film it again")
        film.fps = film.fps if film.fps > 0 else 30.0
        return film

    def stamps(self) -> NDArray[np.float64]:
        """The stamps of all packets in order of time."""
        return self._outline().stamps_s

    def _outline(self) -> Outline:
        with _container(self.path) as container:
            stream = _stream(container)
            unit_s, blind = float(stream.time_base) * self.time_scale, _stores_order_only(container)
            return Outline.of(container.demux(stream), unit_s, self.stated_fps, blind)

    def key_frames(self) -> Iterator[Frame]:
        """Key frames, as far as they are sound."""
        outline = self._outline()
        with _container(self.path) as container:
            stream = _stream(container)
            for packet in key_packets(container.demux(stream), outline, KEYS_APART_S) if len(outline.keys) else ():
                try:
                    pictures = packet.decode()
                except av.error.FFmpegError:
                    continue  # told when the film is read
                for picture in pictures:
                    number = outline.number(picture.pts)
                    yield Frame(number, float(outline.stamps_s[number]), luma_plane(picture), picture.width)

    def only(self, passages: Passages) -> None:
        """Read nothing but what lies in these passages."""
        self.passages = passages

    def __iter__(self) -> Iterator[Frame]:
        self.stamps_s, self.damaged = [], ""
        first: float | None = None
        outline = None if self.passages is None else self._outline()
        with _container(self.path) as container:
            stream = _stream(container)
            unit = float(stream.time_base)
            in_order = self._outline().pts if _stores_order_only(container) else ()
            for index, picture in enumerate(self._decoded(container, stream, outline)):
                if index == 0:
                    self.notes["rotation_deg"] = int(picture.rotation)
                    self.notes["pixels"] = picture.format.name
                if outline is not None:
                    index = outline.number(picture.pts)
                    true_s = float(outline.stamps_s[index])
                else:
                    stamp = picture.pts if picture.pts is not None else picture.dts
                    stamp = in_order[index] if index < len(in_order) else stamp
                    own = stamp * unit if stamp is not None else index / self.fps
                    first = own if first is None else first
                    true_s = index / self.stated_fps if self.stated_fps else (own - first) * self.time_scale
                if (picture.width, picture.height) != self.size_px:
                    self.damaged = f"the picture changes size at {true_s:.2f} s; read up to there"
                    return
                self.stamps_s.append(true_s)
                yield Frame(index, true_s, luma_plane(picture), picture.width, redness_plane(picture))
        if outline is not None:
            self.notes["frames_read"], self.stamps_s = len(self.stamps_s), outline.stamps_s.tolist()
        self._judge_length()

    def _decoded(self, container: Any, stream: Any, outline: Outline | None) -> Iterator[Any]:
        """Every picture that can be had; what cannot is told in `damaged`."""
        faults, corrupt = 0, 0
        packets: Iterator[tuple[Any, int]] = ((packet, NO_STAMP) for packet in container.demux(stream))
        if outline is not None:
            packets = needed(container.demux(stream), outline, self.passages or ())
        while faults < MAX_FAULTS:
            try:
                packet, sound_from = next(packets, (NO_MORE, 0))
                if packet is NO_MORE:
                    break
                pictures = packet.decode() if packet is not None else _emptied(stream.codec_context)
            except av.error.FFmpegError as fault:
                faults += 1
                at = f"{self.stamps_s[-1]:.2f} s" if self.stamps_s else "the start"
                self.damaged = self.damaged or f"damaged near {at} ({fault.strerror})"
                if isinstance(fault, av.error.EOFError):
                    break
                continue
            for picture in pictures:
                if outline is not None and picture.pts < sound_from:
                    continue
                corrupt += bool(picture.is_corrupt)
                yield picture
        self.notes["faults"], self.notes["corrupt_frames"] = faults, corrupt
        if corrupt and not self.damaged:
            self.damaged = "1 frame is damaged" if corrupt == 1 else f"{corrupt} frames are damaged"

    def _judge_length(self) -> None:
        end, last_s = "", self.stamps_s[-1] if self.stamps_s else 0.0
        told_s = 0.0 if self.stated_fps else self.promised_s
        lasts = told_s > 0 and told_s - last_s <= max(3 / (self.fps or 30.0), 0.01 * told_s)  # then gaps are drops
        if not lasts and self.promised - len(self.stamps_s) > max(2, 0.01 * self.promised):
            end = f"{len(self.stamps_s)} of {self.promised} frames could be read"
        elif not lasts and told_s > 0 and not self.promised:
            end = f"{last_s:.1f} of {told_s:.1f} s could be read"
        if end:
            self.damaged = f"{self.damaged}; {end}" if self.damaged else f"cut short: {end}"


def _promised(container: Any, stream: Any) -> tuple[int, float]:
    """Frames that the container promises, or else for how long, stored seconds; 0: it does not say."""
    length_s = float(stream.duration * stream.time_base) if stream.duration else 0.0
    rate = float(stream.average_rate or stream.guessed_rate or 0)
    if container.format.name == "avi" and stream.guessed_rate:
        rate = min(rate, float(stream.guessed_rate))  # an AVI's header counts the empty pieces between frames too
        return min(stream.frames, round(length_s * rate)), length_s
    if stream.frames and length_s:  # a film that was trimmed without coding it anew still holds what it does not show
        return min(stream.frames, round(length_s * rate)), 0.0
    told = re.fullmatch(r"(\d+):(\d\d):(\d\d\.\d+)", stream.metadata.get("DURATION", ""))  # Matroska: of its end
    if stream.frames or length_s or not told:
        return stream.frames or round(length_s * rate), 0.0
    hours, minutes, seconds = map(float, told.groups())
    return 0, 3600 * hours + 60 * minutes + seconds - float((stream.start_time or 0) * stream.time_base)


def _stores_order_only(container: Any) -> bool:
    """AVI has no stamps for the frames of a film that shows them in another order than it stores them."""
    return container.format.name == "avi" and bool(_stream(container).codec_context.has_b_frames)


def _moves(stream: Any) -> bool:
    """Whether a stream of pictures is a film, not a cover."""
    return not stream.disposition & Disposition.attached_pic


def _stream(container: Any) -> Any:
    """The first film in a container that has one."""
    return next(filter(_moves, container.streams.video))


def _container(path: Path) -> Any:
    """An open container with at least one picture stream, decoding in the caller's thread."""
    try:
        container = av.open(str(path), metadata_errors="replace")
    except av.error.FFmpegError as fault:
        raise InputError(path, *_why_unreadable(path, fault.strerror)) from None
    except OSError as fault:
        raise InputError(path, f"cannot be read ({fault.strerror})") from None
    if not any(map(_moves, container.streams.video)):
        container.close()
        raise InputError(path, "has no pictures in it", "name a video file")
    stream = _stream(container)
    if stream.codec_context is None or not stream.width or not stream.height:
        container.close()
        raise InputError(path, "holds no picture that can be decoded", "name a video file")
    stream.thread_type = "NONE"
    return container


def _why_unreadable(path: Path, reason: str) -> tuple[str, str]:
    """What is wrong with a file that does not open as a film, and how to mend it."""
    try:
        with path.open("rb") as file:
            head = file.read(12)
    except OSError as fault:
        return f"cannot be read ({fault.strerror})", ""
    if not head:
        return "is empty", "copy it again from the camera"
    if head[4:8] == b"ftyp":  # MP4 and MOV keep their index at the end (ISO/IEC 14496-12, from memory)
        return "is cut short: the index at its end is missing", "copy it again, or let the camera mend it"
    return f"is not a film that can be read ({reason})", "name a video file"


def _emptied(decoder: Any) -> list[Any]:
    """The pictures that a decoder still holds; it is made ready for a fresh start."""
    pictures: list[Any] = decoder.decode(None)
    decoder.flush_buffers()
    return pictures


@dataclass(eq=False)
class _Pictures(_Reading):
    files: list[tuple[int, Path]] = field(default_factory=list)

    @classmethod
    def open(cls, path: Path, fps: float | None) -> "_Pictures":
        files = _numbered(path)
        if fps is None:
            raise InputError(path, "is a folder of pictures and no rate is given", "say fps = ... in session.toml")
        first = stored_picture(files[0][1])
        if first is None:
            raise InputError(files[0][1], "is not a picture that can be read", "write it again as png, jpg or tif")
        promised = files[-1][0] - files[0][0] + 1
        size = (first.shape[1], first.shape[0])
        return cls(
            path, size, fps, promised, notes={"codec": "pictures", "dropped": promised - len(files)}, files=files
        )

    def key_frames(self) -> Iterator[Frame]:
        """None: a folder of pictures is read whole."""
        return iter(())

    def only(self, passages: Passages) -> None:
        """A folder of pictures is read whole."""

    def stamps(self) -> NDArray[np.float64]:
        """Even, by the files' numbers."""
        return (np.array([number for number, _ in self.files], float) - self.files[0][0]) / self.fps

    def __iter__(self) -> Iterator[Frame]:
        self.stamps_s, self.damaged = [], ""
        shift: int | None = None
        unread: list[str] = []
        for number, file in self.files:
            picture = stored_picture(file)
            if picture is None:
                unread.append(file.name)
                continue
            if picture.shape[:2] != self.size_px[::-1]:
                size = f"{picture.shape[1]} x {picture.shape[0]}"
                raise InputError(file, f"is {size} pixels, the first is {self.size_px[0]} x {self.size_px[1]}")
            if picture.dtype != np.uint8:
                shift = (4 if picture.max() < 4096 else 8) if shift is None else shift  # 12 bits are kept low by some
                picture = np.minimum(picture >> shift, 255).astype(np.uint8)
            index = number - self.files[0][0]
            self.stamps_s.append(index / self.fps)
            luma, redness = picture_planes(picture)
            yield Frame(index, index / self.fps, luma, picture.shape[1], redness)
        if unread:
            self.damaged = f"{len(unread)} pictures could not be read, the first is {unread[0]}"


def _numbered(path: Path) -> list[tuple[int, Path]]:
    """The pictures of a folder by the last number in their names."""
    found: dict[int, Path] = {}
    for file in sorted(path.iterdir()):
        if file.suffix.lower() not in IMAGE_SUFFIXES or file.name.startswith("."):
            continue
        digits = re.findall(r"\d+", file.stem)
        if not digits:
            raise InputError(file, "has no number in its name", "number the pictures: frame_000001.png")
        number = int(digits[-1])
        if number in found:
            raise InputError(file, f"has the same number as {found[number].name}", "keep one film to a folder")
        found[number] = file
    if not found:
        raise InputError(path, "holds no pictures", "png, jpg or tif files with numbers in their names are needed")
    return sorted(found.items())
