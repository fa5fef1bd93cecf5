// Made by python workbench/grid/bundle.py from workbench.chart.counting.
export const SYLLABLES = {
  "1/4": "e",
  "1/2": "&",
  "3/4": "a",
  "1/3": "trip",
  "2/3": "let"
};
export const OTHER_SYLLABLE = "ta";
export const PLACE_WORDS = {
  "1/6": "2nd sextuplet of {n}",
  "5/6": "last sextuplet of {n}",
  "1/8": "{value} after {n}",
  "3/8": "{value} after the e of {n}",
  "5/8": "{value} after the & of {n}",
  "7/8": "{value} after the a of {n}"
};
export const TUPLETS = {
  "5": "quintuplet",
  "7": "septuplet"
};
export const ORDINALS = {
  "1": "st",
  "2": "nd",
  "3": "rd"
};
