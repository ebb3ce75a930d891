"""Ten thousand damaged picture files: ``python -m tests.bench.photo_fuzz [COUNT] [SEED]``.

Good pictures of every kind that cameras, phones and microscopes write (and of kinds that are not taken) are altered:
flipped bits, cut ends, overwritten headers, giant declared sizes, wrong EXIF, files glued together. Each is read, and
every fiftieth that can still be read is measured and drawn. Only the program's own errors may come out; a worker
process is watched for hanging (a minute for one file; on an idle machine none takes seconds) and for memory (the
largest that one file needed). Times are processor seconds.
"""

from __future__ import annotations

import io
import multiprocessing as mp
import re
import struct
import sys
import time
import zlib
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

HANG_S = 60.0
MEASURED_EVERY = 50
_MB = 1024


@dataclass(frozen=True)
class Outcome:
    """One file: its kind, what was done to it, what came out, how long it took, kB that it needed at most, bytes."""

    kind: str
    change: str
    result: str
    seconds: float
    peak_kb: int
    size: int


def _encoded(image: Image.Image, kind: str, **more: Any) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **more)
    return out.getvalue()


def _exif(orientation: int = 6) -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Maker", "Bench Cam", orientation
    sub = exif.get_ifd(0x8769)
    sub[0x9003], sub[0x9011], sub[0x920A] = "2026:03:12 09:15:00", "+01:00", (42, 10)
    sub[0x9206], sub[0xA404], sub[0xA405], sub[0xA434] = (25, 100), (1, 1), 28, "Bench lens"
    return exif


@lru_cache(maxsize=1)
def seeds() -> dict[str, bytes]:
    """Good files by kind, and files of kinds that are not taken."""
    from tests.vision.render import World, render

    photo = Image.fromarray(render(World(size=(640, 480), height=2.2)))
    small = photo.resize((200, 150))
    deep = Image.fromarray(np.asarray(small.convert("L"), np.uint16) * 257)
    made = {
        "JPEG": _encoded(photo, "JPEG", quality=88),
        "JPEG with EXIF": _encoded(photo, "JPEG", quality=80, exif=_exif()),
        "JPEG progressive": _encoded(photo, "JPEG", progressive=True, quality=80),
        "JPEG grey": _encoded(photo.convert("L"), "JPEG"),
        "JPEG CMYK": _encoded(small.convert("CMYK"), "JPEG"),
        "JPEG with more behind": _encoded(photo, "MPO", save_all=True, append_images=[small]),
        "PNG": _encoded(photo, "PNG", compress_level=1),
        "PNG with EXIF": _encoded(small, "PNG", exif=_exif(8)),
        "PNG grey 16 bit": _encoded(deep, "PNG"),
        "PNG alpha": _encoded(small.convert("RGBA"), "PNG"),
        "PNG grey alpha": _encoded(small.convert("LA"), "PNG"),
        "PNG palette": _encoded(small.quantize(64), "PNG", transparency=3),
        "PNG 1 bit": _encoded(small.convert("1"), "PNG"),
        "PNG animated": _encoded(small, "PNG", save_all=True, append_images=[small.rotate(90), small.rotate(180)]),
        "PNG 1 x 4000": _encoded(small.resize((1, 4000)), "PNG"),
        "JPEG 4000 x 1": _encoded(small.resize((4000, 1)), "JPEG"),
        "WebP": _encoded(photo, "WEBP", quality=80),
        "WebP lossless alpha": _encoded(small.convert("RGBA"), "WEBP", lossless=True, exif=_exif(3)),
        "WebP animated": _encoded(small, "WEBP", save_all=True, append_images=[small.rotate(90)]),
        "TIFF": _encoded(small, "TIFF"),
        "GIF": _encoded(small.quantize(64), "GIF"),
        "BMP": _encoded(small, "BMP"),
        "HEIC": b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + _encoded(small, "JPEG")[20:],
        "AVIF": b"\0\0\0\x1cftypavif\0\0\0\0avifmif1" + _encoded(small, "JPEG")[20:],
        "nothing": b"",
    }
    return made


Change = Callable[[bytearray, np.random.Generator], bytes]


def _flip(data: bytearray, g: np.random.Generator) -> bytes:
    for _ in range(int(g.integers(1, 40))):
        data[int(g.integers(len(data)))] ^= 1 << int(g.integers(8))
    return bytes(data)


def _cut(data: bytearray, g: np.random.Generator) -> bytes:
    return bytes(data[: int(g.integers(len(data)))])


def _head(data: bytearray, g: np.random.Generator) -> bytes:
    for _ in range(int(g.integers(1, 12))):
        data[int(g.integers(min(len(data), 700)))] = int(g.integers(256))
    return bytes(data)


def _giant(data: bytearray, g: np.random.Generator) -> bytes:
    """Another size where the format declares it, with a right checksum, so that decoders believe it."""
    wide, high = (int(g.choice([1, 63, 64, 640, 7999, 8000, 16000, 65535, 2**31 - 1])) for _ in range(2))
    if data[:4] == b"\x89PNG":
        data[16:24] = struct.pack(">II", wide, high)
        data[29:33] = struct.pack(">I", zlib.crc32(bytes(data[12:29])))
    elif data[:2] == b"\xff\xd8":
        for mark in re.finditer(rb"\xff[\xc0\xc2]\x00[\x0b\x11\x14]", bytes(data)):
            at = mark.start() + 5
            data[at : at + 4] = struct.pack(">HH", high & 0xFFFF, wide & 0xFFFF)
    elif data[:4] == b"RIFF" and data[12:16] == b"VP8X":
        data[24:27], data[27:30] = struct.pack("<I", wide)[:3], struct.pack("<I", high)[:3]
    elif data[:4] == b"RIFF":
        data[26:30] = struct.pack("<HH", wide & 0x3FFF, high & 0x3FFF)
    else:
        return _head(data, g)
    return bytes(data)


def _wrong_exif(data: bytearray, g: np.random.Generator) -> bytes:
    """Damage within the EXIF block, or a block of rubbish where there is none."""
    at = bytes(data).find(b"Exif\0\0")
    if at < 0:
        at = max(bytes(data).find(b"eXIf"), bytes(data).find(b"EXIF"))
    if at >= 0:
        for _ in range(int(g.integers(1, 30))):
            data[min(at + 6 + int(g.integers(260)), len(data) - 1)] = int(g.choice([0, 1, 255, int(g.integers(256))]))
        return bytes(data)
    if data[:2] == b"\xff\xd8":
        block = b"Exif\0\0" + bytes(g.integers(0, 256, int(g.integers(8, 400)), dtype=np.uint8))
        return bytes(data[:2]) + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + bytes(data[2:])
    return _head(data, g)


def _shuffle(data: bytearray, g: np.random.Generator) -> bytes:
    a, b = sorted(int(v) for v in g.integers(0, len(data), 2))
    piece = data[a:b]
    del data[a:b]
    at = int(g.integers(0, len(data) + 1))
    return bytes(data[:at] + piece + piece + data[at:])


def _glue(data: bytearray, g: np.random.Generator) -> bytes:
    other = list(seeds().values())[int(g.integers(len(seeds())))]
    at = int(g.integers(len(data) + 1))
    return bytes(data[:at]) + other


def _zeros(data: bytearray, g: np.random.Generator) -> bytes:
    a, b = sorted(int(v) for v in g.integers(0, len(data), 2))
    data[a:b] = bytes(b - a)
    return bytes(data)


CHANGES: dict[str, Change] = {
    "bits flipped": _flip,
    "cut off": _cut,
    "header": _head,
    "declared size": _giant,
    "EXIF": _wrong_exif,
    "moved about": _shuffle,
    "glued": _glue,
    "zeros": _zeros,
    "as it was": lambda data, g: bytes(data),
}


def mutated(number: int, seed: int) -> tuple[str, str, bytes]:
    """The ``number``-th file of a run: kind, change, bytes."""
    g = np.random.default_rng([seed, number])
    kinds = list(seeds())
    kind = kinds[number % len(kinds)]
    change = list(CHANGES)[int(g.integers(len(CHANGES)))]
    data = bytearray(seeds()[kind])
    return kind, change, CHANGES[change](data, g) if data else bytes(data)


def read(data: bytes, *, measured: bool) -> str:
    """What the program makes of one file: read, its own refusal, or another error's name (a defect)."""
    from capture.bench.page.uploads import Refused, picture_type
    from capture.bench.times import from_picture
    from vision import PhotoError, load_photo, measure, overlay, setup_from_mapping

    try:
        from_picture(data)
        with suppress(Refused):
            picture_type(data)
        photo = load_photo(data)
    except PhotoError:
        return "refused"
    except BaseException as error:
        return f"DEFECT {type(error).__name__}: {error}"[:100]
    if not measured:
        return "read"
    from tests.vision.render import World, setup_table

    try:
        result = measure(photo, setup_from_mapping(setup_table(World(size=(640, 480), height=2.2))))
        overlay(photo, result)
    except BaseException as error:
        return f"DEFECT {type(error).__name__} while measuring: {error}"[:100]
    return f"read, {type(result).__name__.lower()}"


def _peak_kb() -> int:
    found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    return int(found[1]) if found else 0


def _worker(begin: int, end: int, seed: int, line: Connection) -> None:
    seeds()
    for number in range(begin, end):
        kind, change, data = mutated(number, seed)
        line.send(("begin", kind, change))
        Path("/proc/self/clear_refs").write_text("5")  # peak memory counts from here
        start = time.process_time()
        result = read(data, measured=number % MEASURED_EVERY == 0)
        line.send(Outcome(kind, change, result, time.process_time() - start, _peak_kb(), len(data)))
    line.send(None)


def run(count: int, seed: int) -> list[Outcome]:
    """All outcomes; a file that hangs or kills the worker is one of them, and a new worker goes on behind it."""
    found: list[Outcome] = []
    context = mp.get_context("spawn")
    while len(found) < count:
        ours, theirs = context.Pipe()
        worker = context.Process(target=_worker, args=(len(found), count, seed, theirs))
        worker.start()
        theirs.close()
        now = ("", "")
        try:
            while ours.poll(HANG_S if now[0] else 10 * HANG_S):  # starting may take long
                told = ours.recv()
                if told is None:
                    break
                if isinstance(told, Outcome):
                    found.append(told)
                    if len(found) % 1000 == 0:
                        print(f"... {len(found)}", file=sys.stderr)
                else:
                    now = (told[1], told[2])
            else:
                found.append(Outcome(*now, "DEFECT hangs", HANG_S, 0, 0))
        except EOFError:
            found.append(Outcome(*now, "DEFECT the process died", 0, 0, 0))
        worker.kill()
        worker.join()
    return found


def main() -> None:
    """Print the tables."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    found = run(count, seed)
    for title, of in (("kind", lambda o: o.kind), ("change", lambda o: o.change)):
        print(f"\n{title:24}{'files':>7}{'read':>7}{'refused':>9}{'defects':>9}{'slowest s':>11}{'peak MB':>9}")
        groups: dict[str, list[Outcome]] = {}
        for one in found:
            groups.setdefault(of(one), []).append(one)
        for name, ones in [*sorted(groups.items()), ("all", found)]:
            n = Counter(o.result.split()[0].rstrip(",") for o in ones)
            print(
                f"{name:24}{len(ones):7d}{n['read']:7d}{n['refused']:9d}{n['DEFECT']:9d}"
                f"{max(o.seconds for o in ones):11.2f}{max(o.peak_kb for o in ones) / _MB:9.0f}"
            )
    print(f"\nmeasured: {dict(Counter(o.result for o in found if o.result.startswith('read,')))}")
    for one in found:
        if one.result.startswith("DEFECT"):
            print(f"{one.kind}, {one.change}: {one.result}")


if __name__ == "__main__":
    main()
