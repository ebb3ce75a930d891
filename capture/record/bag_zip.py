"""A bag as one ZIP archive, written so that every byte of it is determined by its contents.

Entries are stored, not compressed, in the order of their names, with one fixed date. So announced sizes cannot lie,
there is nothing to blow up, and any changed bit of the archive itself shows: what was unpacked is packed again and
compared.
"""

from __future__ import annotations

import errno
import shutil
import struct
import zipfile
import zlib
from pathlib import Path
from typing import IO

from capture.record.bag_format import FOLDER_IN_ZIP, safe_path

_PIECE = 1024 * 1024
_DATE = (1980, 1, 1, 0, 0, 0)
_UNREADABLE = (
    *(zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error),
    *(NotImplementedError, ValueError, EOFError, KeyError, OverflowError, RuntimeError),
)
"""What ``zipfile`` raises on archives that are none or are damaged."""


def pack(folder: Path, stream: IO[bytes]) -> None:
    """Write the archive of a bag's folder."""
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    names = sorted((path.relative_to(folder).as_posix(), path) for path in paths)
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for name, path in names:
            info = zipfile.ZipInfo(f"{FOLDER_IN_ZIP}/{name}", _DATE)
            info.create_system, info.external_attr = 3, 0o100644 << 16
            info.file_size = path.stat().st_size
            with path.open("rb") as content, archive.open(info, "w") as target:
                shutil.copyfileobj(content, target, _PIECE)


def unpack(path: Path, folder: Path) -> list[str]:
    """Unpack an archive into an empty folder; whatever is wrong comes back as sentences naming the file.

    Args:
        path: the archive.
        folder: where the bag's files go; only plain files with plain names are written, nothing outside it.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            infos = archive.infolist()
            faults = _suspects(infos, path.stat().st_size)
            if not faults:
                faults = [fault for info in infos if (fault := _write(archive, info, folder)) is not None]
    except _UNREADABLE as error:
        return [f"{path.name}: it cannot be read as a ZIP archive ({error})"]
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        return [f"{path.name}: it cannot be read as a ZIP archive (a place in it lies before its beginning)"]
    if faults:
        return faults
    return [] if _same(path, folder) else [f"{path.name}: the archive is not as the export wrote it"]


def _suspects(infos: list[zipfile.ZipInfo], size: int) -> list[str]:
    faults = []
    seen: set[str] = set()
    for info in infos:
        inside = info.filename.removeprefix(f"{FOLDER_IN_ZIP}/")
        if inside == info.filename or "\0" in info.orig_filename:
            why: str | None = f"it is not in the folder {FOLDER_IN_ZIP}"
        elif info.compress_type != zipfile.ZIP_STORED or info.flag_bits & 1:
            why = "it is compressed or encrypted, which an export never is; unpack it and import the folder"
        elif inside.casefold() in seen:
            why = "the archive holds another file of this name"
        else:
            why = safe_path(inside)
        seen.add(inside.casefold())
        if why is not None:
            faults.append(f"{_shown(info.filename)}: {why}")
    if sum(info.file_size for info in infos) > size:
        faults.append("the archive announces more than it holds")
    return faults


def _write(archive: zipfile.ZipFile, info: zipfile.ZipInfo, folder: Path) -> str | None:
    name = info.filename.removeprefix(f"{FOLDER_IN_ZIP}/")
    target = folder / name
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with archive.open(info) as source, target.open("xb") as stream:
            shutil.copyfileobj(source, stream, _PIECE)
    except (zipfile.BadZipFile, EOFError) as error:
        return f"{name}: its bytes are not those that were packed ({error})"
    except (FileExistsError, NotADirectoryError, IsADirectoryError):
        return f"{name}: the archive holds a file and a folder of this name"
    return None


def _same(path: Path, folder: Path) -> bool:
    """Whether packing the folder again gives the archive, byte for byte."""
    import tempfile

    with tempfile.TemporaryFile(dir=folder.parent) as again, path.open("rb") as archive:
        pack(folder, again)
        again.seek(0)
        while True:
            one, two = again.read(_PIECE), archive.read(_PIECE)
            if one != two:
                return False
            if not one:
                return True


def _shown(name: str) -> str:
    return ascii(name)[1:-1][:200]
