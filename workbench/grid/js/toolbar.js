/**
 * The toolbar: what is always wanted in one slim row, the rest in panels that stay folded until wanted.
 * A button does what its key does.  The mouse never takes the keys away from the sheet: a press on a button
 * leaves them where they are.
 */
import { make } from "./furniture.js";
import { SHORTCUTS } from "./keys.js";
import { PANELS } from "./panels.js";

const KEY_OF = new Map(SHORTCUTS.flatMap(({ shortcuts }) => shortcuts.map((s) => [s.command, s.keys[0]])));

/** The first key of a command, or undefined. @param {string} command */
export const keyOf = (command) => KEY_OF.get(command);

/** What a key is called on its cap. @param {string} key */
export const capOf = (key) => key.replace(/^ $/, "Space").replace(/^Shift\+(?=[A-Z]$)/, "").replace("Arrow", "").replace("+", " ").trim() || "+";

/** A button that does what a command does. */
export function button(view, words, command, tooltip = "") {
  const e = make("button", "wbg-button", { type: "button" });
  e.textContent = words;
  const key = keyOf(command);
  e.title = [tooltip, key && `Key: ${capOf(key)}`].filter(Boolean).join(" · ");
  e.dataset.command = command;
  e.addEventListener("click", () => view.run(command));
  return e;
}

/** A button that turns a trait on and off. */
export function toggle(view, words, trait, tooltip = "") {
  const e = make("button", "wbg-button", { type: "button", title: tooltip });
  e.textContent = words;
  e.addEventListener("click", () => view.set(trait, !view.model.get(trait)));
  follow(view, trait, (on) => e.setAttribute("aria-pressed", String(Boolean(on))));
  return e;
}

/**
 * A slider of a trait.  While it is moved only the page knows; Python is told where it was left.
 * @param {(value: number) => string} said its value in words
 */
export function slider(view, words, trait, low, high, step, said = String) {
  const label = make("label", "wbg-slider");
  const input = make("input", "", { type: "range", min: low, max: high, step, "aria-label": words });
  const value = make("output", "");
  const live = () => {
    view.model.set(trait, Number(input.value));
    value.textContent = said(Number(input.value));
  };
  input.addEventListener("input", live);
  input.addEventListener("change", () => view.set(trait, Number(input.value)));
  label.append(document.createTextNode(words), input, value);
  follow(view, trait, (now) => {
    input.value = String(now);
    value.textContent = said(now);
  });
  return label;
}

/** A menu of a trait. @param {[string, any][]} options */
export function menu(view, words, trait, options) {
  const e = choice(words, options, (value) => view.set(trait, value));
  follow(view, trait, (now) => { e.lastChild.selectedIndex = options.findIndex(([, value]) => value === now); });
  return e;
}

/** A menu that does something when a word of it is chosen. @param {[string, any][]} options */
export function choice(words, options, act) {
  const label = make("label", "wbg-choice");
  const select = make("select", "", { "aria-label": words });
  for (const [name] of options) {
    const option = make("option", "");
    option.textContent = name;
    select.append(option);
  }
  select.addEventListener("change", () => act(options[select.selectedIndex][1]));
  label.append(document.createTextNode(words), select);
  return label;
}

/**
 * A field of a few words and what Enter in it does.
 * @param {(text: string) => void} act
 */
export function field(view, words, placeholder, act, width = "9em", value = "") {
  const label = make("label", "wbg-field");
  const input = make("input", "", { type: "text", maxlength: "120", placeholder, "aria-label": words });
  input.style.width = width;
  input.value = value;
  input.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" && event.key !== "Escape") return;
    if (event.key === "Enter") act(input.value.trim());
    event.preventDefault();
    view.takeKeys();
  });
  label.append(document.createTextNode(words), input);
  return label;
}

/** Words between controls. */
export function words(text) {
  const e = make("span", "wbg-words");
  e.textContent = text;
  return e;
}

/** Tell a control the value of a trait, now and whenever it changes. */
export function follow(view, trait, show) {
  const tell = () => show(view.model.get(trait));
  view.model.on(`change:${trait}`, tell);
  view.drop.push(() => view.model.off(`change:${trait}`, tell));
  tell();
}

export class Toolbar {
  constructor(view) {
    this.view = view;
    this.element = make("div", "wbg-tools", { role: "toolbar", "aria-label": "Tools of the grid" });
    this.panel = make("div", "wbg-panel", { role: "region" });
    this.panel.hidden = true;
    const group = (...parts) => {
      const e = make("span", "wbg-group");
      e.append(...parts);
      return e;
    };
    this.play = button(view, "Play", "play");
    follow(view, "playing", (on) => {
      this.play.textContent = on ? "Stop" : "Play";
      this.play.setAttribute("aria-pressed", String(on));
    });
    this.tabs = Object.keys(PANELS).map((name) => {
      const tab = make("button", "wbg-button wbg-tab", { type: "button", "aria-expanded": "false" });
      tab.textContent = name;
      tab.addEventListener("click", () => this.open(this.opened === name ? "" : name));
      return tab;
    });
    this.element.append(
      group(this.play, toggle(view, "Loop", "loop", "Key: l"), slider(view, "", "speed_percent", 25, 150, 5, (x) => `${x} %`)),
      group(button(view, "Next doubt", "next doubt"), button(view, "Keep", "keep"), button(view, "Remove", "reject"),
        button(view, "Same elsewhere", "correct repeats", "The same correction in every bar that matches")),
      group(button(view, "Undo", "undo"), button(view, "Redo", "redo"), button(view, "Save", "save")),
      group(...this.tabs, button(view, "?", "keys", "All keys")));
    for (const part of [this.element, this.panel]) {
      part.addEventListener("pointerdown", (event) => this.keepKeys(event));
      part.addEventListener("click", (event) => this.keepKeys(event));
      part.addEventListener("change", (event) => {
        if (event.target.tagName === "SELECT") view.takeKeys();
      });
    }
  }

  /** A press on a button leaves the keys with the sheet; one on a field takes them there. */
  keepKeys(event) {
    if (event.target.closest("select, input[type=text]")) return;
    if (event.type === "pointerdown" && event.target.closest("input")) return;
    // A click that came from the keyboard has no place; its button keeps the keys that led there.
    if (event.type === "click" && event.detail === 0) return;
    if (event.type === "pointerdown") event.preventDefault();
    // A question that the button has asked keeps the keys.
    const asked = this.view.askBox.contains(document.activeElement);
    if (!event.target.closest("label") && !asked) this.view.takeKeys();
  }

  /** Open a panel by its name; "" folds it. */
  open(name) {
    this.opened = name;
    this.tabs.forEach((tab) => tab.setAttribute("aria-expanded", String(tab.textContent === name)));
    this.panel.hidden = !name;
    this.panel.setAttribute("aria-label", name);
    this.closing?.();
    const before = this.view.drop.length;
    this.panel.replaceChildren(...(name ? PANELS[name](this.view) : []));
    // What the panel's controls follow ends with the panel.
    const mine = this.view.drop.splice(before);
    this.closing = () => mine.forEach((drop) => drop());
    this.view.bars.update();
    this.view.fit();
  }
}
