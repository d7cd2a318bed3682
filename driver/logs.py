"""Narration on stderr: key=value by default, JSON when asked. Never on stdout, never unescaped."""

from __future__ import annotations

import logging
import sys
from typing import Any

import structlog

from noonmark.driver.escaping import escape


def configure(log_format: str = "text", verbose: bool = False) -> None:
    """Send events to stderr. `log_format`: "text" (key=value) or "json"."""
    level = logging.DEBUG if verbose else logging.INFO
    renderer: Any = (
        structlog.processors.JSONRenderer()
        if log_format == "json"
        else structlog.processors.LogfmtRenderer(key_order=["level", "event"], drop_missing=True)
    )
    structlog.configure(
        processors=[structlog.processors.add_log_level, _escaped, renderer],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=False,
    )


def _escaped(_logger: Any, _name: str, event: Any) -> Any:
    return {key: escape(value, 400) if isinstance(value, (str, bytes)) else value for key, value in event.items()}


def log() -> Any:
    """The logger of this package."""
    return structlog.get_logger("noonmark")
