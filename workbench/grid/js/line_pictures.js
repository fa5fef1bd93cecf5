/**
 * Lines of the sheet as pictures, each drawn anew only where something in it has changed: scrolling and playing lay
 * them, and an edit draws the lines that it touches.
 */

/** So many are kept: more than stand in a window, and some that were seen before. */
const MOST = 12;

/** Everything that is drawn in a line; charts are values, so what is the same object looks the same. */
export function contentsOf(state, line) {
  const { chart, cursor, selection, heardBar, drag, faults } = state;
  const inside = (first, last = first) => first < line.last && last >= line.first;
  const dragged = drag?.barLine !== undefined && drag.line === line.index;
  return [state.sheet, state.palette, state.ratio, state.rows.join(), state.kit, state.doubtBelow, state.sound?.stamp, state.hoverRow,
    chart.time_map, chart.sections, chart.texts, chart.marks, chart.possible_hits,
    cursor && inside(cursor.bar) ? `${cursor.bar} ${cursor.at} ${cursor.instrument} ${state.focused}` : "",
    selection && inside(...selection) ? selection.join() : "",
    heardBar !== undefined && inside(heardBar) ? heardBar : "",
    state.chosen.size ? state.chosen : "", dragged ? drag.x : "",
    faults.filter((f) => inside(f.first_bar, f.last_bar)).map((f) => `${f.first_bar} ${f.last_bar}`).join(),
    ...chart.bars.slice(line.first, line.last)];
}

export class LinePictures {
  /** @param {(g: any, state: any, line: any) => void} draw a line into a context with its top at 0 */
  constructor(draw) {
    this.draw = draw;
    /** By index of the line, the latest used at the end. @type {Map<number, {contents: any[], canvas: OffscreenCanvas}>} */
    this.kept = new Map();
  }

  /** @returns {OffscreenCanvas} in device pixels */
  of(state, line) {
    const contents = contentsOf(state, line);
    let picture = this.kept.get(line.index);
    this.kept.delete(line.index);
    if (!picture || picture.contents.length !== contents.length || contents.some((x, k) => x !== picture.contents[k])) {
      picture = { contents, canvas: this.canvas(state, picture?.canvas) };
      const g = picture.canvas.getContext("2d", { alpha: false });
      g.setTransform(state.ratio, 0, 0, state.ratio, 0, 0);
      this.draw(g, state, line);
    }
    this.kept.set(line.index, picture);
    return picture.canvas;
  }

  /** A canvas of a line's size: the one at hand, or that of the line seen longest ago. */
  canvas({ sheet, ratio }, at) {
    let canvas = at;
    if (!canvas && this.kept.size >= MOST) {
      const [index, oldest] = this.kept.entries().next().value;
      this.kept.delete(index);
      canvas = oldest.canvas;
    }
    const [width, height] = [Math.round(sheet.width * ratio), Math.ceil(sheet.lineHeight * ratio)];
    return canvas?.width === width && canvas.height === height ? canvas : new OffscreenCanvas(width, height);
  }
}
