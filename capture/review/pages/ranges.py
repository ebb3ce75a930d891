"""Part of a medium, for a player that looks for a place in a long clip (RFC 9110, section 14)."""

from __future__ import annotations

import re

from starlette.requests import Request
from starlette.responses import Response

_ONE = re.compile(r"bytes=\s*(?:([0-9]{1,18})-([0-9]{0,18})|-([0-9]{1,18}))\s*", re.ASCII)


def ranged(request: Request, content: bytes, media_type: str, digest: str) -> Response:
    """The answer with all of a medium, or with the one part that was asked for.

    The part is cut from bytes that were checked as a whole, so that what is sent is what the record holds. Several
    parts at once, and parts in other units than bytes, are answered with the whole, as section 14.2 allows.

    Args:
        request: its Range and If-Range count.
        content: the whole.
        media_type: what it is.
        digest: its SHA-256, the validator of its address.
    """
    headers = {"accept-ranges": "bytes", "etag": f'"{digest}"'}
    found = _ONE.fullmatch(request.headers.get("range", ""))
    if found is None or request.headers.get("if-range", headers["etag"]) != headers["etag"]:
        return Response(content, media_type=media_type, headers=headers)
    begin, end = _part(found, len(content))
    if begin >= end:
        return Response(status_code=416, headers={**headers, "content-range": f"bytes */{len(content)}"})
    headers["content-range"] = f"bytes {begin}-{end - 1}/{len(content)}"
    return Response(content[begin:end], 206, media_type=media_type, headers=headers)


def _part(found: re.Match[str], size: int) -> tuple[int, int]:
    """Where the part begins and ends in ``size`` bytes; the end is not in it. Nothing when it cannot be given."""
    first, last, suffix = found.groups()
    if suffix is not None:
        return max(0, size - int(suffix)), size
    if last and int(last) < int(first):
        return 0, 0
    return int(first), min(size, int(last) + 1) if last else size
