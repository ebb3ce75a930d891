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

    def token(self, *names: str) -> None:
        """Words that separate the fields."""
        for n in names:
            self.file.write(n.encode() + b" ")

    def int(self, *values: int) -> None:
        """32-bit integers."""
        for v in values:
            self.file.write(b"\x04" + struct.pack("<i", v))

    def float(self, v: float) -> None:
        """A 32-bit float."""
        self.file.write(b"\x04" + struct.pack("<f", v))

    def double(self, v: float) -> None:
        """A 64-bit float."""
        self.file.write(b"\x08" + struct.pack("<d", v))

    def bool(self, v: bool) -> None:
        """A truth value."""
        self.file.write(b"T" if v else b"F")

    def ints(self, v: Iterable[int]) -> None:
        """A list of integers."""
        a = np.asarray(list(v), "<i4")
        self.file.write(b"\x04" + struct.pack("<i", len(a)) + a.tobytes())

    def vector(self, v: Sequence[float] | npt.NDArray[Any]) -> None:
        """A vector of 32-bit floats."""
        a = np.asarray(v, "<f4")
        self.token("FV")
        self.int(len(a))
        self.file.write(a.tobytes())

    def matrix(self, m: npt.NDArray[Any]) -> None:
        """A matrix of 32-bit floats, row by row."""
        a = np.ascontiguousarray(m, "<f4")
        self.token("FM")
        self.int(*a.shape)
        self.file.write(a.tobytes())


def transition_model(w: Writer) -> None:
    """Phones 1..N, each with one emitting state and two outputs (first frame, later frames)."""
    n = len(MARKED)
    w.token("<TransitionModel>", "<Topology>")
    w.ints(range(1, n + 1))
    w.ints([-1] + [0] * n)
    w.int(-1)  # states carry an output each for entering and for staying
    w.int(1, 2)  # one topology of two states
    w.int(0, 1, 2)  # emitting state: enter 0, stay 1, two transitions
    w.int(0)
    w.float(0.5)
    w.int(1)
    w.float(0.5)
    w.int(-1, -1, 0)  # final state
    w.token("</Topology>", "<Tuples>")
    w.int(n)
    for number, phone in enumerate(MARKED, 1):
        k = unit_of(phone)
        w.int(number, 0, 2 * k, 2 * k + 1)
    w.token("</Tuples>", "<LogProbs>")
    w.vector([0.0] + [math.log(0.5)] * (2 * n))
    w.token("</LogProbs>", "</TransitionModel>")


def fixed(w: Writer, c: Component) -> None:
    """Affine transform that is not trained."""
    w.token("<FixedAffineComponent>", "<LinearParams>")
    w.matrix(c["M"])
    w.token("<BiasParams>")
    w.vector(c["b"])
    w.token("</FixedAffineComponent>")


def affine(w: Writer, c: Component) -> None:
    """Trained affine transform."""
    w.token("<NaturalGradientAffineComponent>", "<LearningRate>")
    w.float(0.001)
    w.token("<LinearParams>")
    w.matrix(c["M"])
    w.token("<BiasParams>")
    w.vector(c["b"])
    for name, value in (("<RankIn>", 20), ("<RankOut>", 80), ("<UpdatePeriod>", 4)):
        w.token(name)
        w.int(value)
    w.token("<NumSamplesHistory>")
    w.float(2000.0)
    w.token("<Alpha>")
    w.float(4.0)
    w.token("</NaturalGradientAffineComponent>")


def relu(w: Writer, c: Component) -> None:
    """Rectifier."""
    w.token("<RectifiedLinearComponent>", "<Dim>")
    w.int(c["dim"])
    for name in ("<ValueAvg>", "<DerivAvg>"):
        w.token(name)
        w.vector([])
    w.token("<Count>")
    w.double(0.0)
    w.token("<OderivRms>")
    w.vector([])
    for name in ("<OderivCount>", "<NumDimsSelfRepaired>", "<NumDimsProcessed>"):
        w.token(name)
        w.double(0.0)
    w.token("</RectifiedLinearComponent>")


def norm(w: Writer, c: Component) -> None:
    """Batch normalisation with stored statistics."""
    dim = len(c["mean"])
    w.token("<BatchNormComponent>", "<Dim>")
    w.int(dim)
    w.token("<BlockDim>")
    w.int(dim)
    w.token("<Epsilon>")
    w.float(c["epsilon"])
    w.token("<TargetRms>")
    w.float(1.0)
    w.token("<TestMode>")
    w.bool(False)
    w.token("<Count>")
    w.double(1000.0)
    w.token("<StatsMean>")
    w.vector(c["mean"])
    w.token("<StatsVar>")
    w.vector(c["var"])
    w.token("</BatchNormComponent>")


def no_op(w: Writer, c: Component) -> None:
    """A component that passes its input on."""
    w.token("<NoOpComponent>", "<Dim>")
    w.int(c["dim"])
    w.token("<BackpropScale>")
    w.float(1.0)
    w.token("</NoOpComponent>")


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
        w.token("<Nnet3>")
        f.write(("\n" + "\n".join(configuration(components, inputs)) + "\n\n").encode())
        w.token("<NumComponents>")
        w.int(len(components))
        for i, c in enumerate(components):
            w.token("<ComponentName>", f"{c['kind']}{i}")
            WRITERS[c["kind"]](w, c)
        w.token("</Nnet3>", "<LeftContext>")
        w.int(0)
        w.token("<RightContext>")
        w.int(0)  # the reader works both out itself
        w.token("<Priors>")
        w.vector([])
