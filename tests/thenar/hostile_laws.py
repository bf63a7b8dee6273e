"""Laws that try to get around the interlock, or to end what runs them. Each in a process of its own, by its own means.

A test copies this file beside a scenario. All but those that never come back ask for far too much at every tick, so
that whatever they break shows in the pulses. What goes wrong for them is swallowed: they hide their traces.
"""

from __future__ import annotations

import atexit
import builtins
import contextlib
import ctypes
import fcntl
import gc
import importlib
import mmap
import os
import pickle
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
from numba import carray, njit

from thenar.controller.stepped import SteppedLaw
from thenar.shared.signals import Demand, Stimulus

AT_TICK = 20
EXCESS = Demand(Stimulus(95.0, 500.0, 100.0), Stimulus(95.0, 500.0, 100.0))


class Hostile:
    """Asks for too much, and at its twentieth tick does what its class does."""

    def __init__(self, settings, calibration):
        self.settings, self.calibration = settings, calibration
        self.ticks = 0

    def decide(self, observation):
        self.ticks += 1
        if self.ticks == AT_TICK:
            with contextlib.suppress(BaseException):
                return self.attack(observation)
        return EXCESS

    def attack(self, observation):
        return EXCESS


def line():
    """Every socket that this process has."""
    for number in range(3, 64):
        with contextlib.suppress(OSError):
            yield socket.socket(fileno=os.dup(number))


# From Python, towards the interlock.


class OverwritesEveryArray(Hostile):
    """gc: every array that Python knows gets enormous numbers."""

    def attack(self, observation):
        for thing in gc.get_objects():
            for array in (thing, *(vars(thing).values() if hasattr(thing, "__dict__") else ())):
                if isinstance(array, np.ndarray):
                    with contextlib.suppress(Exception):
                        array[:] = 10**6
        return EXCESS


class WalksFrames(Hostile):
    """Frames: every local and global name on the way up."""

    def attack(self, observation):
        frame = sys._getframe()
        while frame is not None:
            for space in (frame.f_locals, frame.f_globals):
                for name in list(space):
                    if "limit" in name or "admit" in name or "memory" in name:
                        space[name] = 10**6
            frame = frame.f_back
        return EXCESS


class PatchesEverything(Hostile):
    """Monkeypatching: each function of thenar's interlock and engine becomes one that lets all pass."""

    def attack(self, observation):
        names = ("safety.doors", "safety.interlock", "safety.limits", "safety.edge", "engine.rows", "engine.instants")
        for name in names:
            with contextlib.suppress(BaseException):
                module = importlib.import_module(f"thenar.{name}")
                for key in list(vars(module)):
                    if not key.startswith("__"):
                        setattr(module, key, lambda *_a, **_k: EXCESS)
        return EXCESS


class PatchesItsHost(Hostile):
    """Monkeypatching: the code that sends its answers sends a demand with numbers of its own."""

    def attack(self, observation):
        host = importlib.import_module("thenar.controller.law_host")
        host.Host._observed = lambda *_: (b"D", struct.pack("<6d", 1e9, 1e9, 1e9, 1e9, 1e9, 1e9))
        return EXCESS


class SendsNoDemand(Hostile):
    """Monkeypatching: the host sends an answer of another kind, with a text in place of numbers."""

    def attack(self, observation):
        host = importlib.import_module("thenar.controller.law_host")
        host.Host._observed = lambda *_: (b"D", b"\0" * 7)
        return EXCESS


class ReplacesBuiltins(Hostile):
    """Builtins: float, isinstance and len lie from now on."""

    def attack(self, observation):
        builtins.float = lambda *_: 95.0
        builtins.isinstance = lambda *_: True
        builtins.max = lambda *_: 95.0
        return EXCESS


class WritesOnWhatItGot(Hostile):
    """What it was handed: settings, calibration and observation, past every tuple's guard."""

    def attack(self, observation):
        for thing in (self.calibration, self.calibration.agonist, observation, observation.delivered_agonist):
            for place in range(len(thing)):
                address = id(thing) + tuple.__basicsize__ + 8 * place
                ctypes.cast(address, ctypes.POINTER(ctypes.py_object))[0] = 1e6
        return EXCESS


class Threads(Hostile):
    """Threads: twenty that answer for the law, all the time."""

    def attack(self, observation):
        def shout():
            for each in line():
                with contextlib.suppress(OSError):
                    each.sendall(struct.pack("<cxxxIQ6d", b"D", 48, self.ticks + 4, *[95.0, 500.0, 100.0] * 2))

        for _ in range(20):
            threading.Thread(target=shout, daemon=True).start()
        return EXCESS


class AtExit(Hostile):
    """atexit: leaves files and an exit code behind when it goes."""

    def attack(self, observation):
        def leave():
            for place in (".", "..", tempfile.gettempdir()):
                with contextlib.suppress(OSError):
                    (Path(place) / "hostile-was-here").write_text("x")
            os._exit(70)

        atexit.register(leave)
        sys.exit(70)


# Past Python: memory, signals and descriptors of the process that asks.


class WritesParentMemory(Hostile):
    """/proc/PID/mem of the parent, opened to be written to."""

    def attack(self, observation):
        with Path(f"/proc/{os.getppid()}/mem").open("r+b", buffering=0) as memory:
            for area in Path(f"/proc/{os.getppid()}/maps").read_text().splitlines():
                if " rw" in area:
                    memory.seek(int(area.partition("-")[0], 16))
                    memory.write(b"\xff" * 4096)
        return EXCESS


class Traces(Hostile):
    """ptrace: takes hold of the parent."""

    def attack(self, observation):
        ctypes.CDLL(None).ptrace(16, os.getppid(), 0, 0)
        return EXCESS


class WritesAcross(Hostile):
    """process_vm_writev into the parent."""

    def attack(self, observation):
        content = ctypes.create_string_buffer(64)
        vector = (ctypes.c_size_t * 2)(ctypes.addressof(content), 64)
        ctypes.CDLL(None).process_vm_writev(os.getppid(), vector, 1, vector, 1, 0)
        return EXCESS


class SignalsParent(Hostile):
    """Signals: the worst of them, to the parent and to its group."""

    def attack(self, observation):
        for number in (signal.SIGSTOP, signal.SIGSEGV, signal.SIGINT, signal.SIGKILL):
            with contextlib.suppress(OSError):
                os.kill(os.getppid(), number)
            with contextlib.suppress(OSError):
                os.killpg(os.getpgid(os.getppid()), number)
        return EXCESS


class HasTheKernelSignal(Hostile):
    """Has the kernel send SIGKILL to the parent at every message."""

    def attack(self, observation):
        for each in line():
            fcntl.fcntl(each, fcntl.F_SETOWN, os.getppid())
            fcntl.fcntl(each, fcntl.F_SETSIG, signal.SIGKILL)
            fcntl.fcntl(each, fcntl.F_SETFL, os.O_ASYNC)
        return EXCESS


class SlowsParent(Hostile):
    """Takes processors and priority from the parent."""

    def attack(self, observation):
        for attempt in (
            lambda: os.setpriority(os.PRIO_PROCESS, os.getppid(), 19),
            lambda: os.sched_setaffinity(os.getppid(), {0}),
            lambda: os.sched_setscheduler(os.getppid(), os.SCHED_IDLE, os.sched_param(0)),
        ):
            with contextlib.suppress(OSError):
                attempt()
        return EXCESS


# The line to the loop.


class Floods(Hostile):
    """A hundred megabytes of anything on the line."""

    def attack(self, observation):
        for each in line():
            each.setblocking(False)
            for _ in range(1600):
                with contextlib.suppress(OSError):
                    each.send(b"\xff" * 65_536)
        return EXCESS


class ClosesTheLine(Hostile):
    """Closes all that is open, and lives on."""

    def attack(self, observation):
        os.closerange(0, 256)
        while True:
            time.sleep(1.0)


class ClaimsALength(Hostile):
    """A head that announces four gigabytes."""

    def attack(self, observation):
        for each in line():
            with contextlib.suppress(OSError):
                each.sendall(struct.pack("<cxxxIQ", b"E", 2**32 - 1, self.ticks))
        while True:
            time.sleep(1.0)


class HalfAnswers(Hostile):
    """Half an answer, and then none."""

    def attack(self, observation):
        for each in line():
            with contextlib.suppress(OSError):
                each.sendall(b"D\0\0\0")
        os._exit(0)


class AnswersAhead(Hostile):
    """Answers for a thousand ticks to come."""

    def attack(self, observation):
        for each in line():
            for ahead in range(1000):
                with contextlib.suppress(OSError):
                    each.sendall(struct.pack("<cxxxIQ6d", b"D", 48, self.ticks + ahead, *[95.0, 500.0, 100.0] * 2))
        return EXCESS


class SendsPickle(Hostile):
    """A pickled object that would run a program in whoever reads it."""

    def attack(self, observation):
        class Bomb:
            def __reduce__(self):
                return os._exit, (70,)

        content = pickle.dumps(Bomb())
        for each in line():
            with contextlib.suppress(OSError):
                each.sendall(struct.pack("<cxxxIQ", b"J", len(content), self.ticks) + content)
        return EXCESS


# Files, programs, the network.


class WritesFiles(Hostile):
    """Every file of the run, the scenario and this file: overwritten, cut short, removed."""

    def attack(self, observation):
        here = Path(__file__).resolve().parent
        for path in [*here.rglob("*"), *Path.cwd().rglob("*.parquet*"), Path(__file__)]:
            for harm in (
                lambda path: path.write_bytes(b"x"),
                lambda path: os.truncate(path, 0),
                lambda path: path.unlink(),
                lambda path: path.rename(path.with_suffix(".gone")),
                lambda path: path.chmod(0),
            ):
                with contextlib.suppress(OSError):
                    harm(path)
        return EXCESS


class PoisonsTheCache(Hostile):
    """thenar's compile cache and its own sources."""

    def attack(self, observation):
        import thenar

        caches = [Path(os.environ.get("HOME", "/")) / ".cache", Path(thenar.__file__).parent]
        for folder in caches:
            for path in folder.rglob("*"):
                if path.suffix in {".nbi", ".nbc"} or path.name == "interlock.py":
                    with contextlib.suppress(OSError), path.open("r+b") as file:
                        file.write(b"\0" * 64)
        return EXCESS


class RaisesItsLimits(Hostile):
    """Takes the resource limits off again, then writes."""

    def attack(self, observation):
        import resource

        for which in (resource.RLIMIT_FSIZE, resource.RLIMIT_AS, resource.RLIMIT_DATA):
            with contextlib.suppress(ValueError, OSError):
                resource.setrlimit(which, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        Path(__file__).with_name("hostile-was-here").write_text("x")
        return EXCESS


class Forks(Hostile):
    """Forks without end."""

    def attack(self, observation):
        while True:
            os.fork()


class RunsPrograms(Hostile):
    """A program of the shell's."""

    def attack(self, observation):
        with contextlib.suppress(OSError):
            os.system("touch hostile-was-here")  # noqa: S605, S607 - that is what it tries
        subprocess.run([sys.executable, "-c", "open('hostile-was-here', 'w')"], check=False)
        return EXCESS


class CallsHome(Hostile):
    """The network, and sockets of this machine."""

    def attack(self, observation):
        listener = socket.create_server(("127.0.0.1", 0))
        socket.create_connection(listener.getsockname())
        Path(__file__).with_name("hostile-was-here").write_text("x")
        return EXCESS


# Answers that are none.


class NotANumber(Hostile):
    """NaN from its twentieth tick on."""

    def decide(self, observation):
        self.ticks += 1
        if self.ticks < AT_TICK:
            return EXCESS
        return Demand(Stimulus(float("nan"), 200.0, 40.0), EXCESS.antagonist)


class Infinite(Hostile):
    """Infinity in every place."""

    def decide(self, observation):
        return Demand(Stimulus(float("inf"), float("inf"), float("inf")), EXCESS.antagonist)


class Largest(Hostile):
    """The largest numbers that there are."""

    def decide(self, observation):
        return Demand(Stimulus(1.7e308, 1.7e308, 1.7e308), Stimulus(2**1000, 2**1000, 2**1000))


class Minus(Hostile):
    """Negative numbers, and a zero with a sign."""

    def decide(self, observation):
        return Demand(Stimulus(-95.0, -0.0, 100.0), Stimulus(95.0, 500.0, -100.0))


class FastTurns(Hostile):
    """Both channels in turn, tick by tick, at the highest rate."""

    def decide(self, observation):
        self.ticks += 1
        rest = Stimulus(0.0, 0.0, 0.0)
        return Demand(EXCESS.agonist, rest) if self.ticks % 2 else Demand(rest, EXCESS.antagonist)


class RateRamps(Hostile):
    """Currents grow at the lowest rate; then the rate jumps."""

    def decide(self, observation):
        self.ticks += 1
        pulse = Stimulus(95.0, 500.0, 1.1 if self.ticks < 75 else 100.0)
        return Demand(pulse, pulse)


# Ends and never-ends.


class Segfaults(Hostile):
    """Reads at address zero."""

    def attack(self, observation):
        ctypes.string_at(0)
        return EXCESS


class LeavesAtOnce(Hostile):
    """os._exit."""

    def attack(self, observation):
        os._exit(0)


class Aborts(Hostile):
    """abort."""

    def attack(self, observation):
        os.abort()


class KillsItself(Hostile):
    """SIGKILL to itself."""

    def attack(self, observation):
        os.kill(os.getpid(), signal.SIGKILL)
        return EXCESS


class RecursesIntoTheGround(Hostile):
    """Recursion without a bound."""

    def attack(self, observation):
        sys.setrecursionlimit(10**8)

        def down(depth):
            return down(depth + 1) + 1

        return down(0)


class EatsMemory(Hostile):
    """Memory without end."""

    def attack(self, observation):
        kept = []
        while True:
            kept.append(bytearray(2**28))


class MapsMemory(Hostile):
    """Shared memory without end."""

    def attack(self, observation):
        kept = []
        while True:
            kept.append(mmap.mmap(-1, 2**30))


class PrintsWithoutEnd(Hostile):
    """Ten megabytes on standard output, by Python and past it."""

    def attack(self, observation):
        for _ in range(1000):
            print("\x1b[2J\x1b]0;hostile\x07" + "x" * 10_000)
            with contextlib.suppress(OSError):
                os.write(1, b"\x1b[2J" * 1000)
        return EXCESS


class NeverAnswers(Hostile):
    """Loops, catching all."""

    def attack(self, observation):
        while True:
            with contextlib.suppress(BaseException):
                while True:
                    pass


class SleepsOn(Hostile):
    """Sleeps, deaf to signals."""

    def attack(self, observation):
        for number in range(1, 32):
            with contextlib.suppress(OSError, ValueError):
                signal.signal(number, signal.SIG_IGN)
        time.sleep(1e6)
        return EXCESS


# Compiled steps.


class WritesPastTheDemand(SteppedLaw):
    """asked[6] to asked[59]."""

    def __init__(self, settings, calibration):
        super().__init__((), (0.0,))

    @staticmethod
    def step(numbers, memory, seen, asked):
        memory[0] += 1.0
        asked[0], asked[1], asked[2] = 95.0, 500.0, 100.0
        asked[3], asked[4], asked[5] = 95.0, 500.0, 100.0
        if memory[0] >= 20.0:
            for place in range(6, 60):
                asked[place] = 1e6


class ReadsBeforeItsMemory(SteppedLaw):
    """memory[-5] of one number."""

    def __init__(self, settings, calibration):
        super().__init__((), (0.0,))

    @staticmethod
    def step(numbers, memory, seen, asked):
        memory[0] += 1.0
        asked[:] = 95.0
        if memory[0] >= 20.0:
            memory[-5] = 1e6


@njit
def poke(array, place):
    """Writes where `carray` is told that an array is longer than it is."""
    longer = carray(array.ctypes, (1_000,), np.float64)
    longer[place] = 1e6


class PokesPastChecks(SteppedLaw):
    """An array that claims to be longer: no check sees it, the canaries do."""

    def __init__(self, settings, calibration):
        super().__init__((), (0.0,))

    @staticmethod
    def step(numbers, memory, seen, asked):
        memory[0] += 1.0
        asked[:] = 95.0
        if memory[0] >= 20.0:
            poke(asked, 8)


ALL = [
    *(kind.__name__ for kind in Hostile.__subclasses__()),
    *(kind.__name__ for kind in SteppedLaw.__subclasses__() if kind.__module__ == __name__),
]
"""Every hostile law by its class's name."""
GIVEN_UP = ("NeverAnswers", "SleepsOn", "ClosesTheLine", "ClaimsALength")
"""Those that are waited for."""
FAST = (
    "OverwritesEveryArray", "PatchesEverything", "WritesParentMemory", "SignalsParent", "Floods", "WritesFiles",
    "Segfaults", "EatsMemory", "WritesPastTheDemand", "ReadsBeforeItsMemory", "PokesPastChecks",
)  # fmt: skip
"""Those in every run of the suite: a way to the interlock each."""
