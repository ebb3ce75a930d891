"""Writer of the binary acoustic model (``final.mdl``) that libvosk reads: transition model, nnet3 network, priors.

Written from the file format as Kaldi documents it; kinds of component: fixed affine, affine, rectifier, batch
normalisation, sum (a no-op component with a weighted sum as its input).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from ..phones import MARKED, unit_of

Component = dict[str, Any]


class Writer:
    """Kaldi's basic types in binary."""

    def __init__(self, file: BinaryIO) -> None:
        """Write to an open binary file, beginning with the binary mark."""
        self.file = file
        file.write(b"\0B")

    def put_token(self, *names: str) -> None:
        """Words that separate the fields."""
        for n in names:
            self.file.write(n.encode() + b" ")

    def put_int(self, *values: int) -> None:
        """32-bit integers."""
        for v in values:
            self.file.write(b"\x04" + struct.pack("<i", v))

    def put_float(self, v: float) -> None:
        """A 32-bit float."""
        self.file.write(b"\x04" + struct.pack("<f", v))

    def put_double(self, v: float) -> None:
        """A 64-bit float."""
        self.file.write(b"\x08" + struct.pack("<d", v))

    def put_bool(self, v: bool) -> None:
        """A truth value."""
        self.file.write(b"T" if v else b"F")

    def put_ints(self, v: Iterable[int]) -> None:
        """A list of integers."""
        a = np.asarray(list(v), "<i4")
        self.file.write(b"\x04" + struct.pack("<i", len(a)) + a.tobytes())

    def put_vector(self, v: Sequence[float] | npt.NDArray[Any]) -> None:
        """A vector of 32-bit floats."""
        a = np.asarray(v, "<f4")
        self.put_token("FV")
        self.put_int(len(a))
        self.file.write(a.tobytes())

    def put_matrix(self, m: npt.NDArray[Any]) -> None:
        """A matrix of 32-bit floats, row by row."""
        a = np.ascontiguousarray(m, "<f4")
        self.put_token("FM")
        self.put_int(*a.shape)
        self.file.write(a.tobytes())


def transition_model(w: Writer) -> None:
    """Phones 1..N, each with one emitting state and two outputs (first frame, later frames)."""
    n = len(MARKED)
    w.put_token("<TransitionModel>", "<Topology>")
    w.put_ints(range(1, n + 1))
    w.put_ints([-1] + [0] * n)
    w.put_int(-1)  # states carry an output each for entering and for staying
    w.put_int(1, 2)  # one topology of two states
    w.put_int(0, 1, 2)  # emitting state: enter 0, stay 1, two transitions
    w.put_int(0)
    w.put_float(0.5)
    w.put_int(1)
    w.put_float(0.5)
    w.put_int(-1, -1, 0)  # final state
    w.put_token("</Topology>", "<Tuples>")
    w.put_int(n)
    for number, phone in enumerate(MARKED, 1):
        k = unit_of(phone)
        w.put_int(number, 0, 2 * k, 2 * k + 1)
    w.put_token("</Tuples>", "<LogProbs>")
    w.put_vector([0.0] + [math.log(0.5)] * (2 * n))
    w.put_token("</LogProbs>", "</TransitionModel>")


def fixed(w: Writer, c: Component) -> None:
    """Affine transform that is not trained."""
    w.put_token("<FixedAffineComponent>", "<LinearParams>")
    w.put_matrix(c["M"])
    w.put_token("<BiasParams>")
    w.put_vector(c["b"])
    w.put_token("</FixedAffineComponent>")


def affine(w: Writer, c: Component) -> None:
    """Trained affine transform."""
    w.put_token("<NaturalGradientAffineComponent>", "<LearningRate>")
    w.put_float(0.001)
    w.put_token("<LinearParams>")
    w.put_matrix(c["M"])
    w.put_token("<BiasParams>")
    w.put_vector(c["b"])
    for name, value in (("<RankIn>", 20), ("<RankOut>", 80), ("<UpdatePeriod>", 4)):
        w.put_token(name)
        w.put_int(value)
    w.put_token("<NumSamplesHistory>")
    w.put_float(2000.0)
    w.put_token("<Alpha>")
    w.put_float(4.0)
    w.put_token("</NaturalGradientAffineComponent>")


def relu(w: Writer, c: Component) -> None:
    """Rectifier."""
    w.put_token("<RectifiedLinearComponent>", "<Dim>")
    w.put_int(c["dim"])
    for name in ("<ValueAvg>", "<DerivAvg>"):
        w.put_token(name)
        w.put_vector([])
    w.put_token("<Count>")
    w.put_double(0.0)
    w.put_token("<OderivRms>")
    w.put_vector([])
    for name in ("<OderivCount>", "<NumDimsSelfRepaired>", "<NumDimsProcessed>"):
        w.put_token(name)
        w.put_double(0.0)
    w.put_token("</RectifiedLinearComponent>")


def norm(w: Writer, c: Component) -> None:
    """Batch normalisation with stored statistics."""
    dim = len(c["mean"])
    w.put_token("<BatchNormComponent>", "<Dim>")
    w.put_int(dim)
    w.put_token("<BlockDim>")
    w.put_int(dim)
    w.put_token("<Epsilon>")
    w.put_float(c["epsilon"])
    w.put_token("<TargetRms>")
    w.put_float(1.0)
    w.put_token("<TestMode>")
    w.put_bool(False)
    w.put_token("<Count>")
    w.put_double(1000.0)
    w.put_token("<StatsMean>")
    w.put_vector(c["mean"])
    w.put_token("<StatsVar>")
    w.put_vector(c["var"])
    w.put_token("</BatchNormComponent>")


def no_op(w: Writer, c: Component) -> None:
    """A component that passes its input on."""
    w.put_token("<NoOpComponent>", "<Dim>")
    w.put_int(c["dim"])
    w.put_token("<BackpropScale>")
    w.put_float(1.0)
    w.put_token("</NoOpComponent>")


WRITERS = {"fixed": fixed, "affine": affine, "relu": relu, "norm": norm, "sum": no_op}


def descriptor(source: str, offsets: Sequence[int]) -> str:
    """Time-shifted copies of a node, one after another."""
    parts = [source if o == 0 else f"Offset({source}, {o})" for o in offsets]
    return parts[0] if len(parts) == 1 else f"Append({', '.join(parts)})"


def configuration(components: Sequence[Component], inputs: int) -> list[str]:
    """The lines that join the components to a network."""
    names = [f"{c['kind']}{i}" for i, c in enumerate(components)]
    lines = [f"input-node name=input dim={inputs}"]
    source = "input"
    for name, c in zip(names, components, strict=True):
        if "add" in c:
            terms = [names[i] if s == 1.0 else f"Scale({s}, {names[i]})" for s, i in c["add"]]
            joined = f"Sum({', '.join(terms)})"
        else:
            joined = descriptor(source, c.get("offsets", [0]))
        lines.append(f"component-node name={name} component={name} input={joined}")
        source = name
    lines.append(f"output-node name=output input={source} objective=linear")
    return lines


def write_model(path: Path, components: Sequence[Component], inputs: int = 40) -> None:
    """Write ``final.mdl``; ``components`` as :func:`capture.speech.training.network.stages` gives them."""
    with path.open("wb") as f:
        w = Writer(f)
        transition_model(w)
        w.put_token("<Nnet3>")
        f.write(("\n" + "\n".join(configuration(components, inputs)) + "\n\n").encode())
        w.put_token("<NumComponents>")
        w.put_int(len(components))
        for i, c in enumerate(components):
            w.put_token("<ComponentName>", f"{c['kind']}{i}")
            WRITERS[c["kind"]](w, c)
        w.put_token("</Nnet3>", "<LeftContext>")
        w.put_int(0)
        w.put_token("<RightContext>")
        w.put_int(0)  # the reader works both out itself
        w.put_token("<Priors>")
        w.put_vector([])
