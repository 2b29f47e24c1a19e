"""What people, phones and programs do to a picture before it is measured: pixels in, pixels out.

Every one leaves the truth of the bench as it was; pixels are RGB, 8 bit.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from spilemark.tone import to_linear

Picture = NDArray[np.uint8]
Bend = Callable[[Picture], Picture]


def _grid(image: Picture) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    height, width = image.shape[:2]
    y, x = np.mgrid[:height, :width].astype(np.float32)
    return x, y


def _resampled(image: Picture, x: NDArray[np.float32], y: NDArray[np.float32]) -> Picture:
    return _picture(cv2.remap(image, x, y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE))


def _picture(values: object) -> Picture:
    return np.asarray(values, dtype=np.uint8)


def same(image: Picture) -> Picture:
    """Nothing."""
    return image


def colour_scaled(image: Picture, by: float) -> Picture:
    """Lateral colour: red and blue larger and smaller than green, as a simple lens shows them."""
    x, y = _grid(image)
    height, width = image.shape[:2]
    cx, cy = width / 2, height / 2
    out = image.copy()
    for channel, scale in ((0, 1 - by), (2, 1 + by)):
        out[..., channel] = _resampled(
            image[..., channel],
            cx + (x - cx) * np.float32(scale),
            cy + (y - cy) * np.float32(scale),
        )
    return out


def colour_shifted(image: Picture, px: float) -> Picture:
    """Red and blue shifted along the rows."""
    x, y = _grid(image)
    out = image.copy()
    for channel, shift in ((0, -px), (2, px)):
        out[..., channel] = _resampled(image[..., channel], x + np.float32(shift), y)
    return out


def sharpened(image: Picture, amount: float, radius: float) -> Picture:
    """A halo round every edge."""
    soft = cv2.GaussianBlur(image, (0, 0), radius)
    return _picture(cv2.addWeighted(image, 1 + amount, soft, -amount, 0))


def local_contrast(image: Picture, clip: float) -> Picture:
    """As "HDR" pictures: brightness evened out tile by tile."""
    lab = cv2.cvtColor(image, cv2.COLOR_RGB2LAB)
    lab[..., 0] = cv2.createCLAHE(clip, (8, 8)).apply(np.ascontiguousarray(lab[..., 0]))
    return _picture(cv2.cvtColor(lab, cv2.COLOR_LAB2RGB))


def toned(image: Picture, curve: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> Picture:
    """Another tone curve, 0..1 to 0..1."""
    table = np.clip(255 * curve(np.linspace(0, 1, 256)), 0, 255).round().astype(np.uint8)
    return _picture(cv2.LUT(image, table))


def jpeg(image: Picture, quality: int) -> Picture:
    """Saved badly."""
    data = io.BytesIO()
    Image.fromarray(image).save(data, "JPEG", quality=quality)
    with Image.open(data) as saved:
        return np.asarray(saved.convert("RGB"))


def through(image: Picture, share: float, way: int = cv2.INTER_AREA) -> Picture:
    """Shrunk and enlarged again to the size it had."""
    height, width = image.shape[:2]
    small = cv2.resize(image, (round(share * width), round(share * height)), interpolation=way)
    back = cv2.INTER_NEAREST if way == cv2.INTER_NEAREST else cv2.INTER_CUBIC
    return _picture(cv2.resize(small, (width, height), interpolation=back))


def vignetted(image: Picture, left: float) -> Picture:
    """Corners with this share of the light."""
    x, y = _grid(image)
    height, width = image.shape[:2]
    away = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (0.25 * (width**2 + height**2))
    return _coded(_light(image) * (1 - (1 - left) * away)[..., None])


def _light(image: Picture) -> NDArray[np.float32]:
    """Linear light 0..1: optics and sensor blur light, programs blur codes."""
    return to_linear(image)


def _coded(light: NDArray[np.float32]) -> Picture:
    """SRGB (IEC 61966-2-1) of linear light, clipped as a sensor clips."""
    v = np.clip(light, 0.0, 1.0)
    code = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    return np.asarray(255 * code).round().astype(np.uint8)


def smeared(image: Picture, px: int, turn_deg: float) -> Picture:
    """The phone moved while the light fell."""
    size = 2 * px + 1
    kernel = np.zeros((size, size), np.float32)
    kernel[px, px - px // 2 : px - px // 2 + px] = 1.0
    turn = cv2.getRotationMatrix2D((px, px), turn_deg, 1.0)
    kernel = cv2.warpAffine(kernel, turn, (size, size))
    return _coded(cv2.filter2D(_light(image), -1, kernel / kernel.sum()))


def rolling(image: Picture, px: float, waves: float) -> Picture:
    """Rows read one after another while the phone shook."""
    x, y = _grid(image)
    sway = px * np.sin(2 * np.pi * waves * y / image.shape[0])
    return _resampled(image, x + sway.astype(np.float32), y)


def stitched(image: Picture, px: float, across: bool = False) -> Picture:
    """A panorama's seam in the middle: what is right of it lies elsewhere, blended over 40 px."""
    x, y = _grid(image)
    size = image.shape[0] if across else image.shape[1]
    share = np.clip(((y if across else x) - size / 2) / 40 + 0.5, 0, 1)
    moved = (px * share).astype(np.float32)
    return _resampled(image, x, y + moved) if not across else _resampled(image, x + moved, y)


def liquid(image: Picture, px: float, wave_px: float) -> Picture:
    """A mesh warp, as stabilisers and wide-angle correctors leave: smooth waves both ways."""
    x, y = _grid(image)
    k = 2 * np.pi / wave_px
    dx = px * np.sin(k * y + 0.7) * np.cos(0.6 * k * x)
    dy = px * np.cos(k * x + 0.3) * np.sin(0.7 * k * y + 1.0)
    return _resampled(image, x + dx.astype(np.float32), y + dy.astype(np.float32))


def bulged(image: Picture, px: float, at: tuple[float, float], wide: float) -> Picture:
    """One part of the picture pushed aside, as where a corrector mends faces."""
    x, y = _grid(image)
    height, width = image.shape[:2]
    away = ((x - at[0] * width) ** 2 + (y - at[1] * height) ** 2) / (2 * (wide * width) ** 2)
    push = (px * np.exp(-away)).astype(np.float32)
    return _resampled(image, x + push, y + 0.6 * push)


def bent(image: Picture, k1: float, k2: float = 0.0) -> Picture:
    """More barrel or pincushion."""
    x, y = _grid(image)
    height, width = image.shape[:2]
    f = 0.75 * max(width, height)
    u, v = (x - width / 2) / f, (y - height / 2) / f
    r2 = u * u + v * v
    by = (1 + k1 * r2 + k2 * r2 * r2).astype(np.float32)
    return _resampled(image, width / 2 + f * u * by, height / 2 + f * v * by)


def tilted_sensor(image: Picture, by: float) -> Picture:
    """Straightened by an app: a map of planes."""
    height, width = image.shape[:2]
    x, y = _grid(image)
    v = (y - height / 2) / width
    q = (1 + by * v).astype(np.float32)
    return _resampled(image, width / 2 + (x - width / 2) / q, height / 2 + (y - height / 2) / q)


def turned(image: Picture, deg: float) -> Picture:
    """Turned a little by an editor, cut to the same frame."""
    height, width = image.shape[:2]
    way = cv2.getRotationMatrix2D((width / 2, height / 2), deg, 1.0)
    return _picture(cv2.warpAffine(image, way, (width, height), flags=cv2.INTER_LANCZOS4))


def squeezed(image: Picture, by: float) -> Picture:
    """Another height, all else alike."""
    height, width = image.shape[:2]
    return _picture(cv2.resize(image, (width, round(by * height)), interpolation=cv2.INTER_AREA))


def half_blurred(image: Picture, px: float) -> Picture:
    """Sharp on the left, out of focus on the right."""
    light = _light(image)
    share = np.linspace(0, 1, image.shape[1], dtype=np.float32)[None, :, None] ** 2
    return _coded((1 - share) * light + share * cv2.GaussianBlur(light, (0, 0), px))


def smoothed(image: Picture) -> Picture:
    """Noise taken out with the detail, as phones do in little light."""
    return _picture(cv2.bilateralFilter(cv2.medianBlur(image, 5), 9, 40, 5))


def exposed(image: Picture, gain: float) -> Picture:
    """More or less light, clipped where the sensor is full; light spills over where it is."""
    light = gain * _light(image)
    return _coded(cv2.GaussianBlur(light, (0, 0), 1.5) if gain > 1 else light)


def doubled(image: Picture, px: float, share: float) -> Picture:
    """Two exposures laid over each other while the phone moved."""
    x, y = _grid(image)
    other = _resampled(image, x + np.float32(px), y + np.float32(0.4 * px))
    return _coded((1 - share) * _light(image) + share * _light(other))


def misted(image: Picture, share: float, wide: float) -> Picture:
    """A greasy lens: a veil round whatever is bright."""
    light = _light(image)
    small = cv2.resize(light, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    veil = cv2.resize(cv2.GaussianBlur(small, (0, 0), wide / 8), light.shape[1::-1])
    return _coded((1 - share) * light + share * veil)


def few_colours(image: Picture, levels: int) -> Picture:
    """A handful of shades."""
    step = 255 / (levels - 1)
    return np.asarray(step * np.round(image / step)).round().astype(np.uint8)


def interlaced(image: Picture, px: int) -> Picture:
    """Every second row shifted, as frames of old films are."""
    out = image.copy()
    out[1::2] = np.roll(image[1::2], px, axis=1)
    return out


def of_a_screen(image: Picture) -> Picture:
    """A photo of a screen that shows the photo: another camera, stripes of its pixels, a dark frame."""
    height, width = image.shape[:2]
    x, y = _grid(image)
    grain = 0.88 + 0.12 * np.sin(2 * np.pi * x / 3.3) * np.sin(2 * np.pi * y / 3.3)
    shown = np.asarray(np.clip(image * grain[..., None], 0, 255)).astype(np.uint8)
    corners = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    onto = np.float32([[0.05, 0.07], [0.94, 0.04], [0.97, 0.95], [0.03, 0.93]]) * np.float32(
        [width, height]
    )
    way = cv2.getPerspectiveTransform(corners, onto)
    seen = cv2.warpPerspective(
        shown, way, (width, height), flags=cv2.INTER_AREA, borderValue=(12, 12, 12)
    )
    return bent(seen, -0.05, 0.03)


def of_a_print(image: Picture) -> Picture:
    """A photo of a print of the photo that lies a little curled: another camera, a cylinder."""
    height, width = image.shape[:2]
    x, y = _grid(image)
    u = (x - width / 2) / width
    q = (1 + 0.10 * u + 0.06 * (y - height / 2) / height).astype(np.float32)
    curl = (1 + 0.015 * (u * 2) ** 2).astype(np.float32)
    return _resampled(
        image,
        width / 2 + (x - width / 2) * 1.06 / q,
        height / 2 + (y - height / 2) * 1.06 * curl / q,
    )


def enlarged(image: Picture, by: float, at: tuple[float, float]) -> Picture:
    """Cut out and blown up to the size it had: digital zoom that the file does not tell."""
    height, width = image.shape[:2]
    wide, high = round(width / by), round(height / by)
    left, top = round(at[0] * (width - wide)), round(at[1] * (height - high))
    part = image[top : top + high, left : left + wide]
    return _picture(cv2.resize(part, (width, height), interpolation=cv2.INTER_CUBIC))


def negative(image: Picture) -> Picture:
    """Light and dark exchanged."""
    return 255 - image


def grey(image: Picture) -> Picture:
    """No colour."""
    return _picture(cv2.cvtColor(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB))


def tinted(image: Picture) -> Picture:
    """A yellow lamp, white balance off."""
    return np.asarray(np.clip(image * [1.25, 0.85, 0.35], 0, 255)).round().astype(np.uint8)
