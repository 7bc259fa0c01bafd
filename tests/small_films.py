"""Small films for the tests of seeing: a ball with known centre, drawn by brute supersampling, on a made-up hall.

Own drawing, independent of tracker/simulation: the ball's brightness is integrated over the exposure at many instants
and over a fine grid in each pixel.
"""

from dataclasses import dataclass, field
from pathlib import Path

import av
import numpy as np


@dataclass
class Ball:
    """Centre (n, 2) at mid-exposure, diameter (n,), blur (n, 2) during the exposure, all px; NaN: out of view."""

    centre: np.ndarray
    size: np.ndarray
    blur: np.ndarray
    level: float = 220.0
    shade: float = 0.0  # brightness falls by this share of `level` from the middle to the lower rim
    aside: float = 0.0  # and by this one to the right rim


@dataclass
class Scene:
    size: tuple[int, int] = (640, 360)
    fps: float = 240.0
    frames: int = 120
    noise: float = 2.0
    flicker: float = 0.0  # modulation at 100 Hz
    psf: float = 0.6
    texture: float = 12.0
    level: float = 110.0
    balls: list[Ball] = field(default_factory=list)
    people: int = 0
    net: bool = False


def straight(frames, start, step, size, blur_share=0.2, **more) -> Ball:
    """A ball moving `step` px a frame (plus the given constant acceleration), blurred over a share of each step."""
    k = np.arange(frames)[:, None]
    step, accel = np.array(step, float), np.array(more.pop("accel", (0.0, 0.0)), float)
    centre = np.array(start, float) + k * step + 0.5 * k**2 * accel
    sizes = np.broadcast_to(np.asarray(size, float), (frames,)).copy()
    return Ball(centre, sizes, blur_share * (step + k * accel), **more)


def draw_ball(picture, centre, size, blur, level, shade=0.0, psf=0.6, fine=5, aside=0.0):
    """Lay a blurred ball over the float picture (h, w), in place."""
    h, w = picture.shape
    reach = size / 2 + np.hypot(*blur) / 2 + 4 * psf + 2
    x0, x1 = int(max(centre[0] - reach, 0)), int(min(centre[0] + reach + 2, w))
    y0, y1 = int(max(centre[1] - reach, 0)), int(min(centre[1] + reach + 2, h))
    if x1 <= x0 or y1 <= y0:
        return
    pad = int(np.ceil(4 * psf)) + 1
    x = (np.arange((x1 - x0 + 2 * pad) * fine) + 0.5) / fine - 0.5 + x0 - pad
    y = (np.arange((y1 - y0 + 2 * pad) * fine) + 0.5) / fine - 0.5 + y0 - pad
    cover, light = np.zeros((len(y), len(x))), np.zeros((len(y), len(x)))
    steps = max(1, int(np.ceil(np.hypot(*blur) * 4)))
    for s in (np.arange(steps) + 0.5) / steps - 0.5:
        dx, dy = x - centre[0] - s * blur[0], y[:, None] - centre[1] - s * blur[1]
        inside = (dx**2 + dy**2 <= (size / 2) ** 2).astype(float) / steps
        cover += inside
        light += inside * level * (1 - (shade * dy + aside * dx) / (size / 2))
    if psf > 0:
        from scipy.ndimage import gaussian_filter

        cover, light = gaussian_filter(cover, psf * fine), gaussian_filter(light, psf * fine)

    def pixels(a):
        a = a.reshape(len(y) // fine, fine, len(x) // fine, fine).mean(axis=(1, 3))
        return a[pad:-pad, pad:-pad]

    patch = picture[y0:y1, x0:x1]
    patch *= 1 - pixels(cover)
    patch += pixels(light)


def hall(size, rng, texture=12.0, level=110.0):
    """A textured, still background (h, w)."""
    from scipy.ndimage import gaussian_filter

    w, h = size
    picture = np.full((h, w), level)
    for scale in (2.0, 8.0, 40.0):
        layer = gaussian_filter(rng.normal(size=(h, w)), scale)
        picture += texture * layer / layer.std() / 2
    for _ in range(6):
        x, y = rng.integers(0, w), rng.integers(0, h)
        picture[y : y + rng.integers(10, h // 2), x : x + rng.integers(10, w // 3)] += rng.normal(0, 2 * texture)
    return np.clip(picture, 20, 235)


def pictures(scene: Scene, rng: np.random.Generator):
    """The films' frames, float (h, w), noise and all."""
    w, h = scene.size
    base = hall(scene.size, rng, scene.texture, scene.level)
    noise = rng.normal(size=(h + 64, w + 64)).astype(np.float32) * scene.noise
    walks = [
        (rng.uniform(0.1, 0.9) * w, rng.uniform(0.5, 1.0) * h, rng.uniform(0.05, 0.3) * h) for _ in range(scene.people)
    ]
    dress = [rng.uniform(30, 220, 3) for _ in walks]
    for k in range(scene.frames):
        t = k / scene.fps
        picture = base.copy()
        for (x, y, speed), tint in zip(walks, dress, strict=True):
            _person(picture, x + speed * t * (1 if tint[0] > 120 else -1), y, 0.45 * h, t, tint)
        if scene.net:
            _net(picture, t)
        for ball in scene.balls:
            if np.isfinite(ball.centre[k, 0]):
                look = ball.level, ball.shade, scene.psf
                draw_ball(picture, ball.centre[k], ball.size[k], ball.blur[k], *look, aside=ball.aside)
        picture *= 1 + scene.flicker * np.sin(2 * np.pi * 100 * t)
        dx, dy = rng.integers(0, 64, 2)
        yield picture + noise[dy : dy + h, dx : dx + w]


def _person(picture, x, foot, height, t, tint):
    import cv2

    swing = 0.25 * height * np.sin(2 * np.pi * 1.6 * t)
    hip, neck = (x, foot - 0.5 * height), (x + 0.05 * swing, foot - 0.85 * height)
    width = max(2, int(0.07 * height))
    for sign in (1, -1):
        _limb(picture, hip, (x + sign * swing, foot), width, tint[0])
        _limb(picture, neck, (neck[0] - sign * swing * 0.8, foot - 0.45 * height), width, tint[1])
    _limb(picture, hip, neck, 2 * width, tint[1])
    cv2.circle(picture, (int(neck[0]), int(neck[1] - 0.08 * height)), int(0.07 * height), tint[2], -1, cv2.LINE_AA)


def _limb(picture, a, b, width, level):
    import cv2

    a, b = (int(a[0] * 16), int(a[1] * 16)), (int(b[0] * 16), int(b[1] * 16))
    cv2.line(picture, a, b, float(level), width, cv2.LINE_AA, 4)


def _net(picture, t, spacing=14):
    import cv2

    h, w = picture.shape
    for i in range(0, w, spacing):
        lean = 4 * np.sin(2 * np.pi * 0.7 * t + i / 60)
        cv2.line(picture, (int((i + lean) * 16), 0), (int((i - lean) * 16), h * 8), 70.0, 1, cv2.LINE_AA, 4)


def write_film(
    path: Path, frames, fps: float, bit_rate: float = 8e6, codec: str = "libx264", stamps=None, options=None, ticks=1000
):
    """Encode grey float pictures; `stamps` (n,) replace the even ones, so many `ticks` a second."""
    with av.open(str(path), "w") as container:
        stream = None
        for k, picture in enumerate(frames):
            if stream is None:
                stream = container.add_stream(codec, rate=round(fps))
                stream.width, stream.height, stream.pix_fmt = picture.shape[1], picture.shape[0], "yuv420p"
                stream.bit_rate = int(bit_rate)
                stream.options = options or {"preset": "veryfast", "bf": "0", "g": str(round(fps))}
                if stamps is not None:
                    from fractions import Fraction

                    stream.codec_context.time_base = Fraction(1, ticks)
            luma = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
            frame = av.VideoFrame(picture.shape[1], picture.shape[0], "yuv420p")
            for plane, data in zip(frame.planes, (luma, None, None), strict=True):
                buffer = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
                buffer[...] = 128
                if data is not None:
                    buffer[:, : data.shape[1]] = data
            if stamps is not None:
                frame.pts = int(stamps[k])
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


AS_BRIGHT = {  # a ball's colour, and that of a ground as bright; a pale seam, which is all that luma shows
    "pink": ((176, 55, 104), (70, 118, 60), 0.0),
    "red": ((150, 32, 36), (40, 74, 110), 1.0),
}


def as_bright(ball: Ball, colour: str, size: tuple[int, int], rng: np.random.Generator):
    """Pictures (h, w, 3), red, green, blue, of a ball of 10 px on a ground of the same luma (ITU-R BT.601's)."""
    own, ground = (np.array(rgb, float) for rgb in AS_BRIGHT[colour][:2])
    assert abs((ground - own) @ [0.299, 0.587, 0.114]) < 4
    y, x = np.mgrid[: size[1], : size[0]].astype(np.float32)
    for at in ball.centre:
        cover = np.clip(5.5 - np.hypot(x - at[0], y - at[1]), 0, 1)[:, :, None]
        line = np.clip(0.8 - np.abs(y - at[1] + 3), 0, 1)[:, :, None] * AS_BRIGHT[colour][2]
        rgb = ground * (1 - cover) + (own * (1 - line) + 190 * line) * cover + rng.normal(0, 2, (*size[::-1], 1))
        yield np.clip(rgb, 0, 255).astype(np.uint8)


def in_colour(ball: Ball, own: tuple[int, int, int], ground: tuple[int, int, int], size: tuple[int, int], rng):
    """Pictures (h, w, 3), red, green, blue, of a ball of a colour, lit as it says, on a plain ground."""
    for at, diameter, blur in zip(ball.centre, ball.size, ball.blur, strict=True):
        rgb = np.empty((size[1], size[0], 3))
        for channel, (level, behind) in enumerate(zip(own, ground, strict=True)):
            plane = np.full((size[1], size[0]), float(behind))
            draw_ball(plane, at, diameter, blur, level, ball.shade)
            rgb[:, :, channel] = plane
        yield np.clip(np.rint(rgb + rng.normal(0, 2, (size[1], size[0], 1))), 0, 255).astype(np.uint8)


def misses_px(seen, ball: Ball, ends: int = 15) -> np.ndarray:
    """How far the nearest sighting lies from the ball, in each frame that has any but the first and last few."""
    found = []
    for k in range(ends, len(ball.centre) - ends):
        here = np.flatnonzero(seen.frame == k)
        if len(here):
            found.append(np.hypot(*(seen.centre_px[here] - ball.centre[k]).T).min())
    return np.array(found)
