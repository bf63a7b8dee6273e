"""Laws that no loop should meet. A test copies this file beside a scenario that names one of its classes."""

from __future__ import annotations

import itertools
import math
import time

from thenar.shared.signals import REST, Demand, Stimulus


class Hard:
    """Both channels above every ceiling in current, width and rate, for ever."""

    def __init__(self, settings, calibration):
        self.calibration = calibration
        self.ticks = -1
        self.full = Stimulus(41.0, 450.0, 60.0)

    def decide(self, observation):
        """Count, then answer."""
        self.ticks += 1
        return self.answer(observation)

    def answer(self, observation):
        """What the class says; each class below has its own."""
        return Demand(self.full, self.full)

    def fair(self):
        """A push that nobody could object to."""
        channel = self.calibration.agonist
        return Demand(Stimulus(channel.full_current_mA, channel.width_us, channel.rate_Hz), REST)


class Utmost(Hard):
    """The most that is still a usable number: 999 mA for 9 ms, 900 times a second."""

    def answer(self, observation):
        utmost = Stimulus(999.0, 9_000.0, 900.0)
        return Demand(utmost, utmost)


class OneSided(Hard):
    """The agonist alone above every ceiling."""

    def answer(self, observation):
        return Demand(self.full, REST)


class Swaps(Hard):
    """Full demand on one channel, then on the other, tick by tick."""

    def answer(self, observation):
        return Demand(self.full, REST) if self.ticks % 2 else Demand(REST, self.full)


class Flickers(Hard):
    """Full demand, nothing, full demand: to catch a limit that forgets while it rests."""

    def answer(self, observation):
        return Demand(self.full, self.full) if self.ticks * 7919 % 13 < 8 else Demand(REST, REST)


class Jumps(Hard):
    """Any current, width and rate in turn, both channels."""

    def answer(self, observation):
        step = self.ticks * 0.618034
        share = step - math.floor(step)
        pulse = Stimulus(60.0 * share, 150.0 + 500.0 * (1.0 - share), 5.0 + 200.0 * share)
        return Demand(pulse, pulse._replace(current_mA=60.0 * (1.0 - share)))


CIRCLE: list[object] = []
CIRCLE.append(CIRCLE)


NONSENSE = {
    "nothing": None,
    "text": "a little harder, please",
    "text inside": Demand(Stimulus("5.0", "200", "40"), REST),
    "NaN": Demand(Stimulus(math.nan, 200.0, 40.0), REST),
    "infinity": Demand(Stimulus(math.inf, 200.0, 40.0), REST),
    "1e12": Demand(Stimulus(1e12, 1e12, 1e12), Stimulus(1e12, 1e12, 1e12)),
    "400 digits": Demand(Stimulus(10**400, 200.0, 40.0), REST),
    "negative": Demand(Stimulus(-10.0, 200.0, 40.0), REST),
    "twice negative": Demand(Stimulus(10.0, -200.0, -40.0), REST),
    "true": Demand(Stimulus(True, 200.0, 40.0), REST),
    "one channel": (Stimulus(10.0, 200.0, 40.0),),
    "in itself": (CIRCLE, CIRCLE),
    "three channels": (REST, REST, Stimulus(10.0, 200.0, 40.0)),
    "four fields": ((10.0, 200.0, 40.0, 1.0), (0.0, 0.0, 0.0)),
}


class Answers(Hard):
    """The same nonsense at every tick: which one is a setting."""

    def __init__(self, settings, calibration):
        super().__init__(settings, calibration)
        self.nonsense = NONSENSE[settings["what"]]

    def answer(self, observation):
        return self.nonsense


class Raises(Hard):
    """An error at every tick."""

    def answer(self, observation):
        raise ValueError("no grip on the handle\nat all")


class Ends(Hard):
    """An attempt to end the program."""

    def answer(self, observation):
        raise SystemExit(5)


class OddError(BaseException):
    """An error that is no Exception."""


class RaisesOddly(Hard):
    """An error past `except Exception`."""

    def answer(self, observation):
        raise OddError("past every net")


class UntoldError(Exception):
    """An error that won't say what it is."""

    def __str__(self):
        raise SystemExit(6)


class RaisesUntold(Hard):
    """An error whose text is an attempt to end the program."""

    def answer(self, observation):
        raise UntoldError


class RecursesForEver(Hard):
    """Calls itself until the interpreter has enough."""

    def answer(self, observation):
        return self.answer(observation)


class RaisesSeldom(Hard):
    """An error at every third tick: never three in a row."""

    def answer(self, observation):
        if self.ticks % 3 == 2:
            raise KeyError("now and then")
        return self.fair()


class Interrupts(Hard):
    """What Ctrl-C does, from inside."""

    def answer(self, observation):
        raise KeyboardInterrupt


class Fair(Hard):
    """A law that does nothing wrong until its fiftieth tick. Those below go wrong then."""

    def answer(self, observation):
        if self.ticks >= 50:
            return self.go_wrong()
        return self.fair()

    def go_wrong(self):
        """Nothing: it stays fair."""
        self.ticks = 0
        return self.answer(None)


class GrowsAField(Fair):
    """One number too many, all of a sudden."""

    def go_wrong(self):
        return ((10.0, 200.0, 40.0, 1.0), (0.0, 0.0, 0.0))


class Sleeps(Fair):
    """Blocks for a second."""

    def go_wrong(self):
        time.sleep(1.0)
        return super().go_wrong()


class LoopsForEver(Fair):
    """Never comes back."""

    def go_wrong(self):
        while True:
            pass


class LoopsAndCatches(Fair):
    """Never comes back, and catches what it can."""

    def go_wrong(self):
        while True:
            try:
                while True:
                    pass
            except Exception:  # noqa: BLE001, S110 - that is what it is for
                pass


class LoopsFromTheStart(Hard):
    """Never even gives a first answer."""

    def answer(self, observation):
        while True:
            pass


class HostileTuple(tuple):
    """A demand that fights back when it is looked at."""

    __slots__ = ()

    def __iter__(self):
        raise RuntimeError("don't look")

    def __len__(self):
        raise RuntimeError("don't measure")

    def __getitem__(self, index):
        raise RuntimeError("don't touch")

    def __eq__(self, other):
        raise RuntimeError("don't compare")

    def __hash__(self):
        raise RuntimeError("don't hash")

    @property
    def __class__(self):
        raise RuntimeError("don't ask")


class FightsBack(Hard):
    """A fair push inside a tuple that fights back: it must be read without a call to any of its methods."""

    def answer(self, observation):
        return HostileTuple(map(tuple, self.fair()))


class PosingType(type):
    """A class of classes that pass for `float` when they are compared."""

    def __hash__(cls):
        return hash(float)

    def __eq__(cls, other):
        return True


class Posing(metaclass=PosingType):
    """A number that is none, and ends the program when asked for its value."""

    def __float__(self):
        raise SystemExit(7)


class PosesAsANumber(Hard):
    """An object that passes for a number."""

    def answer(self, observation):
        return Demand(Stimulus(Posing(), 200.0, 40.0), REST)


class ChangesItsMind(Hard):
    """Another kind of answer at every tick."""

    kinds = itertools.cycle(
        [
            None,
            "push",
            7,
            [],
            {},
            object(),
            Demand,
            (1, 2),
            ((1, 2), (3, 4)),
            Ellipsis,
            b"push",
            3 + 4j,
            True,
            lambda: 0,
        ]
    )

    def answer(self, observation):
        return next(self.kinds)


class WritesOnWhatItSees(Hard):
    """Tries to change the observation in every way that Python has, then pushes fairly."""

    def answer(self, observation):
        for vandalise in (
            lambda: setattr(observation, "target_N", 99.0),
            lambda: object.__setattr__(observation, "estimate_N", 0.0),
            lambda: observation.__setitem__(1, 99.0),
            lambda: delattr(observation, "target_N"),
            lambda: setattr(observation.delivered_agonist, "current_mA", 0.0),
            lambda: observation.__dict__.update(target_N=99.0),
            lambda: observation._replace(target_N=99.0),
        ):
            try:
                vandalise()
            except (AttributeError, TypeError):
                continue
        return self.fair()


class PushesFairly(Hard):
    """What the vandal does after its vandalism, and nothing else."""

    def answer(self, observation):
        return self.fair()
