"""A user's own law: one Python file, one class in it. Loading runs the file."""

from __future__ import annotations

import hashlib
import inspect
import sys
import traceback
import types
from pathlib import Path
from typing import Final

from thenar.controller.law import LawClass
from thenar.shared.errors import InputError, Problem, nearest, shown
from thenar.shared.foreign import ForeignError, attempted
from thenar.shared.text_input import bytes_in

_LARGEST_BYTES: Final = 4_000_000


def load_law_file(path: Path, class_name: str) -> LawClass:
    """The class `class_name` of the Python file at `path`. Runs the file, afresh at each call.

    The file must stand alone: it may import installed packages, not other files beside it. No byte code is written.
    Raises InputError when the file is missing or unreadable, isn't Python (with the line), fails while
    running (with the line), has no such class (with the nearest name), or the class is no law.
    """
    module = _run(path)
    found = getattr(module, class_name, None)
    if found is None:
        classes = [value for value in vars(module).values() if inspect.isclass(value)]
        own = [value.__name__ for value in classes if value.__module__ == module.__name__]
        allowed = f"one of the classes {', '.join(own)}" if own else "a file that defines a class"
        raise InputError(
            [Problem(str(path), "class", f"no {shown(class_name)} in the file", allowed, nearest(class_name, own))]
        )
    check_is_law(found, str(path), class_name)
    law: LawClass = found
    return law


def check_is_law(found: object, file: str, key: str) -> None:
    """Raise InputError unless `found` is a class with a method `decide` that takes one observation."""
    if not inspect.isclass(found):
        raise InputError([Problem(file, key, shown(found), "a class")])
    decide = getattr(found, "decide", None)
    if not callable(decide):
        problem = f"class {found.__name__} without a method decide"
        raise InputError([Problem(file, key, problem, "a class with a method decide(self, observation)")])
    try:
        inspect.signature(decide).bind(None, None)
    except TypeError:
        problem = f"decide{inspect.signature(decide)}"
        raise InputError([Problem(file, key, problem, "a method decide(self, observation)")]) from None
    except ValueError:
        return  # compiled callables may have no signature to look at


def _run(path: Path) -> types.ModuleType:
    file = str(path)
    source = bytes_in(path, _LARGEST_BYTES, "Python file")
    try:
        code = compile(source, file, "exec")
    except SyntaxError as error:
        where = f"line {error.lineno}" if error.lineno else ""
        raise InputError([Problem(file, where, f"{error.msg}: {shown(error.text)}", "Python code")]) from None
    except (ValueError, RecursionError, MemoryError) as error:
        raise InputError([Problem(file, "", str(error) or type(error).__name__, "Python code")]) from None
    module = types.ModuleType(f"thenar_law_{hashlib.sha256(file.encode()).hexdigest()[:12]}")
    module.__file__ = file
    # Dataclasses and pydantic models with postponed annotations look their module up by name.
    sys.modules[module.__name__] = module
    try:
        attempted(lambda: exec(code, module.__dict__))  # noqa: S102  running the user's own file is what this is for
    except ForeignError as error:
        raised_at = error.__cause__.__traceback__ if error.__cause__ is not None else None
        lines = [frame.lineno for frame in traceback.extract_tb(raised_at) if frame.filename == file]
        where = f"line {lines[-1]}" if lines else ""
        raise InputError([Problem(file, where, str(error), "a file that runs without an error")]) from error
    return module
