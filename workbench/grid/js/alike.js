/**
 * A doubt that was answered once is answered alike: the same question in other bars, then the other sound of that drum where
 * it is asked at the same place of bars that are alike: whoever hears a closed hi-hat knows that no open one is in doubt there.
 * Pure functions of a chart; an answer is {bar, at, instrument, to, others, rivals}, with the time_s of a possible hit, `to` being "write", "refuse", "remove", "keep"
 * or the name of the drum that it was given to, `others` the other places of the question when it was answered, `rivals` those of the other sound.
 */
import { isDoubtful, noteAt } from "./chart.js";
import { changeEdit, hitsAt, moveEdit, removeEdit, together } from "./chosen.js";
import { answerEdits, possibleAt, possibleByBar } from "./possible.js";
import { alikeTo, areAlike, rivalsOf } from "./questions.js";

/** What an edit of a single hit answers, or null where nothing was in doubt. */
export function answerIn(chart, time, below, edit) {
  const answer = toDoubt(chart, time, below, edit);
  if (!answer) return null;
  const { bar, at, instrument } = answer;
  // What was written by hand where nothing was asked may be possible in bars that are alike.
  const others = edit.edit !== "add note" ? alikeTo(chart, time, below, answer)
    : [...possibleByBar(chart, time).keys()].filter((b) => b !== bar && areAlike(chart, bar, b)).sort((a, b) => a - b)
      .flatMap((b) => possibleAt(chart, time, { bar: b, at, instrument }) ?? []).map((h) => ({ bar: h.bar, at, instrument }));
  return { ...answer, others, rivals: rivalsOf(chart, time, below, answer, isPossible(answer)) };
}

function toDoubt(chart, time, below, edit) {
  const { instrument, position: at } = edit;
  if (edit.edit === "accept possible hit" || edit.edit === "refuse possible hit") {
    const hit = [...possibleByBar(chart, time).values()].flat().find((h) => h.time_s === edit.time_s && h.instrument === instrument);
    return hit && { bar: hit.bar, at: hit.at, instrument, to: edit.edit === "refuse possible hit" ? "refuse" : "write", time_s: hit.time_s };
  }
  const bar = edit.bar_index;
  if (edit.edit === "add note") return { bar, at: edit.note.at, instrument: edit.note.instrument, to: "write" };
  const note = at !== undefined && noteAt(chart, bar, at, instrument);
  if (!note || !isDoubtful(note, below)) return null;
  if (edit.edit === "remove note") return { bar, at, instrument, to: "remove" };
  if (edit.edit === "change note" && edit.confirmed && edit.velocity === undefined) return { bar, at, instrument, to: "keep" };
  const here = edit.edit === "move note" && edit.to_bar_index === bar && edit.to_position === at;
  return here ? { bar, at, instrument, to: edit.to_instrument } : null;
}

/** Whether the chart is still as an answer left it: neither taken back nor answered otherwise. */
export function stands(chart, { bar, at, instrument, to, time_s }) {
  if (time_s !== undefined) return !chart.possible_hits.some((h) => h.time_s === time_s && h.instrument === instrument);
  const note = noteAt(chart, bar, at, instrument);
  if (to === "write") return Boolean(note);
  if (to === "remove") return !note;
  return to === "keep" ? Boolean(note?.confirmed) : Boolean(noteAt(chart, bar, at, to));
}

const isPossible = ({ to }) => to === "write" || to === "refuse";

/** The doubts at some places that are open still, in the order of the music: possible hits, or hits with their bars. */
function openAt(chart, time, below, places, possible) {
  if (possible) return places.flatMap((p) => possibleAt(chart, time, p) ?? []);
  return hitsAt(chart, places).filter(({ note }) => isDoubtful(note, below));
}

/**
 * What an answer says of other bars: of its own sound, then of the other sounds of that drum.
 * @returns {{at: string, instrument: string, to: string, doubts: any[]}[]} those of which something is open
 */
export function openIn(chart, time, below, answer) {
  const { at, instrument, to, others, rivals } = answer;
  const stays = to === "keep" || to === "write" ? instrument : to;
  const theirs = [...new Set(rivals.map((p) => p.instrument))].map((name) => ({ at, instrument: name,
    to: name === stays ? "keep" : stays, places: rivals.filter((p) => p.instrument === name) }));
  return [{ at, instrument, to, places: others }, ...theirs]
    .map(({ places, ...a }) => ({ ...a, doubts: openAt(chart, time, below, places, isPossible(answer)) })).filter((a) => a.doubts.length);
}

/** The edit that answers doubts alike. */
export function alikeEdit(doubts, to) {
  if (to === "write" || to === "refuse") return together(answerEdits(doubts, to === "write"), `${to} alike`);
  if (to === "remove") return removeEdit(doubts, "remove alike");
  if (to === "keep") return changeEdit(doubts, () => ({ confirmed: true }), "keep alike");
  // A possible hit of the other sound is written first, so that it keeps its time and loudness.
  const hits = doubts.map((d) => (d.note ? d : { bar: d.bar, note: d }));
  const { edit } = moveEdit(hits, (place) => ({ ...place, instrument: to }), "move alike");
  const written = answerEdits(doubts.filter((d) => !d.note), true);
  return written.length ? together([...written, ...(edit.edit === "together" ? edit.edits : [edit])], "move alike") : edit;
}

/** What answering alike does, before ("take out") and after ("taken out"). */
export const wordsOf = (to) => ({ write: ["write", "written"], refuse: ["refuse", "refused"], remove: ["take out", "taken out"],
  keep: ["keep", "kept"] })[to] || [`to the ${to}:`, `given to the ${to}`];
