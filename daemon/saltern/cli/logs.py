"""Where log lines go: stderr, as JSON under journald and for people on a terminal; nowhere in a simulation."""

import logging
import sys

import structlog


def quiet_logs() -> None:
    """Drop everything below critical."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))


def service_logs() -> None:
    """Log to stderr: one JSON object a line, or in columns on a terminal."""
    people = sys.stderr.isatty()
    renderer = structlog.dev.ConsoleRenderer() if people else structlog.processors.JSONRenderer()
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
