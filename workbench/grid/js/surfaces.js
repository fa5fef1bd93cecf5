// Made by python workbench/grid/bundle.py from workbench.chart.drumkit.
export const ONE_SURFACE = [
  [
    "open hi-hat",
    "closed hi-hat"
  ],
  [
    "ride",
    "ride bell"
  ],
  [
    "snare",
    "side stick"
  ]
];
