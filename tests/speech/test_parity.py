"""What is trained must be what is heard: PyTorch against libvosk, and our cepstra against kaldi-native-fbank."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from capture.speech.fst import write_fst
from capture.speech.phones import MARKED, PHONE_NUMBER, enter, stay, unit_of

torch = pytest.importorskip("torch")
vosk = pytest.importorskip("vosk")

from capture.speech.training.export import ACOUSTIC_SCALE, export  # noqa: E402
from capture.speech.training.mfcc import Mfcc  # noqa: E402
from capture.speech.training.network import Network, Shape  # noqa: E402


def signal(seconds: float = 2.0, seed: int = 1) -> np.ndarray:
    """A gliding buzz with noise: int16 samples at 16 kHz that fill the whole band."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(16000 * seconds)) / 16000
    pitch = 110 + 40 * np.sin(2 * np.pi * 0.7 * t)
    x = 3000 * np.sign(np.sin(2 * np.pi * np.cumsum(pitch) / 16000)) * np.abs(np.sin(2 * np.pi * 1.3 * t))
    return np.round(x + 200 * rng.standard_normal(len(t))).astype(np.int16)


def test_cepstra_equal_kaldi_native_fbank() -> None:
    """Outside reference: kaldi-native-fbank, an independent implementation of Kaldi's features."""
    knf = pytest.importorskip("kaldi_native_fbank")
    o = knf.MfccOptions()
    f, m = o.frame_opts, o.mel_opts
    f.samp_freq, f.dither, f.snip_edges = 16000, 0.0, True
    m.num_bins, m.low_freq, m.high_freq = 40, 20, 7600
    o.num_ceps, o.use_energy = 40, False
    pcm = signal()
    ref = knf.OnlineMfcc(o)
    ref.accept_waveform(16000, pcm.astype(np.float32))
    ref.input_finished()
    want = np.stack([ref.get_frame(i) for i in range(ref.num_frames_ready)])
    got = Mfcc()(torch.from_numpy(pcm.astype(np.float32))[None])[0].numpy()
    assert got.shape == want.shape
    assert np.abs(got - want).max() < 2e-3 * np.abs(want).max()
    assert np.abs(got - want).mean() < 1e-4 * np.abs(want).mean()


def untrained(shape: Shape, seed: int = 0) -> Network:
    """A small network with every parameter away from its neutral value."""
    torch.manual_seed(seed)
    net = Network(shape)
    net.mean += torch.randn(40) * 3
    net.spread *= 10
    for layer in [net.first_norm, *(m.norm for m in net.layers)]:
        layer.running_mean += torch.rand(32) * 0.3
        layer.running_var.uniform_(0.2, 1.0)
    return net.eval()


SHAPES = (Shape(1, 2, 2, 32, 8), Shape(3, 0, 3, 32, 8))


@pytest.mark.parametrize("shape", SHAPES, ids=("fast layers", "none"))
@pytest.mark.parametrize("phone", ["SIL", "GBG_S", "AH_I", "ZH_E"])
def test_scores_equal_libvosk(phone: str, shape: Shape, tmp_path: Path) -> None:
    """The cost of a path through one phone is the sum of the network's scores along it."""
    net = untrained(shape)
    export(net, tmp_path)
    graph = tmp_path / "graph"
    graph.mkdir()
    p, k = PHONE_NUMBER[phone], unit_of(phone)
    write_fst(graph / "HCLG.fst", 2, 0, [(0, 1, enter(p), 1, 0.0), (1, 1, stay(p), 0, 0.0)], {1: 0.0})
    (graph / "words.txt").write_text("<eps> 0\nx 1\n")
    assert len(MARKED) == PHONE_NUMBER[MARKED[-1]]
    pcm = signal()
    vosk.SetLogLevel(-1)
    recogniser = vosk.KaldiRecognizer(vosk.Model(str(tmp_path)), 16000)
    recogniser.SetMaxAlternatives(1)
    for at in range(0, len(pcm), 4000):
        recogniser.AcceptWaveform(pcm[at : at + 4000].tobytes())
    heard = json.loads(recogniser.FinalResult())["alternatives"][0]["confidence"]
    with torch.no_grad():
        scores = net(Mfcc()(torch.from_numpy(pcm.astype(np.float32))[None]))[0]
    want = ACOUSTIC_SCALE * float(scores[0, 2 * k] + scores[1:, 2 * k + 1].sum())
    assert heard == pytest.approx(want, rel=1e-4, abs=1e-2)
