"""What is taken of a request's body: small JSON objects, and pictures of three formats, by what they are."""

from __future__ import annotations

import asyncio
import io
import json
import warnings
from typing import Any

from starlette.requests import ClientDisconnect, Request

from capture.bench.gate.access import LARGEST_BODY, LARGEST_PHOTO
from capture.errors import CaptureError

MOST_PIXELS = 100_000_000
_SLOWEST_S = {False: 15.0, True: 240.0}
"""Seconds that a small body, and a picture, may take to arrive."""
_TYPES = {"JPEG": "image/jpeg", "PNG": "image/png", "WEBP": "image/webp"}
_JPEG_WITH_MORE = "MPO"
"""What Pillow calls a JPEG that holds further pictures behind the first one, as many phones write them."""


class Refused(CaptureError):
    """A request that is not taken; ``status`` and ``headers`` are the answer's."""

    def __init__(self, status: int, sentence: str, headers: dict[str, str] | None = None) -> None:
        self.status, self.headers = status, headers
        super().__init__(sentence)


async def body_of(request: Request, most: int) -> bytes:
    """The request's body, read no further than ``most`` bytes, whatever it announced, and no longer than is decent.

    Raises:
        Refused: it is larger, or it did not come to its end.
    """
    data = bytearray()
    try:
        async with asyncio.timeout(_SLOWEST_S[most > LARGEST_BODY]):
            async for piece in request.stream():
                data += piece
                if len(data) > most:
                    raise Refused(
                        413, f"That is larger than the {most // 1000} kB that are taken here; send a smaller one."
                    )
    except TimeoutError:
        raise Refused(408, "It did not arrive in time; come nearer to the network and send it again.") from None
    except ClientDisconnect:
        raise Refused(400, "The line broke before it had arrived; send it again.") from None
    return bytes(data)


async def json_of(request: Request, *needed: str) -> dict[str, Any]:
    """The request's JSON object, whose ``needed`` members must be text.

    Raises:
        Refused: it is none.
    """
    try:
        found = json.loads(await body_of(request, LARGEST_BODY))
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict) or any(not isinstance(found.get(name), str) for name in needed):
        raise Refused(
            400, f"The request must be a JSON object with {', '.join(needed) or 'members'}; load the page again."
        )
    return found


async def photo_of(request: Request) -> tuple[bytes, str]:
    """The picture in the request's body, and its media type by its content.

    Raises:
        Refused: it is too large, or no JPEG, PNG or WebP picture.
    """
    data = await body_of(request, LARGEST_PHOTO)
    return data, picture_type(data)


def picture_type(data: bytes) -> str:
    """The media type of a picture, from its header only; a picture that claims to be enormous is refused.

    Raises:
        Refused: it is no JPEG, PNG or WebP picture, or has too many pixels.
    """
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with Image.open(io.BytesIO(data), formats=tuple(_TYPES)) as picture:
                (width, height), kind = picture.size, str(picture.format)
    except (Image.DecompressionBombError, Warning) as error:
        raise Refused(415, f"The picture has too many pixels ({error}); take it in a smaller size.") from error
    except Exception as error:
        raise Refused(415, "That is no JPEG, PNG or WebP picture; set the camera to JPEG and take it again.") from error
    if width * height > MOST_PIXELS:
        raise Refused(415, f"The picture has {width} x {height} pixels, too many; take it in a smaller size.")
    return _TYPES["JPEG" if kind == _JPEG_WITH_MORE else kind]
