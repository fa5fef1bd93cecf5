/**
 * Exact positions: fractions of a whole note, written "3/8" as in the chart file.
 * Kept as pairs of whole numbers in lowest terms, so that equal positions are equal texts.
 * @typedef {{n: number, d: number}} Fraction
 */

/** @param {number} a @param {number} b @returns {number} */
function gcd(a, b) {
  a = Math.abs(a);
  while (b) [a, b] = [b, a % b];
  return a || 1;
}

/** @param {number} n @param {number} [d] @returns {Fraction} */
export function fraction(n, d = 1) {
  const g = gcd(n, d);
  return { n: n / g, d: d / g };
}

/** A chart has few positions and many notes: each text is read once. @type {Map<string, Fraction>} */
const read = new Map();
const MOST_READ = 20000;

/** @param {string} text @returns {Fraction} not to be changed */
export function parseFraction(text) {
  let found = read.get(text);
  if (!found) {
    const [n, d] = text.split("/").map(Number);
    found = fraction(n, d === undefined ? 1 : d);
    if (read.size < MOST_READ) read.set(text, found);
  }
  return found;
}

/** @param {Fraction} x */
export const textOf = (x) => (x.d === 1 ? String(x.n) : `${x.n}/${x.d}`);

/** @param {Fraction} x */
export const valueOf = (x) => x.n / x.d;

/** @param {Fraction} a @param {Fraction} b */
export const add = (a, b) => fraction(a.n * b.d + b.n * a.d, a.d * b.d);

/** @param {Fraction} a @param {Fraction} b */
export const subtract = (a, b) => fraction(a.n * b.d - b.n * a.d, a.d * b.d);

/** @param {Fraction} a @param {Fraction} b */
export const multiply = (a, b) => fraction(a.n * b.n, a.d * b.d);

/** Negative, 0 or positive as a < b, a = b, a > b. @param {Fraction} a @param {Fraction} b */
export const compare = (a, b) => a.n * b.d - b.n * a.d;
