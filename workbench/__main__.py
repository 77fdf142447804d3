"""``python -m workbench`` is ``evenidle``."""

from __future__ import annotations

import sys

from workbench.cli import main

sys.exit(main())
