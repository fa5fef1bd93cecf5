/** The hit grid on the Jupyter widget protocol: wires the model to session, listener and views. */
import { levelsOf } from "./bars.js";
import { ASK_AGAIN_MS, Session } from "./session.js";
import { Listener, SOURCES } from "./listening.js";
import { SoundPicture } from "./sound_picture.js";
import { View } from "./view.js";

/** An answer that comes so long after "busy" was held back, ms: acknowledgements wait 40 ms and more. */
const HELD_MS = 30;

/**
 * A kernel answers a message with several small packets: "busy", the answer, "idle".  A server's socket may
 * hold the second back until the first is acknowledged (RFC 896), and the browser's side delays that by
 * 40 ms or more unless it has something to send (RFC 1122, 4.2.3.2).  Where that was seen once, the page says
 * a word as soon as it hears "busy"; servers that `workbench lab` starts hold nothing back.
 * @returns {() => object} callbacks of a message
 */
function hurry(send) {
  let held = false;
  return () => {
    let busyAt = 0;
    return { iopub: { status: ({ content }) => {
      const now = performance.now();
      if (content.execution_state === "busy" && !busyAt) {
        busyAt = now;
        if (held) send({ type: "nudge" });
      } else if (content.execution_state === "idle" && busyAt) held ||= now - busyAt > HELD_MS;
    } } };
  };
}

function open(model) {
  const client = Math.random().toString(36).slice(2, 10);
  const send = (message, callbacks) => {
    try {
      model.send(message, callbacks);
    } catch {
      // The kernel is gone: what was not sent stays pending, and the page says so.
      session.lost = true;
    }
  };
  const hurried = hurry(send);
  const session = new Session((message) => {
    send(message, message.type === "do" ? hurried() : undefined);
  }, client);
  const views = new Set();
  const sound = new SoundPicture();
  /** Levels and placing; of heard and written by turns, the written is as loud as the heard. */
  const settings = () => {
    const level = (s) => model.get(`${s}_level`) / 100;
    const heard = Math.max(level("drums"), level("rest"), 0.5);
    const turn = { heard: { chart: 0 }, written: { drums: 0, rest: 0, chart: heard } }[listener.turn] || {};
    return Object.fromEntries(SOURCES.map((s) => [s, { level: turn[s] ?? level(s), pan: model.get(`${s}_pan`) / 100 }]));
  };
  const listener = new Listener(session, () => levelsOf(settings(), listener.playing?.passage), () => [...views].slice(0, 1).forEach((v) => v.onListener()));
  session.ear = (message, buffers) => {
    if (message.type === "audio") listener.receive(message, buffers);
    else if (message.type === "sound picture") {
      sound.receive(message, buffers);
      session.changed("sound");
    } else if (message.type === "files") {
      views.forEach((v) => v.showFiles(message.files));
    } else if (message.type === "command") {
      const view = [...views][0];
      if (view?.chart) view.run(message.command);
    } else if (message.type === "show bar") {
      for (const v of views) {
        const instrument = v.rowOf.has(message.instrument) ? message.instrument : v.cursor.instrument;
        v.moveCursor({ ...v.cursor, bar: message.bar_index, at: message.at, instrument });
      }
    }
  };
  const onMessage = (message, buffers) => session.receive(message, buffers);
  model.on("msg:custom", onMessage);
  const levels = SOURCES.flatMap((s) => [`change:${s}_level`, `change:${s}_pan`]);
  const onLevel = () => listener.applySettings();
  levels.forEach((name) => model.on(name, onLevel));
  const onPlaying = () => {
    const view = [...views][0];
    if (!view?.chart || model.get("playing") === (listener.state !== "stopped")) return;
    if (model.get("playing")) view.startPlaying();
    else listener.stop();
  };
  model.on("change:playing", onPlaying);
  const onPassage = () => {
    if (listener.state !== "stopped") [...views][0]?.startPlaying();
  };
  ["change:speed_percent", "change:loop"].forEach((name) => model.on(name, onPassage));
  // Told when the kernel is gone; a message that comes all the same says that it is not.
  const onLost = () => {
    session.lost = true;
    session.changed("state");
  };
  model.on("comm_live_update", onLost);
  session.hello();
  const asking = setInterval(() => {
    if (session.pending.length || !session.chart) session.changed("state");
    session.askAgain();
  }, ASK_AGAIN_MS / 2);
  return { session, listener, sound, views,
    close() {
      clearInterval(asking);
      listener.stop();
      listener.context?.close();
      model.off("msg:custom", onMessage);
      model.off("comm_live_update", onLost);
    } };
}

/** One grid, however often it is shown: its views share session, sound and listener. */
export default () => {
  let room;
  return {
    initialize({ model }) {
      room = open(model);
      return () => room.close();
    },
    render({ model, el }) {
      const { session, listener, sound, views } = room;
      const view = new View(model, session, listener, sound, el);
      views.add(view);
      return () => {
        views.delete(view);
        view.destroy();
      };
    },
  };
};
