"""Photos of the pots: kept next to the journal, scaled down, without the camera's data."""

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
"""Photos per firing."""
MAX_BYTES: Final = 24 << 20
"""The largest file that is accepted; a phone's photo has 3 to 12 MB."""
MAX_PIXELS: Final = 120_000_000
SIDE_PX: Final = 1600
"""The longer side is scaled down to this: sharp on paper, and a report with twelve photos stays small."""
QUALITY: Final = 82
KINDS: Final = ("JPEG", "PNG", "WEBP")

_NAME: Final = re.compile(r"\d{2}-[0-9a-f]{8}\.jpg")


class PhotoError(UserError):
    """A photo that can't be kept: says why, and what to do."""

    field = "photos"


def photos_of(home: Path, firing: str) -> list[Path]:
    """List a firing's photos in the order in which they were added."""
    folder = _folder(home, firing)
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if _NAME.fullmatch(path.name))


def keep_photo(home: Path, firing: str, data: bytes) -> Path:
    """Keep a JPEG, PNG or WebP photo as a JPEG of at most `SIDE_PX`, turned upright, without place or camera.

    PhotoError: it isn't a picture, is too large, or there are `MOST` already.
    """
    if len(data) > MAX_BYTES:
        raise PhotoError(f"this photo is larger than {MAX_BYTES >> 20} MB; give a smaller one")
    there = photos_of(home, firing)
    if len(there) >= MOST:
        raise PhotoError(f"there are {MOST} photos already; remove one first")
    scaled = scaled_down(data)
    folder = _folder(home, firing)
    number = min(int(there[-1].name[:2]) + 1, 99) if there else 1
    kept = folder / f"{number:02}-{secrets.token_hex(4)}.jpg"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_whole(kept, scaled)
    except OSError as exc:
        raise PhotoError(f"the photo could not be saved ({exc.strerror or exc}); is the disk full?") from exc
    return kept


def scaled_down(data: bytes) -> bytes:
    """Scale a photo down; PhotoError: it can't be read."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # we have our own limit
            with Image.open(io.BytesIO(data), formats=KINDS) as given:
                if given.width * given.height > MAX_PIXELS:
                    raise PhotoError("this photo has too many pixels; give a smaller one")
                given.draft("RGB", (SIDE_PX, SIDE_PX))
                picture = ImageOps.exif_transpose(given)
                picture.thumbnail((SIDE_PX, SIDE_PX))
                out = io.BytesIO()
                # A new picture leaves the camera's data (place, time, owner) behind.
                plain = Image.new("RGB", picture.size, "white")
                plain.paste(picture, mask=picture.getchannel("A") if "A" in picture.getbands() else None)
                plain.save(out, "JPEG", quality=QUALITY, optimize=True)
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError) as exc:
        raise PhotoError("this photo can't be read; give a JPEG, PNG or WebP file") from exc
    return out.getvalue()


def photo_called(home: Path, firing: str, name: str) -> Path:
    """Find a photo by its name; PhotoError: there is none."""
    found = next((path for path in photos_of(home, firing) if path.name == name), None)
    if found is None:
        raise PhotoError("that photo is no longer here")
    return found


def drop_photos(home: Path, firing: str) -> None:
    """Delete all photos of a firing."""
    shutil.rmtree(_folder(home, firing), ignore_errors=True)


def _folder(home: Path, firing: str) -> Path:
    if not re.fullmatch(r"[0-9a-z-]{1,60}", firing):
        raise PhotoError("there is no such firing")
    return home / FOLDER / firing
