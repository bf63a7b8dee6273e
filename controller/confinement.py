"""What a process that runs a user's law gives up before the law's file is read: files, other processes, the network.

Resource limits hold on every POSIX system. On Linux (x86-64 and 64-bit ARM) a system-call filter besides refuses to
write, make or change any file, to start a program or another process, to signal, trace or write into a process other
than its own, to open a connection, and to raise its limits again. Reading files and starting threads stay allowed: a
law imports libraries. Filters and limits can't be taken off again, whatever the law does, and hold for root too.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import sys
from pathlib import Path
from typing import Final

MEMORY_BYTES: Final = 4 * 2**30
"""Address space of a law's process (own choice: a compiler and a few libraries fit, a machine survives it)."""
DATA_BYTES: Final = 2**30
"""Private memory that can be written, libraries not counted (own choice)."""
OPEN_FILES: Final = 256
UNBROKEN_US: Final = 10_000_000
"""Processor time at one go of a process that the system prefers, as a paced run's: a loop would hold up all others."""

_EPERM, _ENOTTY, _ENOSYS = 1, 25, 38
_NO_NEW_PRIVILEGES: Final = 38
_TO_ALL_THREADS: Final = 1
_LOAD, _EQUAL, _AT_LEAST, _ANY_BIT, _ANSWER = 0x20, 0x15, 0x35, 0x45, 0x06
_ALLOW: Final = 0x7FFF0000
_ERROR: Final = 0x00050000
_X32: Final = 0x40000000

# Columns: x86-64, 64-bit ARM (-1: no such call). From Linux's own tables, asm/unistd_64.h and asm-generic/unistd.h.
_REFUSED: Final = {
    # programs and processes
    "fork": (57, -1), "vfork": (58, -1), "execve": (59, 221), "execveat": (322, 281), "unshare": (272, 97),
    "setns": (308, 268),
    # other processes: tracing, memory, signals, priorities
    "ptrace": (101, 117), "process_vm_readv": (310, 270), "process_vm_writev": (311, 271), "tkill": (200, 130),
    "rt_sigqueueinfo": (129, 138), "rt_tgsigqueueinfo": (297, 240), "pidfd_send_signal": (424, 424),
    "pidfd_getfd": (438, 438), "process_madvise": (440, 440), "process_mrelease": (448, 448),
    "setpriority": (141, 140), "sched_setscheduler": (144, 119), "sched_setparam": (142, 118),
    "sched_setattr": (314, 274), "sched_setaffinity": (203, 122), "ioprio_set": (251, 30),
    "migrate_pages": (256, 238), "move_pages": (279, 239), "setrlimit": (160, 164),
    # connections, and memory shared by name
    "socket": (41, 198), "connect": (42, 203), "bind": (49, 200), "listen": (50, 201), "accept": (43, 202),
    "accept4": (288, 242), "shmget": (29, 194), "shmat": (30, 196), "shmctl": (31, 195), "semget": (64, 190),
    "semctl": (66, 191), "semop": (65, 193), "semtimedop": (220, 192), "msgget": (68, 186), "msgsnd": (69, 189),
    "msgctl": (71, 187), "mq_open": (240, 180), "mq_unlink": (241, 181), "mq_notify": (244, 184),
    # files: make, change, remove (open is looked at below)
    "creat": (85, -1), "truncate": (76, 45), "fallocate": (285, 47), "unlink": (87, -1), "unlinkat": (263, 35),
    "rmdir": (84, -1), "rename": (82, -1), "renameat": (264, 38), "renameat2": (316, 276), "link": (86, -1),
    "linkat": (265, 37), "symlink": (88, -1), "symlinkat": (266, 36), "mkdir": (83, -1), "mkdirat": (258, 34),
    "mknod": (133, -1), "mknodat": (259, 33), "chmod": (90, -1), "fchmod": (91, 52), "fchmodat": (268, 53),
    "fchmodat2": (452, 452), "chown": (92, -1), "fchown": (93, 55), "lchown": (94, -1), "fchownat": (260, 54),
    "utime": (132, -1), "utimes": (235, -1), "utimensat": (280, 88), "futimesat": (261, -1), "setxattr": (188, 5),
    "lsetxattr": (189, 6), "fsetxattr": (190, 7), "removexattr": (197, 14), "lremovexattr": (198, 15),
    "fremovexattr": (199, 16), "setxattrat": (463, 463), "removexattrat": (466, 466), "openat2": (437, 437),
    "open_by_handle_at": (304, 265), "memfd_create": (319, 279), "io_uring_setup": (425, 425),
    "io_uring_enter": (426, 426), "io_uring_register": (427, 427), "copy_file_range": (326, 285),
    # what only an administrator may do, in case this one is
    "mount": (165, 40), "umount2": (166, 39), "mount_setattr": (442, 442), "move_mount": (429, 429),
    "open_tree": (428, 428), "fsopen": (430, 430), "fsconfig": (431, 431), "fsmount": (432, 432),
    "fspick": (433, 433), "pivot_root": (155, 41), "chroot": (161, 51), "swapon": (167, 224), "swapoff": (168, 225),
    "reboot": (169, 142), "sethostname": (170, 161), "setdomainname": (171, 162), "init_module": (175, 105),
    "finit_module": (313, 273), "delete_module": (176, 106), "kexec_load": (246, 104), "kexec_file_load": (320, 294),
    "bpf": (321, 280), "perf_event_open": (298, 241), "userfaultfd": (323, 282), "keyctl": (250, 219),
    "add_key": (248, 217), "request_key": (249, 218), "quotactl": (179, 60), "quotactl_fd": (443, 443),
    "acct": (163, 89), "syslog": (103, 116), "settimeofday": (164, 170), "clock_settime": (227, 112),
    "adjtimex": (159, 171), "clock_adjtime": (305, 266), "fanotify_init": (300, 262), "vhangup": (153, 58),
    "iopl": (172, -1), "ioperm": (173, -1),
}  # fmt: skip
_LOOKED_AT: Final = {
    "open": (2, -1), "openat": (257, 56), "clone": (56, 220), "clone3": (435, 435), "kill": (62, 129),
    "tgkill": (234, 131), "prlimit64": (302, 261), "fcntl": (72, 25), "ioctl": (16, 29), "seccomp": (317, 277),
}  # fmt: skip
_MACHINES: Final = {"x86_64": (0, 0xC000003E), "aarch64": (1, 0xC00000B7)}
_WRITING: Final = 0x400643
"""O_WRONLY, O_RDWR, O_CREAT, O_TRUNC, O_APPEND, O_TMPFILE."""
_THREAD: Final = 0x10000
_TO_ANOTHER_OWNER: Final = (8, 10, 15)
"""F_SETOWN, F_SETSIG, F_SETOWN_EX: the kernel would send signals for whoever sets them."""
_HARMLESS: Final = (0x5401, 0x540F, 0x5413, 0x541B, 0x5421, 0x5450, 0x5451)
"""TCGETS, TIOCGPGRP, TIOCGWINSZ, FIONREAD, FIONBIO, FIONCLEX, FIOCLEX."""

_Row = tuple[int, int, int, int]
"""One instruction of the filter: code, lines to skip when true, lines to skip when false, operand."""


class _Instruction(ctypes.Structure):
    _fields_ = [("code", ctypes.c_ushort), ("jt", ctypes.c_ubyte), ("jf", ctypes.c_ubyte), ("k", ctypes.c_uint)]


class _Program(ctypes.Structure):
    _fields_ = [("len", ctypes.c_ushort), ("filter", ctypes.POINTER(_Instruction))]


def confine() -> bool:
    """Give up all that a law doesn't need, for good, in this process and all its threads.

    Returns whether system calls are filtered: resource limits are set in any case where the system has them.
    """
    with contextlib.suppress(OSError):  # when memory runs out, this process is the one to go
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")
    _limit_resources()
    machine = _MACHINES.get(platform.machine())
    if not sys.platform.startswith("linux") or machine is None or sys.maxsize < 2**32:
        return False
    return _filter_calls(*machine)


def _limit_resources() -> None:
    try:
        import resource
    except ImportError:  # not on Windows
        return
    limits = {
        "RLIMIT_FSIZE": 0, "RLIMIT_CORE": 0, "RLIMIT_NOFILE": OPEN_FILES, "RLIMIT_AS": MEMORY_BYTES,
        "RLIMIT_DATA": DATA_BYTES, "RLIMIT_RTTIME": UNBROKEN_US,
    }  # fmt: skip
    for which, most in ((getattr(resource, name), most) for name, most in limits.items() if hasattr(resource, name)):
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(which, (most, most))


def _filter_calls(column: int, architecture: int) -> bool:
    rows = _filter(column, architecture, os.getpid())
    instructions = (_Instruction * len(rows))(*(_Instruction(*row) for row in rows))
    program = _Program(len(rows), instructions)
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0) != 0:
        return False
    call = ctypes.c_long(_LOOKED_AT["seccomp"][column])
    return bool(libc.syscall(call, ctypes.c_uint(1), ctypes.c_uint(_TO_ALL_THREADS), ctypes.byref(program)) == 0)


def _filter(column: int, architecture: int, own: int) -> list[_Row]:
    """The filter as instructions. `column`: of the tables above; `own`: this process's number."""
    refuse: _Row = (_ANSWER, 0, 0, _ERROR | _EPERM)
    allow: _Row = (_ANSWER, 0, 0, _ALLOW)
    rows: list[_Row] = [
        (_LOAD, 0, 0, 4), (_EQUAL, 1, 0, architecture), refuse,
        (_LOAD, 0, 0, 0), (_AT_LEAST, 0, 1, _X32), refuse,
    ]  # fmt: skip
    for numbers in _REFUSED.values():
        if numbers[column] >= 0:
            rows += [(_EQUAL, 0, 1, numbers[column]), refuse]
    looks: dict[str, list[_Row]] = {
        "open": [*_argument(1), (_ANY_BIT, 0, 1, _WRITING), refuse, allow],
        "openat": [*_argument(2), (_ANY_BIT, 0, 1, _WRITING), refuse, allow],
        "clone": [*_argument(0), (_ANY_BIT, 1, 0, _THREAD), refuse, allow],
        "clone3": [(_ANSWER, 0, 0, _ERROR | _ENOSYS)],  # its flags lie in memory: callers then use clone
        "kill": [*_argument(0), (_EQUAL, 1, 0, own), refuse, allow],
        "tgkill": [*_argument(0), (_EQUAL, 1, 0, own), refuse, allow],
        "prlimit64": [
            *_argument(2), (_EQUAL, 1, 0, 0), refuse, *_argument(2, high=True), (_EQUAL, 1, 0, 0), refuse, allow,
        ],
        "fcntl": [*_argument(1), *(row for one in _TO_ANOTHER_OWNER for row in ((_EQUAL, 0, 1, one), refuse)), allow],
        "ioctl": [
            *_argument(1), *(row for one in _HARMLESS for row in ((_EQUAL, 0, 1, one), allow)),
            (_ANSWER, 0, 0, _ERROR | _ENOTTY),
        ],
    }  # fmt: skip
    for name, body in looks.items():
        number = _LOOKED_AT[name][column]
        if number >= 0:
            rows += [(_EQUAL, 0, len(body), number), *body]
    return [*rows, allow]


def _argument(place: int, high: bool = False) -> list[_Row]:
    """Load the low (or high) half of a call's argument."""
    return [(_LOAD, 0, 0, 16 + 8 * place + (4 if high else 0))]
