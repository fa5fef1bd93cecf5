"""Run it: ``python -m tests.fuzz --inputs 20000 --kills 1000``."""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path

from tests.fuzz import inputs, kills
from tests.fuzz.inputs import OUTCOMES, Verdict
from tests.fuzz.seeds import seeds
from tests.fuzz.workers import load_everything, run_all

#: Threads would be lost in a fork; sets in the same order make a failure come again.
ENVIRONMENT = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONHASHSEED": "0"}


def table(counts: Counter) -> str:
    """tried / clean / refused / … of each kind and in all."""
    kinds = sorted({kind for kind, _ in counts})
    rows = [["", "tried", *OUTCOMES]]
    for kind in [*kinds, "all"]:
        numbers = [
            sum(n for (k, o), n in counts.items() if kind in (k, "all") and o == outcome) for outcome in OUTCOMES
        ]
        rows.append([kind, str(sum(numbers)), *map(str, numbers)])
    widths = [max(map(len, column)) for column in zip(*rows)]
    return "\n".join("  ".join(cell.rjust(width) for cell, width in zip(row, widths)) for row in rows)


def judge(name: str, folder: Path) -> Verdict:
    """What comes of an input, or of a kill."""
    return (kills if name.split("/")[0] in kills.SHARES else inputs).judge(name, folder)


class Failures:
    """Tells each new failure once, and keeps what made it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.seen: Counter = Counter()

    def __call__(self, name: str, verdict: Verdict) -> None:
        lines = [line.strip() for line in verdict.why.strip().splitlines()]
        where = [line for line in lines if line.startswith("File") and "/workbench/" in line]
        sort = (verdict.outcome, name.split("/")[0], where[-1] if where else "", (lines or [""])[-1][:60])
        self.seen[sort] += 1
        if self.seen[sort] > 1:
            return
        self.folder.mkdir(parents=True, exist_ok=True)
        stem = name.replace("/", "-")
        (self.folder / f"{stem}.txt").write_text(
            f"{name}: {verdict.outcome}\n{verdict.why}\n", "utf-8", "backslashreplace"
        )
        if name.split("/")[0] in inputs.SHARES:
            (self.folder / f"{stem}.bytes").write_bytes(inputs.make(name))
        print(f"{name}: {verdict.outcome}: {' | '.join(where[-1:] + lines[-1:])[:300]}", flush=True)


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first input and kill, to go on in pieces")
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--only", metavar="NAME", help="one input, as midi/1234, whose failure is printed whole")
    parser.add_argument("--out", type=Path, default=Path("out/fuzz"), help="folder for what failed (default: out/fuzz)")
    args = parser.parse_args()
    if not ENVIRONMENT.items() <= os.environ.items():
        os.execve(sys.executable, [sys.executable, "-m", "tests.fuzz", *sys.argv[1:]], {**os.environ, **ENVIRONMENT})
    load_everything()
    seeds()
    failures = Failures(args.out)
    if args.only:
        counts, _ = run_all([args.only], judge, 1, lambda name, verdict: print(verdict.outcome, verdict.why))
        print(table(counts))
        return 0
    numbers = [range(args.first, args.first + n) for n in (args.inputs, args.kills)]
    counts, memory = run_all(map(inputs.name_of, numbers[0]), judge, args.processes, failures)
    killed, memory_of_kills = run_all(map(kills.name_of, numbers[1]), judge, args.processes, failures)
    counts, memory = counts + killed, max(memory, memory_of_kills)
    print(table(counts))
    print(f"most memory of a process: {memory / 2**30:.2f} GiB")
    for sort, n in failures.seen.most_common():
        print(n, *sort)
    return 1 if failures.seen else 0


if __name__ == "__main__":
    sys.exit(main())
