/* Made by python workbench/grid/bundle.py; sources 1d2e0d8e02ca50bfda477779c116205a4965ea9aa20f0a438dbd4599bbc2aa80 */

// js/score.js
function safeSvg(text) {
  const parsed = new DOMParser().parseFromString(text, "image/svg+xml");
  if (parsed.querySelector("parsererror")) return null;
  for (const e of [...parsed.querySelectorAll("script, foreignObject, iframe, image, a, animate, set")]) e.remove();
  for (const e of parsed.querySelectorAll("*")) {
    for (const { name, value } of [...e.attributes]) {
      const reference = /href$/i.test(name) && !value.startsWith("#");
      if (/^on/i.test(name) || reference) e.removeAttribute(name);
    }
  }
  return document.importNode(parsed.documentElement, true);
}
function markBar(el, bar) {
  for (const old of el.querySelectorAll(".wbs-heard")) old.remove();
  if (bar < 0) return;
  const group = el.querySelector(`[data-bars~="${bar}"]`);
  if (!group) return;
  const box = group.getBBox();
  const mark = document.createElementNS("http://www.w3.org/2000/svg", "rect");
  mark.setAttribute("class", "wbs-heard");
  for (const [name, value] of Object.entries({ x: box.x, y: box.y, width: box.width, height: box.height })) {
    mark.setAttribute(name, String(value));
  }
  group.prepend(mark);
  const page = group.getBoundingClientRect();
  const frame = el.getBoundingClientRect();
  if (page.top < frame.top || page.bottom > frame.bottom) el.scrollTop += page.top - frame.top - 20;
}
var score_default = {
  render({ model, el }) {
    el.classList.add("wbs");
    el.setAttribute("aria-label", "Engraved score");
    el.tabIndex = 0;
    const draw = () => {
      el.style.maxHeight = `${model.get("height")}px`;
      const pages = model.get("pages").map(safeSvg).filter(Boolean);
      el.replaceChildren(...pages);
      markBar(el, model.get("heard_bar"));
    };
    const mark = () => markBar(el, model.get("heard_bar"));
    model.on("change:pages", draw);
    model.on("change:height", draw);
    model.on("change:heard_bar", mark);
    draw();
    return () => {
      model.off("change:pages", draw);
      model.off("change:height", draw);
      model.off("change:heard_bar", mark);
    };
  }
};
export {
  score_default as default,
  safeSvg
};
