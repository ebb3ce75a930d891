"""From a trained network to a model directory without a decoding graph (the graph is built where it is used)."""

from __future__ import annotations

from pathlib import Path

from ..phones import PHONE_NUMBER, SILENCE
from . import mfcc
from .network import Network, stages
from .nnet3 import write_model

ACOUSTIC_SCALE = 1.3
"""Weight of the network's scores beside the language's, chosen on sentences of training voices."""

CONF = (
    "--min-active=200",
    "--max-active=5000",
    "--beam=14.0",
    "--lattice-beam=7.0",
    f"--acoustic-scale={ACOUSTIC_SCALE}",
    "--frame-subsampling-factor=3",
    f"--endpoint.silence-phones={PHONE_NUMBER[SILENCE]}",
    "--endpoint.rule2.min-trailing-silence=0.6",
    "--endpoint.rule3.min-trailing-silence=0.8",
    "--endpoint.rule4.min-trailing-silence=1.2",
)
"""Decoder settings; the frame rate is fixed by libvosk, which counts 30 ms a frame."""


def export(net: Network, folder: Path) -> None:
    """Write ``am/final.mdl`` and ``conf/`` into ``folder``."""
    net.eval()
    for sub in ("am", "conf"):
        (folder / sub).mkdir(parents=True, exist_ok=True)
    write_model(folder / "am" / "final.mdl", stages(net), net.shape.inputs)
    (folder / "conf" / "mfcc.conf").write_text("\n".join(mfcc.CONF) + "\n", encoding="ascii")
    (folder / "conf" / "model.conf").write_text("\n".join(CONF) + "\n", encoding="ascii")
