"""Write trained weights as an ONNX model and check that it answers like the original.  Needs torch, onnx."""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path

import numpy as np
import onnxruntime
import torch

from workbench.features import BANDS, WINDOWS
from workbench.training.network import Network

#: ONNX operator set; GRU has been the same since 14.
OPSET = 17
LARGEST_DIFFERENCE = 1e-3


def export_weights(weights: list[Path], model: Path) -> float:
    """Convert the mean of one or more runs' weights; returns the largest difference of logits on random frames."""
    network = Network().eval()
    runs = [torch.load(file, map_location="cpu") for file in weights]
    network.load_state_dict({k: sum(run[k] for run in runs) / len(runs) for k in runs[0]})
    example = torch.randn(2, 200, len(WINDOWS), BANDS) - 3
    axes = {0: "passage", 1: "frame"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            network,
            (example,),
            str(model),
            input_names=["frames"],
            output_names=["logits"],
            dynamic_axes={"frames": axes, "logits": axes},
            opset_version=OPSET,
            dynamo=False,
        )
    session = onnxruntime.InferenceSession(str(model), providers=["CPUExecutionProvider"])
    frames = torch.randn(3, 350, len(WINDOWS), BANDS) - 3
    with torch.no_grad():
        expected = network(frames).numpy()
    return float(np.max(np.abs(session.run(None, {"frames": frames.numpy()})[0] - expected)))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog=(
            "Example: python -m workbench.training.export build/run1/average.pt "
            "workbench/weights/detector.onnx"
        ),
    )
    parser.add_argument("weights", type=Path, nargs="+", help="one file, or several to average")
    parser.add_argument("model", type=Path)
    args = parser.parse_args()
    difference = export_weights(args.weights, args.model)
    print(f"{args.model}: {args.model.stat().st_size / 1e6:.1f} MB, logits differ by {difference:.1e}")
    if difference > LARGEST_DIFFERENCE:
        raise SystemExit("The exported model does not answer like the original.")


if __name__ == "__main__":
    main()
