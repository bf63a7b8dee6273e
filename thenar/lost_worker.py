"""The fault of a worker process that ends without an answer. Apart, so that telling it needs nothing heavy."""

from __future__ import annotations


class LostWorkerError(RuntimeError):
    """A worker process ended without an answer, or a law tried to end the program. The text says at which trial."""
