"""``python -m workbench``: the same as the command ``workbench``."""

import sys

from workbench.commands.cli import main

sys.exit(main())
