"""Photos of the pots: kept beside the journal, scaled down, without what a camera writes into them."""

from __future__ import annotations

import io
import re
import secrets
import shutil
import warnings
from pathlib import Path
from typing import Final

from logger.errors import UserError
from logger.home import write_whole

FOLDER: Final = "photos"
MOST: Final = 12
"""Photos of one firing."""
MAX_BYTES: Final = 24 << 20
"""Of a file that is given; a telephone's photo has 3 to 12 MB."""
MAX_PIXELS: Final = 120_000_000
SIDE_PX: Final = 1600
"""The longer side is scaled down to this: sharp on a page of paper, and a report with twelve stays small."""
QUALITY: Final = 82
KINDS: Final = ("JPEG", "PNG", "WEBP")

_NAME: Final = re.compile(r"\d{2}-[0-9a-f]{8}\.jpg")


class PhotoError(UserError):
    """A photo that can't be kept: says why, and what to do."""

    field = "photos"


def photos_of(home: Path, firing: str) -> list[Path]:
    """Give a firing's photos, in the order they were added."""
    folder = _folder(home, firing)
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if _NAME.fullmatch(path.name))


def keep_photo(home: Path, firing: str, data: bytes) -> Path:
    """Keep a JPEG, PNG or WebP photo as a JPEG of at most `SIDE_PX`, turned upright.

    Place and camera are left out. PhotoError: it is no picture, too large, or there are `MOST` already.
    """
    if len(data) > MAX_BYTES:
        raise PhotoError(f"this photo is larger than {MAX_BYTES >> 20} MB; give a smaller one")
    there = photos_of(home, firing)
    if len(there) >= MOST:
        raise PhotoError(f"there are {MOST} photos already; take one away first")
    scaled = scaled_down(data)
    folder = _folder(home, firing)
    number = min(int(there[-1].name[:2]) + 1, 99) if there else 1
    kept = folder / f"{number:02}-{secrets.token_hex(4)}.jpg"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_whole(kept, scaled)
    except OSError as exc:
        raise PhotoError(f"the photo could not be kept ({exc.strerror or exc}); is the disk full?") from exc
    return kept


def scaled_down(data: bytes) -> bytes:
    """Scale a photo down; PhotoError where it is no picture that can be read."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # there is a limit of our own
            with Image.open(io.BytesIO(data), formats=KINDS) as given:
                if given.width * given.height > MAX_PIXELS:
                    raise PhotoError("this photo has too many pixels; give a smaller one")
                given.draft("RGB", (SIDE_PX, SIDE_PX))
                picture = ImageOps.exif_transpose(given)
                picture.thumbnail((SIDE_PX, SIDE_PX))
                out = io.BytesIO()
                # A new picture: what the camera wrote beside it (place, time, owner) stays behind.
                plain = Image.new("RGB", picture.size, "white")
                plain.paste(picture, mask=picture.getchannel("A") if "A" in picture.getbands() else None)
                plain.save(out, "JPEG", quality=QUALITY, optimize=True)
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError) as exc:
        raise PhotoError("this is no photo that can be read; give a JPEG, PNG or WebP file") from exc
    return out.getvalue()


def photo_called(home: Path, firing: str, name: str) -> Path:
    """Find one photo; PhotoError where there is none of that name."""
    found = next((path for path in photos_of(home, firing) if path.name == name), None)
    if found is None:
        raise PhotoError("there is no such photo (any more)")
    return found


def drop_photos(home: Path, firing: str) -> None:
    """Delete all photos of a firing."""
    shutil.rmtree(_folder(home, firing), ignore_errors=True)


def _folder(home: Path, firing: str) -> Path:
    if not re.fullmatch(r"[0-9a-z-]{1,60}", firing):
        raise PhotoError("there is no such firing")
    return home / FOLDER / firing
