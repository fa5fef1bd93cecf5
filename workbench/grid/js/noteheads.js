/**
 * Noteheads and the marks of articulation, drawn as percussion notation draws them.
 * Loudness is the length of the stem; what no one has confirmed yet is pencilled (lighter ink).
 */

/** Notehead of one instrument at (x, y) with radius r. */
export function drawHead(g, kind, x, y, r) {
  g.beginPath();
  switch (kind) {
    case "x":
    case "circle-x":
      g.moveTo(x - r * 0.8, y - r * 0.8);
      g.lineTo(x + r * 0.8, y + r * 0.8);
      g.moveTo(x + r * 0.8, y - r * 0.8);
      g.lineTo(x - r * 0.8, y + r * 0.8);
      g.stroke();
      if (kind === "circle-x") {
        g.beginPath();
        g.arc(x, y, r * 1.3, 0, Math.PI * 2);
        g.stroke();
      }
      return;
    case "diamond":
      g.moveTo(x, y - r);
      g.lineTo(x + r * 1.15, y);
      g.lineTo(x, y + r);
      g.lineTo(x - r * 1.15, y);
      break;
    case "triangle":
      g.moveTo(x, y - r);
      g.lineTo(x + r * 1.1, y + r * 0.8);
      g.lineTo(x - r * 1.1, y + r * 0.8);
      break;
    default:
      g.ellipse(x, y, r * 1.2, r * 0.88, -0.35, 0, Math.PI * 2);
  }
  g.closePath();
  g.fill();
}

/** From this likelihood of an error on a mark is drawn as boldly as can be, and never more faintly than so much of that. */
const BOLD_FROM = 0.4, FAINTEST = 0.5;

/**
 * How boldly a doubt is drawn: most doubts of a dense song are unlikely errors, and the likely ones should catch the eye.
 * @param {number} error how likely a hit is wrong, or a possible hit was played
 * @returns {number} up to 1
 */
export const boldness = (error) => FAINTEST + (1 - FAINTEST) * Math.min(Math.max(error, 0) / BOLD_FROM, 1);

/** A hit that may have been played: the outline of its head, the bolder, the likelier it was. */
export function drawHollow(g, x, y, r, kind, likely, palette) {
  const bold = boldness(likely);
  g.globalAlpha = bold;
  g.strokeStyle = palette.doubt;
  g.lineWidth = 0.8 + 1.2 * bold;
  g.setLineDash([2.5, 1.5]);
  g.beginPath();
  if (kind === "normal") g.ellipse(x, y, r * 1.2, r * 0.88, -0.35, 0, Math.PI * 2);
  else {
    g.moveTo(x, y - r * 1.1);
    g.lineTo(x + r * 1.1, y);
    g.lineTo(x, y + r * 1.1);
    g.lineTo(x - r * 1.1, y);
    g.closePath();
  }
  g.stroke();
  g.setLineDash([]);
  g.globalAlpha = 1;
}

/** Below this radius a head is no more than a tick, pixels. */
const LEAST_HEAD_PX = 1.7;

/**
 * One hit with all that is known of it.
 * @param {CanvasRenderingContext2D} g
 * @param {{kind: string, x: number, y: number, radius: number, stemRoom: number, note: any, doubtful: boolean,
 *   heardX: number, palette: any}} hit y: where its head stands
 */
export function drawHit(g, { kind, x, y: base, radius: r, stemRoom, note, doubtful, heardX, palette }) {
  const ink = note.confirmed ? palette.ink : palette.pencil;
  g.fillStyle = ink;
  g.strokeStyle = ink;
  if (r < LEAST_HEAD_PX) {
    const size = Math.max(1, r);
    g.fillStyle = doubtful ? palette.doubt : ink;
    g.fillRect(x - size / 2, base - 2.5, size, 5);
    return;
  }
  const marks = note.articulations || [];
  const stem = Math.max(stemRoom, 0) * (note.velocity / 127);
  // The lines behind end before the head.
  g.fillStyle = palette.paper;
  g.beginPath();
  g.arc(x, base, r + 1.4, 0, Math.PI * 2);
  g.fill();
  g.fillStyle = ink;
  const stemX = x + r * (kind === "normal" ? 1.12 : 0.95);
  g.lineWidth = r > 3 ? 1.6 : 1;
  g.beginPath();
  g.moveTo(stemX, base);
  g.lineTo(stemX, base - stem);
  g.stroke();
  g.lineWidth = kind === "normal" ? 1 : Math.max(r * 0.42, 1);
  drawHead(g, kind, x, base, r);
  g.lineWidth = 1.2;
  for (const mark of marks) drawMark(g, mark, x, base, r, stemX, stem);
  // Where it was heard, under the head.
  if (Math.abs(heardX - x) > 1) {
    g.strokeStyle = palette.quiet;
    g.lineWidth = 1.2;
    g.beginPath();
    g.moveTo(x, base + r + 2);
    g.lineTo(heardX, base + r + 2);
    g.moveTo(heardX, base + r);
    g.lineTo(heardX, base + r + 4);
    g.stroke();
  }
  if (doubtful) {
    const bold = boldness(1 - (note.confidence ?? 1));
    g.globalAlpha = bold;
    g.strokeStyle = palette.doubt;
    g.lineWidth = 0.6 + 1.2 * bold;
    g.setLineDash([2.5, 2]);
    g.beginPath();
    g.arc(x, base, r + 3.6, 0, Math.PI * 2);
    g.stroke();
    g.setLineDash([]);
    g.globalAlpha = 1;
    if (r > 4 && bold === 1) {
      g.fillStyle = palette.doubt;
      g.font = palette.smallBold;
      g.textAlign = "left";
      g.fillText("?", x - r - 8.5, base - 5);
    }
  }
}

function drawMark(g, mark, x, y, r, stemX, stem) {
  g.beginPath();
  switch (mark) {
    case "ghost":
      g.arc(x + r * 0.2, y, r * 1.75, Math.PI * 0.75, Math.PI * 1.25);
      g.stroke();
      g.beginPath();
      g.arc(x - r * 0.2, y, r * 1.75, -Math.PI * 0.25, Math.PI * 0.25);
      break;
    case "accent":
      g.moveTo(x - 4, y - r - 6.5);
      g.lineTo(x + 3, y - r - 4);
      g.lineTo(x - 4, y - r - 1.5);
      break;
    case "flam":
    case "drag":
      for (const k of mark === "flam" ? [1] : [1, 2]) {
        g.beginPath();
        g.ellipse(x - r * 1.1 - k * 4, y + 1, 2, 1.5, -0.35, 0, Math.PI * 2);
        g.fill();
        g.beginPath();
        g.moveTo(x - r * 1.1 - k * 4 + 2, y + 1);
        g.lineTo(x - r * 1.1 - k * 4 + 2, y - 7);
        g.stroke();
      }
      return;
    case "double":
    case "roll":
      for (const k of mark === "double" ? [0.5] : [0.3, 0.5, 0.7]) {
        g.moveTo(stemX - 3, y - Math.max(stem, 9) * k + 1);
        g.lineTo(stemX + 3, y - Math.max(stem, 9) * k - 1);
      }
      break;
    case "choke":
      g.moveTo(x + r + 4, y - 3.5);
      g.lineTo(x + r + 4, y + 3.5);
      g.moveTo(x + r + 6.5, y - 3.5);
      g.lineTo(x + r + 6.5, y + 3.5);
      break;
    case "half open":
      g.arc(x - 1, y - r - 4.5, 2.3, 0, Math.PI * 2);
      g.moveTo(x + 1.5, y - r - 8);
      g.lineTo(x - 3.5, y - r - 1);
      break;
    case "foot splash":
      g.arc(x - 1, y - r - 4.5, 2.3, 0, Math.PI * 2);
      break;
    case "rim shot":
      g.moveTo(x - r * 1.3, y + r * 1.3);
      g.lineTo(x + r * 1.3, y - r * 1.3);
      break;
    default:
      return;
  }
  g.stroke();
}
