"""Law ``none``: the base curve only; feedback adds nothing."""

from __future__ import annotations

from controllers.law import Law, LinearPart

CODE = 0.0
LAW = Law("none", CODE, linear=lambda _: LinearPart(0.0, 0.0))
