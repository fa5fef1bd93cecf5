"""The command line: ``workbench COMMAND …``.

Exit status: 0 done, 1 done but something was found that needs the user (a
draft that differs from the recording, say), 2 not possible; the reason is one
sentence on standard error.
"""

from __future__ import annotations

import argparse
import atexit
import importlib
import os
import platform
import shlex
import shutil
import sys
import tempfile
import traceback
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from typing import Any, TextIO

from workbench import __version__
from workbench.errors import WorkbenchError
from workbench.escaping import for_terminal

#: The subcommands, one module of :mod:`workbench.commands` each, in the order of a user's work.
COMMANDS = (
    "demo",
    "lab",
    "draft",
    "bars",
    "drums",
    "confirm",
    "score",
    "read",
    "stems",
    "practice",
    "lesson",
    "check",
    "take",
    "shelf",
    "setlist",
    "evaluate",
)


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
    words = sys.argv[1:] if argv is None else list(argv)
    if "MPLCONFIGDIR" not in os.environ:  # matplotlib lists fonts: in a folder that goes with the command, not at home
        os.environ["MPLCONFIGDIR"] = fonts = tempfile.mkdtemp(prefix="workbench-fonts-")
        atexit.register(shutil.rmtree, fonts, ignore_errors=True)
    with redirect_stdout(_Shown(sys.stdout)), redirect_stderr(_Shown(sys.stderr)):
        status, said = _run(words)
        if said:
            print(said, file=sys.stderr)
        return status


def _run(words: list[str]) -> tuple[int, str]:
    """Exit status of a command, and what is to be said of its end."""
    args, unknown = build_parser().parse_known_args(words)
    if unknown:  # said with the command's own usage
        args.own_parser.error(f"{args.command} does not take {' '.join(unknown)}; see workbench {args.command} --help.")
    name = f"workbench {args.command}"
    try:
        status = args.run(args)
        sys.stdout.flush()
        return status, ""
    except WorkbenchError as error:
        return 2, f"{name}: {error}"
    except KeyboardInterrupt:
        return 130, f"{name}: stopped."
    except BrokenPipeError:  # the reader, head say, has enough; nor is the rest sent at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1, ""
    except MemoryError:
        return 2, f"{name}: this needs more memory than there is; close other programs, or cut the input into parts."
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return 2, f"{name}: {WorkbenchError(f'{where}{error.strerror or error}; what was written before is kept.')}"
    except Exception as error:
        where = _keep_details(words, getattr(args, "out", None))
        return 2, (
            f"{name}: an unforeseen fault of the workbench ({type(error).__name__}). What happened is described in "
            f"{where}; please send that file to whoever looks after your workbench."
        )


def _keep_details(words: list[str], out: str | os.PathLike | None) -> str:
    """Write down the fault being handled, beside the results if possible; where that is."""
    details = (
        f"workbench {__version__}, Python {platform.python_version()}, {platform.platform()}\n"
        f"workbench {shlex.join(words)}\n\n{traceback.format_exc()}"
    )
    for folder in (out or ".", ".", tempfile.gettempdir()):
        try:
            handle, path = tempfile.mkstemp(".txt", "workbench-fault-", folder)
            with open(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
                file.write(details)
            return path
        except OSError:
            continue
    return "no file, since none could be written"


class _Shown:
    """A stream that writes control characters out instead of sending them to the terminal."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        again = "\r" if text.startswith("\r") else ""  # the line of progress is written again and again
        shown = again + for_terminal(text.removeprefix(again))
        encoding = self._stream.encoding or "utf-8"
        return self._stream.write(shown.encode(encoding, "backslashreplace").decode(encoding))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


if __name__ == "__main__":
    sys.exit(main())
