"""``python -m workbench`` is ``evenidle``."""

from __future__ import annotations

import sys

from workbench.commands.cli import main

sys.exit(main())
