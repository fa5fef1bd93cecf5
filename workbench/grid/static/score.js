/* Made by python workbench/grid/bundle.py; sources a4c836d35bbcf6c1e1e57b4bdc0e60684e6994649b0a0a671c91da4669252d74 */

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
    let shown = [];
    const draw = () => {
      el.style.maxHeight = `${model.get("height")}px`;
      shown = model.get("pages").map((text, k) => shown[k]?.[0] === text ? shown[k] : [text, safeSvg(text)]);
      const pages = shown.flatMap(([, page]) => page ?? []);
      pages.forEach((page, k) => {
        const old = el.children[k];
        if (!old) el.append(page);
        else if (old !== page) old.replaceWith(page);
      });
      while (el.children.length > pages.length) el.lastElementChild.remove();
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
