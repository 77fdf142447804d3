"""Logs of any rate and spelling: read, units converted, written."""

from __future__ import annotations

from tuning.logs.log import Log, needs, read_log, write_log

__all__ = ["Log", "needs", "read_log", "write_log"]
