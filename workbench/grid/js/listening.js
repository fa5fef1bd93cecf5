/**
 * Listening: recording, the chart's own sound and a click, in step, to the sample.
 *
 * Python cuts and stretches (pitch kept); the page plays buffers.  A loop is one buffer per
 * source with the loop points of the Web Audio standard, so it closes without a gap; playing on
 * schedules piece after piece at exact frames.  Levels and placing are live.
 */

import { soundOf } from "./bars.js";

/** What can be turned up and down, in the order of the controls. */
export const SOURCES = ["drums", "rest", "chart", "click"];
/** What is fetched: drums and rest come together, as the recording, as long as they are heard alike. */
const FETCHED = ["recording", ...SOURCES];
const controlOf = (source) => (source === "recording" ? "rest" : source);
/** How long a piece of sound is heard while the pointer is drawn over the waveform, and how often, seconds. */
const SCRUB_S = 0.11;
const SCRUB_EVERY_S = 0.06;

/** Time between asking for the sound and its start: lets all sources be set up first. */
const LEAD_S = 0.06;

/** A long song's pieces are set up when they are heard within this, one at a time so that no picture waits. */
const AHEAD_S = 25;
const LOOK_EVERY_MS = 200;
/** So many pieces of a long song come at first, more when these are set up. */
const FIRST_PIECES = 3;
/** Samples of passages that are kept to be heard again, those of five minutes in stereo. */
const MOST_KEPT = 5 * 60 * 2 * 44100;

/** A wish for sound: what Python needs to know to cut it. */
export function passageKey(passage, source, revision) {
  const { start_s, end_s, speed_percent } = passage;
  const own = ["chart", "click", "count in"].includes(source) || source.includes(" of ") ? `revision ${revision}` : "";
  const places = passage.places ? ` at ${passage.places.join(" ")}` : "";
  return `${source} ${start_s} ${end_s} ${speed_percent} ${own} ${passage.count_in_bars}${places}`;
}

/** Wire one source: buffer → level → placing → out. Used alike for playing and for offline checks. */
export function wire(context, out, level, pan) {
  const gain = context.createGain();
  gain.gain.value = level;
  const panner = context.createStereoPanner();
  panner.pan.value = pan;
  gain.connect(panner).connect(out);
  return { gain, panner };
}

/** A source node that loops a whole buffer. */
export function loopNode(context, buffer) {
  const node = context.createBufferSource();
  node.buffer = buffer;
  node.loop = true;
  node.loopStart = 0;
  node.loopEnd = buffer.length / buffer.sampleRate;
  return node;
}

/** 16-bit pieces to one buffer. */
export function joinPieces(context, pieces) {
  const { sample_rate, channels } = pieces[0].message;
  const frames = pieces.reduce((n, p) => n + p.message.frames, 0);
  const buffer = context.createBuffer(channels, Math.max(frames, 1), sample_rate);
  let at = 0;
  for (const { message, samples } of pieces) {
    for (let c = 0; c < channels; c++) {
      const out = buffer.getChannelData(c);
      for (let k = 0; k < message.frames; k++) out[at + k] = samples[k * channels + c] / 32767;
    }
    at += message.frames;
  }
  return buffer;
}

export class Listener {
  /**
   * @param {any} session @param {() => any} settings levels, pans, loop … as they are now
   * @param {(what: string) => void} changed
   */
  constructor(session, settings, changed) {
    this.session = session;
    this.settings = settings;
    this.changed = changed;
    this.context = null;
    this.kept = new Map();
    /** Sounds of single hits by instrument. @type {Map<string, Promise<AudioBuffer|null>>} */
    this.hits = new Map();
    this.waiting = new Map();
    this.nextId = 1;
    this.playing = null;
    this.state = "stopped";
    this.taps = [];
  }

  /** A message with sound (or why there is none) from Python. */
  receive(message, buffers) {
    const wait = this.waiting.get(message.request);
    if (!wait) return;
    if (message.error) {
      this.waiting.delete(message.request);
      wait.fail(new Error(message.error));
      return;
    }
    const view = buffers[0];
    const samples = view.byteOffset % 2 ? new Int16Array(view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength))
      : new Int16Array(view.buffer, view.byteOffset, view.byteLength >> 1);
    const piece = { message, samples };
    wait.pieces?.push(piece);
    if (message.last) {
      this.waiting.delete(message.request);
      wait.done(wait.pieces);
    }
    wait.piece?.(piece);
  }

  /** Ask Python for one source of a passage; every piece is told to `piece` as it comes. */
  fetch(passage, source, piece) {
    source = soundOf(source, passage);
    const key = passageKey(passage, source, this.session.revision);
    if (this.kept.has(key)) {
      const pieces = this.kept.get(key);
      if (piece) pieces.forEach(piece);
      return Promise.resolve(pieces);
    }
    const promise = new Promise((done, fail) => this.ask(passage, source, { pieces: [], done, fail, piece }));
    if (source.startsWith("hit ")) return promise;
    return promise.then((pieces) => {
      this.keep(key, pieces);
      return pieces;
    });
  }

  /** @param {{pieces?: any[], done: Function, fail: Function, piece?: Function}} wait who gets it @returns {string} number of the request */
  ask(passage, source, wait, most = {}) {
    const request = `${this.session.client} ${this.nextId++}`;
    this.waiting.set(request, wait);
    this.session.send({ type: "audio", client: this.session.client, request, source, ...passage, ...most });
    return request;
  }

  keep(key, pieces) {
    this.kept.set(key, pieces);
    const size = (kept) => kept.reduce((n, { samples }) => n + samples.length, 0);
    let all = [...this.kept.values()].reduce((n, kept) => n + size(kept), 0);
    for (const [old, kept] of this.kept) {
      if (all <= MOST_KEPT || old === key) break;
      all -= size(kept);
      this.kept.delete(old);
    }
  }

  /**
   * Ask Python for one source of a long passage a little at a time: `piece` gets each piece, `more` asks for the next.
   * @returns {{came: Promise<void>, more: () => void, stop: () => void}} came: the first piece is here
   */
  stream(passage, source, piece) {
    let request = "";
    const came = new Promise((done, fail) => {
      const arrived = (p) => {
        piece(p);
        done();
      };
      request = this.ask(passage, soundOf(source, passage), { done, fail, piece: arrived }, { pieces: FIRST_PIECES });
    });
    return { came, more: () => this.session.send({ type: "more", request }), stop: () => {
      if (this.waiting.delete(request)) this.session.send({ type: "enough", request });
    } };
  }

  /**
   * Play bars: from start_s to end_s, again and again if `loop`.
   * @param {{start_s: number, end_s: number, speed_percent: number, count_in_bars: number,
   *   loop: boolean}} passage
   */
  async play(passage) {
    this.stop();
    const mine = (this.playing = { passage, nodes: new Set(), streams: [], sources: {}, loops: {}, here: [], parted: false, startTime: null,
      chartRevision: this.session.revision });
    this.state = "loading";
    this.changed("state");
    try {
      await this.sampleRate();
      const awake = this.awake().resume();
      // What is turned down is not made; it joins when it is turned up.
      const first = this.wanted(mine);
      const countIn = passage.count_in_bars ? this.fetch(passage, "count in") : Promise.resolve(null);
      if (passage.loop) {
        const [counted, , ...pieces] = await Promise.all([countIn, awake, ...first.map((s) => this.fetch(passage, s))]);
        if (this.playing !== mine) return;
        this.begin(mine, counted);
        first.forEach((s, k) => this.startLoop(mine, s, pieces[k], mine.startTime));
        mine.duration ??= (passage.end_s - passage.start_s) / (passage.speed_percent / 100);
        mine.here = first;
      } else {
        mine.here = first;
        await this.playOn(mine, first, countIn, awake);
      }
    } catch (error) {
      this.failed(mine, error);
    }
  }

  /**
   * Play a drum's clearest strokes in a stretch of the recording, one after the other, those at some places or all; out
   * of the drums alone where the rest is turned down.
   * @param {{name: string, called: string, places?: [number, string][]}} drum @param {{start_s: number, end_s: number}} stretch
   * @returns {Promise<string|undefined>} where they are, in words, once they sound
   */
  async playDrum({ name, called, places }, stretch) {
    this.stop();
    const mine = (this.playing = { passage: { ...stretch, drum: name, called }, nodes: new Set(), streams: [], startTime: null });
    this.state = "loading";
    this.changed("state");
    try {
      await this.sampleRate();
      const awake = this.awake().resume();
      const { drums, rest } = this.settings();
      const wish = { ...stretch, speed_percent: 100, count_in_bars: 0, ...(places ? { places } : {}) };
      const pieces = await this.fetch(wish, `${rest.level > 0 ? "recording" : "drums"} of ${name}`);
      await awake;
      if (this.playing !== mine) return undefined;
      const node = this.context.createBufferSource();
      node.buffer = joinPieces(this.context, pieces);
      mine.out = this.context.createGain();
      mine.out.gain.value = 0.7 * Math.max(drums.level, rest.level, 0.5);
      node.connect(mine.out).connect(this.context.destination);
      node.onended = () => this.playing === mine && this.stop();
      node.start();
      mine.nodes.add(node);
      this.state = "playing";
      this.changed("state");
      return pieces[0].message.places;
    } catch (error) {
      this.failed(mine, error);
      return undefined;
    }
  }

  /** What was to sound cannot: stop, and say why. */
  failed(mine, error) {
    if (this.playing !== mine) return;
    this.stop();
    this.session.error = error.message;
    this.session.changed("error");
  }

  /** What must sound by the controls as they are now. Once drums and rest are heard apart they stay so. */
  wanted(mine) {
    const settings = this.settings();
    const { drums, rest } = settings;
    mine.parted ||= drums.level !== rest.level || drums.pan !== rest.pan;
    const recording = !this.session.info.has_recording ? [] : mine.parted ? ["drums", "rest"] : ["recording"];
    return [...recording, "chart", "click"].filter((s) => settings[controlOf(s)].level > 0);
  }

  /** Sample rate of the recording, once Python has opened it. */
  async sampleRate() {
    while (!this.session.info.sample_rate) await new Promise((wait) => setTimeout(wait, 50));
    return this.session.info.sample_rate;
  }

  begin(mine, countIn) {
    const { context } = this;
    mine.out = context.createGain();
    mine.out.gain.value = 0.7;
    mine.out.connect(context.destination);
    // On a whole frame, so that every later start falls on one as well.
    let start = Math.ceil((context.currentTime + LEAD_S) * context.sampleRate);
    if (countIn) {
      const buffer = joinPieces(context, countIn);
      const node = context.createBufferSource();
      node.buffer = buffer;
      node.connect(mine.out);
      node.start(start / context.sampleRate);
      mine.nodes.add(node);
      mine.countInTime = start / context.sampleRate;
      start += buffer.length;
    }
    mine.startFrame = start;
    mine.startTime = start / context.sampleRate;
    for (const s of FETCHED) {
      const { level, pan } = this.settings()[controlOf(s)];
      mine.sources[s] = wire(context, mine.out, level, pan);
    }
    this.state = "playing";
    this.changed("state");
  }

  startLoop(mine, source, pieces, when) {
    const buffer = joinPieces(this.context, pieces);
    const node = loopNode(this.context, buffer);
    node.connect(mine.sources[source].gain);
    node.start(when);
    mine.nodes.add(node);
    mine.duration = buffer.length / buffer.sampleRate;
    mine.loops[source]?.stop(when);
    mine.loops[source] = node;
  }

  /** Fetch a source while its loop sounds already: it is heard from the next time round. */
  async joinLoop(mine, source) {
    const pieces = await this.fetch(mine.passage, source).catch(() => null);
    if (this.playing !== mine || !pieces) return;
    this.startLoop(mine, source, pieces, this.nextRound(mine));
  }

  nextRound(mine) {
    const rounds = Math.ceil((this.context.currentTime + 0.02 - mine.startTime) / mine.duration);
    return mine.startTime + Math.max(rounds, 0) * mine.duration;
  }

  /** Play on to the end: pieces start at their frames, set up one after another a while before. */
  async playOn(mine, first, countIn, awake) {
    const rate = this.context.sampleRate;
    const startOf = ({ message }) => (mine.startFrame + message.start) / rate;
    const schedule = (source, piece) => {
      const buffer = joinPieces(this.context, [piece]);
      const node = this.context.createBufferSource();
      node.buffer = buffer;
      node.connect(mine.sources[source].gain);
      // A piece that comes late enters where it would be by now.
      const missed = Math.max(this.context.currentTime + 0.02 - startOf(piece), 0);
      if (missed >= buffer.duration) return;
      node.start(startOf(piece) + missed, missed);
      mine.nodes.add(node);
      node.onended = () => mine.nodes.delete(node);
    };
    /** What has come of each source and is not set up. */
    const due = first.map((source) => {
      const one = { source, pieces: [], asked: FIRST_PIECES, stream: null };
      one.stream = this.stream(mine.passage, source, (piece) => {
        one.pieces.push(piece);
        one.asked = piece.message.last ? Infinity : one.asked - 1;
      });
      mine.streams.push(one.stream);
      return one;
    });
    const look = () => {
      for (const one of due) {
        if (one.pieces.length && startOf(one.pieces[0]) < this.context.currentTime + AHEAD_S) schedule(one.source, one.pieces.shift());
        if (one.pieces.length || one.asked) continue;
        one.asked = 1;
        one.stream.more();
      }
    };
    const [counted] = await Promise.all([countIn, awake, ...due.map(({ stream }) => stream.came)]);
    if (this.playing !== mine) return;
    this.begin(mine, counted);
    mine.length = (mine.passage.end_s - mine.passage.start_s) / (mine.passage.speed_percent / 100);
    look();
    mine.looking = setInterval(look, LOOK_EVERY_MS);
  }

  /** The chart was edited while its loop sounds: from the next time round the new sound is heard. */
  async renewChart() {
    const mine = this.playing;
    if (!mine?.startTime || !mine.passage.loop || !mine.here.includes("chart")) return;
    this.wish = this.session.revision;
    if (this.renewing) return;
    this.renewing = true;
    try {
      while (this.playing === mine && this.wish !== mine.chartRevision) {
        mine.chartRevision = this.wish;
        await this.joinLoop(mine, "chart");
      }
    } finally {
      this.renewing = false;
    }
  }

  /** Levels and placing as the controls say now; Python is asked only for what has not sounded yet. */
  applySettings() {
    const mine = this.playing;
    if (!mine?.startTime) return;
    const settings = this.settings();
    for (const s of FETCHED) {
      const { gain, panner } = mine.sources[s];
      gain.gain.setTargetAtTime(settings[controlOf(s)].level, this.context.currentTime, 0.01);
      panner.pan.setTargetAtTime(settings[controlOf(s)].pan, this.context.currentTime, 0.01);
    }
    const joining = this.wanted(mine).filter((s) => !mine.here.includes(s));
    if (!joining.length) return;
    mine.here = [...mine.here, ...joining];
    if (mine.passage.loop) this.joinAll(mine, joining);
    else this.play({ ...mine.passage, start_s: this.heardAt() ?? mine.passage.start_s, count_in_bars: 0 });
  }

  /** Bring sources into the loop together; drums and rest take the place of the whole recording. */
  async joinAll(mine, sources) {
    const pieces = await Promise.all(sources.map((s) => this.fetch(mine.passage, s))).catch(() => null);
    if (this.playing !== mine || !pieces) return;
    const when = this.nextRound(mine);
    sources.forEach((s, k) => this.startLoop(mine, s, pieces[k], when));
    if (mine.parted) mine.loops.recording?.stop(when);
  }

  /** The context at the recording's rate, made when something first sounds. */
  awake() {
    const rate = this.session.info.sample_rate;
    if (!rate) return null;
    if (!this.context || this.context.sampleRate !== rate) {
      this.context?.close();
      this.context = new AudioContext({ sampleRate: rate, latencyHint: "interactive" });
    }
    this.context.resume();
    return this.context;
  }

  /** Have what sounds hits at hand before one is struck: it takes page and Python a while to make. */
  async warmUp(instruments) {
    await this.sampleRate();
    this.awake();
    for (const instrument of instruments) await this.hit(instrument);
  }

  hit(instrument) {
    if (!this.hits.has(instrument)) {
      const pieces = this.fetch({ start_s: 0, end_s: 1, speed_percent: 100, count_in_bars: 0 }, `hit ${instrument}`);
      this.hits.set(instrument, pieces.then((p) => joinPieces(this.context, p)).catch(() => this.hits.delete(instrument) && null));
    }
    return this.hits.get(instrument);
  }

  /** Sound one hit, as loud as it is written. */
  async strike(instrument, velocity) {
    const context = this.state === "stopped" ? this.awake() : null;
    if (!context) return;
    const buffer = await this.hit(instrument);
    if (!buffer || this.state !== "stopped") return;
    const node = context.createBufferSource();
    node.buffer = buffer;
    const gain = context.createGain();
    gain.gain.value = (velocity / 127) ** 1.5 * 0.5;
    node.connect(gain).connect(context.destination);
    node.start();
  }

  /** A short piece of the recording at a moment of a passage, while the pointer is drawn over the waveform. */
  async scrub(passage, seconds) {
    if (this.state !== "stopped" || !this.session.info.has_recording || !this.awake()) return;
    const pieces = await this.fetch({ ...passage, speed_percent: 100, count_in_bars: 0, loop: false }, "recording")
      .catch(() => null);
    const { context } = this;
    if (!pieces || this.state !== "stopped" || context.currentTime < (this.scrubbed || 0) + SCRUB_EVERY_S) return;
    this.scrubbed = context.currentTime;
    if (this.scrubPieces !== pieces) [this.scrubPieces, this.scrubBuffer] = [pieces, joinPieces(context, pieces)];
    const node = context.createBufferSource();
    node.buffer = this.scrubBuffer;
    const gain = context.createGain();
    const now = context.currentTime;
    gain.gain.setValueAtTime(0, now);
    gain.gain.linearRampToValueAtTime(0.7, now + 0.01);
    gain.gain.setValueAtTime(0.7, now + SCRUB_S - 0.02);
    gain.gain.linearRampToValueAtTime(0, now + SCRUB_S);
    node.connect(gain).connect(context.destination);
    node.start(now, Math.max(seconds - passage.start_s, 0), SCRUB_S);
  }

  stop() {
    const was = this.playing;
    this.playing = null;
    this.state = "stopped";
    if (was) {
      clearInterval(was.looking);
      for (const stream of was.streams) stream.stop();
      for (const node of was.nodes) {
        node.onended = null;
        try {
          node.stop();
        } catch {
          // Not started yet: nothing to stop.
        }
      }
      was.out?.disconnect();
      this.changed("state");
    }
  }

  /**
   * Second of the recording that leaves the loudspeaker at a moment of the page's clock.
   * @returns {number|null} null while nothing sounds; before the start (count-in) as well
   */
  heardAt(pageTime = performance.now()) {
    const mine = this.playing;
    if (!mine?.startTime) return null;
    const stamp = this.context.getOutputTimestamp();
    const heard = stamp.performanceTime
      ? stamp.contextTime + (pageTime - stamp.performanceTime) / 1000
      : this.context.currentTime - (this.context.outputLatency || 0);
    let passed = heard - mine.startTime;
    if (passed < 0) return null;
    const { passage } = mine;
    if (passage.loop) passed %= mine.duration;
    else if (passed > mine.length) {
      this.stop();
      return null;
    }
    return passage.start_s + (passed * passage.speed_percent) / 100;
  }

  /** Render what a loop sounds like, without a loudspeaker: for checks. */
  async renderLoop(passage, frames, settings = this.settings()) {
    const rate = await this.sampleRate();
    const wanted = FETCHED.filter((s) => settings[s] && (s === "chart" || s === "click" || this.session.info.has_recording));
    const offline = new OfflineAudioContext(2, frames, rate);
    for (const source of wanted) {
      const node = loopNode(offline, joinPieces(offline, await this.fetch(passage, source)));
      node.connect(wire(offline, offline.destination, settings[source].level, settings[source].pan).gain);
      node.start(0);
    }
    return offline.startRendering();
  }
}
