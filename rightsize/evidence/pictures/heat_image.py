"""A year by hour as a small picture: one pixel an hour, drawn without a plotting engine.

Nearly nine thousand rectangles make a page of a megabyte; as an image they are a few thousand
bytes, and the chart draws its axes over it.

References
----------
PNG: W3C, Portable Network Graphics (Second Edition), chunks IHDR, IDAT, IEND (from memory,
high trust; checked in a browser).
"""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from rightsize.evidence.pictures.palette import HEAT_HIGH, HEAT_LOW, HEAT_MIDDLE

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]


def heat_pixels(hour_gpm: Array, *, top_gpm: float) -> Pixels:
    """Colors of a calendar: hours down, days across.

    Parameters
    ----------
    hour_gpm : array [D, 24]
        Mean flow of each hour [gpm]; NaN where not read.
    top_gpm : float
        Flow of the darkest color [gpm].

    Returns
    -------
    array [24, D, 4]
        Red, green, blue, alpha. The scale is the square root of flow, so that low flow shows.
        An hour not read is a chequer of grey and nothing.
    """
    flow = np.asarray(hour_gpm, dtype=np.float64).T
    place = np.sqrt(np.clip(np.nan_to_num(flow) / max(top_gpm, 1e-12), 0, 1))
    stops = np.array([HEAT_LOW, HEAT_MIDDLE, HEAT_HIGH], dtype=np.float64)
    color = np.stack([np.interp(place, (0, 0.5, 1), stops[:, k]) for k in range(3)], axis=-1)
    alpha = np.full((*flow.shape, 1), 255.0)
    pixels = np.concatenate([color, alpha], axis=-1).round().astype(np.uint8)
    row, column = np.indices(flow.shape)
    missing = np.isnan(flow)
    pixels[missing] = (150, 150, 150, 90)
    pixels[missing & ((row + column) % 2 == 0)] = (0, 0, 0, 0)
    return pixels


def data_uri(pixels: Pixels) -> str:
    """The picture as a PNG inside a `data:` address."""
    height, width, _ = pixels.shape
    rows = b"".join(b"\0" + pixels[k].tobytes() for k in range(height))
    header = struct.pack(">IIBBBBB", width, height, 8, 6, 0, 0, 0)
    content = (
        b"\x89PNG\r\n\x1a\n"
        + _chunk(b"IHDR", header)
        + _chunk(b"IDAT", zlib.compress(rows, 9))
        + _chunk(b"IEND", b"")
    )
    return "data:image/png;base64," + base64.b64encode(content).decode("ascii")


def _chunk(kind: bytes, content: bytes) -> bytes:
    size = struct.pack(">I", len(content))
    return size + kind + content + struct.pack(">I", zlib.crc32(kind + content))
