"""The command line: ``workbench COMMAND …``.

Exit status: 0 done, 1 done but something was found that needs the user (a
draft that differs from the recording, say), 2 not possible; the reason is one
sentence on standard error.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence

from workbench import __version__
from workbench.errors import WorkbenchError

#: The subcommands, one module of :mod:`workbench.commands` each, in the order of a user's work.
COMMANDS = ("demo", "draft", "score", "read", "practice", "check", "take", "evaluate")


def build_parser() -> argparse.ArgumentParser:
    """The parser with every subcommand of :data:`COMMANDS`."""
    parser = argparse.ArgumentParser(
        prog="workbench", description="From a recording to a drum chart, its reading and its practice pack."
    )
    parser.add_argument("--version", action="version", version=f"workbench {__version__}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        module = importlib.import_module(f"workbench.commands.{name}")
        sub = subparsers.add_parser(
            module.NAME,
            help=module.HELP,
            description=module.__doc__,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        module.add_arguments(sub)
        sub.set_defaults(run=module.run, own_parser=sub)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    args, unknown = build_parser().parse_known_args(argv)
    if unknown:  # said with the command's own usage
        args.own_parser.error(f"{args.command} does not take {' '.join(unknown)}; see workbench {args.command} --help.")
    try:
        return args.run(args)
    except WorkbenchError as error:
        print(f"workbench {args.command}: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print(f"workbench {args.command}: stopped.", file=sys.stderr)
        return 130
    except BrokenPipeError:
        return 1


if __name__ == "__main__":
    sys.exit(main())
