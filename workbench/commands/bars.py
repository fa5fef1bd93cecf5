"""How the bars of a chart lie, and putting them right.

Says how the bars are read, how else they may be, and where bar lines and hits
disagree. An act changes the chart and saves it; every hit stays where it was
heard, and what is confirmed stays confirmed. Each act is one step, which --undo
or Ctrl Z in the grid takes back. It is for the whole song unless --bars or
--from-bar say otherwise. NAME.hits.csv and NAME.beats.csv follow unless you have
changed them. What was heard of a recording's bars is kept in .workbench-bars
beside its chart.
Exit status: 1 where lines and hits disagree, or another reading is clearly likelier,
and no act was asked for; 0 after an act that was done.

examples:
  workbench bars song.chart.json
  workbench bars song.chart.json --take 2
  workbench bars song.chart.json --later 1/2 --from-bar 17
  workbench bars song.chart.json --meter 3/4 --bars 25-32
  workbench bars song.chart.json --fix --bars 1-16
  workbench bars song.chart.json --anew --from-bar 17
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from workbench.commands.draft import tempo

if TYPE_CHECKING:
    from workbench.chart import Chart
    from workbench.chart.edits import Edit
    from workbench.files.document import ChartDocument
    from workbench.listening.hearing import BarLines

NAME = "bars"
HELP = "how the bars lie; put them right"

#: Acts by hand (:mod:`workbench.chart.baracts`): what each takes, and what it does.
BY_HAND = {
    "earlier": ("BEATS", "the 1 so many beats earlier, such as 1 or 1/2"),
    "later": ("BEATS", "the 1 so many beats later"),
    "level": ("LEVEL", "count half, double, 3:2 (three beats for two) or 2:3 as fast"),
    "meter": ("METER", "bars of this meter, such as 3/4; with --anew: heard in it"),
    "pick-up": ("BEATS", "begin with a pick-up of so many beats; 0: with a full bar"),
    "one": ("S", "a bar begins here (s), on the stroke that is near; repeated, the song is laid anew from all"),
    "insert": (None, "a bar more before those of --bars; inside a recording one that lasts as long as two becomes two"),
    "delete": (None, "those of --bars go; inside a recording two that last as long as one become one"),
    "split": ("BEAT", "the bar of --bars is two, the second from this beat on"),
    "join": (None, "those of --bars are one bar; a single one with the next"),
    "fix": (None, "hold the lines that open the bars: what lays bars anew keeps them"),
    "let-go": (None, "let these lines move again"),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench bars`` takes."""
    parser.add_argument("chart", type=Path, help="NAME.chart.json, or a recording that was charted")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--bars", metavar="BARS", help="those meant, as 9 or 9-12 (--fix, --let-go: 9-12,17 too)")
    where.add_argument("--from-bar", type=int, metavar="BAR", help="all from this one on")
    acts = parser.add_argument_group("acts, one at a time")
    acts.add_argument("--take", type=int, metavar="N", help="lay the bars as another reading says, by its number")
    acts.add_argument("--mend", action="store_true", help="do what mends the gravest disagreement")
    acts.add_argument("--anew", action="store_true", help="find the bars by ear again, around the lines that are fixed")
    acts.add_argument("--tempo", type=tempo, metavar="BPM", help="with --anew: beats a minute, such as 100-120")
    for name, (takes, does) in BY_HAND.items():
        if name == "one":
            acts.add_argument("--one", type=float, action="append", metavar=takes, help=does)
        elif takes:
            acts.add_argument(f"--{name}", metavar=takes, help=does)
        else:
            acts.add_argument(f"--{name}", action="store_true", help=does)
    acts.add_argument("--undo", action="store_true", help="take back what was done to the chart last")
    acts.add_argument("--redo", action="store_true", help="do it again")
    parser.add_argument("--json", action="store_true", help="say it as JSON")


def _act(args: argparse.Namespace) -> str:
    """The one act that is asked for, or an empty text."""
    from workbench.errors import ChartError

    given = {k.replace("_", "-"): v for k, v in vars(args).items()}
    acts = [
        name
        for name in ("take", "mend", "anew", *BY_HAND, "undo", "redo")
        if given[name] is not None and given[name] is not False
    ]
    if "anew" in acts and "meter" in acts:
        acts.remove("meter")
    if len(acts) > 1:
        raise ChartError(f"One act at a time: --{acts[0]} or --{acts[1]}.")
    act = acts[0] if acts else ""
    if args.tempo and act != "anew":
        raise ChartError("--tempo says how bars are found --anew; add it.")
    if act == "anew" and args.bars:
        raise ChartError("By ear bars are found from one on: write --from-bar instead of --bars.")
    if args.bars is not None or args.from_bar is not None:
        if not act:
            raise ChartError("--bars and --from-bar say where an act is done; name one, such as --later 1.")
        if act in ("take", "undo", "redo"):
            raise ChartError(f"--{act} is for the whole song; leave --bars and --from-bar out.")
    return act


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench bars``; looking, the exit status is 1 where something disputes the bars."""
    import workbench as wb
    from workbench.chart.baracts import NOTHING_CHANGED, bar_act, bars_meant, lines_taken_along
    from workbench.chart.counting import bar_list, capital, length_words
    from workbench.errors import ChartError
    from workbench.facts import facts
    from workbench.listening.barfaults import BarFault
    from workbench.listening.readings import percent
    from workbench.progress import TerminalProgress

    act, progress = _act(args), TerminalProgress()
    song = wb.open_chart(args.chart, progress=progress)
    before, done = song.chart, ""

    def where(fault: BarFault) -> str:
        return capital(bar_list(song.chart.time_map, range(fault.first_bar, fault.last_bar + 1)))

    if act == "mend":
        meant = bars_meant(before, args.bars, args.from_bar)
        look = wb.bar_lines(song, progress=progress)
        fault = next((f for f in look.faults if any(f.first_bar <= k <= f.last_bar for k in meant)), None)
        if fault is None:
            if look.dispute:
                raise ChartError(f"There is nothing to mend. {_disputed(look)}")
            raise ChartError("Bar lines and hits agree; there is nothing to mend.")
        done = f"{where(fault)}: {fault.words}; mended: {_inside(fault.mends)}."
        done = f"{done} {lines_taken_along(before, fault.edit)}".rstrip()
        song.apply(fault.edit)
    elif act in BY_HAND:
        made = bar_act(before, act, vars(args)[act.replace("-", "_")], bars=args.bars, from_bar=args.from_bar)
        if made.changes(before):
            song.apply(made.edit)
            done = made.words
        else:
            done = NOTHING_CHANGED
    elif act == "undo":
        edit = song.last_edit
        done = stepped_words("Taken back", edit, before, song.undo())
    elif act == "redo":
        edit = song.next_edit
        done = stepped_words("Done again", edit, before, song.redo())
    elif act:
        wb.lay_bars(song, args.take, from_bar=args.from_bar, meter=args.meter, tempo_bpm=args.tempo, progress=progress)
        if act == "take":
            done = f"The bars are laid as reading {args.take} says."
        else:
            done = f"The bars are found by ear again{f' from bar {args.from_bar} on' if args.from_bar else ''}."
    save_with_tables(song)
    look = wb.bar_lines(song, progress=progress)
    if act == "take" and song.chart == before:
        done = f"The bars are already read as reading {args.take} says; nothing was changed."
    if args.json:
        told = {
            "done": done,
            "words": look.words,
            "probability": round(look.now.probability, 4),
            "set_bars": [song.chart.time_map.bar_number(k) for k in look.set_bars],
            "likelier": look.likelier,
            "readings": {
                k: facts(r, "tempo_bpm probability", meter=str(r.meter), words=look.told[k])
                for k, r in look.readings.items()
            },
            "disagreements": [{"bars": where(f), "words": f.words, "mends": f.mends} for f in look.faults],
        }
        print(json.dumps(told, indent=2))
    else:
        if done:
            print(done)
        bars = capital(length_words(song.chart.time_map, range(len(song.chart))))
        print(f"{bars}, {look.now_words}.{' Other readings:' * bool(look.readings)}")
        for k, reading in sorted(look.readings.items()):
            print(f"  --take {k}: {look.told[k]} ({percent(reading)})")
        for n, fault in enumerate(look.faults):
            print(f"{where(fault)}: {fault.words}; {'--mend: ' if n == 0 else ''}{_inside(fault.mends)}.")
        if not look.faults and not act:
            print(_disputed(look) if look.dispute else "Bar lines and hits agree.")
    return 1 if (look.faults or look.dispute) and not act else 0


def _disputed(look: BarLines) -> str:
    """What is likelier than the bars as they are, and both ways to settle it."""
    return (
        f"By the recording {look.dispute}: --take {look.likelier} lays the bars so; if they are right as they are, "
        "--fix says so."
    )


def _inside(words: str) -> str:
    """What begins a sentence, inside one."""
    return words[:1].lower() + words[1:]


def stepped_words(what: str, edit: Edit | None, before: Chart, now: Chart) -> str:
    """A step back or forth in a sentence, with the bars and hits that it changes."""
    from workbench.chart.counting import length_words

    sure, was_sure = (sum(n.confirmed for _, n in chart.notes()) for chart in (now, before))
    hits, were = (sum(1 for _ in chart.notes()) for chart in (now, before))
    bars, had = (length_words(chart.time_map, range(len(chart))) for chart in (now, before))
    changes = [f"{bars} instead of {had}"] * (bars != had)
    changes += [f"{hits} hits instead of {were}"] * (hits != were)
    changes += [f"{sure} hits confirmed instead of {was_sure}"] * (sure != was_sure)
    said = f"{what}: {edit.words}" if edit else what
    return f"{said} ({', '.join(changes)})." if changes else f"{said}."


def save_with_tables(song: ChartDocument) -> None:
    """Save a chart that was changed; its tables follow where they are as the chart once wrote them."""
    from workbench.files.annotations import renew_tables
    from workbench.files.chartfile import ENDING

    if song.unsaved:
        song.save()
        stem = str(song.path).removesuffix(ENDING)
        hits, beats = Path(f"{stem}.hits.csv"), Path(f"{stem}.beats.csv")
        for path in renew_tables(song.saved_charts(), song.chart, hits, beats):
            print(f"{path.name} was changed by somebody and stays as it is.", file=sys.stderr)
