/**
 * Waveform and spectrogram, laid to the bars.  The data come from Python in pieces:
 * loudest and lowest sample per 2 ms, and log-frequency levels per 10 ms, one byte each.
 */
import { SIZES, timeAtX } from "./timeline.js";

/** Pictures of lines that are kept, of each kind those of some screens. */
const MOST_TILES = 80;

export class SoundPicture {
  constructor() {
    this.clear();
  }

  clear() {
    this.peaks = null;
    this.levels = null;
    this.tiles = new Map();
    this.stamp = 0;
  }

  /** Take one piece. @param {any} message @param {DataView[]} buffers */
  receive(message, buffers) {
    if (message.first) {
      this.peaks = new Int8Array(2 * message.peak_count);
      this.levels = new Uint8Array(message.bands * message.frame_count);
      Object.assign(this, { peakRate: message.peak_rate_hz, frameRate: message.frame_rate_hz, bands: message.bands,
        frames: message.frame_count });
    }
    if (!this.peaks) return;
    this.peaks.set(bytes(buffers[0], Int8Array), 2 * message.peak_start);
    this.levels.set(bytes(buffers[1], Uint8Array), this.bands * message.frame_start);
    this.stamp += 1;
  }

  draw(g, state, line) {
    if (!this.peaks) return;
    const { sheet } = state;
    if (sheet.spectrumY > sheet.waveY) {
      g.drawImage(this.tile("wave", state, line), line.left, sheet.waveY, widthOf(line), SIZES.wave);
    }
    if (sheet.marksY > sheet.spectrumY) {
      g.imageSmoothingEnabled = false;
      g.drawImage(this.tile("spectrum", state, line), line.left, sheet.spectrumY + 1, widthOf(line), SIZES.spectrum - 2);
    }
  }

  /** Waveform or spectrogram of a line as a picture, kept until the bars, the size or the theme change. */
  tile(kind, state, line) {
    const { time, palette, ratio } = state;
    const name = `${kind} ${line.index}`;
    const key = [line.first, line.last, line.left, line.scale, palette.key, ratio, this.stamp].join();
    const kept = this.tiles.get(name);
    if (kept && kept.key === key && kept.time === time) return kept.tile;
    const tile = kind === "wave" ? this.waveOf(state, line) : this.spectrumOf(state, line);
    if (this.tiles.size > MOST_TILES) this.tiles.clear();
    this.tiles.set(name, { key, time, tile });
    return tile;
  }

  waveOf({ time, palette, ratio }, line) {
    const width = widthOf(line);
    const canvas = new OffscreenCanvas(Math.ceil(width * ratio), Math.ceil(SIZES.wave * ratio));
    const g = canvas.getContext("2d");
    g.scale(canvas.width / width, canvas.height / SIZES.wave);
    const middle = SIZES.wave / 2;
    const half = SIZES.wave / 2 - 1;
    g.fillStyle = palette.sound;
    const last = this.peaks.length / 2 - 1;
    let at = timeAtX(line, time, line.left) * this.peakRate;
    for (let x = 0; x < width; x++) {
      const next = timeAtX(line, time, line.left + x + 1) * this.peakRate;
      let low = 0;
      let high = 0;
      const from = Math.max(Math.floor(at), 0);
      for (let k = from; k <= Math.min(Math.max(Math.ceil(next) - 1, from), last); k++) {
        low = Math.min(low, this.peaks[2 * k]);
        high = Math.max(high, this.peaks[2 * k + 1]);
      }
      g.fillRect(x, middle - (high / 127) * half, 1, Math.max(((high - low) / 127) * half, 0.6));
      at = next;
    }
    return canvas.transferToImageBitmap();
  }

  spectrumOf({ time, palette }, line) {
    const width = widthOf(line);
    const canvas = new OffscreenCanvas(width, this.bands);
    const g = canvas.getContext("2d");
    const image = g.createImageData(width, this.bands);
    const [r, green, b] = rgb(palette.sound);
    for (let x = 0; x < width; x++) {
      const seconds = timeAtX(line, time, line.left + x + 0.5);
      const frame = Math.round(seconds * this.frameRate);
      for (let band = 0; band < this.bands; band++) {
        const level = frame < 0 || frame >= this.frames ? 0 : this.levels[frame * this.bands + band];
        const k = 4 * ((this.bands - 1 - band) * width + x);
        image.data[k] = r;
        image.data[k + 1] = green;
        image.data[k + 2] = b;
        image.data[k + 3] = level;
      }
    }
    g.putImageData(image, 0, 0);
    return canvas.transferToImageBitmap();
  }
}

/** Width of a line's picture, whole pixels. */
const widthOf = (line) => Math.max(Math.round(line.right - line.left), 1);

function bytes(view, Type) {
  return new Type(view.buffer, view.byteOffset, view.byteLength);
}

function rgb(colour) {
  const g = new OffscreenCanvas(1, 1).getContext("2d");
  g.fillStyle = colour;
  g.fillRect(0, 0, 1, 1);
  return g.getImageData(0, 0, 1, 1).data;
}
