"""Every benchmark to its end, then one table of what they found.

    python -m tests.benchmarks [--groove DIR] [--songs DIR] [--stems DIR] [--annotated DIR] [--only NAME …]

Each runs in a process of its own and prints its figures; the table names those that compare with a baseline of
the same run.  A benchmark whose data are not given is left out with a sentence; one that ends with a fault is
named, and the others still run.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
from pathlib import Path

DEMO = Path(__file__).parents[2] / "data" / "demo" / "copper-weather.ogg"
#: Data outside the repository, as arguments name them.
FOLDERS = {
    "GROOVE": "human performances (Groove MIDI)",
    "SONGS": "songs whose bars are known (workbench.training.bar_songs)",
    "STEMS": "recordings whose drums are known",
    "ANNOTATED": "recordings with expert annotation, as for make evaluate",
}
#: Name of each benchmark and its arguments.
BENCHES = [
    ("draft", []), ("read", []), ("score", []), ("growth", []), ("practice", []), ("lesson", []),
    ("stretch", []), ("grid", []),
    ("shelf", []),
    ("check", ["--speed", str(DEMO)]),
    ("fills", ["GROOVE"]), ("check", ["GROOVE", "--skip", "1"]), ("take", ["GROOVE", "--skip", "1"]),
    ("midi_reading", ["GROOVE"]), ("ornaments", ["GROOVE"]), ("statements", ["groove", "GROOVE"]),
    ("bars", ["SONGS"]), ("stems", ["STEMS"]), ("acts", []), ("corrections", ["--data", "ANNOTATED"]),
]  # fmt: skip
#: Lines that compare: a ratio, a share, "of the baseline", "× real time".
COMPARES = re.compile(r"ratio|baseline|×|x real time|exponent|%|within limits|BEYOND|must be|F \d")


def run(name: str, arguments: list[str]) -> tuple[int, list[str]]:
    """Exit status and lines of a benchmark, printed as they come."""
    command = [sys.executable, "-m", f"tests.benchmarks.bench_{name}", *arguments]
    lines = []
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        for line in process.stdout or ():
            print(line, end="", flush=True)
            lines.append(line.rstrip())
    return process.returncode, lines


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    for name, what in FOLDERS.items():
        parser.add_argument(f"--{name.lower()}", default="", metavar="DIR", help=f"folder of {what}")
    parser.add_argument("--only", nargs="*", default=[], metavar="NAME", help="these benchmarks alone")
    given = vars(parser.parse_args())
    rows, faults = [], []
    for name, arguments in BENCHES:
        if given["only"] and name not in given["only"]:
            continue
        lacking = [a for a in arguments if a in FOLDERS and not given[a.lower()]]
        if lacking:
            rows.append((name, f"not run: it needs {FOLDERS[lacking[0]]}; make bench {lacking[0]}=folder"))
            continue
        print(f"== {name}", flush=True)
        status, lines = run(name, [given[a.lower()] if a in FOLDERS else a for a in arguments])
        compared = [(name, line.strip()) for line in lines if COMPARES.search(line)]
        rows += compared or [(name, "ran to its end; it compares nothing, its figures stand above")]
        if status:
            faults.append(name)
            rows.append((name, f"ended with status {status}"))
    width = max((len(name) for name, _ in rows), default=0)
    print("\n" + "\n".join(f"{name:{width}}  {line}" for name, line in rows))
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
