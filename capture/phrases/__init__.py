"""Phrases: spoken words to statements, and statements to words."""

from capture.phrases.generate import pronunciations, sentences, utterances, vocabulary
from capture.phrases.number import parse_number, speak_number
from capture.phrases.parser import parse
from capture.phrases.readback import read_back
from capture.phrases.reference import reference
from capture.phrases.statements import Context, Statement

__all__ = [
    "Context",
    "Statement",
    "parse",
    "parse_number",
    "pronunciations",
    "read_back",
    "reference",
    "sentences",
    "speak_number",
    "utterances",
    "vocabulary",
]
