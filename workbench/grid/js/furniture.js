/** What stands around the sheet: the hint about loudness and the list of keys. */
import { SHORTCUTS } from "./keys.js";

/** A caution for the ears, until the user has understood it. */
export function hearingHint(view) {
  const hint = make("div", "wbg-hint", { role: "note" });
  const text = make("span", "");
  text.textContent = "Before you listen: start with the volume low. Loud loops on headphones harm hearing; take breaks.";
  const button = make("button", "", { type: "button" });
  button.textContent = "Understood";
  button.addEventListener("click", () => {
    view.set("hearing_hint", false);
    hint.hidden = true;
    view.takeKeys();
  });
  hint.append(text, button);
  hint.hidden = !view.model.get("hearing_hint");
  return hint;
}

/** All keys and what the mouse does, in words. @param {HTMLElement} panel @param {() => void} hide */
export function fillKeyList(panel, hide) {
  const close = make("button", "wbg-close", { type: "button", "aria-label": "Hide the list of keys" });
  close.textContent = "hide";
  close.addEventListener("click", () => hide());
  const title = make("div", "wbg-keys-title");
  title.textContent = "Mouse";
  const mouse = make("p", "");
  mouse.textContent = "Click: write where nothing is, choose what is there. Double click: remove. Drag a hit: move it. "
    + "Drag from an empty place: choose hits; Shift click: up to here; Ctrl click: this one too; a row's name: the whole row, right click there: its doubts and possible hits. "
    + "Alt click: write between columns. Right click, or a long touch: menu. Drag bar numbers: select bars; with Ctrl: copy a bar, or the selected ones, onto others. "
    + "Drag a bar line in the waveform: move it. Ctrl wheel, or two fingers: fewer or more bars in a line.";
  panel.setAttribute("role", "dialog");
  panel.setAttribute("aria-label", "Keys and mouse");
  const text = make("div", "wbg-keys-text");
  text.append(title, mouse);
  panel.append(close, text);
  for (const { group, shortcuts } of SHORTCUTS) {
    const name = make("div", "wbg-keys-title");
    name.textContent = group;
    const list = make("div", "wbg-keys-list", { role: "list" });
    for (const s of shortcuts) {
      if (!s.does) continue;
      const entry = make("div", "wbg-key", { role: "listitem" });
      const key = make("span", "wbg-key-name");
      key.textContent = s.shown || s.keys[0];
      const does = make("span", "");
      does.textContent = s.does;
      entry.append(key, does);
      list.append(entry);
    }
    text.append(name, list);
  }
}

/** An element with a class and attributes. */
export function make(tag, className, attributes = {}) {
  const e = document.createElement(tag);
  if (className) e.className = className;
  for (const [name, value] of Object.entries(attributes)) e.setAttribute(name, value);
  return e;
}
