/**
 * One chart in the page: the state that Python has confirmed, and the edits it has not answered yet.
 * The page shows both, so an edit never waits; Python's word replaces ours when it comes.
 *
 * Messages to Python:   {type: "hello" | "do" , client, seq, …}
 * Messages from Python: {type: "snapshot" | "bars" | "change" | "answer" | "refused", revision, …}
 * A snapshot holds the first bars of a long chart, so that they are seen at once; "bars" bring the others.
 * A gap in the revisions asks for a snapshot; unanswered edits are sent again after one, and
 * Python makes each once (by client and sequence number) and answers it every time.
 */
import { showAtOnce, withChange } from "./edits.js";
import { timeOf } from "./chart.js";

/** Time after which what was not answered is asked for again, ms; it doubles up to the longest while nothing comes. */
export const ASK_AGAIN_MS = 4000;
const LONGEST_WAIT_MS = 20000;

export class Session {
  /** @param {(message: object) => void} send @param {string} client */
  constructor(send, client) {
    this.send = send;
    this.client = client;
    this.seq = 0;
    this.revision = -1;
    this.confirmed = null;
    /** Whether all bars have come. */
    this.whole = false;
    this.chart = null;
    this.time = null;
    /** @type {{seq: number, message: any, since: number}[]} */
    this.pending = [];
    this.info = {};
    /** The bars that Python's advice on them (info.bars) is about. */
    this.advised = null;
    this.error = "";
    this.lost = false;
    /** Drums of which it was said that they are mostly in doubt. @type {Set<string>} */
    this.toldDrums = new Set();
    this.asked = 0;
    this.patience = ASK_AGAIN_MS;
    this.listeners = new Set();
    this.ear = (/** @type {any} */ _message, /** @type {any} */ _buffers) => {};
  }

  listen(callback) {
    this.listeners.add(callback);
    return () => this.listeners.delete(callback);
  }

  changed(what = "chart") {
    for (const callback of this.listeners) callback(what);
  }

  hello(at = now()) {
    this.asked = at;
    this.send({ type: "hello", client: this.client });
  }

  /** A message may get lost while a page is opened again: ask for what has not come. */
  askAgain(at = now()) {
    const oldest = this.pending[0];
    if (this.chart && !oldest) return;
    if (at - Math.max(this.asked, oldest?.since ?? 0) <= this.patience) return;
    this.patience = Math.min(2 * this.patience, LONGEST_WAIT_MS);
    this.hello(at);
  }

  /** Send an edit (or undo, redo, save …) and show it at once where that is possible. */
  do(message) {
    this.seq += 1;
    const full = { type: "do", client: this.client, seq: this.seq, ...message };
    this.pending.push({ seq: this.seq, message: full, since: now() });
    this.error = "";
    this.send(full);
    this.rebuild();
    return this.seq;
  }

  edit(edit) {
    return edit ? this.do({ edit }) : 0;
  }

  receive(message, buffers) {
    this.lost = false;
    this.patience = ASK_AGAIN_MS;
    switch (message.type) {
      case "snapshot":
        this.confirmed = message.chart;
        this.whole = message.whole;
        this.revision = message.revision;
        this.info = message.info;
        this.advised = this.confirmed.time_map;
        for (const p of this.pending) this.send(p.message);
        this.rebuild();
        break;
      case "bars":
        if (message.revision !== this.revision) break;
        this.confirmed = { ...this.confirmed, bars: this.confirmed.bars.toSpliced(message.first, message.bars.length, ...message.bars) };
        this.whole = message.whole;
        if (this.whole) this.rebuild();
        break;
      case "change":
        if (this.confirmed && message.revision === this.revision + 1) {
          this.confirmed = withChange(this.confirmed, message.parts, this.chart);
          this.revision = message.revision;
          this.info = { ...this.info, ...message.info };
          this.answered(message.client, message.seq);
          this.rebuild();
        } else if (!this.confirmed || message.revision > this.revision) {
          this.answered(message.client, message.seq);
          this.hello();
        }
        break;
      case "answer":
        this.answered(message.client, message.seq);
        if (message.info) this.info = { ...this.info, ...message.info };
        this.notice = message.notice || "";
        this.rebuild();
        break;
      case "refused":
        this.answered(message.client, message.seq);
        this.error = message.error;
        this.rebuild();
        break;
      case "info": {
        const { notice, ...info } = message.info;
        this.info = { ...this.info, ...info };
        if (info.bars) this.advised = this.confirmed?.time_map;
        this.notice = notice || this.notice;
        this.changed("chart");
        break;
      }
      case "error":
        this.error = message.error;
        this.changed("error");
        break;
      default:
        this.ear(message, buffers);
    }
  }

  answered(client, seq) {
    if (client === this.client) this.pending = this.pending.filter((p) => p.seq !== seq);
  }

  rebuild() {
    if (!this.confirmed) return this.changed("state");
    this.chart = this.pending.reduce(
      (chart, p) => (p.message.edit ? showAtOnce(chart, p.message.edit) : chart), this.confirmed);
    if (this.timeMap !== this.chart.time_map) {
      this.timeMap = this.chart.time_map;
      this.time = timeOf(this.timeMap);
    }
    this.changed("chart");
  }
}

const now = () => (typeof performance === "undefined" ? Date.now() : performance.now());
