/**
 * The keyboard: which key does what.  The list beside the sheet is made from this table.
 * "Ctrl" is the Command key on a Mac keyboard as well.
 * @typedef {{keys: string[], command: string, does: string, shown?: string}} Shortcut
 * @type {{group: string, shortcuts: Shortcut[]}[]}
 */
export const SHORTCUTS = [
  { group: "Go", shortcuts: [
    { keys: ["ArrowLeft"], command: "left", does: "a column left or right", shown: "← →" },
    { keys: ["ArrowRight"], command: "right", does: "" },
    { keys: ["ArrowUp"], command: "up", does: "a row up or down", shown: "↑ ↓" },
    { keys: ["ArrowDown"], command: "down", does: "" },
    { keys: [","], command: "left between", does: "between columns", shown: ",  ." },
    { keys: ["."], command: "right between", does: "" },
    { keys: ["Ctrl+ArrowLeft"], command: "bar left", does: "a bar back or on", shown: "Ctrl ← →" },
    { keys: ["Ctrl+ArrowRight"], command: "bar right", does: "" },
    { keys: ["PageUp"], command: "line up", does: "a line up or down", shown: "PgUp PgDn" },
    { keys: ["PageDown"], command: "line down", does: "" },
    { keys: ["Home"], command: "first bar", does: "first or last bar", shown: "Home End" },
    { keys: ["End"], command: "last bar", does: "" },
    { keys: ["z"], command: "nearer", does: "fewer or more bars in a line", shown: "z Z" },
    { keys: ["Shift+Z"], command: "farther", does: "" },
    { keys: ["Escape"], command: "leave", does: "close, let go, then keys back to the notebook", shown: "Esc" },
  ] },
  { group: "Doubts", shortcuts: [
    { keys: ["n"], command: "next doubt", does: "next or previous doubt: a place with hits in doubt or possible hits; what is asked in bars alike comes once", shown: "n N" },
    { keys: ["Shift+N"], command: "previous doubt", does: "" },
    { keys: ["v"], command: "next doubtful bar", does: "most doubtful bar" },
    { keys: ["k"], command: "keep", does: "keep the hit (or the mark) here, write the possible one; go on" },
    { keys: ["x"], command: "reject", does: "take the hit out, refuse the possible one; go on" },
    { keys: ["Shift+K"], command: "keep bars", does: "bar (or selected bars) done: keep all its hits", shown: "K" },
    { keys: ["j"], command: "next undone bar", does: "next bar that is not done" },
    { keys: ["Shift+J"], command: "next alike", does: "next bar that asks the same", shown: "J" },
    { keys: ["Shift+H"], command: "drums", does: "drums: hear each of them, say what it is, or take it out", shown: "H" },
    { keys: ["e"], command: "correct repeats", does: "the same answer where the same is asked, the same correction in the bars that match" },
  ] },
  { group: "Hits", shortcuts: [
    { keys: ["Enter"], command: "toggle", does: "write or remove a hit" },
    { keys: ["Delete", "Backspace"], command: "remove", does: "remove", shown: "Del" },
    { keys: ["Alt+ArrowLeft"], command: "move left", does: "move the hit a column", shown: "Alt ← →" },
    { keys: ["Alt+ArrowRight"], command: "move right", does: "" },
    { keys: ["Alt+ArrowUp"], command: "move up", does: "move to another drum", shown: "Alt ↑ ↓" },
    { keys: ["Alt+ArrowDown"], command: "move down", does: "" },
    { keys: ["+", "="], command: "louder", does: "louder or softer", shown: "+ −" },
    { keys: ["-"], command: "softer", does: "" },
    { keys: ["1", "2", "3", "4", "5", "6", "7", "8", "9"], command: "velocity", does: "soft … loud", shown: "1 … 9" },
  ] },
  { group: "Chosen hits", shortcuts: [
    { keys: ["Shift+A"], command: "all alike", does: "choose all like this: same drum, same place in the bar", shown: "A" },
    { keys: ["i"], command: "in every bar", does: "every bar (or the selected bars) as here: a hit is written, an empty place emptied" },
    { keys: ["Shift+I"], command: "fill row", does: "fill the row in this bar (or the selected bars): every beat; again: finer", shown: "I" },
    { keys: ["Shift+R"], command: "right hand", does: "right or left hand", shown: "R L" },
    { keys: ["Shift+L"], command: "left hand", does: "" },
    { keys: ["ContextMenu", "Shift+F10"], command: "menu", does: "menu of what can be done here", shown: "Menu" },
  ] },
  { group: "Articulation", shortcuts: [
    { keys: ["g"], command: "ghost", does: "ghost" },
    { keys: ["a"], command: "accent", does: "accent" },
    { keys: ["f"], command: "flam", does: "flam" },
    { keys: ["d"], command: "drag", does: "drag" },
    { keys: ["Shift+D"], command: "double", does: "double stroke", shown: "D" },
    { keys: ["r"], command: "roll", does: "roll" },
    { keys: ["c"], command: "choke", does: "choke" },
    { keys: ["m"], command: "rim shot", does: "rim shot" },
    { keys: ["o"], command: "open", does: "hi-hat open or closed" },
    { keys: ["h"], command: "half open", does: "hi-hat half open" },
    { keys: ["p"], command: "foot splash", does: "foot splash" },
  ] },
  { group: "Bars", shortcuts: [
    { keys: ["Shift+ArrowLeft"], command: "select left", does: "select bars", shown: "Shift ← →" },
    { keys: ["Shift+ArrowRight"], command: "select right", does: "" },
    { keys: ["Ctrl+A"], command: "select all", does: "select all" },
    { keys: ["Ctrl+C"], command: "copy", does: "copy, cut, paste", shown: "Ctrl C X V" },
    { keys: ["Ctrl+X"], command: "cut", does: "" },
    { keys: ["Ctrl+V"], command: "paste", does: "" },
    { keys: ["Ctrl+D"], command: "repeat", does: "repeat chosen hits or bars after themselves" },
    { keys: ["b"], command: "coarser", does: "subdivision of each beat: coarser or finer", shown: "b B" },
    { keys: ["Shift+B"], command: "finer", does: "" },
    { keys: ["<", "Shift+<"], command: "line earlier", does: "bar line earlier or later", shown: "<  >" },
    { keys: [">", "Shift+>"], command: "line later", does: "" },
    { keys: ["("], command: "one earlier", does: "the 1 a beat earlier or later", shown: "(  )" },
    { keys: [")"], command: "one later", does: "" },
    { keys: ["Shift+M"], command: "mend bars", does: "what mends bars that disagree with the hits", shown: "M" },
    { keys: ["s"], command: "section", does: "name a section; words over the bar", shown: "s S" },
    { keys: ["Shift+S"], command: "cue", does: "" },
  ] },
  { group: "Marks", shortcuts: [
    { keys: ["Shift+F"], command: "mark fill", does: "a fill from here (or the selected bars)", shown: "F" },
    { keys: ["Shift+E"], command: "end fill", does: "the fill ends with this column", shown: "E" },
    { keys: ["q"], command: "next mark", does: "next or previous proposed mark", shown: "q Q" },
    { keys: ["Shift+Q"], command: "previous mark", does: "" },
    { keys: ["u"], command: "drop mark", does: "not a fill; take the mark away" },
    { keys: ["w"], command: "word mark", does: "words of the mark" },
  ] },
  { group: "Listen", shortcuts: [
    { keys: [" "], command: "play", does: "play or stop", shown: "Space" },
    { keys: ["l"], command: "loop", does: "loop on or off" },
    { keys: ["y"], command: "compare", does: "hear the recording, the chart, both by turns" },
    { keys: ["t"], command: "tap", does: "while it plays: tap every “1” (T: every beat)", shown: "t T" },
    { keys: ["Shift+T"], command: "tap beats", does: "" },
  ] },
  { group: "Chart", shortcuts: [
    { keys: ["Ctrl+Z"], command: "undo", does: "undo, redo", shown: "Ctrl Z, Ctrl Y" },
    { keys: ["Ctrl+Y", "Ctrl+Shift+Z"], command: "redo", does: "" },
    { keys: ["Ctrl+S"], command: "save", does: "save; export the score", shown: "Ctrl S, Ctrl E" },
    { keys: ["Ctrl+E"], command: "export", does: "" },
    { keys: ["?", "Shift+?"], command: "keys", does: "this list" },
  ] },
];

const BY_KEY = new Map(SHORTCUTS.flatMap(({ shortcuts }) =>
  shortcuts.flatMap((s) => s.keys.map((k) => /** @type {[string, Shortcut]} */ ([k, s])))));

/** Name of a key press as the table writes it. @param {KeyboardEvent} event */
export function keyName(event) {
  const parts = [];
  if (event.ctrlKey || event.metaKey) parts.push("Ctrl");
  if (event.altKey) parts.push("Alt");
  const letter = event.key.length === 1 && event.key.toLowerCase() !== event.key.toUpperCase();
  if (event.shiftKey && (event.key.length > 1 || letter)) parts.push("Shift");
  // Caps Lock is no Shift.
  parts.push(letter ? (parts.length ? event.key.toUpperCase() : event.key.toLowerCase()) : event.key);
  return parts.join("+");
}

/** The shortcut of a key press, or undefined. @param {KeyboardEvent} event */
export const shortcutOf = (event) => BY_KEY.get(keyName(event));
