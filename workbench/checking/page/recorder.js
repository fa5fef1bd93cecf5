/**
 * Records a take in the notebook: the click goes to the headphones, the microphone to Python, piece by piece as it comes,
 * so that nothing is lost if the page is closed.  One audio clock times both; what lies between a click and its being
 * heard by the microphone is measured once (Python finds it) and taken out there.
 */

/** Runs beside the page: hands on what the microphone hears, and when, by the audio clock. */
const TAP = `registerProcessor('takes-tap', class extends AudioWorkletProcessor {
  process([input]) {
    if (input[0]?.length) this.port.postMessage([currentTime, input[0].slice()]);
    return true;
  }
});`;

/** Samples of one message to Python; it sends about four a second. */
const PIECE = 11025;
/** Clicks are set so far ahead, seconds: pages in the background are woken once a second. */
const AHEAD_S = 2.5;
/** From the button to the first click, seconds. */
const LEAD_S = 0.6;
/** Clicks that measure the delay, and seconds between them. */
const MEASURING = { clicks: 12, apart_s: 0.5 };

/** A button, a label or another element with its text. */
function made(tag, className, text = '') {
  const element = document.createElement(tag);
  element.className = className;
  element.textContent = text;
  return element;
}

function render({ model, el }) {
  const root = made('div', 'wb-recorder');
  const record = made('button', 'wb-record', 'Record');
  const stop = made('button', 'wb-stop', 'Stop');
  const measure = made('button', 'wb-measure', 'Measure the delay');
  const level = made('meter', 'wb-level');
  level.max = 1; level.high = 0.95; level.optimum = 0.4;
  level.setAttribute('aria-label', 'level of the microphone');
  const said = made('p', 'wb-said');
  said.setAttribute('role', 'status');
  const tempo = numberField('Click, beats a minute', 'click_bpm', 20, 400);
  const countIn = numberField('Bars of count-in', 'count_in_bars', 0, 4);
  root.append(record, stop, tempo, countIn, measure, level, said);
  el.append(root);

  let audio = null, running = null;

  function numberField(text, name, low, high) {
    const label = made('label', '', `${text} `), input = document.createElement('input');
    Object.assign(input, { type: 'number', min: low, max: high, step: 'any', value: Math.round(model.get(name) * 10) / 10 });
    input.addEventListener('change', () => {
      const value = Number(input.value);
      if (value >= low && value <= high) { model.set(name, value); model.save_changes(); }
      else input.value = model.get(name);
    });
    label.append(input);
    return label;
  }

  function show() {
    const busy = running !== null;
    record.disabled = measure.disabled = busy;
    stop.disabled = !busy;
    said.textContent = model.get('message');
  }

  /** The sound of a click, as the rest of the workbench sounds it. */
  function clickBuffer(name) {
    const { buffer: bytes, byteOffset, byteLength } = model.get(name);
    const samples = new Float32Array(bytes.slice(byteOffset, byteOffset + byteLength));
    const buffer = audio.createBuffer(1, samples.length, model.get('sample_rate'));
    buffer.copyToChannel(samples, 0);
    return buffer;
  }

  async function open() {
    if (!navigator.mediaDevices?.getUserMedia) {
      throw new Error('This page may not use a microphone: open it on the machine that plays, as localhost, or by https.');
    }
    audio ??= new AudioContext({ sampleRate: model.get('sample_rate'), latencyHint: 'interactive' });
    await audio.resume();
    // What calls for speech would bend the strokes.
    const exact = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
    const stream = await navigator.mediaDevices.getUserMedia({ audio: exact });
    if (!audio.tapped) {
      const module = URL.createObjectURL(new Blob([TAP], { type: 'text/javascript' }));
      await audio.audioWorklet.addModule(module);
      URL.revokeObjectURL(module);
      audio.tapped = true;
    }
    return stream;
  }

  /** Starts listening and clicking; ``clickAt(k)`` is the time of click k after the first, or null after the last. */
  async function start(kind, clickAt, isAccented) {
    running = { kind };
    try {
      running.stream = await open();
    } catch (error) {
      running = null;
      model.send({ kind: 'refused', reason: String(error.message ?? error) });
      show();
      return;
    }
    const source = audio.createMediaStreamSource(running.stream);
    const tap = new AudioWorkletNode(audio, 'takes-tap', { numberOfOutputs: 0 });
    source.connect(tap);
    const sounds = [clickBuffer('click'), clickBuffer('accented_click')];
    const first = audio.currentTime + LEAD_S, session = running;
    Object.assign(session, { source, tap, pieces: [], held: 0, heard: 0, next: 0, first });
    tap.port.onmessage = ({ data: [at, samples] }) => {
      if (session.begun === undefined) {
        session.begun = at;
        model.send({ kind: 'begin', what: kind, first_click_s: first - at, ...MEASURING });
      }
      // What a busy machine has not handed on is silence, so that all after it stays where it was heard.
      const missed = Math.round((at - session.begun) * audio.sampleRate) - session.heard;
      if (missed > 0) take(new Float32Array(missed));
      take(samples);
      level.value = Math.max(level.value * 0.9, Math.max(...samples.map(Math.abs)));
      if (session.held >= PIECE) flush(session);
    };

    function take(samples) {
      session.pieces.push(samples);
      session.held += samples.length;
      session.heard += samples.length;
    }

    session.timer = setInterval(schedule, 200);
    schedule();
    show();

    function schedule() {
      for (;;) {
        const after = clickAt(session.next);
        if (after === null) {
          if (audio.currentTime > first + clickAt(session.next - 1) + MEASURING.apart_s) finish();
          return;
        }
        if (first + after > audio.currentTime + AHEAD_S) return;
        const node = new AudioBufferSourceNode(audio, { buffer: sounds[isAccented(session.next) ? 1 : 0] });
        node.connect(audio.destination);
        node.start(first + after);
        (session.nodes ??= []).push(node);
        session.next += 1;
      }
    }
  }

  function flush(session) {
    const all = new Int16Array(session.held);
    let at = 0;
    for (const piece of session.pieces) {
      for (const x of piece) all[at++] = Math.round(Math.max(-1, Math.min(1, x)) * 32767);
    }
    session.pieces = []; session.held = 0;
    if (all.length) model.send({ kind: 'piece' }, undefined, [all.buffer]);
  }

  function finish() {
    const session = running;
    if (!session) return;
    running = null;
    clearInterval(session.timer);
    session.nodes?.forEach((node) => { try { node.stop(); } catch { /* it has ended */ } });
    session.source?.disconnect();
    session.stream?.getTracks().forEach((track) => track.stop());
    if (session.tap) {
      session.tap.port.onmessage = null;
      flush(session);
      model.send({ kind: 'end' });
    }
    level.value = 0;
    show();
  }

  record.addEventListener('click', () => {
    const beat_s = 60 / model.get('click_bpm'), beats = model.get('beats');
    start('take', (k) => k * beat_s, (k) => k % beats === 0);
  });
  measure.addEventListener('click', () =>
    start('delay', (k) => (k < MEASURING.clicks ? k * MEASURING.apart_s : null), () => false));
  stop.addEventListener('click', finish);
  model.on('change:message', show);
  show();
  return () => { finish(); model.off('change:message', show); audio?.close(); };
}

export default { render };
