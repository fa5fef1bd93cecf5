"""Write trained weights as an ONNX model and check that it answers like the original.  Needs torch, onnx."""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path

import numpy as np
import torch

from workbench.listening.features import BANDS, WINDOWS
from workbench.sound.runtime import open_session
from workbench.training.network import Network, read_state, write_state

#: ONNX operator set; GRU has been the same since 14.
OPSET = 17
LARGEST_DIFFERENCE = 1e-3


def mean_state(weights: list[Path]) -> dict[str, torch.Tensor]:
    """The mean of the parameters of one or more runs."""
    runs = [read_state(file) for file in weights]
    return {k: sum(run[k] for run in runs) / len(runs) for k in runs[0]}


def export_weights(weights: list[Path], model: Path) -> float:
    """Convert the mean of one or more runs' weights; returns the largest difference of logits on random frames."""
    network = Network().eval()
    network.load_state_dict(mean_state(weights))
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
    session = open_session(str(model))
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
            "workbench/listening/weights/detector.onnx"
        ),
    )
    parser.add_argument("weights", type=Path, nargs="+", help="one file, or several to average")
    parser.add_argument("model", type=Path)
    parser.add_argument("--state", type=Path, help="also keep the parameters, as .npz, to train on from later")
    args = parser.parse_args()
    difference = export_weights(args.weights, args.model)
    if args.state:
        write_state(mean_state(args.weights), args.state)
    print(f"{args.model}: {args.model.stat().st_size / 1e6:.1f} MB, logits differ by {difference:.1e}")
    if difference > LARGEST_DIFFERENCE:
        raise SystemExit("The exported model does not answer like the original.")


if __name__ == "__main__":
    main()
