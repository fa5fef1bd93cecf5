/**
 * The bar of the cursor as a table for screen readers: rows are instruments, cells are columns.
 * It is not seen; the sheet refers to its current cell (aria-activedescendant).
 */
import { barNumber, describeNote, noteAt, theBar, thePlace } from "./chart.js";
import { parseFraction, textOf } from "./fractions.js";
import { describeMarks } from "./marks.js";

let serial = 0;

export class BarTable {
  /** @param {HTMLElement} sheet the focusable element with role grid */
  constructor(sheet) {
    this.sheet = sheet;
    this.id = `wbg-bar-${++serial}`;
    this.body = document.createElement("div");
    this.body.className = "wbg-unseen";
    this.body.setAttribute("role", "rowgroup");
    /** Cells of the bar that is shown, by place and instrument. @type {Map<string, HTMLElement>} */
    this.cells = new Map();
    sheet.append(this.body);
  }

  update(chart, rows, columns, cursor) {
    const bar = cursor.bar;
    const said = [`Hits of ${theBar(chart, bar)}`, chart.time_map.bars[bar].meter, ...describeMarks(chart, bar)];
    this.sheet.setAttribute("aria-label", said.join(", "));
    const shown = [chart.bars[bar], chart.time_map.bars[bar], barNumber(chart, bar), rows.join()];
    if (shown.some((x, k) => x !== this.shown?.[k]) || !this.cells.has(cellKey(cursor))) {
      this.shown = shown;
      this.build(chart, rows, columns, cursor);
    }
    const here = this.cells.get(cellKey(cursor));
    for (const [cell, on] of [[this.here, false], [here, true]]) {
      if (!cell) continue;
      cell.setAttribute("aria-selected", String(on));
      if (on) cell.id = `${this.id}-here`;
      else cell.removeAttribute("id");
    }
    this.here = here;
    this.sheet.setAttribute("aria-activedescendant", `${this.id}-here`);
  }

  /** The cells of a bar anew. */
  build(chart, rows, columns, cursor) {
    const bar = cursor.bar;
    const timed = chart.time_map.bars[bar];
    const places = columns.map((c) => textOf(c.at));
    for (const n of chart.bars[bar].notes) if (!places.includes(n.at)) places.push(n.at);
    if (!places.includes(cursor.at)) places.push(cursor.at);
    places.sort((a, b) => value(a) - value(b));
    this.sheet.setAttribute("aria-rowcount", String(rows.length));
    this.sheet.setAttribute("aria-colcount", String(places.length + 1));
    const fragment = document.createDocumentFragment();
    this.cells = new Map();
    rows.forEach((instrument, r) => {
      const row = element("div", { role: "row", "aria-rowindex": r + 1 });
      const head = element("span", { role: "rowheader" });
      head.textContent = instrument;
      row.append(head);
      places.forEach((at, c) => {
        const note = noteAt(chart, bar, at, instrument);
        const label = note ? describeNote(chart, bar, note)
          : `${instrument} on ${thePlace(timed, parseFraction(at))}, empty`;
        const cell = element("span", { role: "gridcell", "aria-colindex": c + 2, "aria-label": label, "aria-selected": false });
        cell.textContent = note ? "hit" : "";
        this.cells.set(cellKey({ at, instrument }), cell);
        row.append(cell);
      });
      fragment.append(row);
    });
    this.here = null;
    this.body.replaceChildren(fragment);
  }
}

const cellKey = ({ at, instrument }) => `${at} ${instrument}`;

const value = (text) => {
  const f = parseFraction(text);
  return f.n / f.d;
};

function element(tag, attributes) {
  const e = document.createElement(tag);
  for (const [name, v] of Object.entries(attributes)) e.setAttribute(name, String(v));
  return e;
}
