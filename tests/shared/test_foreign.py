"""Running a user's code: its errors in one clean line, its time bounded, Ctrl-C always through."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress

import pytest

from thenar.shared import foreign
from thenar.shared.foreign import ForeignError, OverrunError, attempted, overrun_watch, said, time_limit


class LoudType(type):
    """A class of classes that won't tell their names."""

    @property
    def __name__(cls) -> str:  # type: ignore[override]
        raise RuntimeError


class NamelessError(Exception, metaclass=LoudType):
    """An error without a name."""


class SilentError(Exception):
    """An error without words."""

    def __str__(self) -> str:
        raise SystemExit


class OddText(str):
    """Text that breaks when it is cut or formatted."""

    __slots__ = ()

    def __getitem__(self, _key: object) -> str:  # type: ignore[override]
        raise RuntimeError

    def __format__(self, _spec: str) -> str:
        raise RuntimeError


class OddWordsError(Exception):
    """An error whose words break when they are looked at."""

    def __str__(self) -> str:
        return OddText("words")


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (ValueError("no grip"), "ValueError: no grip"),
        (SystemExit(4), "SystemExit: 4"),
        (ValueError(), "ValueError: "),
        (ValueError("two\nlines\tand \x1b[31mred\x00"), "ValueError: two lines and  [31mred "),
        (ValueError("half a letter \ud800"), "ValueError: half a letter  "),
        (ValueError("grünes Holz"), "ValueError: grünes Holz"),
        (NamelessError("x"), "NamelessError: x"),
        (SilentError("x"), "SilentError: (no text)"),
    ],
)
def test_an_error_is_told_on_one_clean_line_whatever_it_does(error: BaseException, line: str) -> None:
    assert said(error) == line


def test_words_that_break_when_looked_at_are_left_out_or_told() -> None:
    assert said(OddWordsError()) in ("OddWordsError: words", "OddWordsError: (no text)")


def test_a_long_text_is_cut() -> None:
    assert said(ValueError("x" * 10_000)) == "ValueError: " + "x" * 188


@pytest.mark.parametrize("passing", [KeyboardInterrupt, OverrunError])
def test_ctrl_c_and_the_timer_get_through_an_error_that_is_being_told(passing: type[BaseException]) -> None:
    class InterruptingError(Exception):
        def __str__(self) -> str:
            raise passing

    with pytest.raises(passing):
        said(InterruptingError())


def failing(error: BaseException) -> Callable[[], None]:
    """Code that raises `error`."""

    def fail() -> None:
        raise error

    return fail


def test_what_foreign_code_returns_is_handed_on() -> None:
    answer = object()
    assert attempted(lambda: answer) is answer


@pytest.mark.parametrize(
    "error", [ValueError("x"), SystemExit(3), GeneratorExit("x"), BaseException("x"), SilentError()]
)
def test_whatever_foreign_code_raises_becomes_one_kind_of_error_with_its_words(error: BaseException) -> None:
    with pytest.raises(ForeignError) as caught:
        attempted(failing(error))
    assert str(caught.value) == said(error)
    assert caught.value.__cause__ is error


def test_ctrl_c_in_foreign_code_stays_ctrl_c() -> None:
    with pytest.raises(KeyboardInterrupt):
        attempted(failing(KeyboardInterrupt()))


def loops_for_ever() -> None:
    """Never ends by itself."""
    while True:
        pass


def loops_and_catches() -> None:
    """Never ends by itself, and catches what an ordinary `except` can."""
    while True:
        with suppress(Exception):
            loops_for_ever()


@pytest.mark.parametrize("endless", [loops_for_ever, loops_and_catches, lambda: time.sleep(3600)])
def test_code_that_never_ends_is_ended(monkeypatch: pytest.MonkeyPatch, endless: Callable[[], None]) -> None:
    monkeypatch.setattr(foreign, "LONGEST_START_S", 0.1)
    monkeypatch.setattr(foreign.time_limit.__wrapped__, "__defaults__", (0.1,))
    with pytest.raises(ForeignError, match=r"no end within 0\.1 s"):
        attempted(endless)


def test_an_interruption_swallowed_once_comes_again() -> None:
    """As in a destructor, where Python drops whatever is raised."""
    swallowed = []

    def swallows_once() -> None:
        try:
            loops_for_ever()
        except OverrunError as error:
            swallowed.append(error)
        loops_for_ever()

    with pytest.raises(OverrunError), time_limit(0.05):
        swallows_once()
    assert len(swallowed) == 1


def test_no_timer_and_no_handler_stay_behind() -> None:
    before = signal.getsignal(signal.SIGALRM)
    for call in (lambda: None, failing(ValueError()), failing(SystemExit())):
        with suppress(ForeignError):
            attempted(call)
        assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)
        assert signal.getsignal(signal.SIGALRM) is before


def test_outside_the_main_thread_nothing_can_be_interrupted_and_it_is_said_so() -> None:
    possible: list[bool] = []

    def look() -> None:
        with overrun_watch() as can, time_limit(0.01):
            possible.append(can)
            time.sleep(0.05)

    worker = threading.Thread(target=look)
    worker.start()
    worker.join()
    assert possible == [False]
    with overrun_watch() as can:
        assert can
