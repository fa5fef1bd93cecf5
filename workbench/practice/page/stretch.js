// The recording at another speed: pieces of it laid one over another where they fit best, strokes kept as they are.
"use strict";

const stretching = (() => {
  // Half of a piece; what is kept around a stroke; how far a piece may be moved to fit; seconds (set by ear, no source).
  const HALF_S = 0.015, BEFORE_S = 0.016, AFTER_S = 0.04, SEARCH_S = 0.01;
  // Strokes nearer than this are kept as one, seconds.
  const NEAREST_S = 0.03;

  /** Piecewise linear map through points [x, y] in order, continued straight at both ends; `back` reads it from y to x. */
  function along(points, at, back = false) {
    const [x, y] = back ? [1, 0] : [0, 1];
    let k = 1;
    while (k < points.length - 1 && points[k][x] < at) k++;
    const [a, b] = [points[k - 1], points[k]];
    return a[y] + (at - a[x]) * (b[y] - a[y]) / (b[x] - a[x]);
  }

  /** The same map [played_s, recorded_s] with speed 1 around the recording's strokes. */
  function around(points, struck) {
    const kept = [];
    for (const own of [...struck].sort((a, b) => a - b)) {
      const at = along(points, own, true), last = kept.at(-1);
      const room = last ? Math.min(own - last.own, at - last.at) : Infinity;
      if (room < NEAREST_S) continue;
      if (last) last.after = Math.min(AFTER_S, room - BEFORE_S - 0.002);
      kept.push({ own, at, after: AFTER_S });
    }
    const locks = kept.map(({ own, at, after }) => [[at - BEFORE_S, own - BEFORE_S], [at + after, own + after]]);
    const free = points.filter(([at, own]) => !locks.some(([a, b]) => (at >= a[0] && at <= b[0]) || (own >= a[1] && own <= b[1])));
    return { points: [...free, ...locks.flat()].sort((a, b) => a[0] - b[0]), kept };
  }

  /**
   * Played sound from played times `from_s` on, `length` samples of it.
   * `channels` are of the recording from `origin_s` on; all are cut at the same places, so their sum stays a sum.
   */
  function stretched(channels, rate, origin_s, { points, kept }, from_s, length) {
    const half = Math.round(HALF_S * rate), search = Math.round(SEARCH_S * rate);
    const heard = new Float32Array(channels[0].length);
    for (const x of channels) for (let n = 0; n < heard.length; n++) heard[n] += x[n];
    const rise = Float32Array.from({ length: half }, (_, n) => Math.sin(Math.PI * (n + 0.5) / (2 * half)) ** 2);
    const out = channels.map(() => new Float32Array(length));
    let before = null;
    for (let centre = 0; centre - half < length; centre += half) {
      const at = from_s + centre / rate;
      const target = Math.round((along(points, at) - origin_s) * rate);
      let place = target;
      if (before !== null && !kept.some((s) => at >= s.at - BEFORE_S && at <= s.at + s.after)) {
        const next = kept.find((s) => s.at > at);
        const most = next ? Math.floor((next.own - 0.001 - origin_s) * rate) - half - target : search;
        const natural = before + half;
        place = Math.abs(natural - target) <= 2 ? natural : target + fit(heard, natural - half, target - half, half, -search, Math.min(search, most));
      }
      before = place;
      for (let n = -half; n < half; n++) {
        const to = centre + n, from = place + n;
        if (to < 0 || to >= length || from < 0 || from >= heard.length) continue;
        const gain = n < 0 ? rise[n + half] : 1 - rise[n];
        for (let c = 0; c < out.length; c++) out[c][to] += gain * channels[c][from];
      }
    }
    return out;
  }

  /** By how many samples a piece must be moved to go on best from where the last one would go on. */
  function fit(x, natural, target, length, least, most) {
    if (most < least) return 0;
    const rough = best(x, natural, target, length, least, most, 4);
    return best(x, natural, target, length, Math.max(least, rough - 3), Math.min(most, rough + 3), 1);
  }

  function best(x, natural, target, length, least, most, step) {
    let found = 0, highest = -Infinity;
    for (let lag = least; lag <= most; lag += step) {
      let product = 0, energy = 1e-9;
      for (let n = 0; n < length; n += step) {
        const own = x[target + lag + n] || 0;
        product += own * (x[natural + n] || 0);
        energy += own * own;
      }
      const fits = product / Math.sqrt(energy);
      if (fits > highest) [found, highest] = [lag, fits];
    }
    return found;
  }

  return { along, around, stretched };
})();
