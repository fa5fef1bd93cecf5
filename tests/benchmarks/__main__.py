"""Every benchmark to its end, then one table of what they found.

    python -m tests.benchmarks [GROOVE_DIR]

Each runs in a process of its own and prints its figures; the table names those that compare with a baseline of
the same run.  A benchmark that ends with a fault is named, and the others still run.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

DEMO = Path(__file__).parents[2] / "data" / "demo" / "copper-weather.ogg"
#: Name of the benchmark and its arguments; those with GROOVE need human performances.
BENCHES = [
    ("draft", []), ("read", []), ("score", []), ("growth", []), ("practice", []), ("grid", []),
    ("check", ["--speed", str(DEMO)]),
    ("fills", ["GROOVE"]), ("check", ["GROOVE"]), ("take", ["GROOVE"]), ("bars", ["GROOVE", "--count", "60"]),
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


def main(groove: str | None) -> int:
    rows, faults = [], []
    for name, arguments in BENCHES:
        if "GROOVE" in arguments and groove is None:
            rows.append((name, "not run: it needs human performances (make bench GROOVE=folder)"))
            continue
        print(f"== {name}", flush=True)
        status, lines = run(name, [groove or a if a == "GROOVE" else a for a in arguments])
        rows += [(name, line.strip()) for line in lines if COMPARES.search(line)]
        if status:
            faults.append(name)
            rows.append((name, f"ended with status {status}"))
    width = max(len(name) for name, _ in rows)
    print("\n" + "\n".join(f"{name:{width}}  {line}" for name, line in rows))
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else None))
