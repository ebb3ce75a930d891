"""Training of the embedded recogniser: from open speech and offline synthesis to a model directory.

Needs torch, soundfile and (for the parity check only) kaldi-native-fbank; nothing here is imported at run time.
"""
