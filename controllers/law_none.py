"""Law ``none``: the base curve only; feedback adds nothing."""

from __future__ import annotations

CODE = 0.0
