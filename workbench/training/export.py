"""Write trained weights as an ONNX model and check that it answers like the original.  Needs torch, onnx."""

from __future__ import annotations

import argparse
import hashlib
import json
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import onnx
import torch

from workbench.listening.features import BANDS, WINDOWS
from workbench.listening.song_pulse import PICTURE_ROWS
from workbench.sound.frames import BINS
from workbench.sound.runtime import open_session
from workbench.training.network import Network, read_state, write_state
from workbench.training.song_network import MeanOfSongNetworks, SongNetwork
from workbench.training.stem_network import StemNetwork

#: ONNX operator set; GRU has been the same since 14.
OPSET = 17
LARGEST_DIFFERENCE = 1e-3


def mean_state(weights: list[Path]) -> dict[str, torch.Tensor]:
    """The mean of the parameters of one or more runs."""
    runs = [read_state(file) for file in weights]
    return {k: sum(run[k] for run in runs) / len(runs) for k in runs[0]}


def write_onnx(
    network: torch.nn.Module, shape: tuple[int, ...], names: tuple[str, str], model: Path, frames_axis: int = 1
) -> None:
    """Write a network whose input (passages, frames, …) is like *shape*; *names* are its input's and output's."""
    axes = {0: "passage", frames_axis: "frame"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            network,
            (torch.randn(shape),),
            str(model),
            input_names=names[:1],
            output_names=names[1:],
            dynamic_axes={name: axes for name in names},
            opset_version=OPSET,
            dynamo=False,
        )


def largest_difference(network: torch.nn.Module, example: torch.Tensor, model: Path) -> float:
    """Largest difference between the answers of a network and of its exported model."""
    session = open_session(str(model))
    with torch.no_grad():
        expected = network(example).numpy()
    return float(np.max(np.abs(session.run(None, {session.get_inputs()[0].name: example.numpy()})[0] - expected)))


def keep_half(model: Path) -> None:
    """Store a model's larger tables in half precision; they are widened when it is opened."""
    graph = onnx.load(str(model))
    tables = [t for t in graph.graph.initializer if t.data_type == onnx.TensorProto.FLOAT and np.prod(t.dims) > 64]
    for table in tables:
        name = table.name
        half = onnx.numpy_helper.from_array(onnx.numpy_helper.to_array(table).astype(np.float16), f"{name} half")
        graph.graph.initializer.remove(table)
        graph.graph.initializer.append(half)
        graph.graph.node.insert(0, onnx.helper.make_node("Cast", [half.name], [name], to=onnx.TensorProto.FLOAT))
    onnx.save(graph, str(model))


def export_detector(state: dict[str, torch.Tensor], model: Path) -> float:
    """Write the detector; returns the largest difference of logits on random frames."""
    network = Network().eval()
    network.load_state_dict(state)
    write_onnx(network, (2, 200, len(WINDOWS), BANDS), ("frames", "logits"), model)
    return largest_difference(network, torch.randn(3, 350, len(WINDOWS), BANDS) - 3, model)


def export_separator(state: dict[str, torch.Tensor], model: Path) -> float:
    """Write the separator and its checksum beside it; returns the largest difference of factors on random spectra."""
    network = StemNetwork().eval()
    network.load_state_dict({k: v.half().float() if v.ndim > 1 or v.numel() > 64 else v for k, v in state.items()})
    write_onnx(network, (2, 40, BINS, 2), ("spectra", "factors"), model)
    keep_half(model)
    checksum = {"sha256": hashlib.sha256(model.read_bytes()).hexdigest()}
    model.with_suffix(".json").write_text(json.dumps(checksum) + "\n")
    return largest_difference(network, torch.randn(3, 52, BINS, 2), model)


def export_song_pulse(states: Sequence[dict[str, torch.Tensor]], model: Path) -> float:
    """Write the mean of networks that follow a song, and its checksum into the file beside it; returns the largest
    difference of logits on random pictures."""
    networks = [SongNetwork() for _ in states]
    for network, state in zip(networks, states, strict=True):
        network.load_state_dict({k: v.half().float() if v.numel() > 64 else v for k, v in state.items()})
    mean = MeanOfSongNetworks(networks).eval()
    write_onnx(mean, (2, PICTURE_ROWS, 400), ("picture", "logits"), model, frames_axis=2)
    keep_half(model)
    beside = model.with_suffix(".json")
    told = json.loads(beside.read_text()) if beside.exists() else {"before": 1.0, "beats": 0.0, "lines": 0.0}
    checksum = hashlib.sha256(model.read_bytes()).hexdigest()
    beside.write_text(json.dumps(told | {"sha256": checksum}) + "\n")
    return largest_difference(mean, torch.rand(1, PICTURE_ROWS, 848), model)


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
    parser.add_argument("--separator", action="store_true", help="the network for drums and rest, not the detector")
    parser.add_argument("--song-pulse", action="store_true", help="networks that follow a song, side by side")
    parser.add_argument("--state", type=Path, help="also keep the parameters, as .npz, to train on from later")
    args = parser.parse_args()
    if args.song_pulse:
        difference = export_song_pulse([read_state(file) for file in args.weights], args.model)
    else:
        state = mean_state(args.weights)
        difference = (export_separator if args.separator else export_detector)(state, args.model)
        if args.state:
            write_state(state, args.state)
    print(f"{args.model}: {args.model.stat().st_size / 1e6:.1f} MB, answers differ by {difference:.1e}")
    if difference > LARGEST_DIFFERENCE:
        raise SystemExit("The exported model does not answer like the original.")


if __name__ == "__main__":
    main()
