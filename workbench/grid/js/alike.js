/**
 * A doubt that was answered once is answered alike: the same drum in doubt at the same place of other bars.
 * Pure functions of a chart; an answer is {at, instrument, to}, `to` being "write", "refuse", "remove", "keep" or the
 * name of the drum that it was given to.
 */
import { isDoubtful, noteAt } from "./chart.js";
import { changeEdit, moveEdit, removeEdit, together } from "./chosen.js";
import { answerEdits, possibleByBar } from "./possible.js";

/** What an edit of a single hit answers, or null where nothing was in doubt. */
export function answerIn(chart, time, below, edit) {
  const { instrument, position: at } = edit;
  if (edit.edit === "accept possible hit" || edit.edit === "refuse possible hit") {
    const hit = [...possibleByBar(chart, time).values()].flat().find((h) => h.time_s === edit.time_s && h.instrument === instrument);
    return hit && { at: hit.at, instrument, to: edit.edit === "refuse possible hit" ? "refuse" : "write" };
  }
  if (edit.edit === "add note") return { at: edit.note.at, instrument: edit.note.instrument, to: "write" };
  const note = at !== undefined && noteAt(chart, edit.bar_index, at, instrument);
  if (!note || !isDoubtful(note, below)) return null;
  if (edit.edit === "remove note") return { at, instrument, to: "remove" };
  if (edit.edit === "change note" && edit.confirmed && edit.velocity === undefined) return { at, instrument, to: "keep" };
  const here = edit.edit === "move note" && edit.to_bar_index === edit.bar_index && edit.to_position === at;
  return here ? { at, instrument, to: edit.to_instrument } : null;
}

/** The same doubts elsewhere, in the order of the music: possible hits, or hits with their bars. */
export function sameDoubts(chart, time, below, { at, instrument, to }) {
  if (to === "write" || to === "refuse") {
    return [...possibleByBar(chart, time).values()].flat().filter((h) => h.at === at && h.instrument === instrument)
      .sort((a, b) => a.bar - b.bar);
  }
  const found = [];
  chart.bars.forEach((_, bar) => {
    const note = noteAt(chart, bar, at, instrument);
    if (note && isDoubtful(note, below)) found.push({ bar, note });
  });
  return found;
}

/** The edit that answers doubts alike. */
export function alikeEdit(doubts, to) {
  if (to === "write" || to === "refuse") return together(answerEdits(doubts, to === "write"), `${to} alike`);
  if (to === "remove") return removeEdit(doubts, "remove alike");
  if (to === "keep") return changeEdit(doubts, () => ({ confirmed: true }), "keep alike");
  return moveEdit(doubts, (place) => ({ ...place, instrument: to }), "move alike").edit;
}

/** What answering alike does, before ("take out") and after ("taken out"). */
export const wordsOf = (to) => ({ write: ["write", "written"], refuse: ["refuse", "refused"], remove: ["take out", "taken out"],
  keep: ["keep", "kept"] })[to] || [`to the ${to}:`, `given to the ${to}`];
