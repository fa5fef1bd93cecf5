// Plays a lesson: any of its bars at any tempo, from single strokes of the kit.
"use strict";

(() => {
  const lesson = JSON.parse(document.getElementById("lesson").textContent);
  const $ = (id) => document.getElementById(id);
  const engraved = [...$("engraved").children];
  const AHEAD_S = 0.25, LOOK_MS = 40;
  const state = { item: 0, step: 0 };
  const kit = new Map();       // instrument -> [[velocity, AudioBuffer]]
  let context = null, out = null, gains = {}, playing = null;

  // -- what is remembered on this device -------------------------------------------

  const KEY = `lesson ${document.title}`;
  const kept = { done: {}, notes: {}, ...read() };
  function read() { try { return JSON.parse(localStorage.getItem(KEY)) || {}; } catch { return {}; } }
  function keep() { try { localStorage.setItem(KEY, JSON.stringify(kept)); } catch { /* a page without storage forgets */ } }

  // -- page --------------------------------------------------------------------------

  const item = () => lesson.items[state.item];
  const step = () => item().steps[state.step];
  const part = (k, name) => document.querySelector(`#item-${k} .${name}`);
  const tempo = () => Number($("tempo").value);

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
    const box = part(state.item, "bars");
    box.replaceChildren(...(step() ? step().bars : []).map((number) => {
      const made = document.createElement("div");
      made.className = "bar";
      made.append(engraved[number].firstElementChild.cloneNode(true), document.createElement("i"));
      return made;
    }));
    if ($("left").checked) mirror(box);
    const names = (step() ? step().bars : []).map((_, k) => new Option(String(k + 1), String(k)));
    $("from").replaceChildren(...names.map((o) => o.cloneNode(true)));
    $("to").replaceChildren(...names);
    $("to").selectedIndex = names.length - 1;
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
    if (k !== state.item) document.querySelector(`#item-${state.item} .bars`).replaceChildren();
    Object.assign(state, { item: k, step: chosen });
    for (const [j, section] of [...document.querySelectorAll(".item")].entries()) {
      section.toggleAttribute("aria-current", j === k);
      showChoices(j);
    }
    drawBars();
    if (was && step()) play();
  }

  function showChoices(k) {
    const { steps, start, goal } = lesson.items[k];
    buttons(part(k, "steps"), steps.map((s) => s.title), k === state.item ? state.step : -1, (s) => choose(k, s));
    const tempi = lesson.tempi.filter((t) => t >= start && t <= goal);
    buttons(part(k, "tempi"), tempi.map(String), -1, (t, made) => {
      if (k !== state.item) choose(k, 0);
      setTempo(tempi[t]);
      if (!playing) tick(k, tempi[t], !made.classList.contains("done"));
    });
    for (const [t, made] of [...part(k, "tempi").children].entries()) {
      made.classList.toggle("done", Boolean((kept.done[k] || []).includes(tempi[t])));
    }
  }

  function tick(k, bpm, done) {
    const others = (kept.done[k] || []).filter((t) => t !== bpm);
    kept.done[k] = done ? [...others, bpm] : others;
    keep();
    showChoices(k);
  }

  function setTempo(bpm) {
    $("tempo").value = bpm;
    $("bpm").textContent = String(tempo());
    if (playing) playing.bpm = tempo();
  }

  // -- sound ---------------------------------------------------------------------------

  const level = (id) => (Number($(id).value) / 100) ** 2;

  async function ready() {
    if (!context) {
      context = new AudioContext();
      out = context.createDynamicsCompressor();
      out.threshold.value = -4;
      out.ratio.value = 12;
      out.connect(context.destination);
      for (const id of ["kit", "click"]) {
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

  async function play() {
    if (!step()) return;
    const mine = { bpm: tempo(), sources: [], marks: [], bar: Number($("from").value), played: 0, rounds: 0 };
    playing = mine;
    $("play").textContent = "Stop";
    await ready();
    if (playing !== mine) return;
    mine.next = context.currentTime + 0.1;
    if ($("count-in").checked) {
      const { beats } = lesson.bars[step().bars[mine.bar]];
      for (const [beat, accented] of clickBeats(beats, "beats", 0)) clickAt(mine.next + beat * 60 / mine.bpm, accented);
      mine.next += beats * 60 / mine.bpm;
    }
    mine.timer = setInterval(schedule, LOOK_MS);
    schedule();
  }

  function schedule() {
    const mine = playing;
    while (playing === mine && mine.next < context.currentTime + AHEAD_S) {
      const { beats, notes } = lesson.bars[step().bars[mine.bar]], beat_s = 60 / mine.bpm;
      for (const note of notes) {
        const feel = $("grid").checked ? 0 : note[3];
        strike(note, Math.max(context.currentTime, mine.next + (note[0] + feel) * beat_s));
      }
      for (const [beat, accented] of clickBeats(beats, $("click-kind").value, mine.played)) {
        clickAt(mine.next + beat * beat_s, accented);
      }
      mine.marks.push({ bar: mine.bar, from: mine.next, until: mine.next + beats * beat_s });
      mine.next += beats * beat_s;
      mine.played += 1;
      mine.bar = mine.bar < Number($("to").value) ? mine.bar + 1 : Number($("from").value);
      if (mine.bar === Number($("from").value)) round(mine);
      mine.sources = mine.sources.slice(-400);
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
    $("play").textContent = "Play";
    for (const bar of document.querySelectorAll(".bar.now")) bar.classList.remove("now");
  }

  // The mark goes over the bar that sounds, from its first to its last moment.
  (function follow() {
    if (playing && context) {
      const now = context.currentTime, mark = playing.marks.find((m) => m.from <= now && now < m.until);
      const bars = [...part(state.item, "bars").children];
      bars.forEach((bar, k) => bar.classList.toggle("now", Boolean(mark) && mark.bar === k));
      if (mark && bars[mark.bar]) {
        const bar = bars[mark.bar], share = (now - mark.from) / (mark.until - mark.from);
        bar.querySelector("i").style.left = `${place(bar, mark.bar, share)}%`;
      }
      playing.marks = playing.marks.filter((m) => m.until > now - 1);
    }
    requestAnimationFrame(follow);
  })();

  // Per cent of a bar's width where a moment is written, by its noteheads where each moment has one.
  const written = new WeakMap();
  function place(bar, k, share) {
    if (!written.has(bar)) {
      const box = bar.getBoundingClientRect(), { beats, notes } = lesson.bars[step().bars[k]];
      const xs = [...bar.querySelectorAll(".notehead")].map((head) => head.getBoundingClientRect().left - box.left);
      const seen = [...new Set(xs.map((x) => Math.round(x / 6)))].sort((a, b) => a - b).map((x) => 600 * x / box.width);
      const moments = [...new Set(notes.map((n) => n[0] / beats))].sort((a, b) => a - b);
      const known = seen.length === moments.length ? moments.map((m, j) => [m, seen[j]]) : [[0, 12]];
      written.set(bar, [...known, [1, 98]]);
    }
    const points = written.get(bar), after = points.findIndex(([m]) => m > share);
    const [[m0, x0], [m1, x1]] = after > 0 ? [points[after - 1], points[after]] : [[0, points[0][1]], points[0]];
    return x0 + (m1 > m0 ? (share - m0) / (m1 - m0) : 0) * (x1 - x0);
  }

  // -- start -------------------------------------------------------------------------------

  $("play").addEventListener("click", () => (playing ? stop() : play()));
  $("tempo").addEventListener("input", () => setTempo(tempo()));
  for (const id of ["kit", "click"]) {
    $(id).addEventListener("input", () => { if (gains[id]) gains[id].gain.value = level(id); });
  }
  $("left").addEventListener("change", drawBars);
  document.addEventListener("keydown", (event) => {
    if (event.target.matches("input, select, button, summary, textarea")) return;
    if (event.code === "Space") { event.preventDefault(); playing ? stop() : play(); }
  });
  for (const [k, box] of [...document.querySelectorAll(".item textarea")].entries()) {
    box.value = kept.notes[k] || "";
    box.addEventListener("input", () => { kept.notes[k] = box.value; keep(); });
  }
  $("more").open = innerWidth > 700;
  const first = Math.max(0, lesson.items.findIndex((i) => i.steps.length));
  state.item = first;
  choose(first, 0);
  setTempo(lesson.items[first].start);
})();
