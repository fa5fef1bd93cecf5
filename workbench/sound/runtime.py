"""The one place that imports onnxruntime: it is told to stay silent first.

From 1.32 onnxruntime looks up a host of its maker and keeps a device id and a
database in the user's cache.  Its own call ``disable_telemetry_events`` comes
too late; the environment variable, set before the library is loaded, prevents both.
"""

from __future__ import annotations

import os

os.environ["ORT_DISABLE_TELEMETRY"] = "1"

import onnxruntime
from onnxruntime import InferenceSession as Session


def open_session(model: bytes | str) -> Session:
    """An ONNX model, by its bytes or its path, ready to run on the CPU; it says nothing on the terminal."""
    options = onnxruntime.SessionOptions()
    options.log_severity_level = 4
    return Session(model, options, providers=["CPUExecutionProvider"])
