"""Is every file that a row points to there, and what it was?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from capture.errors import UsageError
from capture.record import media
from capture.record.rows import Fault, MediaRef

Found = tuple[list[Fault], list[Fault]]
_MISSING = "the file is missing"
_RESTORE = "put it back from a copy of the record"


def check_files(
    folder: Path,
    refs: Sequence[tuple[int, str, MediaRef]],
    progress: Callable[[str, int, int], None],
    purged: Callable[[int, str], bool] = lambda seq, sha256: False,
) -> tuple[int, Found]:
    """Recompute every referenced file's SHA-256 and list the files that no row points to.

    Args:
        folder: the media folder.
        refs: (row number, row id, reference), in the order of the rows.
        progress: told "media", how many files are done, of how many.
        purged: whether a row's file was purged on purpose; when that holds for all its rows it may be missing.

    Returns:
        How many files were recomputed, and (faults, notices).
    """
    rows = _rows_by_file(refs)
    faults: list[Fault] = []
    notices: list[Fault] = []
    expected: set[Path] = set()
    for done, (ref, numbers) in enumerate(rows.items(), start=1):
        try:
            path = media.media_path(folder, str(ref.sha256))
        except UsageError as error:
            faults.append(Fault(f"row {numbers[0]}", str(error), _RESTORE))
            continue
        expected.add(path)
        what = _check_file(path, ref)
        if what in (None, _MISSING) and all(purged(number, ref.sha256) for number in numbers):
            notices.append(_purged(_where(folder, path), what is None, _pointing(ref, numbers)))
        elif what:
            faults.append(Fault(_where(folder, path), f"{what}; {_pointing(ref, numbers)}", _RESTORE))
        progress("media", done, len(rows))
    return len(rows), (faults, notices + _unknown(folder, expected))


def _purged(where: str, still_there: bool, pointing: str) -> Fault:
    if still_there:
        return Fault(where, f"it was to be purged, but the file is still there; {pointing}", "purge again to remove it")
    return Fault(where, f"purged on purpose; {pointing}", "nothing; its hash and what was heard of it stay")


def _rows_by_file(refs: Sequence[tuple[int, str, MediaRef]]) -> dict[MediaRef, list[int]]:
    """References by file: the first of each (SHA-256, size), with the numbers of all rows that point to it."""
    first: dict[tuple[str, int], MediaRef] = {}
    rows: dict[MediaRef, list[int]] = {}
    for seq, _, ref in refs:
        known = first.setdefault((ref.sha256, ref.size), ref)
        rows.setdefault(known, []).append(seq)
    return rows


def _check_file(path: Path, ref: MediaRef) -> str | None:
    if not path.exists():
        return _MISSING
    try:
        size, digest = path.stat().st_size, media.digest_of(path)
    except OSError as error:
        return f"the file cannot be read ({error.strerror})"
    if digest == ref.sha256 and size == ref.size:
        return None
    if size < ref.size:
        return f"the file was cut to {size} of {ref.size} bytes"
    if size > ref.size:
        return f"the file grew to {size} from {ref.size} bytes"
    return f"the file was changed: its bytes give {digest}"


def _pointing(ref: MediaRef, numbers: Sequence[int]) -> str:
    shown = ", ".join(str(number) for number in numbers[:5]) + (", ..." if len(numbers) > 5 else "")
    return f"it is the {ref.kind} of row {shown}"


def _unknown(folder: Path, expected: set[Path]) -> list[Fault]:
    notices = []
    for path in media.files(folder) if folder.is_dir() else ():
        if path in expected:
            continue
        if path.name.startswith(media.INCOMING):
            what = "a file whose writing was interrupted"
        elif ".damaged-" in path.name:
            what = "a damaged file that was set aside"
        else:
            what = "no row points to this file"
        notices.append(Fault(_where(folder, path), what, "it is no part of the record; look at it before removing it"))
    return notices


def _where(folder: Path, path: Path) -> str:
    return (Path(folder.name) / path.relative_to(folder)).as_posix()
