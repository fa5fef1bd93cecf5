"""Does the fill model hear fills, or only what goes with them in the data set?

    python -m tests.benchmarks.bench_fills GROOVE_DIR

Groove MIDI's validation split (Gillick et al., ICML 2019, CC BY 4.0), 4/4, to
which no coefficient, feature or rule was fitted.  Files labelled fill are short
and files labelled beat long, so whole files prove little: the named baseline is
the *length of the file alone*.  What counts are bars of equal length, and fills
put into human grooves against groove bars of other performances put there in the
same way, which neither the splice nor a missing repeat tells apart; for all
drummers and for each with fills.  Areas under the ROC curve of the model's mean
log-odds, means over ten draws of songs; then what the whole reading calls fills.
Labels are noisy: some grooves have fills of their own, some fills go on with a
groove, so neither area nor share can reach 1.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from workbench.reading.fill_model import fill_logits
from workbench.reading.patterns import Patterns
from workbench.training.fill_examples import played
from workbench.training.fill_measures import area, called_fills, excerpt_area, mean_logit, song_areas
from workbench.training.groove_performances import read_performances

DRAWS = 10


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("groove", type=Path)
    charts = played(read_performances(parser.parse_args().groove, ("validation",)))
    whole = {
        kind: [
            (mean_logit(fill_logits(Patterns.of(c))), -float(c.time_map.starts[-1]))
            for p, c in charts
            if p.is_fill == kind
        ]
        for kind in (True, False)
    }
    print(
        f"whole files: model {area([s for s, _ in whole[True]], [s for s, _ in whole[False]]):.3f}, "
        f"length of the file alone {area([n for _, n in whole[True]], [n for _, n in whole[False]]):.3f}"
    )
    by_drummer = {
        d: [(p, c) for p, c in charts if p.drummer == d] for d in sorted({p.drummer for p, _ in charts if p.is_fill})
    }
    for name, chosen in {"all drummers": charts, **by_drummer}.items():
        print(name)
        for bars in (1, 2):
            print(f"  excerpts of {bars} bar(s): {excerpt_area(chosen, bars, fill_logits):.3f}")
        for measure, value in song_areas(chosen, DRAWS, fill_logits).items():
            print(f"  {measure}: {value:.3f}")
    called = called_fills(charts, DRAWS)
    print("called a fill by read_part: " + ", ".join(f"{name} {share:.1%}" for name, share in called.items()))


if __name__ == "__main__":
    main()
