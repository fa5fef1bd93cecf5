"""The one place that imports onnxruntime: it is told to stay silent first.

From 1.32 onnxruntime looks up a host of its maker and keeps a device id and a
database in the user's cache.  Its own call ``disable_telemetry_events`` comes
too late; the environment variable, set before the library is loaded, prevents both.
"""

from __future__ import annotations

import hashlib
import json
import os
from importlib import resources

os.environ["ORT_DISABLE_TELEMETRY"] = "1"

import onnxruntime
from onnxruntime import InferenceSession as Session


def threads_given() -> int:
    """How many threads may work at once: one for each core, or as many as the environment variable OMP_NUM_THREADS
    says (OpenMP 5.2, 21.1.2): where several processes share a machine, each is given one."""
    said = os.environ.get("OMP_NUM_THREADS", "")
    return (int(said) if said.isdecimal() else 0) or os.cpu_count() or 1


def open_session(model: bytes | str, threads: int = 1) -> Session:
    """An ONNX model, by its bytes or its path, ready to run on the CPU; it says nothing on the terminal."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.log_severity_level = 4
    return Session(model, options, providers=["CPUExecutionProvider"])


def open_packaged(package: str, name: str, threads: int = 1) -> Session:
    """The network ``NAME.onnx`` that lies in a package of the workbench, its SHA-256 checked against ``NAME.json``.

    Raises
    ------
    ValueError
        If it is not the file that was put there.
    """
    model = resources.files(package).joinpath(f"{name}.onnx").read_bytes()
    if hashlib.sha256(model).hexdigest() != checksum(package, name):
        raise ValueError("checksum")
    return open_session(model, threads)


def checksum(package: str, name: str) -> str:
    """SHA-256 that a packaged network should have, in hexadecimal."""
    return json.loads(resources.files(package).joinpath(f"{name}.json").read_text())["sha256"]
