"""Outlines for the tests of the shop sums."""

from __future__ import annotations

import numpy as np

from spilemark.shop.outlines import ShopEdge, ShopOutline, make_outline


def polygon(points: object, names: tuple[str, ...] = ()) -> ShopOutline:
    """Every side an edge; corners called c0, c1 ... unless sides are named."""
    ring = np.asarray(points, dtype=np.float64)
    count = len(ring)
    called = names or tuple(f"side {k}" for k in range(count))
    edges = [ShopEdge(name=called[k], start=k, stop=(k + 1) % count) for k in range(count)]
    return make_outline(ring, edges, corners={f"c{k}": k for k in range(count)})


def rectangle(width: float = 100.0, height: float = 50.0) -> ShopOutline:
    return polygon(
        [[0, 0], [width, 0], [width, height], [0, height]], ("bottom", "right", "top", "left")
    )


def knee(*, step: float = 0.5, noise: float = 0.0, hull: float = 300.0, transom: float = 220.0,
         width: float = 55.0, hole: bool = False) -> ShopOutline:  # fmt: skip
    """A port quarter knee: outer corner aft at the origin, hull side forward with a gentle bow.

    The hull edge runs forward along -x = bow(y), the transom edge inboard along +x; the throat is
    an arc.  Anticlockwise from the outer corner: transom edge, transom arm end, throat, hull arm
    end, hull edge.
    """

    def run(a: object, b: object) -> np.ndarray:
        a, b = np.asarray(a, float), np.asarray(b, float)
        count = max(2, int(np.linalg.norm(b - a) / step))
        return a + np.linspace(0, 1, count, endpoint=False)[:, None] * (b - a)

    at = np.linspace(0, hull, max(3, int(hull / step)), endpoint=False)[::-1] + hull / max(
        3, int(hull / step)
    )
    bowed = np.stack([-0.00015 * at * (hull - at) - 0.05 * at, at], axis=-1)
    angle = np.linspace(0, np.pi / 2, max(8, int(140 / step)), endpoint=False)
    start, end = np.array([transom, width]), np.array([width - 0.05 * hull, hull])
    centre = np.array([start[0], end[1]])
    throat = centre - np.stack(
        [(centre[0] - end[0]) * np.sin(angle), (centre[1] - start[1]) * np.cos(angle)], axis=-1
    )
    parts = [run([0, 0], [transom, 0]), run([transom, 0], start), throat, run(end, bowed[0]), bowed]
    names = ("transom edge", "transom arm end", "throat curve", "hull arm end", "hull edge")
    begin = np.concatenate([[0], np.cumsum([len(p) for p in parts])])
    ring = np.concatenate(parts)
    if noise:
        ring = ring + np.random.default_rng(3).normal(0, noise, ring.shape)
    edges = [
        ShopEdge(name=n, start=int(begin[k]), stop=int(begin[k + 1]) % len(ring))
        for k, n in enumerate(names)
    ]
    corners = {"outer corner": 0, "transom arm": int(begin[1]), "hull arm": int(begin[4])}
    circle = np.linspace(0, 2 * np.pi, 40, endpoint=False)[::-1]
    holes = (
        [np.array([40, 40]) + 5 * np.stack([np.cos(circle), np.sin(circle)], -1)] if hole else []
    )
    return make_outline(
        ring, edges, corners=corners, holes_mm=holes, side="port", name="port quarter knee"
    )
