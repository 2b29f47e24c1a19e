// Lines beside the edges of a ring, brought to an end where they meet at its corners.

/** Where two segments cross. */
function crossing([a, b], [c, d]) {
  const [ux, uy, vx, vy] = [b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]];
  const turn = ux * vy - uy * vx;
  if (!turn) return null;
  const s = ((c[0] - a[0]) * vy - (c[1] - a[1]) * vx) / turn;
  const t = ((c[0] - a[0]) * uy - (c[1] - a[1]) * ux) / turn;
  return s >= 0 && s <= 1 && t >= 0 && t <= 1 ? [a[0] + s * ux, a[1] + s * uy] : null;
}

/** A point straight on from an end of a line, by a length; `back` is a point some way from that end. */
function onward(end, back, far) {
  const size = Math.hypot(end[0] - back[0], end[1] - back[1]) || 1;
  return [end[0] + ((end[0] - back[0]) / size) * far, end[1] + ((end[1] - back[1]) / size) * far];
}

/**
 * Where a line meets the next one, each drawn straight on a little: the first place on the later
 * half of the one that lies on the earlier half of the other.  `i` points of the one and all but `j` of the other are left.
 */
function meeting(one, next) {
  const far = 2 * Math.hypot(one.at(-1)[0] - next[0][0], one.at(-1)[1] - next[0][1]) + 1e-6;
  const a = [...one, onward(one.at(-1), one.at(-Math.min(9, one.length)), far)];
  const b = [onward(next[0], next[Math.min(8, next.length - 1)], far), ...next];
  for (let i = one.length >> 1; i < a.length - 1; i += 1) {
    for (let j = 0; j < Math.max(b.length >> 1, 1); j += 1) {
      const at = crossing([a[i], a[i + 1]], [b[j], b[j + 1]]);
      if (at) return { i: i + 1, j, at };
    }
  }
  return null;
}

/**
 * Lines in ring order, each cut off, or drawn on a little, to where it meets its neighbour.
 * `joined[j]`: whether line j is followed by the next one round a corner. Hands back for each its
 * points, and which of the given ones (`from` to before `to`) are still among them.
 */
export function mitred(lines, joined) {
  const ends = lines.map((line) => ({ from: 0, to: line.length, before: [], after: [] }));
  lines.forEach((one, j) => {
    const k = (j + 1) % lines.length;
    const next = lines[k];
    if (!joined[j] || one.length < 2 || next.length < 2) return;
    const met = meeting(one, next);
    if (!met) return;
    ends[j].to = met.i;
    ends[k].from = met.j;
    ends[j].after = [met.at];
    ends[k].before = [met.at];
  });
  return lines.map((line, j) => {
    const { from, to, before, after } = ends[j];
    return { points: [...before, ...line.slice(from, Math.max(from, to)), ...after], from, to: Math.max(from, to) };
  });
}
