"""The icon of the page, as SVG and, for home screens, as PNG. Pure.

One drawing in a square with a side of 64: the Moon, a shadow over a part of it, and a trace across.
It fills the square: home screens cut their own shape out of it, which always holds the disc of 0.8
of the side (W3C, Web Application Manifest, section "Icon masks and safe zone")."""

from __future__ import annotations

import struct
import zlib
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

SIDE = 64
BACKGROUND, MOON, TRACE = "#17143a", "#f1ead2", "#ffb066"
MOON_DISC = (31.0, 33.0, 20.0)  # x, y, radius
SHADOW_DISC = (40.0, 27.0, 16.0)
TRACE_POINTS = ((27.0, 33.0), (34.0, 33.0), (38.0, 23.0), (44.0, 43.0), (48.0, 33.0), (54.0, 33.0))
TRACE_WIDTH = 4.0


def icon_svg() -> str:
    """Returns the icon as SVG."""
    discs = "".join(
        f'<circle cx="{x:g}" cy="{y:g}" r="{radius:g}" fill="{colour}"/>'
        for (x, y, radius), colour in ((MOON_DISC, MOON), (SHADOW_DISC, BACKGROUND))
    )
    points = " ".join(f"{x:g},{y:g}" for x, y in TRACE_POINTS)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIDE} {SIDE}">'
        f'<rect width="{SIDE}" height="{SIDE}" fill="{BACKGROUND}"/>{discs}'
        f'<polyline points="{points}" fill="none" stroke="{TRACE}" stroke-width="{TRACE_WIDTH:g}" '
        'stroke-linecap="round" stroke-linejoin="round"/></svg>\n'
    )


def icon_png(side: int) -> bytes:
    """Returns the icon as PNG. side: in pixels."""
    scale = side / SIDE
    middles = (np.arange(side, dtype=np.float32) + 0.5) / scale
    x, y = middles[np.newaxis, :], middles[:, np.newaxis]
    picture = np.broadcast_to(_rgb(BACKGROUND), (side, side, 3))
    for disc, colour in ((MOON_DISC, MOON), (SHADOW_DISC, BACKGROUND)):
        centre_x, centre_y, radius = disc
        outside = np.hypot(x - centre_x, y - centre_y) - radius
        picture = _painted(picture, outside * scale, colour)
    outside = _distance_to_trace(x, y) - TRACE_WIDTH / 2.0
    picture = _painted(picture, outside * scale, TRACE)
    return _png(np.rint(picture).astype(np.uint8))


def _rgb(colour: str) -> NDArray[np.float32]:
    return np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)], dtype=np.float32)


def _painted(
    picture: NDArray[np.float32], outside: NDArray[np.float32], colour: str
) -> NDArray[np.float32]:
    """Returns the picture with a shape on it. outside: distance of each pixel's middle from the
    shape in pixels, negative inside; one pixel of its edge is mixed."""
    cover = np.clip(0.5 - outside, 0.0, 1.0)[:, :, np.newaxis]
    painted: NDArray[np.float32] = picture * (1.0 - cover) + _rgb(colour) * cover
    return painted


def _distance_to_trace(x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    nearest = np.full((y.size, x.size), np.inf, dtype=np.float32)
    for (from_x, from_y), (to_x, to_y) in pairwise(TRACE_POINTS):
        along_x, along_y = to_x - from_x, to_y - from_y
        part = ((x - from_x) * along_x + (y - from_y) * along_y) / (along_x**2 + along_y**2)
        part = np.clip(part, 0.0, 1.0)
        nearest = np.minimum(
            nearest, np.hypot(x - from_x - part * along_x, y - from_y - part * along_y)
        )
    return nearest


def _png(picture: NDArray[np.uint8]) -> bytes:
    """Returns a picture of height, width and RGB as a PNG file (ISO/IEC 15948), rows unfiltered."""
    height, width, _ = picture.shape
    rows = picture.reshape(height, width * 3)
    filtered = np.hstack([np.zeros((height, 1), dtype=np.uint8), rows])
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(filtered.tobytes(), 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )
