"""Is every file that a row points to there, and what it was?"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from pathlib import Path

from capture.record import media
from capture.record.check_notes import Notes, names_in
from capture.record.rows import Fault, MediaRef
from capture.record.spread import Spread

_Some = list[tuple[Path, MediaRef]]

_PAGE = 32
"""Files that are recomputed at a time."""

_SHOWN = 5
_MISSING = "the file is missing"
_RESTORE = "put it back from a copy of the record"


def check_files(
    folder: Path,
    notes: Notes,
    progress: Callable[[str, int, int], None],
    fault: Callable[[Fault], None],
    notice: Callable[[Fault], None],
    spread: Spread,
) -> int:
    """Recompute every referenced file's SHA-256, then find the files that no row points to.

    Args:
        folder: the media folder.
        notes: which rows point to which files.
        progress: told "media", how many files are done, of how many.
        fault: is told each fault.
        notice: is told each notice.
        spread: recomputes some files at a time.

    Returns:
        How many files were recomputed.
    """
    total = notes.index()
    prefixes = notes.prefixes()
    done = 0
    for page, found in spread.over(_check_some, _pages(folder, notes, prefixes)):
        for (path, ref), what in zip(page, found, strict=True):
            _tell(what, ref, notes, _where(folder, path), fault, notice)
        done += len(page)
        progress("media", done, total)
    for prefix in sorted({*prefixes, *(path.name for path in names_in(folder))}):
        expected = {file.ref.sha256 for file in notes.files(prefix)} if prefix in prefixes else set()
        _unknown(folder, folder / prefix, expected, notice)
    return done


def _pages(folder: Path, notes: Notes, prefixes: Iterable[str]) -> Iterator[_Some]:
    files = (file.ref for prefix in prefixes for file in notes.files(prefix))
    while page := [(media.media_path(folder, ref.sha256), ref) for ref in islice(files, _PAGE)]:
        yield page


def _check_some(page: _Some) -> list[str | None]:
    """What is wrong with each file."""
    return [_check_file(path, ref) for path, ref in page]


def _tell(
    what: str | None,
    ref: MediaRef,
    notes: Notes,
    where: str,
    fault: Callable[[Fault], None],
    notice: Callable[[Fault], None],
) -> None:
    if what in (None, _MISSING) and notes.purged_on_purpose(ref):
        notice(_purged(where, what is None, _pointing(ref, notes)))
    elif what:
        fault(Fault(where, f"{what}; {_pointing(ref, notes)}", _RESTORE))


def _purged(where: str, still_there: bool, pointing: str) -> Fault:
    if still_there:
        return Fault(where, f"it was to be purged, but the file is still there; {pointing}", "purge again to remove it")
    return Fault(where, f"purged on purpose; {pointing}", "nothing; its hash and what was heard of it stay")


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


def _pointing(ref: MediaRef, notes: Notes) -> str:
    numbers = notes.pointing(ref, _SHOWN + 1)
    shown = ", ".join(str(number) for number in numbers[:_SHOWN]) + (", ..." if len(numbers) > _SHOWN else "")
    return f"it is the {ref.kind} of row {shown}"


def _unknown(folder: Path, inside: Path, expected: set[str], notice: Callable[[Fault], None]) -> None:
    if not inside.exists() and not inside.is_symlink():
        return
    for path in media.files(inside) if inside.is_dir() else [inside]:
        if path.name in expected and path.parent == inside:
            continue
        if path.name.startswith(media.INCOMING):
            what = "a file whose writing was interrupted"
        elif ".damaged-" in path.name:
            what = "a damaged file that was set aside"
        else:
            what = "no row points to this file"
        notice(Fault(_where(folder, path), what, "it is no part of the record; look at it before removing it"))


def _where(folder: Path, path: Path) -> str:
    return (Path(folder.name) / path.relative_to(folder)).as_posix()
