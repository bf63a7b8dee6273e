"""Ctrl-C where Python can't raise it: in a callback from C, in a finaliser, in the callbacks of the compiler."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.waiting import LONG_S

LOST = """
import atexit, ctypes, signal, sys, time
import thenar.cli, thenar.cli.laws

class Ends:
    def __del__(self):
        signal.raise_signal(signal.SIGINT)

def in_a_callback():
    ctypes.CFUNCTYPE(None)(lambda: signal.raise_signal(signal.SIGINT))()

def in_a_finaliser():
    Ends()

def in_two_callbacks():
    in_a_callback()
    ctypes.CFUNCTYPE(None)(lambda: time.sleep(0.5))()

def in_source_from_a_string():
    try:
        exec("signal.raise_signal(signal.SIGINT)")
    except KeyboardInterrupt:
        return thenar.cli.INTERRUPTED

def as_the_interpreter_closes():
    atexit.register(signal.raise_signal, signal.SIGINT)

def in_a_callback_and_as_something_broken_is_let_go():
    global broken
    broken = Broken()
    in_a_callback()

class Broken:
    def __del__(self):
        self.never_made

def on_the_way_to_another_error():
    try:
        signal.raise_signal(signal.SIGINT)
    except KeyboardInterrupt as error:
        raise RuntimeError("Error calling __set_name__") from error

def in_a_callback_that_then_is_missed():
    in_a_callback()
    raise RuntimeError("no compiled object yet")

def command(chosen):
    code = {where}()
    if code:
        return code
    print("went on", file=sys.stderr, flush=True)
    {then}
    return 0

thenar.cli.laws.command = command
sys.argv = ["thenar", "laws"]
sys.exit(thenar.cli.main())
"""


def _ran(where: str, then: str, folder: Path) -> tuple[int, str]:
    """Exit code and stderr. A command that sleeps on is ended by the timeout: the test then fails."""
    (folder / "lost.py").write_text(LOST.format(where=where, then=then), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "lost"], cwd=folder, capture_output=True, text=True, timeout=LONG_S, check=False
    )
    return done.returncode, done.stderr


@pytest.mark.parametrize("where", ["in_a_callback", "in_a_finaliser", "in_two_callbacks"])
def test_ctrl_c_that_python_would_only_print_ends_the_command_all_the_same(where: str, tmp_path: Path) -> None:
    code, told = _ran(where, "time.sleep(1000.0)", tmp_path)
    lines = told.splitlines()
    assert code == 130, told
    assert lines[-1] == "interrupted: nothing was left half-written"
    assert "ignored" not in told
    assert "Traceback" not in told


@pytest.mark.parametrize("where", ["in_a_callback_that_then_is_missed", "on_the_way_to_another_error"])
def test_an_error_that_ctrl_c_brought_about_is_told_as_the_interrupt_it_is(where: str, tmp_path: Path) -> None:
    """Before Python 3.12 whatever is raised while a class takes in its attributes comes out as RuntimeError."""
    code, told = _ran(where, "pass", tmp_path)
    assert (code, told) == (130, "interrupted: nothing was left half-written\n")


def test_a_command_that_answers_ctrl_c_itself_leaves_with_its_code_wherever_that_fell(tmp_path: Path) -> None:
    """Python would end by the signal where it fell into source that is run from a string."""
    code, told = _ran("in_source_from_a_string", "pass", tmp_path)
    assert (code, told) == (130, "")


def test_ctrl_c_after_the_last_word_of_a_command_changes_nothing(tmp_path: Path) -> None:
    code, told = _ran("as_the_interpreter_closes", "pass", tmp_path)
    assert (code, told) == (0, "went on\n")


def test_what_an_interrupt_left_half_made_in_a_library_says_nothing_as_the_interpreter_closes(tmp_path: Path) -> None:
    code, told = _ran("in_a_callback_and_as_something_broken_is_let_go", "time.sleep(1000.0)", tmp_path)
    assert (code, told) == (130, "went on\ninterrupted: nothing was left half-written\n")


def test_a_command_that_ends_at_once_after_a_lost_ctrl_c_keeps_its_code(tmp_path: Path) -> None:
    code, told = _ran("in_a_callback", "pass", tmp_path)
    assert (code, told) == (0, "went on\n")


def test_another_exception_in_a_callback_is_printed_as_ever(tmp_path: Path) -> None:
    code, told = _ran("ctypes.CFUNCTYPE(None)(lambda: 1 / 0)", "pass", tmp_path)
    assert code == 0
    assert "ZeroDivisionError" in told


FIRST_CHILD = """
import multiprocessing, signal, sys
from thenar.workers import interrupts_held_back

def child():
    sys.exit(7 if signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, []) else 1)

if __name__ == "__main__":
    with interrupts_held_back():
        process = multiprocessing.get_context("spawn").Process(target=child)
        process.start()
    process.join()
    sys.exit(process.exitcode)
"""


@pytest.mark.skipif(os.name != "posix", reason="signal masks as POSIX systems have them")
def test_the_very_first_child_of_a_process_is_born_with_ctrl_c_held_back(tmp_path: Path) -> None:
    """The library starts a helper of its own before that one, and lifts the mask as it does."""
    script = tmp_path / "first_child.py"
    script.write_text(FIRST_CHILD, encoding="utf-8")
    done = subprocess.run([sys.executable, script], cwd=tmp_path, timeout=LONG_S, check=False)
    assert done.returncode == 7
