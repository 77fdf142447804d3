"""``python -m workbench`` is ``evenidle``."""

from __future__ import annotations

import sys

from workbench.commands.start import main

sys.exit(main())
