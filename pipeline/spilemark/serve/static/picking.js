// Which point of an outline a touch means, and which of its neighbours go along when it is moved.
import { nearest, nearestOf } from "./viewer.js";

const REACH_MM = 15; // as the pipeline has it
export const NEAR_PX = 36;
const CORNER_PX = 24; // so near to a corner, the corner is meant
export const END_PX = 18; // farther from the outline, a touch is a place on the way: the outline may be wrong there

/** Distances along a ring, mm, to each of its points from point k, the shorter way round. */
export function apart(ring, k) {
  const n = ring.length;
  const along = new Float64Array(n);
  for (let j = 1; j < n; j += 1) along[j] = along[j - 1] + Math.hypot(ring[j][0] - ring[j - 1][0], ring[j][1] - ring[j - 1][1]);
  const round = along[n - 1] + Math.hypot(ring[0][0] - ring[n - 1][0], ring[0][1] - ring[n - 1][1]);
  return along.map((s) => {
    const d = Math.abs(s - along[k]);
    return Math.min(d, round - d);
  });
}

/** The points that go along with point k, as [number, share]. */
export function company(ringMm, k) {
  const found = [];
  apart(ringMm, k).forEach((s, j) => {
    if (s < REACH_MM) found.push([j, 0.5 * (1 + Math.cos((Math.PI * s) / REACH_MM))]);
  });
  // In the order along the edge, also where the ring's first point lies within.
  const cut = found.findIndex(([j], i) => i && j - found[i - 1][0] > 1);
  return cut > 0 ? [...found.slice(cut), ...found.slice(0, cut)] : found;
}

/** The outline's point that a touch means: a corner before a plain point, the nearest of several. */
export function meant(patterns, at, unit, corners = true, within = NEAR_PX) {
  const best = nearestOf(patterns, at);
  if (!best || best.far > within * unit) return null;
  let least = Math.min(CORNER_PX, within) * unit;
  for (const pattern of corners ? patterns : []) {
    for (const corner of pattern.corners) {
      const far = Math.hypot(corner.at[0] - at[0], corner.at[1] - at[1]);
      if (far >= least) continue;
      least = far;
      Object.assign(best, { pattern, k: corner.k ?? nearest(pattern.ring, corner.at)[0], far, corner });
    }
  }
  return best;
}
