// Plays a lesson: any of its bars at any tempo, from single strokes of the kit and from the recording.
"use strict";

(() => {
  const lesson = JSON.parse(document.getElementById("lesson").textContent);
  const $ = (id) => document.getElementById(id);
  const say = (text) => lesson.words[text] ?? text;
  const engraved = [...$("engraved").children];
  // Sound is laid so long ahead; a bar of the recording takes a slow phone a third of a second to stretch.
  const AHEAD_S = 0.25, RECORD_AHEAD_S = 1, LOOK_MS = 40;
  // Bars of the recording blend into one another so long.
  const BLEND_S = 0.012;
  const state = { item: 0, step: 0, bpm: 0 };
  const kit = new Map();       // instrument -> [[velocity, AudioBuffer]]
  let context = null, out = null, gains = {}, playing = null;

  // -- what is remembered on this device -------------------------------------------

  // Lessons of one song may have other items: what is ticked off is of these.
  const KEY = `lesson ${document.title}: ${Array.from(document.querySelectorAll(".item h2"), (h) => h.firstChild.textContent.trim()).join(", ")}`;
  const kept = { done: {}, notes: {}, ...read() };
  function read() { try { return JSON.parse(localStorage.getItem(KEY)) || {}; } catch { return {}; } }
  function keep() { try { localStorage.setItem(KEY, JSON.stringify(kept)); } catch { /* a page without storage forgets */ } }

  // -- page --------------------------------------------------------------------------

  const item = () => lesson.items[state.item];
  const step = () => item().steps[state.step];
  const part = (k, name) => document.querySelector(`#item-${k} .${name}`);
  const tempo = () => state.bpm;

  function buttons(box, names, pressed, choose) {
    box.replaceChildren(...names.map((name, k) => {
      const made = document.createElement("button");
      made.type = "button";
      made.textContent = name;
      made.setAttribute("aria-pressed", String(k === pressed));
      made.addEventListener("click", () => choose(k, made));
      return made;
    }));
  }

  function drawBars() {
    const box = part(state.item, "bars"), own = step();
    box.replaceChildren(...(own ? own.bars : []).map((number, k) => {
      const made = document.createElement("div"), caption = document.createElement("small");
      made.className = "bar";
      caption.textContent = own.captions[k];
      const svg = engraved[lesson.bars[number].drawn[Number($("open").checked)]].firstElementChild;
      made.append(caption, svg.cloneNode(true), document.createElement("i"));
      made.addEventListener("click", () => chooseBar(k));
      return made;
    }));
    part(state.item, "doubts").textContent = own ? own.doubts : "";
    if ($("left").checked) mirror(box);
    const names = (own ? own.captions : []).map((name, k) => new Option(name, String(k)));
    $("from").replaceChildren(...names.map((o) => o.cloneNode(true)));
    $("to").replaceChildren(...names);
    $("to").selectedIndex = names.length - 1;
    showChosen();
  }

  // A touch chooses a bar, a later one the end of the passage, the same again all bars.
  function chooseBar(k) {
    const [from, to] = [Number($("from").value), Number($("to").value)], last = step().bars.length - 1;
    const next = from === to && k === from ? [0, last] : from === to && k > from ? [from, k] : [k, k];
    [$("from").selectedIndex, $("to").selectedIndex] = next;
    showChosen();
  }

  function showChosen() {
    const [from, to] = [Number($("from").value), Number($("to").value)];
    const all = [...part(state.item, "bars").children];
    all.forEach((bar, k) => bar.classList.toggle("out", k < from || k > to));
  }

  // The kit of a left-handed player is set up the other way round, so hands change names.
  function mirror(box) {
    const swap = { R: "L", L: "R" };
    for (const text of box.querySelectorAll("text, tspan")) {
      if (!text.children.length && swap[text.textContent.trim()]) text.textContent = swap[text.textContent.trim()];
    }
  }

  function choose(k, chosen) {
    const was = Boolean(playing);
    stop();
    if (k !== state.item) for (const name of ["doubts", "bars"]) part(state.item, name).replaceChildren();
    Object.assign(state, { item: k, step: chosen });
    for (const [j, section] of [...document.querySelectorAll(".item")].entries()) {
      section.toggleAttribute("aria-current", j === k);
      showChoices(j);
    }
    drawBars();
    if (step()) $("loop").checked = step().loop;
    if (was && step()) play();
  }

  function showChoices(k) {
    buttons(part(k, "steps"), lesson.items[k].steps.map((s) => s.title), k === state.item ? state.step : -1, (s) => choose(k, s));
    const tempi = tempiOf(k), { own, ownSaid } = lesson.items[k];
    buttons(part(k, "tempi"), tempi.map((t) => (t === own ? ownSaid : String(t))), -1, (t) => {
      if (k !== state.item) choose(k, 0);
      setTempo(tempi[t]);
    });
    showTempo(k);
  }

  const tempiOf = (k) => lesson.tempi.filter((t) => t >= lesson.items[k].start && t <= lesson.items[k].goal);

  // Which tempo is chosen, which are done, and whether this one is.
  function showTempo(k) {
    const done = kept.done[k] || [], own = k === state.item ? Math.round(state.bpm) : null, button = part(k, "tick");
    for (const [t, made] of [...part(k, "tempi").children].entries()) {
      made.setAttribute("aria-pressed", String(tempiOf(k)[t] === own));
      made.classList.toggle("done", done.includes(tempiOf(k)[t]));
    }
    button.hidden = !tempiOf(k).includes(own);
    button.textContent = say("done at {bpm}").replace("{bpm}", own);
    button.classList.toggle("done", done.includes(own));
    button.setAttribute("aria-pressed", String(done.includes(own)));
  }

  function tick(k, bpm, done) {
    const others = (kept.done[k] || []).filter((t) => t !== bpm);
    kept.done[k] = done ? [...others, bpm] : others;
    keep();
    showTempo(k);
  }

  function setTempo(bpm) {
    state.bpm = bpm;
    $("tempo").value = bpm;
    $("bpm").textContent = String(Math.round(bpm));
    if (playing) playing.bpm = tempo();
    showTempo(state.item);
  }

  // -- sound ---------------------------------------------------------------------------

  const SLIDERS = ["kit", "click", ...(lesson.record ? ["drums", "band"] : [])];

  function level(id) {
    const share = (Number($(id).value) / 100) ** 2;
    if (id === "kit") return share * lesson.kitGain;
    if (id === "band") return share * lesson.record.gain;
    // What stayed of the drums in the rest counts as drums, too.
    if (id === "drums") return $("band").value > 0 ? Math.max(0, 1 + (share - 1) / lesson.record.found) * lesson.record.gain : share * lesson.record.gain;
    return share;
  }
  const withRecord = () => lesson.record && (Number($("drums").value) > 0 || Number($("band").value) > 0);

  function showLevels() {
    for (const id of SLIDERS) if (gains[id]) gains[id].gain.value = level(id);
    if (withRecord() && playing) need(playing.bar);
  }

  async function ready() {
    if (!context) {
      context = new AudioContext();
      out = context.createDynamicsCompressor();
      out.threshold.value = -4;
      out.ratio.value = 12;
      out.connect(context.destination);
      for (const id of SLIDERS) {
        gains[id] = context.createGain();
        gains[id].gain.value = level(id);
        gains[id].connect(out);
      }
    }
    await context.resume();
    for (const [name, { layers }] of Object.entries(lesson.kit)) {
      if (kit.has(name)) continue;
      kit.set(name, await Promise.all(layers.map(async ([velocity, text]) => {
        const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
        return [velocity, await context.decodeAudioData(bytes.buffer)];
      })));
    }
  }

  // An open hi-hat ends where the hi-hat is closed.
  const CLOSES = new Set(["closed hi-hat", "pedal hi-hat", "open hi-hat"]);
  let ringing = null;

  function strike([, name, velocity], at) {
    const layers = kit.get(name);
    const [own, buffer] = layers.reduce((a, b) => (Math.abs(b[0] - velocity) < Math.abs(a[0] - velocity) ? b : a));
    const source = context.createBufferSource(), gain = context.createGain(), place = context.createStereoPanner();
    source.buffer = buffer;
    gain.gain.value = (velocity / own) ** 1.5;
    place.pan.value = lesson.kit[name].pan * ($("left").checked ? -1 : 1);
    source.connect(gain).connect(place).connect(gains.kit);
    source.start(at);
    if (CLOSES.has(name)) {
      if (ringing) ringing.gain.setTargetAtTime(0, at, 0.015);
      ringing = name === "open hi-hat" ? gain : null;
    }
    playing.sources.push(source);
  }

  let clicks = null;
  function clickAt(at, accented) {
    clicks = clicks || [1200, 1800].map((pitch, k) => {
      const rate = context.sampleRate, buffer = context.createBuffer(1, Math.round(0.045 * rate), rate);
      const x = buffer.getChannelData(0);
      for (let n = 0; n < x.length; n++) {
        const s = n / rate;
        x[n] = (k ? 0.8 : 0.6) * Math.sin(2 * Math.PI * pitch * s) * Math.exp(-s / 0.009) * Math.min(1, s / 0.0005);
      }
      return buffer;
    });
    const source = context.createBufferSource();
    source.buffer = clicks[Number(accented)];
    source.connect(gains.click);
    source.start(at);
    playing.sources.push(source);
  }

  // Clicks of a bar: [beat, accented].
  function clickBeats(beats, kind, barsPlayed) {
    const all = [...Array(beats).keys()];
    if (kind === "every other bar") return barsPlayed % 2 ? [] : all.map((b) => [b, b === 0]);
    if (kind === "2 and 4") return all.filter((b) => b % 2).map((b) => [b, false]);
    const found = all.map((b) => [b, b === 0]);
    return kind === "halves" ? [...found, ...all.map((b) => [b + 0.5, false])] : found;
  }

  // -- the recording -------------------------------------------------------------------

  const pieces = new Map();    // number -> { drums, rest }, once decoded; before that a promise
  const MOST_PIECES = 6;

  async function decoded(id) {
    const text = $(id)?.textContent;
    if (!text) return null;
    return context.decodeAudioData(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer);
  }

  function piece(k) {
    if (!pieces.has(k)) {
      pieces.set(k, Promise.all([decoded(`drums-${k}`), decoded(`rest-${k}`)]).then(([drums, rest]) => {
        if (pieces.has(k)) pieces.set(k, { drums, rest });
      }));
      for (const other of [...pieces.keys()].sort((a, b) => Math.abs(b - k) - Math.abs(a - k))) {
        if (pieces.size > MOST_PIECES) pieces.delete(other);
      }
    }
    return pieces.get(k);
  }

  // What a bar is heard of: from a little before it to a little after, seconds.
  const around_s = (points) => [points[0][1] - 0.1, points.at(-1)[1] + 0.1];
  const piecesOf = ([from, to]) => {
    const first = Math.max(0, Math.floor(from / lesson.record.piece_s)), last = Math.floor(to / lesson.record.piece_s);
    return Array.from({ length: Math.max(0, last - first + 1) }, (_, k) => first + k);
  };

  // The recording of a step's bar is decoded before it sounds, and that of the next.
  function need(bar) {
    const { song } = step(), bars = [song[bar], song[(bar + 1) % song.length]];
    return Promise.all(bars.flatMap((k) => piecesOf(around_s(recordedBeats(k))).map(piece)));
  }

  const recordedBeats = (k) => lesson.record.bars[k].beats.map((t, b) => [b, t]);

  // Drums and rest from one second of the recording to another, left and right of each; null while they are decoded.
  function cut(from, to) {
    const rate = context.sampleRate, first = Math.round(from * rate), length = Math.round((to - from) * rate);
    const out = Array.from({ length: 4 }, () => new Float32Array(length));
    const { piece_s, lead_s } = lesson.record;
    for (const k of piecesOf([from, to])) {
      const found = piece(k);
      if (found instanceof Promise) return null;
      for (const [s, sound] of [found.drums, found.rest].entries()) {
        if (!sound) continue;
        // A decoder that keeps the coder's delay makes the piece longer.
        const late = sound.duration - piece_s - 2 * lead_s > 0.01 ? 1105 / 44100 : 0;
        const begin = Math.round(k * piece_s * rate), end = Math.round((k + 1) * piece_s * rate);
        const shift = Math.round((lead_s + late) * rate) - begin;
        for (let n = Math.max(first, begin); n < Math.min(first + length, end); n++) {
          out[2 * s][n - first] = sound.getChannelData(0)[n + shift];
        }
        out[2 * s + 1].set(out[2 * s]);
        if (sound.numberOfChannels > 1) {
          const right = sound.getChannelData(1);
          for (let n = Math.max(first, begin); n < Math.min(first + length, end); n++) out[2 * s + 1][n - first] = right[n + shift];
        }
      }
    }
    return out;
  }

  // Where the beats of a bar fall from its line on, and where they are in the recording: [played_s, recorded_s].
  function beatPoints(k, bpm, asPlayed) {
    const { beats } = lesson.record.bars[k], speed = bpm / item().own;
    return beats.map((t, b) => [asPlayed ? (t - beats[0]) / speed : b * 60 / bpm, t]);
  }

  function playRecord(k, points, at) {
    const [from, to] = around_s(points), channels = cut(from, to), rate = context.sampleRate;
    if (!channels) return;
    const struck = lesson.record.bars.slice(Math.max(0, k - 1), k + 2).flatMap((b) => b.struck).filter((t) => t > from && t < to);
    const blend = Math.round(BLEND_S * rate), length = Math.round(points.at(-1)[0] * rate) + blend;
    const played = stretching.stretched(channels, rate, from, stretching.around(points, struck), -blend / rate, length);
    for (const x of played) {
      for (let n = 0; n < blend; n++) {
        x[n] *= (n + 0.5) / blend;
        x[length - 1 - n] *= (n + 0.5) / blend;
      }
    }
    for (const [s, id] of ["drums", "band"].entries()) {
      const buffer = context.createBuffer(2, length, rate), source = context.createBufferSource();
      for (const side of [0, 1]) buffer.copyToChannel(played[2 * s + side], side);
      source.buffer = buffer;
      source.connect(gains[id]);
      const begin = at - blend / rate, late = Math.max(0, context.currentTime - begin);
      source.start(begin + late, late);
      playing.sources.push(source);
    }
  }

  // -- playing -----------------------------------------------------------------------------

  // The beats of a step's bar, seconds from its line; with the recording as played, as it plays them.
  function beatTimes(bar, bpm) {
    const { beats } = lesson.bars[step().bars[bar]];
    if (withRecord()) return beatPoints(step().song[bar], bpm, !$("grid").checked).map(([at]) => at);
    return Array.from({ length: beats + 1 }, (_, b) => b * 60 / bpm);
  }

  async function play() {
    if (!step()) return;
    const mine = { bpm: tempo(), sources: [], marks: [], bar: Number($("from").value), played: 0, rounds: 0 };
    playing = mine;
    $("play").textContent = say("Stop");
    await ready();
    if (withRecord()) await need(mine.bar);
    if (playing !== mine) return;
    mine.next = context.currentTime + (withRecord() && !$("count-in").checked ? RECORD_AHEAD_S / 2 : 0.1);
    if ($("count-in").checked) {
      const { beats } = lesson.bars[step().bars[mine.bar]], beat_s = beatTimes(mine.bar, mine.bpm)[beats] / beats;
      for (const [beat, accented] of clickBeats(beats, "beats", 0)) clickAt(mine.next + beat * beat_s, accented);
      mine.next += beats * beat_s;
    }
    mine.timer = setInterval(schedule, LOOK_MS);
    schedule();
  }

  function schedule() {
    const mine = playing;
    while (playing === mine && mine.next < context.currentTime + (withRecord() ? RECORD_AHEAD_S : AHEAD_S)) {
      const { beats, notes } = lesson.bars[step().bars[mine.bar]], song = step().song[mine.bar];
      const times = beatTimes(mine.bar, mine.bpm), points = times.map((t, b) => [b, t]);
      if (withRecord()) playRecord(song, beatPoints(song, mine.bpm, !$("grid").checked), mine.next);
      for (const note of notes) {
        const feel = $("grid").checked ? 0 : note[3];
        strike(note, Math.max(context.currentTime, mine.next + stretching.along(points, note[0]) + feel * 60 / mine.bpm));
      }
      // In the whole song the click goes in halves in the bar before a section.
      const cue = item().cues && lesson.sections.includes(song + 1) && $("click-kind").value === "beats";
      for (const [beat, accented] of clickBeats(beats, cue ? "halves" : $("click-kind").value, mine.played)) {
        clickAt(mine.next + stretching.along(points, beat), accented);
      }
      mine.marks.push({ bar: mine.bar, from: mine.next, until: mine.next + times.at(-1), points });
      mine.next += times.at(-1);
      mine.played += 1;
      mine.bar = mine.bar < Number($("to").value) ? mine.bar + 1 : Number($("from").value);
      if (mine.bar === Number($("from").value)) round(mine);
      mine.sources = mine.sources.slice(-400);
      if (withRecord()) need(mine.bar);
    }
  }

  // After a round: the ladder climbs, or the playing ends.
  function round(mine) {
    mine.rounds += 1;
    if (!$("loop").checked) {
      clearInterval(mine.timer);
      mine.ends = setTimeout(stop, 1000 * (mine.next - context.currentTime) + 400);
      mine.next = Infinity;
      return;
    }
    const climb = Number($("ladder").value);
    if (climb && mine.rounds % Math.max(1, Number($("rounds").value)) === 0 && mine.bpm < item().goal) {
      for (const t of lesson.tempi) if (t <= mine.bpm && t >= item().start) tick(state.item, t, true);
      setTempo(Math.min(item().goal, mine.bpm + climb));
    }
  }

  function stop() {
    if (playing) {
      clearInterval(playing.timer);
      clearTimeout(playing.ends);
      for (const source of playing.sources) { try { source.stop(); } catch { /* has not begun */ } }
    }
    playing = null;
    $("play").textContent = say("Play");
    for (const bar of document.querySelectorAll(".bar.now")) bar.classList.remove("now");
  }

  // The mark goes over the bar that sounds, from its first to its last moment.
  (function follow() {
    if (playing && context) {
      const now = context.currentTime, mark = playing.marks.find((m) => m.from <= now && now < m.until);
      const bars = [...part(state.item, "bars").children];
      bars.forEach((bar, k) => bar.classList.toggle("now", Boolean(mark) && mark.bar === k));
      if (mark && bars[mark.bar]) {
        const bar = bars[mark.bar], beat = stretching.along(mark.points, now - mark.from, true);
        bar.querySelector("i").style.left = `${place(bar, mark.bar, beat / (mark.points.length - 1))}%`;
        if (playing.seen !== mark) inView(bar);
        playing.seen = mark;
      }
      playing.marks = playing.marks.filter((m) => m.until > now - 1);
    }
    requestAnimationFrame(follow);
  })();

  function inView(bar) {
    const { top, bottom } = bar.getBoundingClientRect(), above = document.querySelector(".transport").offsetHeight;
    if (top < above || bottom > innerHeight) bar.scrollIntoView({ block: "center", behavior: "smooth" });
  }

  // Per cent of a bar's width where a moment is written, by the notes, whose names say their positions.
  const written = new WeakMap();
  function place(bar, k, share) {
    if (!written.has(bar)) {
      const box = bar.getBoundingClientRect(), { length } = lesson.bars[step().bars[k]], seen = new Map([[0, 20]]);
      for (const note of bar.querySelectorAll(".note[id]")) {
        const [, over, under] = note.id.match(/^note-\d+-(\d+)_(\d+)-/) || [], head = note.querySelector(".notehead");
        if (head) {
          const { left, width } = head.getBoundingClientRect();
          seen.set(over / under / length, 100 * (left + width / 2 - box.left) / box.width);
        }
      }
      written.set(bar, [...[...seen].sort((a, b) => a[0] - b[0]), [1, 98]]);
    }
    const points = written.get(bar), after = points.findIndex(([m]) => m > share);
    const [[m0, x0], [m1, x1]] = after > 0 ? [points[after - 1], points[after]] : [[0, points[0][1]], points[0]];
    return x0 + (m1 > m0 ? (share - m0) / (m1 - m0) : 0) * (x1 - x0);
  }

  // -- start -------------------------------------------------------------------------------

  $("play").addEventListener("click", () => (playing ? stop() : play()));
  $("tempo").addEventListener("input", () => setTempo(Number($("tempo").value)));
  for (const id of SLIDERS) $(id).addEventListener("input", showLevels);
  const SOUNDS = { kit: { kit: 100, drums: 0, band: 0 }, recording: { kit: 0, drums: 100, band: 100 }, along: { kit: 0, drums: 0, band: 100 } };
  $("sound")?.addEventListener("change", () => {
    for (const [id, value] of Object.entries(SOUNDS[$("sound").value])) $(id).value = value;
    showLevels();
  });
  for (const [k, button] of [...document.querySelectorAll(".tick")].entries()) {
    button.addEventListener("click", () => tick(k, Math.round(state.bpm), button.getAttribute("aria-pressed") !== "true"));
  }
  for (const id of ["left", "open"]) $(id).addEventListener("change", drawBars);
  for (const id of ["from", "to"]) $(id).addEventListener("change", showChosen);
  document.addEventListener("keydown", (event) => {
    if (event.target.matches("input, select, button, summary, textarea")) return;
    if (event.code === "Space") { event.preventDefault(); playing ? stop() : play(); }
  });
  for (const [k, box] of [...document.querySelectorAll(".item textarea")].entries()) {
    box.value = kept.notes[k] || "";
    box.addEventListener("input", () => { kept.notes[k] = box.value; keep(); });
  }
  $("more").open = innerWidth > 700 && innerHeight > 900;
  const first = Math.max(0, lesson.items.findIndex((i) => !i.cues));
  state.item = first;
  choose(first, 0);
  setTempo(lesson.items[first].start);
})();
