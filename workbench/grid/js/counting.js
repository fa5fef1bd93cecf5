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
  "1/4": "e of {n}",
  "1/2": "& of {n}",
  "3/4": "a of {n}",
  "1/8": "{eighth} after {n}",
  "3/8": "{eighth} after the e of {n}",
  "5/8": "{eighth} after the & of {n}",
  "7/8": "{eighth} after the a of {n}",
  "1/3": "middle triplet of {n}",
  "2/3": "last triplet of {n}",
  "1/5": "2nd quintuplet note of beat {n}",
  "2/5": "3rd quintuplet note of beat {n}",
  "3/5": "4th quintuplet note of beat {n}",
  "4/5": "last quintuplet note of beat {n}",
  "1/6": "2nd {quarter}-triplet note of beat {n}",
  "5/6": "last {quarter}-triplet note of beat {n}",
  "1/7": "2nd septuplet note of beat {n}",
  "2/7": "3rd septuplet note of beat {n}",
  "3/7": "4th septuplet note of beat {n}",
  "4/7": "5th septuplet note of beat {n}",
  "5/7": "6th septuplet note of beat {n}",
  "6/7": "last septuplet note of beat {n}"
};
