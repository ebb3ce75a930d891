"""Procedure files: reading, finding, and refusing with every fault at once."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path

from capture.errors import ProcedureError, UsageError
from capture.procedure.build import build
from capture.procedure.check import check
from capture.procedure.lines import Path as DataPath
from capture.procedure.lines import scan
from capture.procedure.model import Procedure
from capture.procedure.schema import ROOT, checked

LARGEST_FILE = 1_000_000
"""Bytes; a procedure is a page or two of text."""


def parse_procedure(text: str, where: str) -> Procedure:
    """The procedure that ``text`` (TOML) describes; ``where`` names its origin in messages.

    ProcedureError lists every fault with its line, what is wrong and what to do.
    """
    try:
        raw = tomllib.loads(text, parse_float=Decimal)
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise ProcedureError(where, [f"not TOML: {str(fault) or 'nested too deeply'}."]) from None
    lines = scan(text)
    faults: list[tuple[int, str]] = []

    def report(path: DataPath, sentence: str) -> None:
        faults.append((lines.at(path), _named(path, sentence)))

    data = checked(raw, ROOT, (), report)
    check(data, report)
    if faults:
        ordered = sorted(dict.fromkeys(faults), key=lambda fault: fault[0])
        raise ProcedureError(where, [f"line {line}: {sentence}" for line, sentence in ordered])
    return build(data, digest=hashlib.sha256(text.encode()).hexdigest(), text=text)


def _named(path: DataPath, sentence: str) -> str:
    """``sentence`` with the table it is about in front."""
    table = ".".join(key for key in path[:-1] if isinstance(key, str))
    return f"{table}: {sentence}" if table else sentence


def load_procedure(path: Path | str) -> Procedure:
    """The procedure in the file ``path``; UsageError when it cannot be read, ProcedureError when it has faults."""
    file = Path(path)
    try:
        content = file.read_bytes() if file.stat().st_size <= LARGEST_FILE else None
    except OSError as fault:
        raise UsageError(f"{file}: cannot be read ({fault.strerror}); name a procedure file.") from None
    if content is None:
        raise UsageError(f"{file}: larger than {LARGEST_FILE} bytes; name a procedure file.")
    try:
        # universal newlines, so that the digest does not depend on the platform a file was edited on
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as fault:
        raise ProcedureError(str(file), [f"not UTF-8 text (byte {fault.start}); save it as UTF-8."]) from None
    return parse_procedure(text, str(file))


def shipped() -> Mapping[str, Path]:
    """The procedures that come with the package: id to file."""
    folder = Path(__file__).parent / "shipped"
    return {file.stem: file for file in sorted(folder.glob("*.toml"))}


def find(name_or_path: str | Path) -> Path:
    """The file of a shipped procedure's id, or the path itself; UsageError when there is neither."""
    known = shipped()
    if str(name_or_path) in known:
        return known[str(name_or_path)]
    path = Path(name_or_path)
    if path.is_file():
        return path
    raise UsageError(
        f"There is no procedure '{name_or_path}'; name a TOML file or one of the shipped ones: {', '.join(known)}."
    )
