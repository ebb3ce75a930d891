"""A job that lies in a folder: which files, taken when, for which procedure, by whom.

``job.toml`` in the folder says it; what it leaves out is found (every sound and picture file below the folder, their
times from their names, the camera, or the file date), and options given on the command line win over it::

    procedure = "lever_valve"              # a shipped procedure's id, or a file beside this one
    technician = "R. Halvorsen"
    workshop = "Kittiwake Sound rescue station"
    reference = "owner's tag 14"

    [setups]                               # photo view -> measuring setup
    lever_side = "setups/bench-camera.toml"

    [[sound]]
    file = "01-received.wav"
    at = 2026-03-12T09:00:00+01:00         # when its first sample was taken

    [[photo]]
    file = "tip.jpg"
    at = 2026-03-12T09:04:10+01:00
    view = "lever_side"                    # only when no photo was asked for aloud
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from capture.bench.times import CaptureTime, capture_time
from capture.errors import UsageError

SOUND_TYPES = {".wav": "audio/wav", ".flac": "audio/flac"}
PHOTO_TYPES = {".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}
_KEYS = {"procedure", "technician", "workshop", "reference", "model", "setups", "sound", "photo"}


@dataclass(frozen=True)
class Item:
    """One captured file. ``view`` is set only when the job file names the photo view itself."""

    kind: Literal["sound", "photo"]
    path: Path
    time: CaptureTime
    view: str | None = None

    @property
    def media_type(self) -> str:
        """The file's media type by its ending."""
        return {**SOUND_TYPES, **PHOTO_TYPES}[self.path.suffix.lower()]


@dataclass(frozen=True)
class Plan:
    """Everything needed to make a job's record from files. ``procedure`` is a shipped id or a path."""

    procedure: str
    technician: str
    workshop: str
    reference: str
    setups: Mapping[str, Path]
    items: tuple[Item, ...]
    model: Path | None = None


@dataclass
class Overrides:
    """What the command line says; empty fields leave the job file's word."""

    procedure: str | None = None
    technician: str | None = None
    workshop: str | None = None
    reference: str | None = None
    model: Path | None = None
    setups: dict[str, Path] = field(default_factory=dict)


def load_plan(folder: Path, overrides: Overrides | None = None) -> Plan:
    """Read a job's folder.

    Args:
        folder: a folder with sound and picture files and perhaps a ``job.toml``.
        overrides: the command line's word.

    Returns:
        The plan, its items in the order of their times.

    Raises:
        UsageError: the folder or its job file is wrong; every fault is listed.
    """
    given = overrides or Overrides()
    if not folder.is_dir():
        raise UsageError(f"{folder}: not a folder; name the folder that holds the job's sound and pictures")
    raw = _read_job_file(folder / "job.toml")
    faults = [f"unknown key '{key}'; known are {', '.join(sorted(_KEYS))}" for key in raw if key not in _KEYS]
    texts = {key: _text(raw, key, faults) for key in ("procedure", "technician", "workshop", "reference", "model")}
    items = [*_items(folder, raw, "sound", faults), *_items(folder, raw, "photo", faults)]
    setups = {**_setups(folder, raw.get("setups", {}), faults), **given.setups}
    procedure = given.procedure or texts["procedure"]
    if not procedure:
        faults.append('no procedure; write procedure = "..." or give --procedure')
    if not items:
        faults.append(f"no sound or picture; supported endings are {' '.join([*SOUND_TYPES, *PHOTO_TYPES])}")
    if faults:
        raise UsageError(f"{folder / 'job.toml'}: correct the job file:\n" + "\n".join(f"  {f}" for f in faults))
    if not given.procedure and (folder / procedure).is_file():
        procedure = str(folder / procedure)
    return Plan(
        procedure=procedure,
        technician=given.technician or texts["technician"] or "not named",
        workshop=given.workshop or texts["workshop"],
        reference=given.reference or texts["reference"],
        setups=setups,
        items=tuple(sorted(items, key=lambda item: (item.time.at, item.path.name))),
        model=given.model or (folder / texts["model"] if texts["model"] else None),
    )


def _read_job_file(path: Path) -> Mapping[str, Any]:
    if not path.exists():
        return {}
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: not a TOML file: {error}; correct that place") from error


def _text(raw: Mapping[str, Any], key: str, faults: list[str]) -> str:
    value = raw.get(key, "")
    if not isinstance(value, str):
        faults.append(f"'{key}' must be text in quotes")
        return ""
    return value.strip()


def _items(folder: Path, raw: Mapping[str, Any], kind: Literal["sound", "photo"], faults: list[str]) -> Iterable[Item]:
    types = SOUND_TYPES if kind == "sound" else PHOTO_TYPES
    if kind not in raw:
        found = (path for path in sorted(folder.rglob("*")) if path.is_file() and path.suffix.lower() in types)
        return [Item(kind, path, capture_time(path)) for path in found]
    entries = raw[kind]
    if not isinstance(entries, list):
        faults.append(f"'{kind}' must be a list of tables, each headed [[{kind}]]")
        return []
    return [item for number, entry in enumerate(entries, 1) if (item := _item(folder, kind, number, entry, faults))]


def _item(
    folder: Path, kind: Literal["sound", "photo"], number: int, entry: Mapping[str, Any], faults: list[str]
) -> Item | None:
    types = SOUND_TYPES if kind == "sound" else PHOTO_TYPES
    where = f"[[{kind}]] number {number}"
    unknown = sorted(set(entry) - {"file", "at", "view"})
    faults.extend(f"{where}: unknown key '{key}'; known are file, at, view" for key in unknown)
    name, said, view = entry.get("file"), entry.get("at"), entry.get("view")
    if not isinstance(name, str):
        faults.append(f'{where}: write file = "..."')
        return None
    path = folder / name
    if path.suffix.lower() not in types:
        faults.append(f"{where}: {name} has an unknown ending; supported are {' '.join(types)}")
        return None
    if not path.is_file():
        faults.append(f"{where}: {name} is not there; correct the name or put the file into {folder}")
        return None
    if said is not None and not isinstance(said, datetime):
        faults.append(f"{where}: at must be a date with time, such as 2026-03-12T09:00:00+01:00")
        return None
    return Item(kind, path, capture_time(path, said), view if isinstance(view, str) else None)


def _setups(folder: Path, raw: Any, faults: list[str]) -> dict[str, Path]:
    if not isinstance(raw, dict):
        faults.append("'setups' must be a table of photo views and files")
        return {}
    setups = {}
    for view, name in raw.items():
        path = folder / str(name)
        if path.is_file():
            setups[view] = path
        else:
            faults.append(f"[setups] {view}: {name} is not there; correct the name")
    return setups
