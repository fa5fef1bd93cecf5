// Plays a practice pack: one exercise, step and tempo at a time, looped without a gap.
"use strict";

(() => {
  const pack = window.practicePack;
  const $ = (id) => document.getElementById(id);
  const GAP = "every other bar";
  const CLICK_NAMES = ["none", "quarter", "eighth", "off-beat", "2 and 4", GAP];
  const state = { exercise: 0, step: 0, take: 0 };
  const encoded = new Map();   // key -> base64 text, filled by the sound scripts
  const decoded = new Map();   // key -> promise of an AudioBuffer
  let context = null, playing = null, turn = 0;

  // Sound scripts call this; a page opened from disk may load scripts but not fetch.
  window.heard = (key, text) => encoded.set(key, text);

  const exercise = () => pack.exercises[state.exercise];
  const step = () => exercise().stages[state.step];
  const take = () => step().takes[state.take];

  // -- page ----------------------------------------------------------------------

  function element(tag, text, attributes = {}) {
    const made = document.createElement(tag);
    if (text) made.textContent = text;
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    return made;
  }

  function choices(box, names, chosen, choose) {
    box.replaceChildren(...names.map((name, k) => {
      const button = element("button", name, { type: "button", "aria-pressed": String(k === chosen) });
      button.addEventListener("click", () => choose(k));
      return button;
    }));
  }

  // The engraved bars are our own SVG; parsed as XML, they can run nothing.
  function drawBars(svg) {
    const parsed = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
    $("bars").replaceChildren(document.importNode(parsed, true));
  }

  function show() {
    const e = exercise();
    $("exercise").textContent = e.title;
    $("where").textContent = [e.where, e.tempi, e.count && `count: ${e.count}`].filter(Boolean).join(" — ");
    const warnings = e.warnings.map((t) => element("p", t));
    warnings[0]?.prepend(element("strong", "Check first. "));
    $("warnings").replaceChildren(...warnings);
    $("read").replaceChildren(...e.read.map((t) => element("p", t)));
    for (const [k, link] of [...document.querySelectorAll("nav a")].entries()) {
      if (k === state.exercise) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    }
    choices($("steps"), e.stages.map((s) => s.title), state.step, (k) => change({ step: k }));
    choices($("tempi"), step().takes.map((t) => String(t.tempo_bpm)), state.take, (k) => change({ take: k }));
    $("doubts").textContent = step().doubts;
    drawBars(step().svg);
    const recorded = "back" in take().sounds;
    // Where the recording plays, its own drums are heard; our kit waits for its slider.
    if ($("record-field").hidden === recorded) $("kit").value = recorded ? 0 : 100;
    $("record-field").hidden = !recorded;
    showSpeed();
    $("loop").disabled = !step().loop;
    $("loop").checked = step().loop;
    const listen = $("listen");
    listen.replaceChildren();
    if (e.listen.length) {
      const list = element("ul");
      list.append(...e.listen.map((t) => element("li", t)));
      listen.append(element("h3", "Listen for"), list);
    }
    listen.append(...e.cautions.map((t) => element("p", t, { class: "caution" })));
    showFiles(e);
    location.hash = e.name;
  }

  function showSpeed() {
    const share = Number($("speed").value);
    const bpm = share === 100 ? "" : ` = ${Math.round(take().tempo_bpm * share / 100)}`;
    $("speed-shown").textContent = `${share} %${bpm}`;
  }

  function showFiles(e) {
    const table = element("table");
    for (const s of e.stages) {
      for (const t of s.takes) {
        const row = element("tr");
        row.append(element("th", `${s.title}, ${e.beat}${t.tempo_bpm}`, { scope: "row" }));
        const cell = element("td");
        cell.append(...t.files.map(([what, href]) => element("a", what, { href })));
        row.append(cell);
        table.append(row);
      }
    }
    const details = element("details");
    details.append(element("summary", "Sound files"), table);
    if (e.track) {
      const line = element("p", "Through the tempi, with count-ins (MP3): ");
      line.append(element("a", e.track, { href: e.track }));
      details.append(line);
    }
    $("files").replaceChildren(details);
  }

  function change(what) {
    const was = Boolean(playing);
    stop();
    if ("exercise" in what) { state.step = 0; state.take = 0; }
    Object.assign(state, what);
    state.take = Math.min(state.take, step().takes.length - 1);
    show();
    if (was) play();
  }

  // -- sound ---------------------------------------------------------------------

  function soundContext() {
    context = context || new AudioContext({ sampleRate: 44100 });
    return context;
  }

  function loadScript(src) {
    return new Promise((resolve, reject) => {
      const script = element("script", "", { src });
      script.onload = resolve;
      script.onerror = () => reject(new Error(`${src} is missing; unpack the whole folder.`));
      document.head.append(script);
    });
  }

  function sound({ key, script }) {
    if (!decoded.has(key)) {
      decoded.set(key, (async () => {
        if (!encoded.has(key)) await loadScript(script);
        const bytes = Uint8Array.from(atob(encoded.get(key)), (c) => c.charCodeAt(0));
        encoded.delete(key);
        return soundContext().decodeAudioData(bytes.buffer);
      })());
      decoded.get(key).catch(() => decoded.delete(key));
    }
    return decoded.get(key);
  }

  // A click as long as the loop, its tails carried round the end; one that is silent every other bar goes twice round.
  function clickBuffer(t, kind) {
    const rate = 44100, length = Math.max(1, Math.round(t.length_s * rate)), rounds = kind === GAP ? 2 : 1;
    const buffer = soundContext().createBuffer(1, rounds * length, rate), x = buffer.getChannelData(0);
    let bar = 0;
    for (let k = 0; k < rounds; k++) {
      for (const [at, accented] of t.clicks[kind === GAP ? "quarter" : kind] || []) {
        bar += accented;
        if (kind !== GAP || bar % 2) addClick(x, k * length + Math.round(at * rate), accented, rate, true);
      }
    }
    return buffer;
  }

  function addClick(x, start, accented, rate, round) {
    const pitch = accented ? 1800 : 1200, level = accented ? 0.8 : 0.6;
    for (let k = 0; k < 0.045 * rate; k++) {
      const s = k / rate;
      const at = round ? (start + k) % x.length : start + k;
      if (at < x.length) {
        x[at] += level * Math.sin(2 * Math.PI * pitch * s) * Math.exp(-s / 0.009) * Math.min(1, s / 0.0005);
      }
    }
  }

  // At another speed the count-in is counted in the time that comes.
  function countInBuffer(t, speed) {
    const rate = 44100;
    const buffer = soundContext().createBuffer(1, Math.round(t.count_in_s / speed * rate), rate);
    for (const [at, accented] of t.count_in) {
      addClick(buffer.getChannelData(0), Math.round(at / speed * rate), accented, rate, false);
    }
    return buffer;
  }

  const level = (id) => (Number($(id).value) / 100) ** 2;

  async function layers(t) {
    const kind = $("click-kind").value, recordKind = $("record-kind").value;
    const found = [{ buffer: await sound(t.sounds.kit), lead: t.lead_s, id: "kit" }];
    if (kind !== "none") found.push({ buffer: clickBuffer(t, kind), lead: 0, id: "click" });
    if (t.sounds[recordKind]) {
      found.push({ buffer: await sound(t.sounds[recordKind]), lead: t.lead_s, id: "record" });
    }
    return found;
  }

  function mixer(where) {
    const mix = where.createDynamicsCompressor();
    Object.assign(mix.threshold, { value: -4 });
    Object.assign(mix.ratio, { value: 12 });
    mix.connect(where.destination);
    return mix;
  }

  function sourceOf(where, buffer, id, mix, gains) {
    const source = where.createBufferSource(), place = where.createStereoPanner();
    gains[id] = gains[id] || where.createGain();
    source.buffer = buffer;
    gains[id].gain.value = level(id);
    place.pan.value = pack.places[id];
    source.connect(place).connect(gains[id]).connect(mix);
    return source;
  }

  function connect(where, found, t, loop, start, mix, gains) {
    return found.map(({ buffer, lead, id }) => {
      const source = sourceOf(where, buffer, id, mix, gains);
      // What lies before and after the loop goes on as the loop does, so a decoder's delay only turns it.
      const from = lead;
      const rounds = id === "click" ? Math.round(buffer.length / (t.length_s * buffer.sampleRate)) : 1;
      if (loop) Object.assign(source, { loop: true, loopStart: from, loopEnd: from + rounds * t.length_s });
      source.start(start, from);
      if (!loop) source.stop(start + t.length_s);
      return source;
    });
  }

  // The count-in is a click: as loud, in the same place, and by the same slider.
  function countIn(t, speed, start, mix, gains) {
    if (!$("count-in").checked) return [];
    const source = sourceOf(context, countInBuffer(t, speed), "click", mix, gains);
    source.start(start);
    return [source];
  }

  async function play() {
    const mine = ++turn;
    $("message").textContent = "";
    $("play").textContent = "Stop";
    playing = { stop() {} };
    try {
      await soundContext().resume();
      const t = take(), found = await layers(t);
      if (mine !== turn) return;
      const rate = Number($("speed").value) / 100;
      const loop = step().loop && $("loop").checked;
      if (rate === 1) playExactly(t, found, loop, mine);
      else await playScaled(t, found, loop, rate, mine);
    } catch (error) {
      stop();
      $("message").textContent = error.message;
    }
  }

  function playExactly(t, found, loop, mine) {
    let start = context.currentTime + 0.08;
    const mix = mixer(context), gains = {};
    const counted = countIn(t, 1, start, mix, gains);
    for (const { buffer } of counted) start += buffer.duration;
    const sources = connect(context, found, t, loop, start, mix, gains);
    if (!loop) sources[0].onended = () => { if (mine === turn) stop(); };
    playing = {
      gains,
      position: () => Math.max(0, context.currentTime - start) % t.length_s / t.length_s,
      stop: () => [...counted, ...sources].forEach((s) => { s.onended = null; s.stop(); }),
    };
  }

  // Between the tempi of the pack the browser stretches; the loop may then show its seam.
  async function playScaled(t, found, loop, rate, mine) {
    const offline = new OfflineAudioContext(2, Math.round(t.length_s * 44100), 44100);
    connect(offline, found, t, false, 0, mixer(offline), {});
    const url = URL.createObjectURL(wave(await offline.startRendering()));
    if (mine !== turn) { URL.revokeObjectURL(url); return; }
    const media = new Audio(url);
    Object.assign(media, { loop, preservesPitch: true, playbackRate: rate });
    media.onended = () => { if (mine === turn) stop(); };
    const counted = countIn(t, rate, context.currentTime, mixer(context), {});
    const wait_s = counted.reduce((sum, { buffer }) => sum + buffer.duration, 0);
    const begin = setTimeout(() => media.play().catch((error) => { $("message").textContent = error.message; }), 1000 * wait_s);
    playing = {
      position: () => (media.currentTime / t.length_s) % 1,
      stop: () => { clearTimeout(begin); counted.forEach((s) => s.stop()); media.pause(); URL.revokeObjectURL(url); },
    };
  }

  function wave(buffer) {
    const frames = buffer.length, view = new DataView(new ArrayBuffer(44 + frames * 4));
    const text = (at, s) => [...s].forEach((c, k) => view.setUint8(at + k, c.charCodeAt(0)));
    text(0, "RIFF"); view.setUint32(4, 36 + frames * 4, true); text(8, "WAVEfmt ");
    view.setUint32(16, 16, true); view.setUint16(20, 1, true); view.setUint16(22, 2, true);
    view.setUint32(24, 44100, true); view.setUint32(28, 44100 * 4, true);
    view.setUint16(32, 4, true); view.setUint16(34, 16, true); text(36, "data"); view.setUint32(40, frames * 4, true);
    const [a, b] = [buffer.getChannelData(0), buffer.getChannelData(1)];
    const whole = (v) => Math.round(Math.max(-1, Math.min(1, v)) * 32767);
    for (let k = 0; k < frames; k++) {
      view.setInt16(44 + 4 * k, whole(a[k]), true);
      view.setInt16(46 + 4 * k, whole(b[k]), true);
    }
    return new Blob([view], { type: "audio/wav" });
  }

  function stop() {
    turn++;
    if (playing) playing.stop();
    playing = null;
    $("play").textContent = "Play";
    $("progress").value = 0;
  }

  const again = () => { if (playing) { stop(); play(); } };

  // -- start -----------------------------------------------------------------------

  $("title").textContent = pack.title;
  $("artist").textContent = pack.artist;
  $("dispute").textContent = pack.dispute;
  $("contents").append(...pack.exercises.map((e, k) => {
    const item = element("li"), link = element("a", e.title, { href: `#${e.name}` });
    link.append(element("small", e.tempi));
    link.addEventListener("click", (event) => { event.preventDefault(); change({ exercise: k }); });
    item.append(link);
    return item;
  }));
  if (pack.song) {
    $("song").append(element("p", "The whole song without its drums, to play along to:"),
      element("audio", "", { src: pack.song, controls: "", preload: "none" }));
  }
  $("cautions").append(...[pack.left_out, ...pack.notes].filter(Boolean).map((n) => element("p", n)), ...pack.cautions.map((c) => {
    const p = element("p");
    p.append(element("strong", `${c.name}. `), c.text + " ", element("em", c.source));
    return p;
  }));
  $("click-kind").append(...CLICK_NAMES.map((n) => element("option", n, { value: n })));
  $("click-kind").value = pack.click;
  $("play").addEventListener("click", () => (playing ? stop() : play()));
  for (const id of ["kit", "click", "record"]) {
    $(id).addEventListener("input", () => { if (playing?.gains?.[id]) playing.gains[id].gain.value = level(id); });
    $(id).addEventListener("change", () => { if (playing && !playing.gains) again(); });
  }
  for (const id of ["click-kind", "record-kind", "loop"]) $(id).addEventListener("change", again);
  $("speed").addEventListener("input", showSpeed);
  $("speed").addEventListener("change", again);
  document.addEventListener("keydown", (event) => {
    if (event.target.matches("input, select, button, summary, a")) return;
    if (event.code === "Space") { event.preventDefault(); playing ? stop() : play(); }
    if (event.key === "+") change({ take: Math.min(state.take + 1, step().takes.length - 1) });
    if (event.key === "-") change({ take: Math.max(state.take - 1, 0) });
  });
  (function tick() {
    if (playing?.position) $("progress").value = playing.position();
    requestAnimationFrame(tick);
  })();
  const named = pack.exercises.findIndex((e) => `#${e.name}` === location.hash);
  state.exercise = Math.max(0, named);
  show();
})();
