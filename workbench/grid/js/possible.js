/**
 * Possible hits: what the draft leaves out but may have been played, each with its reason.  The chart keeps them at
 * the time at which they are heard (workbench.chart.PossibleHit); here is where they would be written.
 */
import { placeAt, thePlace, withArticle } from "./chart.js";
import { compare, parseFraction } from "./fractions.js";
import { ONE_SURFACE } from "./surfaces.js";
import { nearestColumn } from "./timeline.js";

/** @type {WeakMap<object, {time: any, byBar: Map<number, any[]>}>} */
const known = new WeakMap();

/** Whether two sounds are of one drum or cymbal, so that one stroke makes only one of them. */
export const areRivals = (a, b) => a !== b && ONE_SURFACE.some((names) => names.includes(a) && names.includes(b));

/** Whether nothing is left to ask of a possible hit: it is written, another sound of its drum is confirmed there, or its bar is done. */
export const isSettled = (written, at, instrument) => written.done || written.notes.some((n) => n.at === at
  && (n.instrument === instrument || (n.confirmed && areRivals(n.instrument, instrument))));

/** Where a possible hit would be written. */
export function placeOfPossible(chart, time, hit) {
  const { bar, position } = placeAt(time, hit.time_s);
  return nearestColumn(chart, bar, position);
}

/**
 * Possible hits by bar: {bar, at, instrument, velocity, probability, reason, time_s}; those that are settled left out.
 * @returns {Map<number, any[]>}
 */
export function possibleByBar(chart, time) {
  const found = known.get(chart);
  if (found?.time === time) return found.byBar;
  const byBar = new Map();
  for (const hit of chart.possible_hits || []) {
    const place = placeOfPossible(chart, time, hit);
    if (isSettled(chart.bars[place.bar], place.at, hit.instrument)) continue;
    if (!byBar.has(place.bar)) byBar.set(place.bar, []);
    byBar.get(place.bar).push({ ...hit, ...place });
  }
  known.set(chart, { time, byBar });
  return byBar;
}

/** The possible hits of bars first … last, in the order of the music. */
export const possibleOf = (chart, time, [first, last]) => [...possibleByBar(chart, time).values()].flat()
  .filter((h) => h.bar >= first && h.bar <= last)
  .sort((a, b) => a.bar - b.bar || compare(parseFraction(a.at), parseFraction(b.at)));

/** The possible hit at a place, or undefined. */
export const possibleAt = (chart, time, { bar, at, instrument }) =>
  possibleByBar(chart, time).get(bar)?.find((h) => h.at === at && h.instrument === instrument);

/** The answer to possible hits: written, or refused for good. */
export const answerEdits = (hits, yes) => hits.map(({ time_s, instrument }) =>
  ({ edit: yes ? "accept possible hit" : "refuse possible hit", time_s, instrument }));

/** How much is open, in words: "2 in doubt, 3 possible"; "" for nothing. */
export const doubtWords = (doubts, possible, hits = false) => [doubts && `${doubts}${hits ? ` hit${doubts > 1 ? "s" : ""}` : ""} in doubt`,
  possible && `${possible} possible`].filter(Boolean).join(", ");

/** A possible hit in words. */
export function describePossible(chart, hit) {
  const place = thePlace(chart.time_map.bars[hit.bar], parseFraction(hit.at));
  const reason = (hit.reason || "it may have been played").replace(/\.$/, "").replace(/^It /, "it ");
  return `perhaps ${withArticle(hit.instrument)} on ${place}: ${reason}; k writes it, x refuses it`;
}
