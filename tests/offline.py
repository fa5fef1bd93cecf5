"""No network for a process: any socket is death, also one that a library in C opens, in any thread or child.

A filter of system calls (seccomp, Linux 3.17) is laid over the process before its work begins.
"""

from __future__ import annotations

import ctypes
import platform
import signal
import struct
import sys

#: Number of the call ``socket``, and what the kernel calls the machine (asm/unistd.h, linux/audit.h).
_MACHINES = {"x86_64": (41, 0xC000003E), "aarch64": (198, 0xC00000B7)}
#: Whether sockets can be forbidden here.
POSSIBLE = sys.platform == "linux" and platform.machine() in _MACHINES
#: Signal that ends a process which opens a socket.
OPENED_A_SOCKET = signal.SIGSYS if POSSIBLE else None

# linux/prctl.h, linux/seccomp.h, linux/bpf_common.h, bits/socket.h
_SET_SECCOMP, _SET_NO_NEW_PRIVILEGES, _MODE_FILTER = 22, 38, 2
_KILL_PROCESS, _ALLOW = 0x80000000, 0x7FFF0000
_LOAD, _IF_EQUAL, _RETURN = 0x20, 0x15, 0x06
_AF_UNIX = 1


def forbid_sockets() -> None:
    """From here on a socket that is no local pipe between processes kills this process; it cannot be undone."""
    call, machine = _MACHINES[platform.machine()]
    steps = [  # operation, steps to skip if equal and if not, operand; offsets are into struct seccomp_data
        (_LOAD, 0, 0, 4),  # machine
        (_IF_EQUAL, 0, 4, machine),
        (_LOAD, 0, 0, 0),  # number of the call
        (_IF_EQUAL, 0, 2, call),
        (_LOAD, 0, 0, 16),  # its first argument: the family of addresses
        (_IF_EQUAL, 0, 1, _AF_UNIX),
        (_RETURN, 0, 0, _ALLOW),
        (_RETURN, 0, 0, _KILL_PROCESS),
    ]
    filter_ = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *step) for step in steps))
    program = ctypes.create_string_buffer(struct.pack("H6xP", len(steps), ctypes.addressof(filter_)))
    prctl = ctypes.CDLL(None, use_errno=True).prctl
    if prctl(_SET_NO_NEW_PRIVILEGES, 1, 0, 0, 0) or prctl(_SET_SECCOMP, _MODE_FILTER, program, 0, 0):
        raise OSError(ctypes.get_errno(), "sockets could not be forbidden")
