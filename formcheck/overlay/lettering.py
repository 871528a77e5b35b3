"""Words and shapes as small pictures for the annotated video, drawn once and kept.

OpenCV's own letters lack the degree sign and are hard to read at small sizes, so words are set
in a shipped font (assets/fonts, DejaVu Sans Bold) with Pillow.
"""

from functools import cache, lru_cache
from importlib import resources

import numpy as np

Colour = tuple[int, int, int]
WHITE, INK, PANEL = (255, 255, 255), (18, 28, 34), (18, 34, 42)
_FINE = 4
"""Shapes are drawn this many times larger and scaled down, for smooth edges."""


@cache
def _font(size_px: int):
    from PIL import ImageFont

    with resources.as_file(
        resources.files("formcheck").joinpath("assets", "fonts", "DejaVuSans-Bold.ttf")
    ) as path:
        return ImageFont.truetype(str(path), size_px, layout_engine=ImageFont.Layout.BASIC)


def _sealed(picture) -> np.ndarray:
    array = np.array(picture, dtype=np.uint8)
    array.setflags(write=False)
    return array


@lru_cache(maxsize=1024)
def words(text: str, size_px: int, ink: Colour = WHITE, ground: Colour = PANEL) -> np.ndarray:
    """A text on its ground, (h, w, 3) uint8; all texts of one size are equally high."""
    from PIL import Image, ImageDraw

    font = _font(size_px)
    ascent, descent = font.getmetrics()
    pad = max(size_px // 5, 2)
    width = int(np.ceil(font.getlength(text))) + 2 * pad
    picture = Image.new("RGB", (width, ascent + descent + pad), ground)
    ImageDraw.Draw(picture).text((pad, pad // 2), text, font=font, fill=ink)
    return _sealed(picture)


@lru_cache(maxsize=64)
def shape(name: str, size_px: int, colour: Colour, ground: Colour = WHITE) -> np.ndarray:
    """An outcome's shape on its ground, (size, size, 3) uint8; the page draws the same ones."""
    from PIL import Image, ImageDraw

    big = size_px * _FINE
    picture = Image.new("RGB", (big, big), ground)
    draw = ImageDraw.Draw(picture)

    def at(*points):  # in twentieths of the side
        return [(x * big / 20, y * big / 20) for x, y in points]

    def line(points, width, fill):
        draw.line(at(*points), fill=fill, width=round(width * big / 20), joint="curve")

    tick = ((5.5, 10.5), (8.5, 13.5), (14.5, 6.5))
    if name == "circle":
        draw.ellipse(at((1, 1), (19, 19)), fill=colour)
        line(tick, 2.4, ground)
    elif name == "square":
        draw.rounded_rectangle(at((1.5, 1.5), (18.5, 18.5)), radius=3 * big / 20, fill=colour)
        line(tick, 2.4, ground)
    elif name == "diamond":
        line(((10, 2), (18, 10), (10, 18), (2, 10), (10, 2), (18, 10)), 2.6, colour)
    elif name == "half":
        draw.ellipse(at((1, 1), (19, 19)), fill=colour)
        draw.pieslice(at((3.4, 3.4), (16.6, 16.6)), -90, 90, fill=ground)
    elif name == "triangle":
        draw.polygon(at((10, 1.2), (19.4, 18.2), (0.6, 18.2)), fill=colour)
        line(((10, 7), (10, 12.2)), 2.2, ground)
        line(((10, 14), (10, 16)), 2.2, ground)
    elif name == "query":
        draw.polygon(at((10, 1.2), (19.4, 18.2), (0.6, 18.2)), fill=colour)
        draw.polygon(at((10, 5.4), (15.9, 16.1), (4.1, 16.1)), fill=ground)
        line(((10, 8), (10, 12)), 2, colour)
        line(((10, 13.4), (10, 15.2)), 2, colour)
    elif name == "dash":
        line(((3, 10), (17, 10)), 3.4, colour)
    else:
        draw.ellipse(at((3.5, 3.5), (16.5, 16.5)), fill=colour)
        draw.ellipse(at((6.2, 6.2), (13.8, 13.8)), fill=ground)
    return _sealed(picture.resize((size_px, size_px), Image.Resampling.LANCZOS))


def beside(pictures: list[np.ndarray], gap_px: int, ground: Colour) -> np.ndarray:
    """Pictures side by side on a ground, centred in height."""
    height = max(p.shape[0] for p in pictures)
    width = sum(p.shape[1] for p in pictures) + gap_px * (len(pictures) - 1)
    out = np.full((height, width, 3), ground, np.uint8)
    x = 0
    for p in pictures:
        y = (height - p.shape[0]) // 2
        out[y : y + p.shape[0], x : x + p.shape[1]] = p
        x += p.shape[1] + gap_px
    return out
