"""Types of arguments on the command line: each reads a text and refuses, in one line, what is out of range."""

from __future__ import annotations

import argparse


def whole(text: str) -> int:
    """A whole number from 0 on, as a seed is. Raises ArgumentTypeError for anything else."""
    number = _integer(text)
    if not 0 <= number < 2**63:
        raise argparse.ArgumentTypeError(f"{text} isn't a whole number from 0 to 2^63 - 1")
    return number


def decisions(text: str) -> int:
    """How many decisions to attack. Raises ArgumentTypeError for anything else."""
    number = _integer(text)
    if not 10_000 <= number <= 1_000_000_000:
        raise argparse.ArgumentTypeError(f"{text} isn't a whole number from 10000 to 1000000000")
    return number


def positive(text: str) -> int:
    """How many of something, at most 1024. Raises ArgumentTypeError for anything else."""
    number = _integer(text)
    if not 1 <= number <= 1024:
        raise argparse.ArgumentTypeError(f"{text} isn't a whole number from 1 to 1024")
    return number


def many(text: str) -> int:
    """How many vectors. Raises ArgumentTypeError for anything else."""
    number = _integer(text)
    if not 2 <= number <= 1_000_000:
        raise argparse.ArgumentTypeError(f"{text} isn't a whole number from 2 to 1000000")
    return number


def wearers(text: str) -> int:
    """How many wearers. Raises ArgumentTypeError for anything else."""
    number = _integer(text)
    if not 1 <= number <= 100_000:
        raise argparse.ArgumentTypeError(f"{text} isn't a whole number from 1 to 100000")
    return number


def level_N(text: str) -> float:
    """A force in N. Raises ArgumentTypeError for anything else."""
    return _between(text, 0.01, 200.0, "N")


def tries(text: str) -> int:
    """How many tries or samples. Raises ArgumentTypeError for anything else."""
    number = _integer(text)
    if not 1 <= number <= 1_000_000:
        raise argparse.ArgumentTypeError(f"{text} isn't a whole number from 1 to 1000000")
    return number


def several_wearers(text: str) -> int:
    """Wearers enough for an interval. Raises ArgumentTypeError for anything else."""
    number = _integer(text)
    if not 3 <= number <= 100_000:
        raise argparse.ArgumentTypeError(f"{text} isn't a whole number from 3 to 100000")
    return number


def factor(text: str) -> float:
    """A factor above 1. Raises ArgumentTypeError for anything else."""
    return _between(text, 1.0, 1000.0, "")


def share(text: str) -> float:
    """A share that leaves something on both sides. Raises ArgumentTypeError for anything else."""
    return _between(text, 0.05, 0.5, "")


def strength_N(text: str) -> float:
    """A maximum pinch force in N. Raises ArgumentTypeError for anything else."""
    return _between(text, 5.0, 250.0, "N")


def milliamperes(text: str) -> float:
    """A current in mA. Raises ArgumentTypeError for anything else."""
    return _between(text, 0.0, 100.0, "mA")


def period_ms(text: str) -> float:
    """A control period in ms. Raises ArgumentTypeError for anything else."""
    return _between(text, 1.0, 100.0, "ms")


def _between(text: str, low: float, high: float, unit: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not low <= number <= high:
        raise argparse.ArgumentTypeError(f"{text!r} isn't a number from {low:g} to {high:g} {unit}")
    return number


def _integer(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} isn't a whole number") from None
