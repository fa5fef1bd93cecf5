"""The subcommands of ``workbench``, one module each.

Every module has ``NAME``, ``HELP``, ``add_arguments(parser)`` and
``run(args) -> int`` (exit status), and is thin: the work is done by functions
that notebooks call too.
"""
